"""Observations kind by kind, put behind each other; what they are called is made when somebody asks for it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..ground.table import Ints, Names, constant
from .observations import VECTOR


def ranges(ends: list[int]) -> list[Ints]:
    return [np.arange(a, b) for a, b in pairwise(ends)]


def joined(parts: list[NDArray[Any]]) -> NDArray[Any]:
    """Columns behind each other; where all of them hold one and the same value, one that takes no room."""
    flat = [p for p in parts if len(p)]
    same = bool(flat) and all(p.strides == (0,) and p[0] == flat[0][0] for p in flat)
    if same:
        return np.asarray(constant(flat[0][0], sum(len(p) for p in flat), flat[0].dtype))
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def spared(values: NDArray[Any]) -> NDArray[Any]:
    """The same values, in no room where all of them are alike."""
    alike = len(values) and bool(np.all(values == values[0]))
    return np.asarray(constant(values[0], len(values), values.dtype)) if alike else values


@dataclass(frozen=True)
class Part:
    """Observations of one kind, or vectors. lead: the row that gives each its id; group: which of `members` it is made of.

    head(rows) are the ids of such rows, `tails` what stands behind them (in turn, for the components of vectors), members(groups)
    the ids of all rows of groups.
    """

    kind: str
    columns: dict[str, NDArray[Any]]
    head: Callable[[Ints], list[Any]]
    tails: tuple[str, ...]
    members: Callable[[Ints], list[Any]]


class PartNames:
    """Names of observations, made when somebody asks for them."""

    def __init__(self, parts: list[Part], ends: Ints, lead: Ints, group: Ints) -> None:
        self._parts = [(p.kind, p.head, p.tails, p.members) for p in parts]
        self._ends, self._lead, self._group = ends, lead, group

    def ids(self, rows: Ints | slice) -> Names:
        def of(part: int, chosen: Ints) -> list[str]:
            _, head, tails, _ = self._parts[part]
            heads = head(self._lead[chosen])
            if len(tails) == 1:
                return heads if not tails[0] else [f"{i}{tails[0]}" for i in heads]
            turn = ((chosen - self._ends[part]) % len(tails)).tolist()
            return [f"{i}{tails[k]}" for i, k in zip(heads, turn, strict=True)]

        return self._filled(rows, of)

    def kinds(self, rows: Ints | slice) -> Names:
        def of(part: int, chosen: Ints) -> list[str]:
            kind = self._parts[part][0]
            if kind != VECTOR[0]:
                return [kind] * len(chosen)
            return [VECTOR[k] for k in ((chosen - self._ends[part]) % 3).tolist()]

        return self._filled(rows, of)

    def rows(self, rows: Ints | slice) -> Names:
        return self._filled(rows, lambda part, chosen: self._parts[part][3](self._group[chosen]))

    def _filled(self, rows: Ints | slice, of: Callable[[int, Ints], list[Any]]) -> Names:
        wanted = np.arange(int(self._ends[-1]))[rows] if isinstance(rows, slice) else rows
        out = np.empty(len(wanted), dtype=object)
        if len(wanted) == 1:  # one alone is asked for again and again
            part = int(np.searchsorted(self._ends, wanted[0] % self._ends[-1], side="right")) - 1
            out[0] = of(part, wanted % self._ends[-1])[0]
            return out
        wanted = wanted % self._ends[-1] if len(wanted) else wanted  # negative ones count from the end
        for part in range(len(self._parts)):
            at = np.flatnonzero((wanted >= self._ends[part]) & (wanted < self._ends[part + 1]))
            if len(at):
                out[at] = np.fromiter(of(part, wanted[at]), dtype=object, count=len(at))
        return out

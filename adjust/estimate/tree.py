"""The tree of fronts that compiled loops take one by one, in postorder: little memory, and nothing padded."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from ..ground.table import Flags, Floats, Ints
from .loops import ordering, symbolic
from .loops.arrays import Asked, Fronts, Lines
from .loops.inverse import located
from .pattern import Pattern
from .rows import Rows
from .shared import Shares, at_once, shares
from .tree_numbers import LARGE, Buffers, TreeNumbers

Small = npt.NDArray[np.int32]
MANY = 5000  # rows that are worth a second thread
ROOT = 60  # unknowns: what is left of this size becomes one dense front


@dataclass(frozen=True)
class Tree(Pattern):
    """Fronts in postorder, the rows and queries of each.

    place: for each Rows where each of its coefficients goes among those of all lines, (m, w), −1 for none; None for rows
    of one unknown. front (n,): the front of every pivot; every: all fronts; deep: numbers of the longest stack of frames.
    """

    fronts: Fronts
    front: Small
    every: Small
    lines: Lines
    place: tuple[Ints | None, ...]
    questions: Asked
    deep: int
    shares: Shares
    spare: list[Buffers] = field(default_factory=list)  # storage of factors that are done with

    @classmethod
    def of(
        cls, n: int, columns: list[Ints], node: Ints, sizes: Ints, late: Flags, queries: tuple[Ints, ...]
    ) -> Tree:
        """As `Pattern.build`; sizes (n_nodes,): unknowns of a node."""
        wide = [c if c.shape[1] > 1 else c[:0] for c in columns]
        elements, which = _elements([*wide, *queries], node)
        home, count = _order(elements, sizes, late)
        start, nodes, parent, of = symbolic.boundaries(elements, home, count)
        number = symbolic.postorder(parent)
        home = number[home]
        place, permutation = symbolic.placed(home, node, sizes, n, count)
        pivots = np.bincount(home, sizes, minlength=count).astype(np.int32)
        first = (np.cumsum(pivots) - pivots).astype(np.int32)
        # boundaries by the new numbers
        back = np.empty(count, dtype=np.int64)
        back[number] = np.arange(count)
        parent = np.where(parent >= 0, number[parent], -1).astype(np.int32)[back]
        start, unknown, up = symbolic.scattered(start, nodes, back, parent, place, sizes, first, pivots)
        size = pivots + np.diff(start)
        kept = np.concatenate([[0], np.cumsum(pivots * size)])
        frame, deep = symbolic.frames(parent, size)
        fronts = Fronts(first, pivots, start, unknown, up, parent, kept, frame)
        at = [number[of[w]] for w in which]
        lines, places = _lines(columns, at[: len(columns)], permutation, count)
        asked = _asked(queries, at[len(columns) :], permutation, count)
        for of_front, begin, those in (
            (lines.of_front, lines.at, lines.columns),
            (asked.of_front, asked.begin, asked.columns),
        ):
            if not symbolic.within(of_front, begin, those, fronts, n):  # pragma: no cover - a fault of ours
                raise RuntimeError("an equation does not lie within its front")
        shapes = tuple((q.shape[0], q.shape[1]) for q in queries)
        every = np.arange(count, dtype=np.int32)
        return cls(
            n, permutation, shapes, fronts, np.repeat(every, pivots), every, lines, places, asked, deep,
            shares(parent.astype(np.int64), size, size > LARGE, n),
        )  # fmt: skip

    def factored(self, rows: list[Rows], scale: Floats, ridge: float) -> TreeNumbers:
        return TreeNumbers(self, rows, scale, ridge)

    @property
    def sizes(self) -> tuple[Ints, Ints]:
        return self.fronts.pivots, np.diff(self.fronts.start)

    def located(self, i: Ints, j: Ints) -> tuple[Ints, Ints]:
        u, v = self.permutation[i].reshape(-1), self.permutation[j].reshape(-1)
        at = located(u, v, self.front, self.fronts).reshape(np.shape(i))
        return np.maximum(at, 0), at >= 0


def _elements(columns: list[Ints], node: Ints) -> tuple[Ints, list[Ints]]:
    """The distinct sets of nodes that stand in a row, (k, w), −1 padded, and which of them each row of each array has."""
    found = []
    for c in columns:
        nodes, most = ordering.cliques(c, node, max(1, c.shape[1]))
        first, which = ordering.distinct(nodes[:, : max(1, most)])
        found.append((nodes[first, : max(1, most)], which))
    width = max((f.shape[1] for f, _ in found), default=1)
    together = np.full((sum(len(f) for f, _ in found), width), -1, dtype=np.int32)
    begin = np.concatenate([[0], np.cumsum([len(f) for f, _ in found])]).astype(np.int64)
    for (f, _), a in zip(found, begin.tolist(), strict=False):
        together[a : a + len(f), : f.shape[1]] = f
    first, which = ordering.distinct(together)
    return together[first], [which[a + w] for (_, w), a in zip(found, begin.tolist(), strict=False)]


def _order(elements: Ints, sizes: Ints, late: Flags) -> tuple[Small, int]:
    """The front of every node and how many fronts there are; the late ones in the last."""
    home = np.full(len(sizes), -1, dtype=np.int32)
    left = elements.copy()
    count, many = ordering.private(left, late, home)
    left = left[many > 1]
    first, _ = ordering.distinct(left)
    count = ordering.minimum_degree(left[first], sizes, home, count, ROOT)
    alone = np.flatnonzero((home < 0) & ~late)  # in no equation with another
    home[alone] = count + np.arange(len(alone))
    count += len(alone)
    if late.any() or not count:
        home[late] = count
        count += 1
    return home, count


def _lines(
    columns: list[Ints], fronts: list[Ints], permutation: Ints, count: int
) -> tuple[Lines, tuple[Ints | None, ...]]:
    """Rows of more than one unknown in the order of their fronts, and where their coefficients go."""
    wide = [c.shape[1] > 1 for c in columns]
    filled = [symbolic.filled(c) for c, w in zip(columns, wide, strict=True) if w]
    keys = [np.where(f > 0, of, -1) for f, of in zip(filled, _those(fronts, wide), strict=True)]
    number, of_front = symbolic.lined(_joined(keys), count)
    some = number >= 0
    begins = np.cumsum([0, *(len(c) for c in columns)]).tolist()
    rows = _joined(
        [a + np.arange(len(c)) for a, c in zip(_those(begins, wide), _those(columns, wide), strict=True)]
    )
    source = np.empty(int(some.sum()), dtype=np.int64)
    source[number[some]] = rows[some]
    begin = np.zeros(len(source) + 1, dtype=np.int64)
    begin[number[some] + 1] = _joined(filled)[some]
    np.cumsum(begin, out=begin)
    inside = np.empty(int(begin[-1]), dtype=np.int32)
    place: list[Ints | None] = []
    at = 0
    for c, w in zip(columns, wide, strict=True):
        if not w:
            place.append(None)
            continue
        out = np.empty(c.shape, dtype=np.int32 if begin[-1] < 2**31 else np.int64)
        line, half = number[at : at + len(c)], len(c) // 2

        def one(which: int, c: Ints = c, line: Ints = line, half: int = half, out: Ints = out) -> None:
            part = slice(0, half) if which == 0 else slice(half, None)
            symbolic.coefficients(c[part], permutation, line[part], begin, inside, out[part])

        at_once(one, len(c) > MANY)
        place.append(out)
        at += len(c)
    of_front, groups, first, unknowns = symbolic.grouped(of_front, begin, inside)
    return Lines(of_front, groups, first, unknowns, begin, source), tuple(place)


def _asked(queries: tuple[Ints, ...], fronts: list[Ints], permutation: Ints, count: int) -> Asked:
    """Queries in the order of their fronts."""
    keys = [np.where(symbolic.filled(q) > 0, of, -1) for q, of in zip(queries, fronts, strict=True)]
    number, of_front = symbolic.lined(_joined(keys), count)
    some = number >= 0
    width = _joined([np.full(len(q), q.shape[1]) for q in queries])
    begin = np.zeros(int(some.sum()) + 1, dtype=np.int64)
    begin[number[some] + 1] = width[some]
    np.cumsum(begin, out=begin)
    answer = np.empty(len(begin) - 1, dtype=np.int64)
    answer[number[some]] = (np.cumsum(width**2) - width**2)[some]
    inside = np.empty(int(begin[-1]), dtype=np.int32)
    at = 0
    for q in queries:
        symbolic.questions(q, permutation, number[at : at + len(q)], begin, inside)
        at += len(q)
    return Asked(of_front, begin, inside, answer)


def _those(values: list[Any], chosen: list[bool]) -> list[Any]:
    return [v for v, c in zip(values, chosen, strict=False) if c]


def _joined(parts: list[Ints]) -> Ints:
    return np.concatenate([np.zeros(0, dtype=np.int64), *parts])

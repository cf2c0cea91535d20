"""Heights of all nodes from height differences, whatever one of them is worth.

Growth goes to nodes on which two differences agree first. Where misfits are left, the least sum of absolute
misfits is tried as well (it is linear, so it does not depend on where it starts), and building it again
without one of the suspicious differences; the heights that fewest differences contradict are kept.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ...ground.table import Flags, Floats, Ints
from .refine import least_squares

SEARCH_RISES = 500  # larger networks are not built again and again
SEARCH_TRIALS = 80


@dataclass(slots=True)
class Rises:
    """Height differences between nodes: marks first, then setups of unknown height."""

    start: list[int] = field(default_factory=list)
    end: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    tolerance: list[float] = field(default_factory=list)
    row: list[int] = field(default_factory=list)

    def add(self, start: int, end: int, value: float, tolerance: float, row: int) -> None:
        """Append one difference, m."""
        self.start.append(start)
        self.end.append(end)
        self.value.append(value)
        self.tolerance.append(tolerance)
        self.row.append(row)


@dataclass(slots=True)
class Spread:
    """Heights by node (None: no difference reaches), the island of each (0: tied to known heights, others
    hang in the air, −1: reached by nothing), and whether two differences agree on it."""

    heights: list[float | None]
    island: list[int]
    sure: list[bool]


def spread(n: int, rises: Rises, known: dict[int, float]) -> Spread:
    """Heights of n nodes from the known ones, robustly; an island without any starts at 0."""
    found = _attempt(n, rises, known, None)
    if not rises.start:
        return found
    system = _System(rises, known, found)
    grown = system.values(found)
    misfit = system.misfits(grown)
    if not misfit.any():
        return found
    best = min(
        (system.solve(grown, strong) for strong in (False, True)), key=lambda x: int(system.misfits(x).sum())
    )
    fewest = int(system.misfits(best).sum())
    if fewest > 1 and len(rises.start) <= SEARCH_RISES:
        hot = set(np.concatenate([system.start[misfit], system.end[misfit]]).tolist())
        near = [k for k in range(len(rises.start)) if rises.start[k] in hot or rises.end[k] in hot]
        for k in near[:SEARCH_TRIALS]:
            trial = _attempt(n, rises, known, k)
            x = system.values(trial)
            if np.isnan(x[system.free]).any() or trial.island != found.island:
                continue
            count = int(system.misfits(x).sum())
            if count < fewest:
                best, fewest = system.solve(x, False), count
            if fewest <= 1:
                break
    fits = ~system.misfits(best)
    votes = np.bincount(np.concatenate([system.start[fits], system.end[fits]]), minlength=n)
    for node in np.flatnonzero(system.free).tolist():
        found.heights[node] = float(best[node])
        found.sure[node] = bool(votes[node] >= 2)
    return found


class _System:
    """The differences as arrays, and what may move."""

    def __init__(self, rises: Rises, known: dict[int, float], first: Spread) -> None:
        self.start, self.end = np.array(rises.start), np.array(rises.end)
        self.value, self.tolerance = np.array(rises.value), np.array(rises.tolerance)
        free = np.array([h is not None for h in first.heights])
        free[list(known)] = False
        seen: set[int] = set()
        for node, number in enumerate(first.island):  # one node of each floating island stays where it is
            if number > 0 and number not in seen:
                seen.add(number)
                free[node] = False
        self.free = free
        column = np.where(free, np.cumsum(free) - 1, -1)
        columns: Ints = np.stack([column[self.start], column[self.end]], axis=1)
        self.nominal = self.tolerance / 10
        self.rows = np.stack([-1.0 / self.nominal, 1.0 / self.nominal], axis=1)
        self.rows[columns < 0] = 0.0
        self.columns = np.where(columns < 0, 0, columns)

    def values(self, found: Spread) -> Floats:
        """Heights as an array, NaN where there is none."""
        return np.array([np.nan if h is None else h for h in found.heights])

    def misfits(self, x: Floats) -> Flags:
        """Which differences miss by more than their tolerance."""
        flags: Flags = np.abs(x[self.end] - x[self.start] - self.value) > self.tolerance
        return flags

    def solve(self, x: Floats, strong: bool) -> Floats:
        """All differences at once: least absolute misfits first if `strong`, then letting go of what does not
        fit.
        """
        x = x.copy()
        n = int(self.free.sum())
        if n == 0:
            return x
        for k in range(14 if strong else 4):
            u = (x[self.end] - x[self.start] - self.value) / self.nominal
            w = 1.0 / np.maximum(np.abs(u), 1.0) if strong and k < 10 else 1.0 / (1.0 + u * u)
            x[self.free] += least_squares(self.columns, self.rows, w, -u, n)
        return x


def _attempt(n: int, rises: Rises, known: dict[int, float], without: int | None) -> Spread:
    at: list[list[tuple[int, float, float]]] = [[] for _ in range(n)]
    columns = zip(rises.start, rises.end, rises.value, rises.tolerance, strict=True)
    for k, (a, b, value, tolerance) in enumerate(columns):
        if k != without:
            at[a].append((b, value, tolerance))
            at[b].append((a, -value, tolerance))
    h: list[float | None] = [None] * n
    island = [-1] * n
    sure = [False] * n
    for node, height in known.items():
        h[node], island[node], sure[node] = height, 0, True
    _grow(h, island, sure, at, list(known), 0)
    number = 0
    for node in range(n):
        if h[node] is None and at[node]:
            number += 1
            h[node], island[node] = 0.0, number
            _grow(h, island, sure, at, [node], number)
    return Spread(h, island, sure)


def _grow(
    h: list[float | None], island: list[int], sure: list[bool], at: list[list[tuple[int, float, float]]],
    start: list[int], number: int,
) -> None:  # fmt: skip
    """Confirmed nodes first: those on which two differences agree, and more than disagree."""
    look: dict[int, None] = {}
    waiting: dict[int, float] = {}
    for node in start:
        for other, _, _ in at[node]:
            if h[other] is None:
                look[other] = None
    while look or waiting:
        if look:
            node = next(iter(look))
            del look[node]
            if h[node] is not None:
                continue
            values = [
                (base - value, tolerance)
                for other, value, tolerance in at[node]
                if (base := h[other]) is not None
            ]
            height, count = _mode(values)
            if count < 2 or 2 * count <= len(values):
                waiting.setdefault(node, height)
                waiting[node] = height
                continue
            sure[node] = True
            waiting.pop(node, None)
        else:
            node = next(iter(waiting))
            height = waiting.pop(node)
        h[node], island[node] = height, number
        for other, _, _ in at[node]:
            if h[other] is None:
                look[other] = None


def _mode(values: list[tuple[float, float]]) -> tuple[float, int]:
    best, most = values[0][0], 0
    for value, tolerance in values:
        near = [v for v, _ in values if abs(v - value) <= tolerance]
        if len(near) > most:
            best, most = sum(near) / len(near), len(near)
            if most == len(values):
                break
    return best, most

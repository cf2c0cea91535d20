"""A tree of fronts cut into subtrees that two cores can take at once, and what is left above them.

The cut depends on the tree alone, not on the cores: sums are taken in the same order on every machine.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from heapq import heappop, heappush
from threading import Thread

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .loops.symbolic import beneath

WORTH_SHARING = 15_000  # unknowns: below this a second thread costs what it saves
CUT = 16  # subtrees of at most this part of the work
MOST = 200  # fronts above them, at most

Run = tuple[int, int, bool]  # consecutive fronts low … high − 1; True: one by itself, for BLAS


@dataclass(frozen=True)
class Step:
    """Fronts above the subtrees, ascending; `under`: the subtrees whose roots the first of them takes up."""

    run: Run
    under: tuple[int, ...]


@dataclass(frozen=True)
class Shares:
    """subtrees: the runs of each; halves: which of them each of two threads takes; root: of each; above: the rest."""

    subtrees: tuple[tuple[Run, ...], ...]
    halves: tuple[tuple[int, ...], tuple[int, ...]]
    root: tuple[int, ...]
    above: tuple[Step, ...]


def shares(parent: Ints, size: Ints, large: Flags, n: int) -> Shares:
    """For fronts in postorder: parent (−1: none), size, whether they are large."""
    count = len(parent)
    if n < WORTH_SHARING and not large.any():
        return Shares((), ((), ()), (), (Step((0, count, False), ()),))
    work = size.astype(float) ** 2 + 30.0
    below = beneath(parent)
    roots = _cut(parent, below, work) if n >= WORTH_SHARING else []
    ranges = [(int(r - below[r] + 1), r + 1) for r in roots]
    weight = [float(np.sum(work[a:z])) for a, z in ranges]
    halves: tuple[list[int], list[int]] = ([], [])
    loads = [0.0, 0.0]
    for k in sorted(range(len(roots)), key=lambda k: -weight[k]):
        lighter = int(loads[1] < loads[0])
        halves[lighter].append(k)
        loads[lighter] += weight[k]
    inside = np.zeros(count, dtype=bool)
    for a, z in ranges:
        inside[a:z] = True
    under: dict[int, list[int]] = {}
    for k, r in enumerate(roots):
        if parent[r] >= 0:
            under.setdefault(int(parent[r]), []).append(k)
    starts = np.zeros(count, dtype=bool)
    starts[list(under)] = True
    rest = ~inside
    begins = np.flatnonzero(rest & (starts | ~np.concatenate([[False], rest[:-1]])))
    above = []
    for begin in begins.tolist():
        end = begin + 1
        while end < count and rest[end] and not starts[end]:
            end += 1
        for i, run in enumerate(_runs(large, begin, end)):
            above.append(Step(run, tuple(under.get(begin, ())) if i == 0 else ()))
    subtrees = tuple(_runs(large, a, z) for a, z in ranges)
    return Shares(subtrees, (tuple(halves[0]), tuple(halves[1])), tuple(roots), tuple(above))


def at_once(work: Callable[[int], None], worth_it: bool = True) -> None:
    """work(0) and work(1), side by side where there are two cores and it is worth a thread."""
    if not worth_it or (os.cpu_count() or 1) < 2:
        work(0)
        work(1)
        return
    failed: list[BaseException] = []

    def other() -> None:
        try:
            work(1)
        except BaseException as fault:
            failed.append(fault)

    thread = Thread(target=other)
    thread.start()
    try:
        work(0)
    finally:
        thread.join()
    if failed:
        raise failed[0]


def _cut(parent: Ints, below: Ints, work: Floats) -> list[int]:
    """Roots of subtrees that each hold at most a part of the work."""
    total = np.concatenate([[0.0], np.cumsum(work)])
    order = np.argsort(parent, kind="stable")
    edges = np.searchsorted(parent[order], np.arange(-1, len(parent) + 1))

    def under(f: int) -> list[int]:
        return [int(c) for c in order[edges[f + 1] : edges[f + 2]]]

    heap: list[tuple[float, int]] = []
    for r in under(-1):
        heappush(heap, (-(total[r + 1] - total[r + 1 - below[r]]), r))
    opened = 0
    while heap and -heap[0][0] > total[-1] / CUT and opened < MOST:
        _, f = heappop(heap)
        opened += 1
        for c in under(f):
            heappush(heap, (-(total[c + 1] - total[c + 1 - below[c]]), c))
    return sorted(f for w, f in heap if -w > total[-1] / (8 * CUT))


def _runs(large: Flags, low: int, high: int) -> tuple[Run, ...]:
    """Runs of fronts that loops take, and between them those that are large."""
    out: list[Run] = []
    for f in (low + np.flatnonzero(large[low:high])).tolist():
        if f > low:
            out.append((low, f, False))
        out.append((f, f + 1, True))
        low = f + 1
    if low < high:
        out.append((low, high, False))
    return tuple(out)

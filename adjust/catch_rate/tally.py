"""Outcomes counted: the catch rate of a network, and how its clean days look. Counting knows no order."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from .trials import Caught, Clean, Kind, Outcome, Task


@dataclass(frozen=True)
class Rate:
    """Days with one mistake at one size."""

    kind: Kind
    cases: int  # nothing to spoil not counted
    shown: int  # flagged, or with a finding, or not adjusted
    first: int
    rival: int
    wrong: int
    wrong_sure: int  # of these: named as if nothing else could be
    missed: int
    not_adjusted: int
    never_named: tuple[
        tuple[str, int], ...
    ] = ()  # in what a mistake of this size was never named, on how many days


@dataclass(frozen=True)
class Coverage:
    """How many intervals held the truth. `sigma`: of the share, from how it differs between days; marks of one day go
    together. NaN below two days."""

    held: int
    cases: int
    sigma: float

    @property
    def share(self) -> float:
        return self.held / self.cases if self.cases else math.nan


@dataclass(frozen=True)
class CleanDays:
    """Days without a mistake."""

    days: int
    not_adjusted: int
    failed: int  # the global test
    flagged: int  # anything
    found: int  # a finding
    readings: int
    readings_flagged: int
    ellipses: Coverage
    heights: Coverage


@dataclass(frozen=True)
class CatchRate:
    """All that was tried on one network."""

    clean: CleanDays
    rates: tuple[Rate, ...]
    done: int
    wanted: int


def tally(outcomes: Iterable[tuple[Task, Outcome]], rows: Sequence[Kind], wanted: int) -> CatchRate:
    """Count what has come so far."""
    clean: list[Clean] = []
    caught: list[list[Caught]] = [[] for _ in rows]
    done = 0
    for task, outcome in outcomes:
        done += 1
        if isinstance(outcome, Clean):
            clean.append(outcome)
        else:
            caught[task.row].append(outcome)
    return CatchRate(
        _clean(clean), tuple(_rate(k, c) for k, c in zip(rows, caught, strict=True)), done, wanted
    )


def _rate(kind: Kind, caught: Sequence[Caught]) -> Rate:
    real = [c for c in caught if c.verdict != "nothing to spoil"]
    count = Counter(c.verdict for c in real)
    return Rate(
        kind,
        len(real),
        sum(c.shown for c in real),
        count["first"],
        count["rival"],
        count["wrong"],
        sum(c.verdict == "wrong" and c.sure for c in real),
        count["missed"],
        count["not adjusted"],
        _never_named(real),
    )


def _never_named(caught: Sequence[Caught]) -> tuple[tuple[str, int], ...]:
    """Not missed alone: on some days chance gives another finding."""
    days = Counter(c.name for c in caught)
    seen = {c.name for c in caught if c.verdict not in ("missed", "wrong")}
    return tuple(sorted((name, n) for name, n in days.items() if name not in seen))


def _clean(days: Sequence[Clean]) -> CleanDays:
    good = [d for d in days if d.adjusted]
    return CleanDays(
        len(days),
        len(days) - len(good),
        sum(not d.passed for d in good),
        sum(d.flagged for d in good),
        sum(d.found for d in good),
        sum(d.readings for d in good),
        sum(d.readings_flagged for d in good),
        _coverage([(d.ellipses_hold, d.ellipses) for d in good]),
        _coverage([(d.heights_hold, d.heights) for d in good]),
    )


def _coverage(days: Sequence[tuple[int, int]]) -> Coverage:
    """Share p of all, with σ² = Σ(held − p·cases)² / (Σcases)² · n/(n − 1): days are independent, marks of one are not."""
    held, cases, n = sum(h for h, _ in days), sum(c for _, c in days), len(days)
    if n < 2 or not cases:
        return Coverage(held, cases, math.nan)
    p = held / cases
    # integers times one p, summed in sorted order: the same to the last digit in whatever order the days came
    spread = math.fsum((h - p * c) ** 2 for h, c in days)
    return Coverage(held, cases, math.sqrt(spread * n / (n - 1)) / cases)

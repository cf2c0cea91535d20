"""The verdict: whether all fits, what the global test says, how many flags to expect, what to look at
first."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np

from hubtack.adjust.ground.table import Floats, Ints
from hubtack.io.pages.words import Row, Section, Sign, joined
from hubtack.io.writers.sheets import percent

if TYPE_CHECKING:
    from hubtack.adjust.results import AdjustedObservations, Adjustment


def fails(adjustment: Adjustment) -> bool:
    """Whether a test fails, or a cause stands out though no single test does."""
    return adjustment.flagged or bool(adjustment.findings)


def headline(adjustment: Adjustment) -> tuple[Sign, str]:
    """The sign of the whole, and the verdict in one sentence."""
    a = adjustment
    if a.degrees_of_freedom == 0:
        return "watch", "UNCHECKED: adjusted, but there is not one reading more than needed."
    if not fails(a):
        return "ok", "PASSES: adjusted, and all tests pass."
    found = f"; {_count(len(a.findings), 'finding')}." if a.findings else "."
    parts = [
        _count(int(a.setups.flagged.sum()), "setup"),
        _count(int(a.observations.flagged[readings_of(a)].sum()), "reading"),
        _count(len({str(m) for m in a.control.mark[a.control.flagged]}), "control mark"),
        _count(int(a.observations.flagged[a.observations.kind == "constant"].sum()), "constant"),
    ]
    parts = [p for p in parts if p]
    if not parts and not a.global_test.passed:
        cause = found if a.findings else " and no single cause stands out."
        return "flagged", f"FLAGGED: adjusted, but the global test fails{cause}"
    if not parts:
        return "flagged", f"FLAGGED: adjusted, and every reading passes its own test{found}"
    verb = "does" if len(parts) == 1 and parts[0].startswith("1 ") else "do"
    return "flagged", f"FLAGGED: adjusted, but {joined(parts)} {verb} not fit{found}"


def expected_false_flags(adjustment: Adjustment) -> tuple[float, int]:
    """How many flags to expect though every reading is right, and among how many tests: alpha times their
    number.

    Counted are the tests of readings, setup heights, centrings, control and constants that could be carried
    out.
    """
    a = adjustment
    tests = int(np.isfinite(a.observations.standardized[readings_of(a)]).sum())
    tests += int(np.isfinite(a.setups.standardized_height).sum())
    tests += int(np.isfinite(a.setups.standardized_centring).sum())
    tests += int(np.isfinite(a.control.standardized).sum())
    tests += int(np.isfinite(a.observations.standardized[a.observations.kind == "constant"]).sum())
    return a.settings.alpha * tests, tests


_READINGS: WeakKeyDictionary[AdjustedObservations, Ints] = WeakKeyDictionary()


def readings_of(adjustment: Adjustment) -> Ints:
    """Rows of observations that are neither setup effects, control nor constants: those are told
    elsewhere. Found once for each table."""
    table = adjustment.observations
    known = _READINGS.get(table)
    if known is None:
        kind = table.kind
        known = np.flatnonzero((kind != "effect") & (kind != "control") & (kind != "constant"))
        _READINGS[table] = known
    return known


def verdict_section(a: Adjustment) -> Section:
    sign, words = headline(a)
    g = a.global_test
    rows = [Row(sign, (words,))]
    level = percent(a.settings.confidence)
    if a.degrees_of_freedom > 0:
        within = "within" if g.passed else "outside"
        outcome = "Global test passes" if g.passed else "Global test fails"
        rows.append(
            Row(
                "ok" if g.passed else "flagged",
                (
                    f"{outcome}: variance factor {g.variance_factor:.2f}, {within} "
                    f"{g.lower:.2f} to {g.upper:.2f} ({level}).{_reading_of(a)}",
                ),
            )
        )
    first = _look_first(a)
    if first:
        rows.append(
            Row(
                "watch",
                (f"One mistake makes its neighbours look wrong: settle {first} first, then adjust again.",),
            )
        )
    rows.append(
        Row(
            "",
            (
                f"{_many(len(a.marks), 'mark')}, {_many(len(readings_of(a)), 'reading')}, "
                f"{_many(len(a.setups), 'setup')}; {_many(a.degrees_of_freedom, 'degree')} of freedom; "
                f"{_many(a.iterations, 'iteration')}.",
            ),
        )
    )
    expected, tests = expected_false_flags(a)
    if tests:
        rows.append(
            Row(
                "",
                (
                    f"{tests} tests at alpha {a.settings.alpha:g}: expect about {expected:.1g} flags though "
                    "nothing is wrong.",
                ),
            )
        )
    return Section("verdict", "Verdict", tuple(rows))


def _look_first(a: Adjustment) -> str:
    """The worst of several flagged setups and readings; a setup where both are as bad, since it moves its
    readings."""
    readings = readings_of(a)
    if a.findings:  # they say it better
        return ""
    if int(a.setups.flagged.sum()) + int(a.observations.flagged[readings].sum()) < 3:
        return ""
    reading = (
        np.where(a.observations.flagged, np.abs(a.observations.standardized), 0.0)[readings] / a.critical
    )
    setup = np.where(a.setups.flagged, strength_of(a), 0.0)
    if len(setup) and setup.max() >= 0.9 * reading.max(initial=0.0):
        return f"setup {a.setups.setup[int(setup.argmax())]}"
    return f"reading {a.observations.id[readings[int(reading.argmax())]]}"


def strength_of(a: Adjustment) -> Floats:
    """Of each setup the worse of its two tests, in critical values."""
    height = np.abs(np.nan_to_num(a.setups.standardized_height)) / a.critical
    worst: Floats = np.maximum(height, np.nan_to_num(a.setups.standardized_centring) / a.critical_centring)
    return worst


def _reading_of(a: Adjustment) -> str:
    """What a failed global test says; silent where it passes."""
    g = a.global_test
    if g.passed or not math.isfinite(g.variance_factor):
        return ""
    if g.variance_factor < g.lower:
        return " The readings fit better than the stated sigmas allow: those are too large."
    return " Readings fit worse than the stated sigmas: a mistake, or sigmas too small."


def _count(number: int, word: str) -> str:
    return _many(number, word) if number else ""


def _many(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"

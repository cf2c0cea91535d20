"""Published worked examples: the printed figures against a dense recomputation and against the engine.

A folder is a job and a published.toml (see printed.py). Three things are held together: what the source
printed, what recompute.py makes of the same files without any of the engine, and what `read_job` and
`adjust` make of them.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import pytest

from .outcome import Outcome, differences, of_adjustment
from .printed import TEXTS, Check, Published, half_last_digit, load
from .recompute import solve

HERE = Path(__file__).parent
FOLDERS = sorted(p.parent for p in HERE.glob("*/published.toml"))


@cache
def recomputed(folder: Path) -> Outcome:
    """The dense solution of a folder."""
    return solve(folder)


@cache
def adjusted(folder: Path) -> Outcome:
    """The engine's solution of a folder."""
    from hubtack.adjust import adjust
    from hubtack.io.job import read_job

    job = read_job(folder)
    return of_adjustment(adjust(job.network, job.settings))


def disagreements(published: Published, outcome: Outcome) -> list[str]:
    """What of the printed figures does not come out, or comes out though it should not, in words."""
    told = []
    for check in published.checks:
        found = published.figure(outcome, check.path)
        if check.agrees(found) == (check.table == "refuted"):
            told.append(f"{check.table} {check.path}: printed {check.text}, found {found!r}")
    return told


each_folder = pytest.mark.parametrize("folder", FOLDERS, ids=lambda p: p.name)


@each_folder
def test_recomputation_agrees_with_print(folder: Path) -> None:
    """The files were typed rightly, and the second solver is right: it finds what was printed."""
    assert not disagreements(load(folder), recomputed(folder))


@each_folder
def test_engine_agrees_with_print(folder: Path) -> None:
    """The engine finds what was printed."""
    assert not disagreements(load(folder), adjusted(folder))


@each_folder
def test_engine_agrees_with_recomputation(folder: Path) -> None:
    """Engine and dense solution agree in every coordinate, sigma, residual, redundancy number, w and MDB."""
    told = differences(adjusted(folder), recomputed(folder))
    assert not told, "engine and recomputation: " + "; ".join(told)


@each_folder
def test_source_is_named(folder: Path) -> None:
    """Every folder says where its figures come from, and gives a reason for each wider tolerance."""
    published = load(folder)
    assert published.source.get("author")
    assert published.source.get("title")
    assert published.checks
    for check in published.checks:
        if check.path not in TEXTS and check.tolerance > half_last_digit(check.text):
            assert len(check.because) > 20, check
        if check.table != "expected":
            assert check.because, f"{check.path}: why is it not simply expected?"


@pytest.mark.parametrize(
    ("text", "tolerance"), [("0.019", 5e-4), ("-7.6", 0.05), ("2.0826e-4", 5e-9), ("9", 0.5)]
)
def test_tolerance_is_half_the_last_printed_digit(text: str, tolerance: float) -> None:
    """And a figure one unit off is refused, which shows that these tests can fail."""
    check = Check("expected", "marks.A.east", text, half_last_digit(text), "")
    assert check.tolerance == pytest.approx(tolerance, rel=1e-12)
    assert check.agrees(float(text) + 0.9 * tolerance)
    assert not check.agrees(float(text) + 1.1 * tolerance)
    assert not check.agrees(math.nan)

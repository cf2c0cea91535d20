"""Catch rates: mistakes are planted as they say, outcomes depend on the seed alone, and counting counts right."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hubtack.adjust import adjust
from hubtack.adjust.catch_rate.ground import Ground, ground_of
from hubtack.adjust.catch_rate.planted import Planted
from hubtack.adjust.catch_rate.plants import PLANTS
from hubtack.adjust.catch_rate.spread import outcomes
from hubtack.adjust.catch_rate.tally import tally
from hubtack.adjust.catch_rate.trials import (
    Caught,
    Clean,
    Task,
    ellipses_hold,
    heights_hold,
    kinds,
    tasks,
    trial,
    verdict,
)
from hubtack.adjust.judge.diagnose import judge
from hubtack.adjust.judge.finding import Explanation, Finding
from hubtack.io.job import read_job

SAMPLES = Path(__file__).parents[2] / "sample_networks"
ROWS = kinds()
TABLES = ("marks", "setups", "sights", "reduced")


@pytest.fixture(scope="module")
def hall() -> Ground:
    return ground("free-stations")


@pytest.fixture(scope="module")
def yard() -> Ground:
    return ground("braced-traverse")


@pytest.fixture(scope="module")
def levelled() -> Ground:
    return ground("by-hand")


def ground(name: str) -> Ground:
    job = read_job(SAMPLES / name)
    return ground_of(adjust(job.network, job.settings))


def planted(ground: Ground, name: str, amount: int = 0, seed: int = 1) -> Planted | None:
    (plant,) = [p for p in PLANTS if p.name == name]
    return plant.plant(ground, plant.amounts[amount], np.random.default_rng(seed))


# -- the same answer whoever asks --


def test_an_outcome_depends_on_the_seed_and_its_place_alone(hall: Ground) -> None:
    rows = kinds(["prism of one", "face"])
    wanted = tasks(rows, 2)
    forwards = dict(outcomes(hall, rows, 7, wanted))
    backwards = dict(outcomes(hall, rows, 7, wanted[::-1]))
    assert forwards == backwards
    more = dict(outcomes(hall, rows, 7, [t for t in tasks(rows, 3) if t.run < 2]))
    assert more == forwards  # a third run changes nothing of the first two
    assert {k: trial(hall, rows, 8, k) for k in wanted} != forwards


def test_a_row_asked_for_alone_is_the_row_of_the_whole_table(hall: Ground) -> None:
    alone = kinds(["face"])
    at = [k.plant.name for k in ROWS].index(alone[0].plant.name)
    assert trial(hall, alone, 3, Task(0, 0)) == trial(hall, ROWS, 3, Task(at, 0))


def test_two_processes_find_what_one_finds(levelled: Ground) -> None:
    rows = kinds(["rise", "direction"])
    wanted = tasks(rows, 3)
    one = sorted(outcomes(levelled, rows, 5, wanted), key=lambda o: (o[0].row, o[0].run))
    two = sorted(outcomes(levelled, rows, 5, wanted, workers=2), key=lambda o: (o[0].row, o[0].run))
    assert one == two
    assert tally(one, rows, len(wanted)) == tally(two[::-1], rows, len(wanted))


# -- what is planted --


@pytest.mark.parametrize("name", [p.name for p in PLANTS])
def test_a_plant_spoils_something_or_says_that_it_cannot(
    name: str, hall: Ground, yard: Ground, levelled: Ground
) -> None:
    """Against the very day that the same stream of chance makes without a mistake."""
    done = 0
    for ground in (hall, yard, levelled):
        (plant,) = [p for p in PLANTS if p.name == name]
        for amount in plant.amounts:
            spoiled = plant.plant(ground, amount, np.random.default_rng(11))
            if spoiled is None:
                continue
            done += 1
            assert spoiled.names
            assert all(spoiled.names)
            assert math.isfinite(spoiled.size)
            assert spoiled.size != 0.0
            assert [len(getattr(spoiled.network, t)) for t in TABLES] == [
                len(getattr(ground.network, t)) for t in TABLES
            ]
    # vectors and rows between marks these three jobs have none; their instruments are free, or stand on shared bases
    assert done or name in ("vector", "row between marks", "station elsewhere")


@pytest.mark.parametrize(
    ("name", "amount", "table", "column"),
    [
        ("height", 1, "setups", "height"),
        ("height: one notch", 0, "setups", "height"),
        ("height: as before", 0, "setups", "height"),
        ("control height", 0, "marks", "height"),
    ],
)
def test_what_is_entered_wrong_is_off_by_the_planted_size_and_nothing_else_is(
    name: str, amount: int, table: str, column: str, yard: Ground
) -> None:
    for seed in range(4):
        spoiled = planted(yard, name, amount, seed)
        assert spoiled is not None
        before = getattr(getattr(yard.network, table), column)
        if table == "marks":  # control is drawn about its truth, so only held marks stay as they were
            held = yard.network.marks.sigma_height == 0.0
            if not held[list(yard.network.marks.mark).index(spoiled.names[0])]:
                continue
            off = np.where(held, getattr(spoiled.network.marks, column) - yard.truth[:, 2], 0.0)
            names = yard.network.marks.mark
        else:
            off, names = getattr(spoiled.network.setups, column) - before, yard.network.setups.setup
        changed = np.flatnonzero(np.abs(off) > 1e-12)
        assert {str(names[i]) for i in changed} == set(spoiled.names)
        assert np.allclose(off[changed], spoiled.size, atol=1e-12)


@pytest.mark.parametrize(
    ("name", "amount"),
    [
        ("height", 2), ("prism of one setup", 1), ("prism of a device", 1), ("scale of distances", 1),
        ("distance", 1), ("direction", 1), ("zenith angle", 1), ("circle turned", 1), ("off its mark", 2),
        ("control moved", 1), ("control height", 1),
    ],
)  # fmt: skip
def test_the_planted_size_is_the_one_that_the_judge_estimates(
    name: str, amount: int, yard: Ground, hall: Ground
) -> None:
    """Sign and convention included, wherever the judge puts the right answer first."""
    compared = 0
    for seed in range(8):
        for ground in (yard, hall):
            spoiled = planted(ground, name, amount, seed)
            if spoiled is None:
                continue
            a = adjust(spoiled.network, ground.settings)
            assert a.solved is not None
            for finding in judge(a.solved, ground.written)[:1]:
                first = finding.first
                if spoiled.explained_by(first):
                    compared += 1
                    assert abs(first.size - spoiled.size) < 5.0 * first.sigma  # 5 σ: 1 in 2 million
    assert compared >= 2


def test_what_no_geometry_shows_is_missed_and_has_no_multiple_of_its_bias(levelled: Ground) -> None:
    """D is seen once, from one station: a wrong height there shows nowhere, however large."""
    rows = kinds(["height"])
    rows = tuple(k for k in rows if k.plant.name == "height")
    rate = tally(outcomes(levelled, rows, 1, tasks(rows, 4)), rows, 0)
    twice, small, large = rate.rates
    assert twice.kind.amount.unit == "least"
    assert twice.cases == 0
    assert (small.missed, large.missed, large.shown) == (4, 4, 0)
    assert {name for name, _ in large.never_named} <= {"I1", "T2"}  # T1 is sighted for its direction alone
    assert sum(days for _, days in large.never_named) == 4


def test_another_prism_on_one_setup_is_always_found_in_the_hall(hall: Ground) -> None:
    rows = tuple(k for k in kinds(["prism of one"]) if k.amount.value > 0.01)
    rate = tally(outcomes(hall, rows, 1, tasks(rows, 4)), rows, 0)
    assert [(r.shown, r.missed, r.wrong) for r in rate.rates] == [(4, 0, 0), (4, 0, 0)]


# -- verdicts and counts --


def finding(first: Explanation, *rivals: Explanation) -> Finding:
    return Finding(1, first, not rivals, 10.0, 0.001, rivals)


def test_verdicts() -> None:
    right = Explanation("setup", "T1", "graduation_step", 0.1, 50.0)
    same_name = Explanation("setup", "T1", "off_mark", 0.1, 50.0)
    other = Explanation("setup", "T2", "height_wrong", 0.1, 50.0)
    mistake = Planted(None, "height", ("T1", "T9"), 0.1)  # type: ignore[arg-type]
    assert verdict((), mistake) == "missed"
    assert verdict((finding(right),), mistake) == "first"
    assert verdict((finding(other, right),), mistake) == "rival"
    assert verdict((finding(other), finding(right)), mistake) == "rival"
    assert verdict((finding(same_name), finding(other)), mistake) == "wrong"


def test_every_case_is_counted_once() -> None:
    rows = ROWS[:2]
    came = [
        (Task(0, 0), Caught("first", True, True)), (Task(0, 1), Caught("rival", True)),
        (Task(0, 2), Caught("wrong", True, True, "T3")), (Task(0, 3), Caught("wrong", True, False, "T4")),
        (Task(0, 4), Caught("missed", name="T3")), (Task(0, 5), Caught("not adjusted", True, name="T4")),
        (Task(1, 0), Caught("nothing to spoil")),
    ]  # fmt: skip
    rate = tally(came, rows, 12)
    assert rate.rates[1].cases == 0
    r = rate.rates[0]
    assert (r.cases, r.shown, r.first, r.rival, r.wrong, r.wrong_sure, r.missed, r.not_adjusted) == (
        6, 5, 1, 1, 2, 1, 1, 1,
    )  # fmt: skip
    assert r.never_named == (("T3", 2),)
    assert (rate.done, rate.wanted) == (7, 12)


def test_the_doubt_of_a_share_comes_from_days_not_from_marks() -> None:
    """Days of equal size: the standard error of the mean of their shares, as any textbook has it."""
    held = [10, 10, 7, 9, 10, 4]
    days = [(Task(-1, i), Clean(True, ellipses=10, ellipses_hold=h)) for i, h in enumerate(held)]
    c = tally(days, (), 6).clean.ellipses
    assert c.share == pytest.approx(np.mean(held) / 10)
    assert c.sigma == pytest.approx(np.std(held, ddof=1) / 10 / math.sqrt(6))
    assert math.isnan(tally(days[:1], (), 1).clean.ellipses.sigma)


def test_an_ellipse_holds_what_lies_within_it(yard: Ground) -> None:
    """A truth put on the semi-major axis of each ellipse, just inside and just outside its end."""
    a = adjust(yard.network, yard.settings)
    for factor, expected in ((0.99, True), (1.01, False)):
        reach = factor * a.marks.semi_major
        off = np.column_stack([np.sin(a.marks.ellipse_azimuth), np.cos(a.marks.ellipse_azimuth)])
        truth = np.column_stack([a.marks.east, a.marks.north, a.marks.height])
        truth[:, :2] += np.nan_to_num(reach)[:, None] * off
        truth[:, 2] += factor * 1.959964 * a.marks.sigma_height
        held, cases = ellipses_hold(a, replace(yard, truth=truth))
        assert cases == 10  # of 12 marks 2 are held
        assert held == (cases if expected else 0)
        held, cases = heights_hold(a, replace(yard, truth=truth))
        assert (held, cases) == (10 if expected else 0, 10)


# -- what the figures of a sound network must be --


def test_clean_days_hold_their_truth(hall: Ground) -> None:
    c = tally(outcomes(hall, (), 2, tasks((), 30)), (), 30).clean
    assert c.not_adjusted == 0
    assert abs(c.ellipses.share - 0.95) < 4.0 * c.ellipses.sigma
    assert abs(c.heights.share - 0.95) < 4.0 * c.heights.sigma
    # 0.1 % of some 10 800 readings: 11 on average; Poisson gives more than 30 once in a million times
    assert c.readings_flagged <= 30
    assert c.found <= 2  # a false finding on 1 % of days: three of thirty has a probability of 0.3 %


def test_a_network_without_control_is_compared_in_its_own_datum() -> None:
    job = read_job(SAMPLES / "free-stations")
    free = np.full(len(job.network.marks), np.inf)
    marks = job.network.marks.replace(sigma_east=free, sigma_north=free, sigma_height=free)
    a = adjust(replace(job.network, marks=marks), job.settings)
    assert a.datum
    c = tally(outcomes(ground_of(a), (), 2, tasks((), 12)), (), 12).clean
    assert c.ellipses.cases == 12 * len(marks)
    assert abs(c.ellipses.share - 0.95) < 4.0 * max(
        c.ellipses.sigma, 0.01
    )  # σ of 12 days is itself uncertain
    assert abs(c.heights.share - 0.95) < 4.0 * max(c.heights.sigma, 0.01)


def test_what_is_never_found_stands_on_marks_that_are_called_unchecked(yard: Ground) -> None:
    """`unchecked` comes from minimal detectable biases alone, the catch rate from days: they must name the same."""
    a = adjust(yard.network, yard.settings)
    rows = tuple(k for k in kinds(["off its mark"]) if k.amount.value == 0.02)
    wanted = [Task(0, run) for run in range(60)]
    (rate,) = tally(outcomes(yard, rows, 1, wanted), rows, 60).rates
    setups, names = yard.network.setups, [name for name, _ in rate.never_named]
    where = {str(yard.network.marks.mark[m]) for m in setups.mark[np.isin(setups.setup.astype(str), names)]}
    assert where == set(a.marks.mark[a.marks.unchecked])


def test_exchanged_names_are_named_though_nothing_settles(yard: Ground) -> None:
    """Two prisms 10 m and more on the wrong mark: least squares does not settle, and the findings say why."""
    rows = kinds(["names swapped"])
    (rate,) = tally(outcomes(yard, rows, 1, [Task(0, run) for run in range(6)]), rows, 6).rates
    assert rate.cases == 6
    assert rate.first + rate.rival == 6


# -- networks in which most mistakes cannot be made --

"""What the geometry can't tell apart is not told, however gross it is; and one act makes one finding.

A day is invented on a sample network and spoiled. That the rivals tie is known without the judge: each one put right leaves a
network that adjusts with a variance factor in its bounds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from hubtack.adjust import Network, NotConverged, Settings, adjust
from hubtack.adjust.catch_rate.ground import ground_of
from hubtack.adjust.estimate.ranking import ranked
from hubtack.adjust.judge.diagnose import judge
from hubtack.adjust.judge.finding import Finding
from hubtack.adjust.judged import unsettled
from hubtack.io.job import read_job

SAMPLES = Path(__file__).parents[3] / "sample_networks"


@cache
def day(name: str) -> tuple[Network, Settings]:
    """An invented day on a sample network."""
    job = read_job(SAMPLES / name)
    ground = ground_of(adjust(job.network, job.settings))
    return ground.day(np.random.default_rng(4)), job.settings


def rows(network: Network, *names: str) -> list[int]:
    return [network.setups.setup.tolist().index(n) for n in names]


def raised(network: Network, by: float, *names: str) -> Network:
    """Entered heights `by` m too high."""
    height = network.setups.height.copy()
    height[rows(network, *names)] += by
    return replace(network, setups=network.setups.replace(height=height))


def marked(network: Network, **on: str) -> Network:
    """Setups written on other marks; `_` stands for the dash of a name."""
    mark = network.setups.mark.copy()
    for name, m in on.items():
        mark[rows(network, name.replace("_", "-"))] = network.marks.mark.tolist().index(m)
    return replace(network, setups=network.setups.replace(mark=mark))


def found(name: str, spoil: Callable[[Network], Network]) -> tuple[Finding, ...]:
    network, settings = day(name)
    try:
        solved = adjust(spoil(network), settings).solved
    except NotConverged as trouble:
        return unsettled(trouble)
    assert solved is not None
    return judge(solved)


def passes(name: str, change: Callable[[Network], Network]) -> bool:
    network, settings = day(name)
    return adjust(change(network), settings).global_test.passed


@pytest.mark.parametrize("size", [0.02, 0.3, 1.0, 3.677, -1.2])
def test_of_two_visits_neither_is_named_however_gross(size: float) -> None:
    """The base of T04 and I02 too high, or T11 on the same mark too low: the mark goes with either."""
    assert passes("braced-traverse", lambda n: raised(raised(n, size, "T04", "I02"), size, "T11"))
    first, *more = found("braced-traverse", lambda n: raised(n, size, "T04", "I02"))
    assert not more
    assert not first.told
    names = {e.name for e in (first.first, *first.rivals) if e.group == "height"}
    assert names == {"T04", "T11"}
    assert first.apart is not None
    assert "Y2" in first.apart.marks


def test_a_height_in_feet_and_its_control_mark_are_rivals() -> None:
    """T12 is all that stood on P1: its height and that of P1 move the same readings."""
    feet = 1.436 * (1.0 / 0.3048 - 1.0)
    first, *more = found("braced-traverse", lambda n: raised(n, feet, "T12"))
    assert not more
    assert not first.told
    assert {(e.name, e.group) for e in (first.first, *first.rivals)} == {("T12", "height"), ("P1", "control")}


def test_two_names_exchanged_or_a_third_on_the_wrong_mark() -> None:
    """Of B1 and W01 nothing but their setups says where they are: whose name is wrong nobody can tell."""
    exchanged = {"T_W01": "B1", "T_B1": "W01"}
    assert passes("free-stations", lambda n: marked(n, **exchanged, T_B1b="W01"))
    first, *more = found("free-stations", lambda n: marked(n, **exchanged))
    assert not more
    assert not first.told
    causes = {(e.name, e.cause) for e in (first.first, *first.rivals)}
    assert ("T-B1b", "wrong_mark") in causes
    assert ("T-W01", "names_swapped") in causes


def test_two_names_exchanged_or_the_other_two_of_their_marks() -> None:
    """B3 and F2 were stood on twice each: that the first two were exchanged and that the last two were is one reading."""
    first, *more = found("free-stations", lambda n: marked(n, T_F2b="B3", T_B3="F2"))
    assert not more
    assert not first.told
    pairs = {(e.name, e.detail[0]) for e in (first.first, *first.rivals) if e.cause == "names_swapped"}
    assert {frozenset(p) for p in pairs} == {frozenset(("T-F2b", "T-B3")), frozenset(("T-F2", "T-B3b"))}


def test_one_target_written_on_the_mark_of_two_is_one_finding() -> None:
    """T-W08 written on F4, where two others stood: one name is wrong, not two."""
    first, *more = found("free-stations", lambda n: marked(n, T_W08="F4"))
    assert not more
    assert (first.first.name, first.first.cause) == ("T-W08", "other_point")
    truth, _ = day("free-stations")
    assert first.first.size == pytest.approx(18.23, abs=0.05)  # from F4 to W08, as the sample's truth has it
    assert truth.setups.setup[first.first.subject] == "T-W08"


def test_one_exchange_that_turns_a_network_of_two_known_marks_names_nobody() -> None:
    """T-W03 and T-D2 exchanged, D2 being one of two known marks: what then looks out of place is not named for sure."""
    network, _ = day("free-stations")
    assert np.isfinite(network.marks.sigma_east).sum() == 2
    findings = found("free-stations", lambda n: marked(n, T_W03="D2", T_D2="W03"))
    assert findings
    right = {"T-W03", "T-D2"}
    assert all(f.first.name in right for f in findings if f.told)


def test_ranked_is_sorted_but_for_ties() -> None:
    """Against plain sorting where nothing ties; ties keep their places whatever their last digits are."""
    rng = np.random.default_rng(3)
    values = rng.uniform(0.0, 300.0, 200)
    assert ranked(values.tolist()) == np.argsort(-values).tolist()
    for _ in range(20):
        tied = np.repeat([7.0, 261.8, 261.7], 5)[rng.permutation(15)]
        exact = np.argsort(-tied, kind="stable").tolist()
        assert ranked((tied * (1.0 + 1e-11 * rng.uniform(-1, 1, 15))).tolist()) == exact
    assert ranked([1.0, 1.0 + 1e-7]) == [1, 0]  # more than rounding
    assert ranked([-3.0, 0.0, -3.0 - 1e-12, 0.0]) == [1, 3, 0, 2]
    assert ranked([]) == []

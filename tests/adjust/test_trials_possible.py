"""Catch rates in networks of few kinds: only what can go wrong there is planted, and what is planted is found or told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import INF, Plan
from tests.adjust.test_trials import planted

from hubtack.adjust import adjust
from hubtack.adjust.catch_rate.ground import ground_of
from hubtack.adjust.catch_rate.planted import Amount, Plant, Planted
from hubtack.adjust.catch_rate.plants import PLANTS
from hubtack.adjust.catch_rate.trials import (
    Caught,
    Clean,
    Kind,
    Task,
    trial,
)
from hubtack.adjust.judge.diagnose import judge


def possible(p: Plan, seed: int = 1) -> set[str]:
    """Names of the plants that spoil something at one of twenty seeds."""
    base = ground_of(adjust(p.simulated(seed)))
    return {
        plant.name
        for plant in PLANTS
        for amount in plant.amounts
        for s in range(20)
        if plant.plant(base, amount, np.random.default_rng(s)) is not None
    }


def triangle_of_vectors() -> Plan:
    p = Plan()
    p.held("A", 0, 0, 10)
    p.held("B", 50, 10, 12)
    p.mark("C", 20, 80, 11)
    p.mark("D", 90, 70, 15)
    for a, b in ((0, 1), (1, 2), (2, 0), (0, 3), (1, 3), (2, 3)):
        p.vector(a, b, np.eye(3) * 1e-6)
    return p


def test_a_levelling_loop_can_have_a_wrong_rise_and_a_wrong_benchmark_alone() -> None:
    p = Plan()
    p.mark("A", 0, 0, 10, sigma=(INF, INF, 0.0))
    p.mark("B", 0, 0, 12)
    p.mark("C", 0, 0, 11)
    for a, b in ((0, 1), (1, 2), (2, 0)):
        p.reduce("rise", a, b, 1e-3)
    assert possible(p) == {"rise", "control height"}


def test_vectors_can_be_wrong_and_so_can_what_they_hang_on() -> None:
    """Axes of B at (50, 10) can be exchanged, those of A at (0, 0) not; swapped digits move B by 9 m or more: seen at once."""
    assert possible(triangle_of_vectors()) == {"vector", "control moved", "control: axes", "control height"}


def test_directions_alone_have_no_height_and_no_distance_to_spoil() -> None:
    p = Plan()
    p.support("s", 1e-3, 1e-3)
    p.instrument()
    p.target()
    for name, e, n in (("C0", 0, 0), ("C1", 100, 0), ("C2", 50, 80), ("C3", 10, 90)):
        p.held(name, e, n, 10.0)
    p.mark("F", 40, 40, 10.0)
    s = p.station(4)
    for k in range(4):
        p.sight(s, p.prism(k), rounds=2, readings="c")
    done = possible(p)
    assert {"direction", "wrong face noted", "names swapped", "on another mark"} <= done
    of_lengths = {
        n for n in (q.name for q in PLANTS) if n.split(":")[0] in ("height", "hi", "distance", "rise")
    }
    assert not done & (of_lengths | {"prism of one setup", "prism of a device", "scale of distances"})


def test_two_prisms_on_one_mark_cannot_be_exchanged() -> None:
    p = Plan()
    p.support("s", 1e-3, 1e-3)
    p.instrument()
    p.target()
    p.held("A", 0, 0, 10)
    p.held("B", 90, 20, 10)
    s = p.station(0)
    for _ in range(2):
        p.sight(s, p.prism(1), rounds=2)
    for again in (0, 0):  # both prisms are seen again, or no reading could be taken for another
        for t in (1, 2):
            p.sight(p.station(again), t)
    assert not possible(p) & {"names swapped", "another target", "on another mark"}


@pytest.mark.parametrize("seed", range(4))
def test_a_planted_vector_is_the_one_that_is_found(seed: int) -> None:
    """20 mm where the others say 1 mm: the judge, which knows nothing of the plant, names it and its size."""
    made = planted(ground_of(adjust(triangle_of_vectors().simulated(seed))), "vector", seed=seed)
    assert made is not None
    assert np.linalg.norm(made.move) == pytest.approx(20e-3)
    a = adjust(made.network)
    assert a.solved is not None
    first = judge(a.solved)[0].first
    assert made.explained_by(first)
    assert (first.name, first.cause) == (made.names[0], "vector_wrong")
    assert first.size == pytest.approx(20e-3, abs=4e-3)  # 4 sigmas of a vector that three others check


def test_a_day_that_cannot_be_adjusted_is_counted_as_told() -> None:
    """Without its vectors nothing determines C and D; with one iteration allowed nothing settles, and nothing is wrong."""
    sound = ground_of(adjust(triangle_of_vectors().simulated(1)))
    nothing = sound.network.vectors.replace(used=np.zeros(6, bool))
    broken = replace(sound, network=replace(sound.network, vectors=nothing))
    hasty = replace(sound, settings=replace(sound.settings, max_iterations=1))
    plant = Plant("none", lambda g, a, r: Planted(g.day(r), "reading", ("v1",), 1.0))
    rows = (Kind(plant, Amount(), 0),)
    for base in (broken, hasty):
        assert trial(base, rows, 1, Task(0, 0)) == Caught("not adjusted", True, False, "v1", 1.0)
        assert trial(base, rows, 1, Task(-1, 0)) == Clean(False)

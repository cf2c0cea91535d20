"""Traverses between control marks. A network that is nothing but one traverse has the closures as its only redundancy: their
statistic is the vᵀPv of its adjustment, which knows nothing of traverses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import MM, Plan

from hubtack.adjust import Settings, adjust
from hubtack.adjust.checks.check import Effects
from hubtack.adjust.checks.legs import Index, legs
from hubtack.adjust.checks.story import check
from hubtack.adjust.checks.traverses import close, traverse_checks, traverses
from hubtack.adjust.ground.network import Network


def line(sighted: str, sigma: float = 0.0, bases: bool = False, seed: int = 3) -> Network:
    """A – P – Q – B in the plane, run forwards; `sighted`: from A to C, from B to D, or neither."""
    p = Plan()
    p.support("tripod", centring=1.0 * MM)
    p.instrument(3.0, 3.0, 2 * MM)
    p.target()
    known = (sigma, sigma, np.inf)
    a, b = p.mark("A", 0, 0, 0, sigma=known), p.mark("B", 310, 60, 0, sigma=known)
    c, d = p.mark("C", -140, 90, 0, sigma=known), p.mark("D", 400, -90, 0, sigma=known)
    way = [a, p.mark("P", 90, 40, 0), p.mark("Q", 200, 10, 0), b]
    for i, m in enumerate(way):
        more = {"base": m} if bases else {}
        station = p.station(m, height=1.5, **more)
        if i:
            own = {"base": way[i - 1]} if bases else {}
            p.sight(station, p.prism(way[i - 1], **own), readings="c")
        if i < 3:
            own = {"base": way[i + 1]} if bases else {}
            p.sight(station, p.prism(way[i + 1], **own), readings="ch")
        if (i == 0 and "C" in sighted) or (i == 3 and "D" in sighted):
            p.sight(station, p.prism(c if i == 0 else d), readings="c")
    return p.simulated(seed)


def closed(network: Network, settings: Settings):
    (traverse,) = traverses(network, Index(legs(network, settings)))
    return close(network, settings, Effects.of(network), traverse)


@pytest.mark.parametrize("sighted", ["CD", "C", "D", ""])
@pytest.mark.parametrize("sigma", [0.0, 5 * MM])
@pytest.mark.parametrize("bases", [False, True])
def test_closures_are_the_redundancy_of_the_adjustment(sighted: str, sigma: float, bases: bool) -> None:
    network, settings = line(sighted, sigma, bases), Settings(scale_factor=0.9996, reference_height=0.0)
    T, q = closed(network, settings).statistic
    a = adjust(network, settings)
    assert q == {2: 3, 1: 2, 0: 1}[len(sighted)] == a.degrees_of_freedom
    # first order on both sides: closures of millimetres on 100 m are linear to 1e-4
    assert a.solved.solution.objective == pytest.approx(T, rel=1e-3)


def test_a_control_mark_that_moved_is_seen_with_its_size() -> None:
    network = line("CD", 0.0)
    east = network.marks.east.copy()
    east[1] += 0.080
    moved = replace(network, marks=network.marks.replace(east=east))
    before, after = (closed(n, Settings()) for n in (network, moved))
    # both ends sighted: B's shift turns the azimuth B → D too, by 80 mm seen across 175 m
    assert (after.misses - before.misses)[0] == pytest.approx(-0.080, abs=1e-9)
    assert (after.misses - before.misses)[1] == pytest.approx(0.0, abs=1e-9)
    d = np.array([90.0, -150.0])
    turned = np.arctan2(*d) - np.arctan2(*(d - [0.08, 0.0]))
    assert after.angle - before.angle == pytest.approx(turned, abs=1e-9)
    found = {c.kind: c for c in check(moved).checks if c.kind.startswith("traverse")}
    assert found["traverse, position"].flagged
    assert found["traverse, position"].names == ("A", "P", "Q", "B")
    assert not [c for c in check(network).checks if c.kind.startswith("traverse") and c.flagged]


def test_a_free_setup_joins_two_control_marks_by_their_distance() -> None:
    p = Plan()
    p.support("tripod", centring=0.5 * MM)
    p.instrument(3.0, 3.0, 1 * MM)
    p.target()
    p.held("A", 0, 0, 10), p.held("B", 80, 0, 10), p.held("C", 40, 60, 10)
    station = p.station(p.mark("P", 35, 25, 9))
    for m in range(3):
        p.sight(station, p.prism(m))
    network, settings = p.simulated(1), Settings()
    found = traverse_checks(network, settings, Index(legs(network, settings)), 3.29)
    assert [c.kind for c in found] == [
        "traverse, distance"
    ] * 2  # two joins of three marks; a third would repeat them
    assert [c.names for c in found] == [("A", "P", "B"), ("A", "P", "C")]
    assert max(c.ratio for c in found) < 3.29

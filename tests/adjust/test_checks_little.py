"""Checks where there is little to check: half a day, one pair, no distance; and slips of the pen named by their size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, INF, MM, NAN, Plan
from tests.adjust.test_checks import hexagon, of_kind
from tests.adjust.test_plan import weir

from hubtack.adjust import Settings
from hubtack.adjust.checks.check import Effects
from hubtack.adjust.checks.closures import plane_closure
from hubtack.adjust.checks.legs import Index, angle, legs
from hubtack.adjust.checks.slips import Slip
from hubtack.adjust.checks.story import FieldCheck, check
from hubtack.adjust.ground.network import Network
from hubtack.adjust.judge.written import Written
from hubtack.adjust.simulate import simulate

FOOT = 0.3048


def free_station(targets: int, readings: str) -> Plan:
    """An instrument beside three known marks, which sees the first of them."""
    p = Plan()
    p.support("pillar")
    p.instrument()
    p.target()
    for name, e, n in (("A", 0, 0), ("B", 100, 0), ("C", 40, 90)):
        p.held(name, e, n, 10)
    p.mark("F", 45, 40, 10)
    s = p.station(3)
    for t in range(targets):
        p.sight(s, p.prism(t), rounds=2, readings=readings)
    return p


def test_a_station_without_a_place_is_told_and_its_faces_are_checked_all_the_same() -> None:
    found = check(free_station(1, "cz").simulated(1))
    assert found.adjustment is None
    assert found.next is None
    assert [(t.code, t.marks) for t in found.trouble] == [("NET302", ("F",))]
    assert "of known marks only A is sighted" in found.trouble[0].text
    assert of_kind(found, "collimation")[0].count == 2  # two rounds, both faces


def test_one_pair_has_nothing_to_stand_out_from() -> None:
    """Its mean is told; an outlier of one pair there is none."""
    p = free_station(3, "czs")
    net = p.simulated(2)
    single = net.sights.take(np.flatnonzero((net.sights.round == 1) & (net.sights.end == 1)))
    more = net.sights.take(net.sights.face == 1)
    both = {c.name: [*getattr(more, c.name), *getattr(single, c.name)[1:]] for c in net.sights.columns()}
    found = check(replace(net, sights=type(net.sights)(**both)))
    assert [c.count for c in of_kind(found, "collimation")] == [1]
    assert not of_kind(found, "collimation of a pair")


def test_vectors_alone_leave_no_next_sight() -> None:
    """All sights are left out by decisions; three vectors adjust the marks. Where the instrument would stand nobody knows."""
    p = free_station(3, "czs")
    for a, b in ((0, 3), (1, 3), (2, 3)):
        p.vector(a, b, np.eye(3) * 1e-6)
    net = p.simulated(3)
    found = check(replace(net, sights=net.sights.replace(used=np.zeros(len(net.sights), bool))))
    assert found.adjustment is not None
    assert found.adjustment.degrees_of_freedom == 6  # nine components, three coordinates
    assert found.next is None
    out = found.adjustment.left_out
    turned = (
        out.kind == "direction"
    )  # no reading orients the circle, so nobody knows what it should have read
    assert np.isnan(out.residual[turned]).all()
    assert np.abs(out.residual[~turned]).max() < 5 * MM  # 1 mm of a vector against 1 mm or 1″ of a reading


def test_a_loop_of_angles_has_no_closure_of_position() -> None:
    """Without distances only the angles close: (n − 2)·180° inside, or as much less n·360° outside."""
    p = hexagon(False)
    for row in p.sights:
        row["slope"] = NAN
    found = legs(p.simulated(1), Settings())
    pairs = [Index(found).angle_at(k, (k - 1) % 6, (k + 1) % 6) for k in range(6)]
    total = sum(angle(*pair)[0] for pair in pairs if pair is not None)
    assert np.abs(np.mod(total + np.pi, 2 * np.pi) - np.pi) < 150 * ARCSEC  # 23″ is a sigma of it
    assert plane_closure(list(range(6)), Index(found), Effects.of(p.network())) is None


def test_two_rounds_apart_give_no_angle() -> None:
    p = hexagon(False)
    for row in p.sights:
        row["round"] = (
            1 + (int(row["id"]) - 1) % 4 // 2
        )  # one round to the mark behind, another to the one ahead
    a, b = legs(p.simulated(1), Settings())[:2]
    assert not set(a.directions) & set(b.directions)
    assert np.isnan(angle(a, b)).all()


def entered(height: float, as_entered: float) -> tuple[FieldCheck, str]:
    """The weir on a day when one target over C stood `height` high and was booked otherwise."""
    p = weir()
    net = p.network()
    k = int(np.flatnonzero((net.setups.mark == 2) & ~net.setups.instrument)[0])
    heights = net.setups.height.copy()
    heights[k] = height
    made = simulate(
        replace(net, setups=net.setups.replace(height=heights)), np.array(p.truth, float), Settings(), 8
    )
    heights[k] = as_entered
    day = replace(made, setups=made.setups.replace(height=heights))
    return check(day, Settings(), Written()), str(net.setups.setup[k])


@pytest.mark.parametrize(("true", "booked"), [(1.3, 1.3 / FOOT), (2.4, 2.4 * FOOT)])
def test_feet_for_metres_and_metres_for_feet(true: float, booked: float) -> None:
    found, name = entered(true, booked)
    told = {s for _, slips in found.slips for s in slips if s.kind == "feet for metres" and s.setup == name}
    assert {round(s.right, 9) for s in told} == {round(true, 9)}


def prism_mixed_up(constant: float) -> tuple[Network, str]:
    """One target set up over C bore another prism."""
    net = weir().simulated(5)
    k = int(np.flatnonzero((net.setups.mark == 2) & ~net.setups.instrument)[0])
    longer = net.sights.slope + constant * (net.sights.end == k)
    return replace(net, sights=net.sights.replace(slope=longer)), str(net.setups.setup[k])


def test_a_prism_constant_is_suggested_by_its_size() -> None:
    """34.4 mm too long there, against 2 or 3 mm of a distance both ways: no other usual difference is as near."""
    net, name = prism_mixed_up(34.4 * MM)
    found = check(net)
    told = [s for _, slips in found.slips for s in slips if s.kind == "prism constant"]
    assert Slip("prism constant", name, 0.0, 0.0344) in told


def test_a_mark_that_only_one_axis_places_misses_nothing() -> None:
    """A levelled benchmark has no place in the plane; what points at others is compared all the same."""
    p = weir()
    p.mark("BM", 0, 0, 11, sigma=(INF, INF, 0.0))
    p.reduce("rise", 0, 6, 1 * MM)
    net = p.simulated(4)
    east, north = (np.where(net.marks.mark == "BM", NAN, getattr(net.marks, a)) for a in ("east", "north"))
    found = check(replace(net, marks=net.marks.replace(east=east, north=north)))
    assert found.adjustment is not None
    assert not [c for c in found.checks if c.flagged]


def test_two_places_for_one_mark_leave_checks_without_coordinates() -> None:
    """Two distances meet on either side of their base; what needs no coordinates is checked, and the trouble is told."""
    p = free_station(3, "czs")
    p.sights = p.sights[:0]
    s, prism = 0, 2
    p.sight(s, prism, rounds=2, readings="czs")  # to B alone: a distance and a direction of an unknown circle
    p.mark("Q", 60, 50, 10)
    p.reduce("horizontal", 0, 4, 1 * MM)
    p.reduce("horizontal", 1, 4, 1 * MM)
    found = check(p.simulated(1))
    assert found.adjustment is None
    assert "Q can be in two places: horizontal distances (r1, r2) fit both." in [
        t.text for t in found.trouble
    ]
    assert of_kind(found, "collimation")[0].count == 2


def test_a_station_that_saw_nothing_known_points_nowhere() -> None:
    """A is known and Q is not: the circle is turned as it likes, so no place follows, and nobody is said to miss a mark."""
    p = free_station(3, "czs")
    q = p.mark("Q", 60, 50, 10)
    p.sight(p.station(0), p.prism(q))
    found = check(p.simulated(1))
    assert found.adjustment is None
    assert [t.marks for t in found.trouble] == [("Q",)]
    assert not [c for c in found.checks if c.flagged]

"""Checks in the field: derived figures, distributions on simulated days, and planted mistakes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, MM, NAN, Plan
from tests.adjust.test_plan import weir

from hubtack.adjust import Settings
from hubtack.adjust.checks.check import Check, Effects, Form
from hubtack.adjust.checks.closures import plane_closure
from hubtack.adjust.checks.faces import face_checks, half_differences
from hubtack.adjust.checks.legs import Index, angle, legs
from hubtack.adjust.checks.rounds import adjust_rounds, round_checks
from hubtack.adjust.checks.story import FieldCheck, check
from hubtack.adjust.checks.twoway import two_way_checks
from hubtack.adjust.ground.network import Network
from hubtack.adjust.ground.topology import loops
from hubtack.adjust.judge.written import Written
from hubtack.adjust.model.reductions import reduce_readings
from hubtack.adjust.simulate import simulate

RHO = 206_264.806247


def hexagon(bases: bool, centring: float = 1 * MM, side: float = 50.0, height: float = 0.0) -> Plan:
    """A closed traverse of six marks; targets set anew for every sight, or one base on each mark."""
    p = Plan()
    p.support("tripod", centring=centring, height=height)
    p.instrument(1.0, 1.0, 1 * MM)
    p.target()
    for k in range(6):
        a = np.pi / 3 * k
        p.mark(
            f"M{k}",
            500 + side * np.sin(a),
            500 + side * np.cos(a),
            0,
            sigma=(0.0,) * 3 if k < 2 else (np.inf,) * 3,
            known=True,
        )
    for k in range(6):
        more: dict[str, Any] = {"base": k} if bases else {}
        s = p.station(k, height=1.5, **more)
        for t in ((k - 1) % 6, (k + 1) % 6):
            p.sight(s, p.prism(t, **({"base": t} if bases else {})))
    return p


def of_kind(found: FieldCheck | list[Check], kind: str) -> list[Check]:
    rows = found.checks if isinstance(found, FieldCheck) else found
    return [c for c in rows if c.kind == kind]


@pytest.mark.parametrize(("bases", "expected"), [(False, 22.86), (True, 3.46)])
def test_expected_closure_of_a_hexagon(bases: bool, expected: float) -> None:
    """Derived: legs 50 m, 1″ directions, centring 1 mm per axis. On standing bases nothing is left but the instrument."""
    net = hexagon(bases).simulated(1)
    closure = plane_closure(list(range(6)), Index(legs(net, Settings())), Effects.of(net))
    assert closure is not None
    assert np.sqrt(closure.covariance[0, 0]) * RHO == pytest.approx(expected, abs=0.006)
    assert closure.perimeter == pytest.approx(300.0, abs=0.05)


@pytest.mark.parametrize("bases", [False, True])
def test_closures_are_distributed_as_expected(bases: bool) -> None:
    """200 simulated hexagons: T of angle and position together has mean 3 ± 0.17 (one standard error), and each of the
    three sigmas holds within 15 % (three standard errors)."""
    T, values, Q = [], [], np.zeros((3, 3))
    for seed in range(200):
        net = hexagon(bases).simulated(seed)
        c = plane_closure(list(range(6)), Index(legs(net, Settings())), Effects.of(net))
        assert c is not None
        T.append(c.values @ np.linalg.solve(c.covariance, c.values))
        values.append(c.values)
        Q = c.covariance
    assert np.mean(T) == pytest.approx(3.0, abs=0.5)
    # rotating the first leg to the north mixes east and north differently in no two of these: their sigmas stand as they are
    np.testing.assert_allclose(np.std(values, axis=0), np.sqrt(np.diag(Q)), rtol=0.15)


def two_setups(bases: bool) -> Network:
    p = Plan()
    p.support("tripod", centring=1 * MM)
    p.instrument(1e-6, 1e-6, 1.15 * MM * 2**0.5)  # two readings on two faces: the mean has 1.15 mm
    p.target()
    p.held("A", 0, 0, 0)
    p.mark("B", 0, 100, 0, known=True)
    a, b = ({"base": 0}, {"base": 1}) if bases else ({}, {})
    p.sight(p.station(0, height=1.5, **a), p.prism(1, **b))
    p.sight(p.station(1, height=1.5, **b), p.prism(0, **a))
    return p.simulated(3)


@pytest.mark.parametrize(("bases", "expected"), [(False, 2.578), (True, 1.626)])
def test_distance_both_ways(bases: bool, expected: float) -> None:
    """Derived: 1.15 mm each way, four centrings of 1 mm → 2.578 mm; on one base a mark the centring cancels: 1.626 mm."""
    net = two_setups(bases)
    (found,) = of_kind(two_way_checks(net, Settings(), legs(net, Settings())), "distance both ways")
    assert found.sigma / MM == pytest.approx(expected, abs=5e-4)
    assert found.names[:2] == ("A", "B")


@pytest.mark.parametrize(("refraction", "expected"), [(0.0, 1.597), (1.0, (1.597**2 + 1.570**2) ** 0.5)])
def test_rise_both_ways(refraction: float, expected: float) -> None:
    """Derived: 100 m, 1″, hi 1 mm, ht 0.2 mm, new setups → 1.597 mm; Δk of 1, common to both, 1.570 mm in the sum."""
    p = Plan()
    p.support("tripod", height=1 * MM)
    p.support("stand", height=0.2 * MM)
    p.instrument(1.0, 1.0, 1 * MM)
    p.target()
    p.held("A", 0, 0, 0)
    p.mark("B", 0, 100, 0, known=True)
    for a, b in ((0, 1), (1, 0)):
        p.sight(p.station(a, height=1.5), p.prism(b, support=1, height=1.5))
    net = p.simulated(1)
    settings = Settings(refraction_sigma=refraction)
    (found,) = of_kind(two_way_checks(net, settings, legs(net, settings)), "rise both ways")
    assert found.sigma / MM == pytest.approx(expected, abs=6e-4)


def test_shared_errors_meet_under_one_key() -> None:
    form = Form(2)
    form.add(("a", 0, 0), 2.0, np.array([1.0, 0.0]))
    form.add(("a", 0, 0), 2.0, np.array([-1.0, 1.0]))
    np.testing.assert_allclose(form.covariance(), [[0, 0], [0, 4]])


def faces_of(c: float, i: float, z: float) -> tuple[float, float]:
    """Circle readings on both faces of an instrument with collimation c and tilting axis i, exactly, as a turned frame.

    The line of sight stands c off square to the tilting axis, which stands i off level (both rad).
    """
    readings = []
    for face in (1, -1):
        # the sight (unit vector), by the elevation e at which the telescope must stand to reach zenith angle z
        def sight(t: float, face: int = face) -> np.ndarray:
            v = np.array(
                [-np.sin(c), np.cos(c) * np.cos(t), np.cos(c) * np.sin(t)]
            )  # right, ahead, up about the axis
            if face < 0:
                v = np.array([np.sin(c), v[1], v[2]])
            tilt = i if face > 0 else -i
            return np.array(
                [v[0] * np.cos(tilt) - v[2] * np.sin(tilt), v[1], v[0] * np.sin(tilt) + v[2] * np.cos(tilt)]
            )

        low, high = -1.5, 1.5
        for _ in range(80):
            mid = 0.5 * (low + high)
            low, high = (mid, high) if sight(mid)[2] < np.cos(z) else (low, mid)
        right, ahead, _ = sight(low)
        readings.append(
            -np.arctan2(right, ahead)
        )  # the circle must turn so far for the sight to hit the target
    return readings[0], readings[1]


@pytest.mark.parametrize(
    ("c", "i", "z", "expected", "within"),
    [(30, 0, 60, 34.641016, 1e-5), (30, 0, 30, 60.0, 1e-5), (10, 5, 70, 12.4616, 1e-4)],
)
def test_half_differences_of_faces(c: float, i: float, z: float, expected: float, within: float) -> None:
    """Derived by an exact turned frame: c 30″ gives 34.641016″ at z 60° and 60.000001″ at 30°; c 10″, i 5″ 12.4616″ at 70°."""
    one, two = faces_of(c * ARCSEC, i * ARCSEC, np.radians(z))
    p = Plan()
    p.support("pillar")
    p.instrument()
    p.target()
    p.held("A", 0, 0, 0)
    p.held("B", 0, 100, 0)
    p.sight(p.station(0), p.prism(1))
    net = p.network()
    s = net.sights.replace(
        circle=np.array([one, two + np.pi]), zenith=np.array([np.radians(z), 2 * np.pi - np.radians(z)])
    )
    half, index = half_differences(replace(net, sights=s), np.array([0]), np.array([1]))
    assert abs(half[0]) / ARCSEC == pytest.approx(expected, abs=within)
    assert index[0] == pytest.approx(0.0, abs=1e-12)


def test_rounds_of_three_targets() -> None:
    """Derived: rounds (″) [0, 3.2, −1.1], [12.1, 14.6, 11.8], [−5.3, −1.7, −7.0] → 0, 3.1000, −1.0333; s 0.63070."""
    rounds = np.array([[0, 3.2, -1.1], [12.1, 14.6, 11.8], [-5.3, -1.7, -7.0]]) * ARCSEC
    target, number = np.tile(np.arange(3), 3), np.repeat(np.arange(3), 3)
    r = adjust_rounds(target, number, rounds.ravel(), np.full(9, ARCSEC))
    np.testing.assert_allclose(r.directions / ARCSEC, [0, 3.1, -1.0333], atol=5e-5)
    assert r.spread == pytest.approx(0.63070, abs=5e-6)
    assert r.freedom == 4
    turned = adjust_rounds(
        target,
        number,
        np.mod(rounds + np.radians([[0], [359.9999], [180]]), 2 * np.pi).ravel(),
        np.full(9, ARCSEC),
    )
    np.testing.assert_allclose(turned.directions, r.directions, atol=1e-12)


def test_incomplete_rounds_keep_what_they_have() -> None:
    rounds = np.array([[0, 3.2, -1.1], [12.1, 14.6, 11.8], [-5.3, -1.7, -7.0]]) * ARCSEC
    keep = np.arange(9) != 5
    target, number = np.tile(np.arange(3), 3)[keep], np.repeat(np.arange(3), 3)[keep]
    r = adjust_rounds(target, number, rounds.ravel()[keep], np.full(8, ARCSEC))
    assert r.freedom == 3
    A = np.zeros((8, 5))
    A[np.arange(8), 2 + number] = 1
    A[target > 0, target[target > 0] - 1] = 1
    x = np.linalg.lstsq(A, rounds.ravel()[keep], rcond=None)[0]
    np.testing.assert_allclose(r.directions[1:], x[:2], atol=1e-15)


def test_a_clean_day_is_clean() -> None:
    """60 days: each of the three families of checks alarms falsely on at most about 5 % of the days."""
    alarms = 0
    for seed in range(60):
        net = weir().simulated(seed)
        obs = reduce_readings(net)
        of_pairs = legs(net, Settings(), obs)
        found = (
            face_checks(net, Settings())
            + round_checks(net, Settings())
            + two_way_checks(net, Settings(), of_pairs)
        )
        alarms += any(c.flagged for c in found)
        assert len(of_kind(found, "collimation")) == 4
        assert len(of_kind(found, "distance both ways")) >= 3
    assert (
        alarms <= 18
    )  # three families of checks at 5 % and less: 15 expected at the most, and the spread of that


def test_a_bad_pair_and_a_drift_are_found() -> None:
    net = weir().simulated(5)
    s = net.sights
    circle = s.circle.copy()
    circle[4] += 20 * ARCSEC
    found = face_checks(replace(net, sights=s.replace(circle=circle)), Settings())
    bad = [c for c in found if c.flagged]
    assert [c.names[0] for c in bad] == [str(s.id[4])] or {str(s.id[4]), str(s.id[5])} & {
        c.names[0] for c in bad
    }
    drifting = s.zenith + np.linspace(0, 30, len(s)) * ARCSEC
    found = face_checks(replace(net, sights=s.replace(zenith=drifting)), Settings())
    assert of_kind(found, "index through the day")[0].flagged
    assert not of_kind(found, "collimation through the day")[0].flagged


def test_digits_of_a_height_are_suggested() -> None:
    p = weir()
    net = p.simulated(8)
    k = int(np.flatnonzero((net.setups.mark == 2) & ~net.setups.instrument)[0])
    heights = net.setups.height.copy()
    heights[k] = 1.532  # the device stood so high: the readings of the day are made for 1.500
    moved = p.network().setups.replace(height=heights)
    day = replace(p.network(), setups=moved)

    made = simulate(day, np.array(p.truth, float), Settings(), 8)
    wrong = heights.copy()
    wrong[k] = 1.352
    found = check(replace(made, setups=made.setups.replace(height=wrong)), Settings(), Written())
    bad = {i for i, c in enumerate(found.checks) if c.flagged and c.kind == "rise both ways"}
    assert bad
    told = [s for i, slips in found.slips if i in bad for s in slips]
    assert [(s.setup, round(s.right, 3)) for s in told if s.kind == "digits exchanged"] == [
        (str(net.setups.setup[k]), 1.532)
    ]


def test_exchanged_names_are_told() -> None:
    net = weir().simulated(4)
    to = net.setups.mark.copy()
    k = [int(i) for i in np.flatnonzero(~net.setups.instrument) if to[i] in (2, 3)][
        :2
    ]  # of the first instrument setup
    to[k] = to[k[::-1]]
    found = check(replace(net, setups=net.setups.replace(mark=to)))
    kinds = {c.kind: c for c in found.checks if c.flagged}
    assert set(kinds["names exchanged"].names[:2]) == {"C", "D"}


def test_two_names_for_one_place() -> None:
    p = weir()
    p.mark("C2", 60.001, 10.001, 14.001, known=True)
    s = p.station(3)
    for t in (0, 1, 6):
        p.sight(s, p.prism(t))
    found = check(p.simulated(2))
    (twice,) = of_kind(found, "two names, one place")
    assert set(twice.names) == {"C", "C2"}


def test_half_a_day_is_checked_without_adjusting() -> None:
    net = weir().simulated(3)
    s = net.sights
    first = s.take(s.start == s.start[0])
    one_target = first.take(first.end == first.end[0])
    found = check(replace(net, sights=one_target.replace(slope=np.full(len(one_target), NAN))))
    assert of_kind(found, "collimation")
    later = s.replace(
        **{c: np.where(s.start == s.start[0], getattr(s, c), NAN) for c in ("circle", "zenith", "slope")}
    )
    found = check(replace(net, sights=later))
    assert found.adjustment is not None
    assert found.adjustment.marks.unchecked[2:4].any()


def test_the_next_sight_frees_a_mark() -> None:
    p = weir()
    p.mark("G", 90, 60, 15, known=True)
    s = p.station(3)
    for t in (0, 1, 2):
        p.sight(s, p.prism(t))
    p.sight(s, p.prism(6))
    net = p.simulated(6)
    found = check(net)
    assert found.adjustment is not None
    assert found.adjustment.marks.unchecked[6]
    assert found.next is not None
    assert found.next.mark == "G"
    assert found.next.standing
    assert found.next.unchecked[1] == found.next.unchecked[0] - 1


def test_a_levelled_line_between_two_heights() -> None:
    """By hand: 1.001 + 0.999 m between 10 m and 12.006 m: short by 6 mm, of √2 mm; the line back and forth by 1 mm of √2."""
    p = Plan()
    p.held("A", 0, 0, 10)
    p.held("B", 1, 0, 12.006)
    p.mark("P", 0, 1, 11)
    p.reduce("rise", 0, 2, 1 * MM, value=1.001)
    p.reduce("rise", 2, 1, 1 * MM, value=0.999)
    p.reduce("rise", 1, 2, 1 * MM, value=-1.000)
    found = check(p.network())
    (line,) = of_kind(found, "line between heights")
    assert line.names == ("A", "P", "B")
    assert abs(line.found) / MM == pytest.approx(6.0, abs=1e-6)
    assert line.sigma / MM == pytest.approx(2**0.5)
    (twice,) = of_kind(found, "rise both ways")
    assert abs(twice.found) / MM == pytest.approx(1.0, abs=1e-6)
    assert twice.names == ("P", "B")


def test_angle_over_common_rounds() -> None:
    net = hexagon(False).simulated(0)
    a, b = legs(net, Settings())[:2]
    value, sigma = angle(a, b)
    assert sigma / ARCSEC == pytest.approx(2**0.5, rel=1e-9)
    assert np.isclose(value, np.radians(240), atol=1e-3) or np.isclose(value, np.radians(120), atol=1e-3)
    assert len(loops(net, reduce_readings(net))) == 1


def test_a_long_corridor_is_clean() -> None:
    """Start coordinates of 120 marks in a row, two held at either end, are off by decimetres; no mark is misnamed for that."""
    from tests.benchmarks.corridor import corridor

    day = corridor(120)
    net = simulate(day.network(), np.array(list(day.points.values())), Settings(), 1)
    found = check(net)
    assert found.adjustment is not None
    assert found.adjustment.global_test.passed
    assert [c for c in found.checks if c.flagged] == []

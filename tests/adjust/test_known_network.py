"""A quadrilateral in the plane whose every figure is known: made up, and solved by a second, general optimiser with
numerical derivatives.

A, B held, C and D new; one round of directions of 3″, horizontal distances of 2 mm, no setup effects.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, INF, MM, Plan, adjusted

from hubtack.adjust import Adjustment, Settings
from hubtack.adjust.ground.network import Network

DIRECTIONS = {
    "A": {"B": (90, 0, 4), "C": (48, 0, 50), "D": (7, 7, 31)},
    "B": {"A": (179, 59, 59), "C": (257, 28, 14), "D": (216, 1, 36)},
    "C": {"A": (28, 0, 49), "B": (327, 28, 16), "D": (63, 39, 36)},
    "D": {"A": (237, 7, 27), "B": (176, 1, 35), "C": (133, 39, 33)},
}
DISTANCES = {"AC": 134.5374, "AD": 80.6226, "BC": 92.1945, "BD": 136.0142, "CD": 90.5510}
NAMES = "ABCD"


def network(free: bool = False) -> Network:
    p = Plan()
    p.support("pillar")
    p.instrument(3 / 2**0.5)  # read on one face: √2 of this
    p.target()
    place = {"A": (1000, 1000), "B": (1120, 1000), "C": (1100, 1090), "D": (1010, 1080)}
    for name, (e, n) in place.items():
        held = name in "AB" and not free
        p.mark(name, e, n, 0, sigma=(0.0, 0.0, INF) if held else (INF,) * 3, known=True)
    prisms = [p.prism(k) for k in range(4)]
    circle = []
    for k, name in enumerate(NAMES):
        s = p.station(k)
        for to, (deg, minutes, seconds) in DIRECTIONS[name].items():
            p.sight(s, prisms[NAMES.index(to)], faces=(1,), readings="c")
            circle.append((deg * 3600 + minutes * 60 + seconds) * ARCSEC)
    for (a, b), value in DISTANCES.items():
        p.reduce("horizontal", NAMES.index(a), NAMES.index(b), 2 * MM, value=value)
    net = p.network()
    return replace(net, sights=net.sights.replace(circle=circle))


@pytest.fixture(scope="module")
def held() -> Adjustment:
    return adjusted(network())


@pytest.fixture(scope="module")
def free() -> Adjustment:
    return adjusted(network(free=True))


def row(a: Adjustment, id_: str) -> int:
    return list(a.observations.id).index(id_)


def total(a: Adjustment) -> float:
    return a.global_test.variance_factor * a.degrees_of_freedom


def test_coordinates_and_sigmas(held: Adjustment) -> None:
    assert held.degrees_of_freedom == 9
    assert total(held) == pytest.approx(3.55719, abs=5e-6)
    m = held.marks
    assert (m.east[2], m.north[2]) == pytest.approx((1099.999501, 1089.999407), abs=6e-7)
    assert (m.east[3], m.north[3]) == pytest.approx((1009.999922, 1079.999500), abs=6e-7)
    assert (m.sigma_east[2] / MM, m.sigma_north[2] / MM) == pytest.approx((1.2508, 1.1234), abs=6e-5)
    assert (m.sigma_east[3] / MM, m.sigma_north[3] / MM) == pytest.approx((1.1159, 1.1753), abs=6e-5)
    C = m.covariance[2] / MM**2
    assert (C[0, 0], C[1, 1], C[0, 1]) == pytest.approx((1.56446, 1.26192, -0.44688), abs=6e-6)
    assert held.observations.redundancy.sum() == pytest.approx(9.0, abs=1e-9)


def test_ellipses(held: Adjustment) -> None:
    f = held.ellipse_factor
    m = held.marks
    assert (m.semi_major[2] / f / MM, m.semi_minor[2] / f / MM) == pytest.approx((1.3729, 0.9703), abs=6e-5)
    assert np.degrees(m.ellipse_azimuth[2]) == pytest.approx(125.650, abs=6e-4)
    r = held.relative
    k = next(i for i in range(len(r)) if {r.start[i], r.end[i]} == {"C", "D"})
    assert (r.semi_major[k] / f / MM, r.semi_minor[k] / f / MM) == pytest.approx((1.3361, 1.1161), abs=6e-5)
    assert np.degrees(r.ellipse_azimuth[k]) == pytest.approx(175.256, abs=6e-4)


def test_reliability(held: Adjustment) -> None:
    o = held.observations
    k = row(held, "r5")  # C–D
    assert int(np.argmax(np.abs(o.standardized))) == k
    assert abs(o.standardized[k]) == pytest.approx(1.4603, abs=6e-5)
    assert o.redundancy[k] == pytest.approx(0.6885, abs=6e-5)
    assert o.minimal_detectable_bias[k] / MM == pytest.approx(9.960, abs=6e-4)
    k = row(held, "2.direction")  # A–C
    assert o.redundancy[k] == pytest.approx(0.5161, abs=6e-5)
    assert abs(o.standardized[k]) == pytest.approx(0.4050, abs=6e-5)
    assert o.minimal_detectable_bias[k] / ARCSEC == pytest.approx(17.256, abs=6e-4)
    k = row(held, "r1")  # A–C
    assert o.redundancy[k] == pytest.approx(0.7538, abs=6e-5)
    assert o.minimal_detectable_bias[k] / MM == pytest.approx(9.518, abs=6e-4)
    assert held.global_test.passed
    assert not held.flagged


def test_a_bias_of_the_detectable_size(held: Adjustment) -> None:
    """External reliability by readjusting: distance A–C wrong by its MDB moves C and D by what is printed."""
    net = network()
    value = net.reduced.value.copy()
    value[0] += held.observations.minimal_detectable_bias[row(held, "r1")]
    moved = adjusted(replace(net, reduced=net.reduced.replace(value=value))).marks
    shift = np.column_stack([moved.east - held.marks.east, moved.north - held.marks.north])[2:] / MM
    assert shift.ravel() == pytest.approx([2.0558, 1.2184, 0.7817, 1.5096], abs=1.1e-4)


def test_free(free: Adjustment) -> None:
    assert set(free.datum) == {"east", "north", "rotation"}
    assert free.datum_marks == ("A", "B", "C", "D")
    assert free.degrees_of_freedom == 8
    assert total(free) == pytest.approx(3.55717, abs=6e-6)
    trace = sum(np.trace(C[:2, :2]) for C in free.marks.covariance) / MM**2
    assert trace == pytest.approx(3.73466, abs=6e-6)


def test_free_on_two_marks_is_the_transformed_solution(free: Adjustment) -> None:
    """S-transformation to the datum A, B: trace 6.73641 mm², and the same residuals."""
    two = adjusted(network(free=True), Settings(datum_marks=("A", "B")))
    trace = sum(np.trace(C[:2, :2]) for C in two.marks.covariance) / MM**2
    assert trace == pytest.approx(6.73641, abs=6e-6)
    assert np.allclose(two.observations.residual, free.observations.residual, atol=1e-12)
    assert np.allclose(two.observations.redundancy, free.observations.redundancy, atol=1e-10)
    assert np.allclose(
        two.observations.minimal_detectable_bias, free.observations.minimal_detectable_bias, rtol=1e-9
    )


def test_the_held_length_against_the_free_one(free: Adjustment, held: Adjustment) -> None:
    """Free length A–B 120.0000066 ± 1.4864 mm; its w² against 120 m is the drop of vᵀPv."""
    pairs = adjusted(network(free=True), Settings(pairs=(("A", "B"),))).relative
    k = next(i for i in range(len(pairs)) if {pairs.start[i], pairs.end[i]} == {"A", "B"})
    assert pairs.distance[k] == pytest.approx(120.0000066, abs=6e-8)
    assert pairs.sigma_distance[k] / MM == pytest.approx(1.4864, abs=6e-5)
    w = (pairs.distance[k] - 120.0) / pairs.sigma_distance[k]
    assert abs(w) == pytest.approx(0.0044, abs=6e-5)
    assert total(held) - total(free) == pytest.approx(w**2, abs=1e-7)
    fit = held.control
    said = {(fit.mark[i], fit.component[i]): fit.standardized[i] for i in range(len(fit))}
    assert abs(said["B", "east"]) == pytest.approx(0.0044, abs=6e-5)

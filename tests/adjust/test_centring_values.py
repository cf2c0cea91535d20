"""Centring and heights in numbers that can be derived by hand, and what sharing them does to a mark.

"Derived" means: from the geometry, and verified numerically by finite differences, simulation or an exact model.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, INF, MM, Plan, adjusted, one_setup

from hubtack.adjust import Settings
from hubtack.adjust.ground.supports import centring_sigmas, centring_terms, height_sigmas, vertical_heights
from hubtack.adjust.model.frames import Plane
from hubtack.adjust.model.observations import KINDS

ARCMIN = 60.0 * ARCSEC
FLAT = Plane(1e15, 0.0, 1.0)  # no curvature worth the name: formulas of plane geometry


# -- centring and heights --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sensitivity", "off", "height", "expected"),
    [
        (40 * ARCMIN, 0.5, 1.5, 4.3633),
        (8 * ARCMIN, 0.5, 1.5, 0.8727),
        (60 * ARCSEC, 0.5, 0.178, 0.01294),
        (60 * ARCMIN, 1.0, 6 * 0.3048, 15.960),
    ],
)
def test_bubble(sensitivity: float, off: float, height: float, expected: float) -> None:
    """h·tan(sensitivity × off-centre / 2 mm). Common practice, no source."""
    net = one_setup(height, bubble=sensitivity, bubble_off_centre=off * MM).network()
    term = centring_terms(net, net.setups.support, vertical_heights(net))["bubble"]
    assert term[0] / MM == pytest.approx(expected, rel=5e-4 if expected < 0.1 else 5e-5)


def test_centring_budget() -> None:
    """Root sum of squares, by hand. A bubble out of adjustment, turned at random, enters by 1/√2 per axis."""
    more = {"bubble": 8 * ARCMIN, "bubble_off_centre": 0.2 * MM, "plummet": 0.5 * MM, "mark": 0.3 * MM}
    net = one_setup(1.6, **more).network()
    assert centring_sigmas(net, vertical_heights(net))[0] / MM == pytest.approx(0.7163, abs=5e-5)
    # pole: 1.3316 mm counts the bubble's own error in full; here per axis
    more = {"bubble": 8 * ARCMIN, "bubble_off_centre": 0.5 * MM, "bubble_error": 2 * ARCMIN, "mark": 0.5 * MM}
    net = one_setup(1.5, **more).network()
    full = 1.3316**2 - (1500 * np.tan(2 * ARCMIN)) ** 2 / 2
    assert centring_sigmas(net, vertical_heights(net))[0] / MM == pytest.approx(full**0.5, abs=1e-4)
    net = one_setup(2.0, bubble_error=2 * ARCMIN).network()
    assert centring_sigmas(net, vertical_heights(net))[0] / MM == pytest.approx(0.8228, abs=5e-5)


@pytest.mark.parametrize(
    ("slant", "radius", "vertical"),
    [(1.5, 0.1, 1.496663), (1.6, 0.12, 1.595494), (1.2, 0.16, 1.189285)],
)
def test_slant_height(slant: float, radius: float, vertical: float) -> None:
    """√(s² − r²) + offset; Pythagoras."""
    net = one_setup(
        slant, height_kind="slant", slant_radius=radius, slant_offset=0.05, sigma=0.0015
    ).network()
    assert vertical_heights(net)[0] == pytest.approx(vertical + 0.05, abs=5e-7)
    assert height_sigmas(net)[0] == 0.0015


def sight(slope: float, zenith_degrees: float, azimuth: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Rows direction, zenith, distance: derivatives by the target's, and by the instrument's, east, north, height."""
    z = np.radians(zenith_degrees)
    d = slope * np.array([np.sin(z) * np.sin(azimuth), np.sin(z) * np.cos(azimuth), np.cos(z)])
    ray = FLAT.between_setups(np.zeros((1, 3)), d[None, :])
    g = np.stack([KINDS[k].gradient(ray)[0] for k in ("direction", "zenith", "distance")])
    return g @ ray.to_end[0], g @ ray.to_start[0]


def test_centring_in_a_direction() -> None:
    """dα = p·Δe/D: 1 mm across 30 m, level and at 45°. Derived."""
    for zenith, expected in ((90.0, 6.8755), (45.0, 9.7234)):
        target, instrument = sight(30.0, zenith)
        assert np.hypot(*target[0, :2]) * MM / ARCSEC == pytest.approx(expected, abs=5e-5)
        assert np.allclose(target, -instrument, atol=1e-12)


@pytest.mark.parametrize(
    ("height_mm", "zenith", "slope", "correlation"),
    [(0.2, 2.6832, 0.9422, 0.8391), (1.5, 9.9725, 1.0706, -0.2587), (1.0, None, None, 0.0)],
)
def test_zenith_and_slope_of_one_target_correlate(
    height_mm: float, zenith: float | None, slope: float | None, correlation: float
) -> None:
    """30 m at 70°, centring 1 mm: dz = (cos z·u·Δe − sin z·Δh)/S, dS = sin z·u·Δe + cos z·Δh. Derived."""
    G = sight(30.0, 70.0, 0.7)[0]
    C = G @ np.diag(np.array([1.0, 1.0, height_mm]) ** 2 * MM**2) @ G.T
    if zenith is not None:
        assert np.sqrt(C[1, 1]) / ARCSEC == pytest.approx(zenith, abs=5e-5)
        assert np.sqrt(C[2, 2]) / MM == pytest.approx(slope, abs=5e-5)
    assert C[1, 2] / np.sqrt(C[1, 1] * C[2, 2]) == pytest.approx(correlation, abs=5e-5)


@pytest.mark.parametrize(
    ("angle", "first", "second", "instrument", "targets"),
    [
        (180.0, 20.0, 20.0, 20.626, 14.585),
        (90.0, 20.0, 20.0, 14.585, 14.585),
        (30.0, 20.0, 30.0, 5.551, 12.395),
        # 1 mm, 135°, 30 m: about 13″ in García-Balboa and others 2018, Sensors 18, 3187, introduction
        (135.0, 30.0, 30.0, 12.704, None),
    ],
)
def test_centring_in_an_angle(
    angle: float, first: float, second: float, instrument: float, targets: float | None
) -> None:
    """Instrument: σ_c·D₃/(D₁D₂) per axis; targets: σ_c·√(1/D₁² + 1/D₂²).

    Derived and simulated; Ghilani, Adjustment Computations, ch. 7 (from memory), has D₃/(D₁D₂√2) for a radial sigma.
    """
    back, fore = sight(first, 90.0, 0.3), sight(second, 90.0, 0.3 + np.radians(angle))
    at_instrument = fore[1][0, :2] - back[1][0, :2]
    assert np.linalg.norm(at_instrument) * MM / ARCSEC == pytest.approx(instrument, abs=1.1e-3)
    if targets is not None:
        both = np.hypot(np.linalg.norm(fore[0][0, :2]), np.linalg.norm(back[0][0, :2]))
        assert both * MM / ARCSEC == pytest.approx(targets, abs=1.1e-3)


@pytest.mark.parametrize(
    ("slope", "zenith", "expected"), [(30, 90, 10.313), (100, 90, 3.094), (30, 60, 8.932)]
)
def test_height_in_a_zenith_angle(slope: float, zenith: float, expected: float) -> None:
    """σ_z = σ_h·sin z / S for 1.5 mm. Derived."""
    assert abs(sight(slope, zenith)[0][1, 2]) * 1.5 * MM / ARCSEC == pytest.approx(expected, abs=6e-4)


# -- shared effects and the textbook rule ----------------------------------------------------------------------------

SHARED = {1: (1.7321, 2.4533), 2: (1.5811, 2.4514), 4: (1.5000, 2.4504), 10: (1.4491, 2.4499)}
TEXTBOOK = {1: (1.7321, 2.0047), 2: (1.2247, 1.4175), 4: (0.8660, 1.0023), 10: (0.5477, 0.6339)}


def three_marks(third: tuple[float, float], rounds: int) -> Plan:
    """B and A held 20 m apart, C unknown; instrument on A; everything centred to 1 mm, 1″, 1 mm."""
    p = Plan()
    p.support("tripod", centring=1 * MM)
    p.instrument(1.0, 1.0, 2**0.5 * MM)  # two faces: the mean of two distances has 1 mm
    p.target()
    b = p.mark("B", -20, 0, 0, sigma=(0.0, 0.0, INF))
    a = p.mark("A", 0, 0, 0, sigma=(0.0, 0.0, INF))
    c = p.mark("C", *third, 0)
    s = p.station(a)
    for m in (b, c):
        p.sight(s, p.prism(m), rounds, readings="ch" if m == c else "c")
    return p


@pytest.mark.parametrize("rounds", [1, 2, 4, 10])
def test_rounds_do_not_average_centring(rounds: int) -> None:
    """East is along, north across the line. Derived, and simulated against the truth."""
    for rule, table in (("shared", SHARED), ("independent", TEXTBOOK)):
        settings = Settings(correlation=rule)  # type: ignore[arg-type]
        a = adjusted(three_marks((20, 0), rounds).simulated(1), settings)
        found = (a.marks.sigma_east[2] / MM, a.marks.sigma_north[2] / MM)
        assert found == pytest.approx(table[rounds], abs=2e-4), rule


def test_the_limit_of_many_rounds() -> None:
    """√2·σ_c along; e_C + e_B − 2e_A makes √6·σ_c across. Derived; 40 rounds leave 1/40 of the readings' variance."""
    a = adjusted(three_marks((20, 0), 40).simulated(1))
    reading = 20_000 * ARCSEC  # mm: 1″ over 20 m
    # what was simulated lies 2 mm off the 20 m of the two legs: 1e-4 of the lever
    assert a.marks.sigma_east[2] / MM == pytest.approx((2 + 1 / 40) ** 0.5, abs=3e-4)
    assert a.marks.sigma_north[2] / MM == pytest.approx((6 + 2 * reading**2 / 40) ** 0.5, abs=3e-4)


def test_both_rules_at_a_right_angle() -> None:
    """C at (0, 20): one round, and the two rules agree; ten, and they don't. Derived."""
    for rounds, rule, north, east in (
        (1, "shared", 1.7321, 2.0047),
        (1, "independent", 1.7321, 2.0047),
        (10, "shared", 1.4491, 2.0005),
    ):
        a = adjusted(three_marks((0, 20), rounds).simulated(1), Settings(correlation=rule))  # type: ignore[arg-type]
        assert (a.marks.sigma_north[2] / MM, a.marks.sigma_east[2] / MM) == pytest.approx(
            (north, east), abs=2e-4
        )


@pytest.mark.parametrize(
    ("zenith", "height_mm", "rule", "expected"),
    [
        (90, 0.2, "shared", (1.1720, 1.2836, 0.2473)),
        (90, 0.2, "independent", (1.1720, 1.2836, 0.2473)),
        (70, 1.0, "shared", (1.1536, 1.2544, 1.0657)),
        (70, 1.0, "independent", (1.1536, 1.2544, 1.0657)),
        (70, 0.2, "shared", (1.1536, 1.2544, 0.4191)),
        (70, 0.2, "independent", (1.1222, 1.2027, 0.6115)),
    ],
)
def test_where_the_rules_are_equal(
    zenith: float, height_mm: float, rule: str, expected: tuple[float, ...]
) -> None:
    """One target setup seen once, 30 m: equal if level, or if height and centring are equally good. Derived.

    The azimuth is known: a thousand pointings in both faces at a backsight leave 1/1000 of one pointing's variance.
    """
    p = Plan()
    p.support("pillar")
    p.support("pole", centring=1 * MM, height=height_mm * MM)
    p.instrument(1.0, 1.0, 2**0.5 * MM)
    p.target()
    z = np.radians(zenith)
    a, b = p.held("A", 0, 0, 0), p.held("B", 0, 500, 0)
    c = p.mark("C", 18 * np.sin(z), 24 * np.sin(z), 30 * np.cos(z))
    s = p.station(a, 1.5)
    p.sight(s, p.prism(b, 1.5), faces=(1, 2) * 1000, readings="c")
    p.sight(s, p.prism(c, 1.5, support=1))
    r = adjusted(p.simulated(0), Settings(correlation=rule))  # type: ignore[arg-type]
    found = (r.marks.sigma_east[2], r.marks.sigma_north[2], r.marks.sigma_height[2])
    # simulated readings lie a millimetre off, which turns the line by 1e-4 and the split between axes with it
    assert np.array(found) / MM == pytest.approx(expected, abs=3e-4)


@pytest.mark.parametrize("rule", ["shared", "independent"])
def test_a_network_of_one_line_has_its_setups_too(rule: str) -> None:
    """One zenith angle (both faces) over 100 m, level, heights of both devices good to 3 mm: σ² = (D·σ_z)² + 2·σ_h². By hand."""
    p = Plan()
    p.support("stand", centring=2 * MM, height=3 * MM)
    p.instrument(zenith=1.0)
    p.target()
    a, b = p.held("A", 0, 0, 0), p.mark("B", 100, 0, 0, sigma=(0.0, 0.0, INF))
    p.sight(p.station(a, 1.5), p.prism(b, 1.5), readings="z")
    r = adjusted(p.simulated(1), Settings(correlation=rule))  # type: ignore[arg-type]
    wanted = ((100_000 * ARCSEC) ** 2 + 2 * 3.0**2) ** 0.5
    assert r.marks.sigma_height[1] / MM == pytest.approx(wanted, abs=1e-5)  # curvature: 1e-9 of it


def test_what_ends_at_a_mark_owes_nothing_to_setups() -> None:
    """Vectors from a held mark, to a mark and to a receiver above one: only the latter has a centring. By hand."""
    p = Plan()
    p.support("tripod", centring=5 * MM, height=3 * MM)
    p.instrument()
    p.target()
    a, c = p.held("A", 0, 0, 0), p.mark("C", 10, 40, 2)
    plain, under = p.mark("D", 0, 60, 3), p.mark("F", 30, 60, 3)
    covariance = np.diag([2.0, 3.0, 4.0]) ** 2 * MM**2
    p.vector(a, plain, covariance)
    p.vector(p.prism(a, 0.0), p.prism(under, 0.0), covariance, setups=True)
    s = p.station(p.held("E", 0, -50, 0), 1.6)
    p.sight(s, p.prism(a, 1.5))
    p.sight(s, p.prism(c, 1.5))
    network = p.simulated(2)
    r = adjusted(replace(network, vectors=network.vectors.replace(start_setup=[-1, -1])))
    for mark, wanted in (
        (plain, (2.0, 3.0, 4.0)),
        (under, ((4 + 25) ** 0.5, (9 + 25) ** 0.5, (16 + 9) ** 0.5)),
    ):
        found = (r.marks.sigma_east[mark], r.marks.sigma_north[mark], r.marks.sigma_height[mark])
        assert np.array(found) / MM == pytest.approx(wanted, abs=1e-3)

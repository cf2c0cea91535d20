"""The instrument, and from a sight to coordinates: numbers from the literature or derived by hand.

"Derived" means: from the geometry, and verified numerically by finite differences, simulation or an exact model.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, INF, MM, Plan, adjusted, one_setup

from hubtack.adjust.ground.instruments import angle_sigmas, distance_sigmas
from hubtack.adjust.model.frames import Plane
from hubtack.adjust.model.observations import KINDS
from hubtack.adjust.settings import EARTH_RADIUS

FLAT = Plane(1e15, 0.0, 1.0)  # no curvature worth the name: formulas of plane geometry
ROUND = Plane(EARTH_RADIUS, 0.0, 1.0)


# -- the instrument --------------------------------------------------------------------------------------------------


def test_sigmas_of_an_instrument() -> None:
    """1 mm + 1.5 ppm at 100 m: the plain sum (common practice). ISO 17123-3: one pointing in both faces (from memory)."""
    p = one_setup(1.0)
    p.instruments[0] |= {"distance": 1 * MM, "distance_ppm": 1.5e-6}
    tools = p.network().instruments
    one = np.zeros(1, int)
    sigma = distance_sigmas(tools, one, np.array([100.0]), np.array([False]), np.array([1]))
    assert sigma[0] / MM == pytest.approx(1.15, abs=1e-9)
    assert angle_sigmas(np.array([1.0, 1.0, 1.0]), np.array([1, 2, 8])) == pytest.approx([2**0.5, 1.0, 0.5])


def test_collimation_grows_with_steepness() -> None:
    """30″: 34.641016″ at a zenith angle of 60° (exact geometry the same to its digits), 60.0″ at 30°."""
    for zenith, expected in ((60.0, 34.641016), (30.0, 60.0)):
        z = np.radians(zenith)
        ray = FLAT.between_setups(np.zeros((1, 3)), 50 * np.array([[np.sin(z), 0.0, np.cos(z)]]))
        coefficient = KINDS["direction"].leans_on["collimation"]
        assert coefficient(ray, np.ones(1))[0] * 30 == pytest.approx(expected, abs=5e-7)
        assert coefficient(ray, np.zeros(1))[0] == 0.0  # both faces


def test_three_rounds() -> None:
    """Method of direction sets (surveying texts, from memory): means of centred rounds and their s."""
    rounds = [[0.0, 3.2, -1.1], [12.1, 14.6, 11.8], [-5.3, -1.7, -7.0]]  # ″
    p = Plan()
    p.support("pillar")
    p.instrument(1 / 2**0.5)  # one face: 1″
    p.target()
    p.mark("A", 0, 0, 0, sigma=(0.0, 0.0, INF))
    p.mark("T1", 0, 100, 0, sigma=(0.0, 0.0, INF))
    p.mark("T2", 100, 0, 0)
    p.mark("T3", -30, -80, 0)
    s = p.station(0)
    targets = [p.prism(m) for m in (1, 2, 3)]
    for r in (1, 2, 3):
        for t in targets:
            p.sight(s, t, faces=(1,), readings="ch" if r == 1 and t != targets[0] else "c", first_round=r)
    net = p.simulated(0)
    where = np.array(p.truth)[1:, :2]
    azimuth = np.arctan2(where[:, 0], where[:, 1])
    circle = np.array([a + x * ARCSEC for row in rounds for a, x in zip(azimuth, row, strict=True)])
    a = adjusted(replace(net, sights=net.sights.replace(circle=np.mod(circle, 2 * np.pi))))
    found = np.arctan2(a.marks.east[1:], a.marks.north[1:]) - azimuth
    assert (found - found[0]) / ARCSEC == pytest.approx([0.0, 3.1, -1.0333], abs=5e-5)
    assert a.degrees_of_freedom == 4  # (3 − 1)(3 − 1)
    assert a.global_test.variance_factor**0.5 == pytest.approx(0.63070, abs=5e-6)


# -- from sight to coordinates ---------------------------------------------------------------------------------------


def read(
    start: tuple[float, ...], end: tuple[float, ...], frame: Plane = ROUND, k: float = 0.13
) -> tuple[float, float]:
    """Zenith angle and slope distance between two device centres."""
    ray = frame.between_setups(np.array([start], float), np.array([end], float))
    bend = KINDS["zenith"].leans_on["refraction"](ray, np.zeros(1))[0]
    return float(KINDS["zenith"].value(ray)[0] + k * bend), float(KINDS["distance"].value(ray)[0])


@pytest.mark.parametrize(("length", "rise"), [(100.0, 0.6828), (300.0, 6.145), (1000.0, 68.278)])
def test_curvature_and_refraction(length: float, rise: float) -> None:
    """(1 − k)D²/2R for k 0.13: what a level line of sight rises over. All textbooks, from memory."""
    zenith, _ = read((0, 0, 0), (0, length, rise * MM))
    assert (zenith - np.pi / 2) * length / MM == pytest.approx(0.0, abs=6e-4)


def test_an_exact_circular_ray() -> None:
    """Arc 1000 m, rise 250 m: zenith angle and chord computed on exact circles, apart from these formulas.

    There the ray bends by k·S/2R along its chord, z 75.96791511°; here by k·θ/2, as a steep ray crosses the layers of
    air at less than a right angle. So the geometry is compared, and the bend by itself.
    """
    k, slope_there = 0.13, 1030.79543958
    geometric, slope = read((0, 0, 0), (600, 800, 250), k=0.0)
    assert np.degrees(geometric) == pytest.approx(
        75.96791511 + np.degrees(k * slope_there / (2 * EARTH_RADIUS)), abs=2e-8
    )
    assert slope == pytest.approx(slope_there, abs=5e-8)
    bent, _ = read((0, 0, 0), (600, 800, 250), k=k)
    assert geometric - bent == pytest.approx(k * 1000 / (2 * EARTH_RADIUS), rel=1e-9)


def circular_ray(arc: float, rise: float, k: float) -> tuple[float, float, float]:
    """Zenith angles (rad) at both ends and the chord (m), apart from the engine: points on circles about the centre of the
    earth, the ray a circle of radius R/k through both, concave downwards. Zenith angles by its tangents."""
    theta = arc / EARTH_RADIUS
    a = EARTH_RADIUS * np.array([0.0, 1.0])
    b = (EARTH_RADIUS + rise) * np.array([np.sin(theta), np.cos(theta)])
    chord = b - a
    length = float(np.hypot(*chord))
    bend = np.arcsin(k * length / (2.0 * EARTH_RADIUS))  # between chord and tangent
    there = np.arctan2(chord[0], chord[1]) - bend
    back = np.pi - (np.arctan2(chord[0], chord[1]) - theta) - bend
    return float(there), float(back), length


def reduced(zenith: float, slope: float, k: float = 0.13) -> tuple[float, float]:
    """D = S sin z − (1 − k/2)·S² sin z cos z/R and Δh = S cos z + (1 − k)(S sin z)²/2R. All textbooks, from memory."""
    across, up = slope * np.sin(zenith), slope * np.cos(zenith)
    return across - (1 - k / 2) * across * up / EARTH_RADIUS, up + (1 - k) * across**2 / (2 * EARTH_RADIUS)


def test_the_textbooks_reduction_of_a_circular_ray() -> None:
    """C4.2: 999.99993 m and 250.00032 m of 1000 and 250; 1000.0366 m without curvature and refraction. So much do the textbook's
    formulas leave of a ray that bends along its chord; of our readings, whose bend goes by the arc, they leave 0.01 mm."""
    zenith, _, slope = circular_ray(1000.0, 250.0, 0.13)
    assert (np.degrees(zenith), slope) == (
        pytest.approx(75.96791511, abs=5e-9),
        pytest.approx(1030.79543958, abs=5e-9),
    )
    assert reduced(zenith, slope) == (
        pytest.approx(999.99993, abs=5e-6),
        pytest.approx(250.00032, abs=5e-6),
    )
    assert slope * np.sin(zenith) == pytest.approx(1000.0366, abs=5e-5)
    assert reduced(*read((0, 0, 0), (600, 800, 250))) == (
        pytest.approx(1000.0, abs=1e-5),
        pytest.approx(250.0, abs=1e-5),
    )


def test_reciprocal_zenith_angles() -> None:
    """C4.3: k = 1 − (z_A + z_B − π)·R/s: 28.163″ of a circular ray give 0.1301 for 0.13, since it bends along its chord; half
    the difference gives 40.0000 m of 40. All textbooks, from memory. Ours, bent by the arc, gives 0.13 itself."""
    a, b, chord = circular_ray(1000.0, 40.0, 0.13)
    assert (a + b - np.pi) / ARCSEC == pytest.approx(28.163, abs=5e-4)
    assert 1 - (a + b - np.pi) * EARTH_RADIUS / 1000 == pytest.approx(0.1301, abs=5e-5)
    assert chord * np.sin((b - a) / 2) == pytest.approx(40.0, abs=5e-5)

    there, slope = read((0, 0, 0), (0, 1000, 40))
    back, _ = read((0, 1000, 40), (0, 0, 0))
    assert slope == pytest.approx(chord, abs=1e-8)
    assert 1 - (there + back - np.pi) * EARTH_RADIUS / 1000 == pytest.approx(0.13, abs=1e-8)
    # the mean vertical lies half-way: the rise is that of the chord to 40·θ²/24
    assert slope * np.sin((back - there) / 2) == pytest.approx(40.0, abs=5e-5)


def test_elevation_and_scale_factor() -> None:
    """R/(R + h) at 300 m and times 0.9996. Stem, NOAA Manual NOS NGS 5, quoted by State plane part 9 (POB)."""
    at = [(0.0, 0.0, 300.0)], [(0.0, 100.0, 300.0)]
    for scale, expected in ((1.0, 0.9999529138), (0.9996, 0.9995529327)):
        ray = Plane(EARTH_RADIUS, 0.0, scale).between_setups(np.array(at[0]), np.array(at[1]))
        assert 100.0 / ray.level[0] == pytest.approx(expected, abs=5e-11)

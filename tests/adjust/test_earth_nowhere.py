"""Coordinates that lie nowhere, off the geoid that is known, or nowhere in particular: refused by name, or taken as said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import MM, NAN, Plan, adjusted
from tests.adjust.test_earth_frame import UTM32, site
from tests.adjust.test_plan import weir

from hubtack.adjust import Settings, adjust
from hubtack.adjust.earth.ellipsoid import GRS80
from hubtack.adjust.earth.gravity import Lattice
from hubtack.adjust.model.earth import Earth, EarthPlaces, site_horizon
from hubtack.adjust.model.frames import Ends, frame_of
from hubtack.adjust.outcome.scale import scale_test
from hubtack.adjust.trouble import Undetermined

EARTH = Settings(frame="earth", chart=UTM32)
POLE = 9_997_964.0  # m along the meridian: a place beyond has none on this side


def frame(gravity: Lattice | None = None) -> Earth:
    names = np.array(["A", "B", "C"], dtype=object)
    return Earth(UTM32, gravity, gravity is not None, 0.0, np.full((3, 3), NAN), names)


def test_a_held_mark_beyond_the_pole_is_named() -> None:
    """Its north was typed a digit too long."""
    p = site(200.0, 5.0)
    p.truth[3] = (p.truth[3][0], 10.0 * p.truth[3][1], p.truth[3][2])
    with pytest.raises(Undetermined) as caught:
        adjust(p.network(), EARTH)
    (trouble,) = caught.value.troubles
    assert (trouble.code, trouble.marks) == ("NET321", ("K3",))
    assert trouble.text == "The coordinates of K3 have no place on the earth in UTM 32."


def test_a_point_tried_nowhere_is_taken_in_the_middle_of_the_others() -> None:
    """So a hypothesis that throws a mark off the earth fits nothing, and raises nothing."""
    at = np.array([[500e3, 5_200e3, 400.0], [500.4e3, 5_200.2e3, 420.0], [500e3, 1.2 * POLE, 400.0]])
    places: EarthPlaces = frame().places(at)
    latitude, longitude = UTM32.geodetic(
        at[:2, :1].mean(keepdims=True)[0], at[:2, 1:2].mean(keepdims=True)[0]
    )
    middle = GRS80.geocentric(latitude, longitude, np.array([400.0]))
    assert places.xyz[2] == pytest.approx(middle[0], abs=1e-6)
    alone = frame().places(np.where(np.arange(3)[:, None] < 2, at, NAN))
    assert np.array_equal(places.xyz[:2], alone.xyz[:2])
    assert np.isnan(alone.xyz[2]).all()


def test_off_the_geoid_that_is_known_its_mean_is_taken() -> None:
    """Two points on a lattice of N = 47 and 49 m, one beyond: 48 m, until the final check refuses it by name."""
    latitude, longitude = UTM32.geodetic(np.array([500e3]), np.array([5_200e3]))
    step = 0.002
    values = np.zeros((2, 2, 3))
    values[0, :, 0], values[1, :, 0] = 47.0, 49.0
    lattice = Lattice(float(latitude[0]), float(longitude[0]), step, step, values)
    inside = UTM32.grid(latitude + np.array([0.0, step]), longitude + 0.5 * step)
    at = np.column_stack([*inside, [400.0, 400.0]])
    at = np.vstack([at, [700e3, 5_400e3, 400.0]])
    earth = frame(lattice)
    assert earth.places(at).undulation == pytest.approx([47.0, 49.0, 48.0], abs=1e-6)
    with pytest.raises(Undetermined) as caught:
        earth.check(at, np.zeros(3, bool))
    assert caught.value.troubles[0].marks == ("C",)


def test_a_horizon_needs_a_place() -> None:
    marks = site(200.0, 5.0).network().marks
    blank = np.full(len(marks), NAN)
    assert site_horizon(UTM32, marks.replace(east=blank, north=blank)) is None
    assert site_horizon(UTM32, marks) is not None


def test_vectors_alone_around_a_start_value() -> None:
    """Three sides of a triangle of 8 km, nothing held: their lengths, made by Pythagoras from X, Y, Z, come out wherever the
    one start value puts them."""
    names = {"A": (520e3, 5_205e3, 420.0), "B": (524e3, 5_211e3, 900.0), "C": (527e3, 5_204e3, 650.0)}
    p = Plan()
    for name, place in names.items():
        p.mark(name, *place, known=name == "A")
    for a, b in ((0, 1), (1, 2), (2, 0)):
        p.vector(a, b, np.eye(3) * MM**2)
    net = p.network()
    true = GRS80.geocentric(*UTM32.geodetic(*np.array(p.truth)[:, :2].T), np.array(p.truth)[:, 2])
    v = net.vectors
    made = v.replace(difference=true[v.end_mark] - true[v.start_mark], geocentric=np.ones(3, bool))
    a = adjusted(replace(net, vectors=made), EARTH)
    assert a.datum == ("east", "north", "height")
    assert a.solved is not None
    xyz = a.solved.state.places.xyz
    for i, j in ((0, 1), (1, 2), (2, 0)):
        assert np.linalg.norm(xyz[i] - xyz[j]) == pytest.approx(np.linalg.norm(true[i] - true[j]), abs=1e-6)


def test_control_that_leaves_the_scale_to_the_distances_can_not_judge_it() -> None:
    """Without control any factor fits the distances as well as any other; two held marks 80 m apart tell."""
    settings = Settings(scale_factor=0.9996)
    p = weir()
    held = scale_test(adjust(p.simulated(1, settings), settings))
    assert held is not None
    assert held.declared == pytest.approx(-0.0004, abs=1e-9)
    assert held.sigma < 1e-4
    p.sigma, p.known = [(np.inf,) * 3] * 6, [True] * 6
    for row in p.sights:
        row |= {"zenith": NAN, "slope": NAN, "horizontal": 0.0}
    assert scale_test(adjust(p.simulated(1, settings), settings)) is None


def test_a_plane_has_no_lines_of_the_ellipsoid() -> None:
    ends = Ends(np.array([0]), np.zeros((1, 3)), np.zeros((1, 3)))
    plane = frame_of(site(200.0, 5.0).network(), Settings())
    with pytest.raises(ValueError, match="a plane has no geodetic lines"):
        plane.ray("geodetic", ends, ends, plane.places(np.zeros((1, 3))))

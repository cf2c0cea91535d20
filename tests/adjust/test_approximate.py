"""Constructions of points against textbook values and against random truths."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from hubtack.adjust.model.approximate.consensus import Frame, orient, place
from hubtack.adjust.model.approximate.constructions import (
    Point,
    angle_and_distance,
    azimuth,
    intersection,
    polar,
    ray_and_distance,
    resection,
    similarity,
    two_distances,
)
from hubtack.adjust.model.approximate.frames import best_similarity
from hubtack.adjust.model.approximate.readings import Lengths, Rays, index, mode_of_angles

coordinate = st.floats(-500.0, 500.0, allow_nan=False)
point = st.tuples(coordinate, coordinate)


def apart(p: Point, q: Point) -> float:
    return math.hypot(p[0] - q[0], p[1] - q[1])


def nearest(points: tuple[Point, ...], truth: Point) -> float:
    return min(apart(p, truth) for p in points)


def test_constructions_textbook() -> None:
    """Check values of surveying textbooks, from memory."""
    point = intersection((0.0, 0.0), math.radians(29.74488130), (100.0, 0.0), math.radians(319.39870536))
    assert point == pytest.approx((40.0, 70.0), abs=1e-6)
    first, second = math.radians(52.41783720), math.radians(46.94005782)
    point = resection([(0.0, 0.0), (200.0, 30.0), (350.0, -60.0)], [1.0, 1.0 + first, 1.0 + first + second])
    assert point == pytest.approx((160.0, -180.0), abs=1e-6)
    local = [(10.0, 0.0), (0.0, 20.0), (-15.0, 5.0)]
    kappa = 1.0002 * complex(math.cos(math.pi / 6), -math.sin(math.pi / 6))  # 30 degrees clockwise
    world = [((z := kappa * complex(*p) + complex(500, 800)).real, z.imag) for p in local]
    found, shift = similarity(local, world)
    assert abs(found - kappa) < 1e-12
    assert abs(shift - complex(500, 800)) < 1e-9


def test_resection_refuses_danger_circle() -> None:
    """On the circle through the three marks every point sees the same angles."""
    marks = [(100 * math.sin(a), 100 * math.cos(a)) for a in (0.3, 1.9, 2.8)]
    on = (100 * math.sin(4.6), 100 * math.cos(4.6))
    assert resection(marks, [azimuth(on, m) for m in marks]) is None
    off = (140 * math.sin(4.6), 140 * math.cos(4.6))
    assert resection(marks, [azimuth(off, m) for m in marks]) == pytest.approx(off, abs=1e-6)


def test_two_distances_two_points() -> None:
    left, right = two_distances((0.0, 0.0), 50.0, (0.0, 60.0), math.hypot(40.0, 30.0))
    assert sorted([left, right]) == [pytest.approx((-40.0, 30.0)), pytest.approx((40.0, 30.0))]


@given(point, point, point)
def test_intersection_finds_the_mark(a: Point, b: Point, mark: Point) -> None:
    """Any well-cut pair of rays meets where the mark is; behind an end of a ray nothing is found."""
    assume(min(apart(a, b), apart(a, mark), apart(b, mark)) > 1.0)
    cut = math.sin(azimuth(a, mark) - azimuth(b, mark))
    found = intersection(a, azimuth(a, mark), b, azimuth(b, mark))
    if abs(cut) > 0.06:
        assert found is not None
        assert apart(found, mark) < 1e-6
        assert intersection(a, azimuth(mark, a), b, azimuth(b, mark)) is None
    elif abs(cut) < 0.04:
        assert found is None


@given(point, point, point)
def test_two_solutions_hold_the_mark(a: Point, b: Point, mark: Point) -> None:
    """Distances, a ray and a distance, an angle and a distance: the mark is among the one or two answers."""
    assume(min(apart(a, b), apart(a, mark), apart(b, mark)) > 5.0)
    # Where circle and line touch, the answers are ill-determined: the root of a small number.
    assume(abs(math.sin(azimuth(a, mark) - azimuth(b, mark))) > 0.02)
    assume(abs(math.sin(azimuth(a, mark) - azimuth(a, b))) > 0.02)
    assume(abs(math.cos(azimuth(b, mark) - azimuth(b, a))) > 0.02)
    assert nearest(two_distances(a, apart(a, mark), b, apart(b, mark)), mark) < 1e-5
    assert nearest(ray_and_distance(a, azimuth(a, mark), b, apart(b, mark)), mark) < 1e-5
    angle = azimuth(mark, b) - azimuth(mark, a)
    assert nearest(angle_and_distance(a, apart(a, mark), b, angle), mark) < 1e-5


@given(point, point, point, point, st.floats(-10.0, 10.0))
def test_resection_finds_the_instrument(a: Point, b: Point, c: Point, at: Point, turn: float) -> None:
    """From exact directions, whatever the orientation, the instrument is found or refused, never
    misplaced.
    """
    assume(min(apart(p, q) for p in (a, b, c) for q in (at, *(r for r in (a, b, c) if r is not p))) > 5.0)
    found = resection((a, b, c), [azimuth(at, p) + turn for p in (a, b, c)])
    # A sight along a line through two of the marks is a circle of endless radius: good to centimetres only.
    sines = [abs(math.sin(azimuth(at, p) - azimuth(at, q))) for p, q in ((a, b), (b, c))]
    if found is not None and min(sines) > 1e-3:
        assert apart(found, at) < 1e-3


@given(st.lists(point, min_size=3, max_size=8), st.floats(-3.0, 3.0), point)
def test_similarity_survives_one_wrong_point(points: list[Point], turn: float, shift: Point) -> None:
    """Turned and shifted points are brought back although one of five or more is wrong by 100 m."""
    assume(min(apart(p, q) for i, p in enumerate(points) for q in points[:i]) > 20.0)
    kappa = complex(math.cos(turn), math.sin(turn))
    world = [((z := kappa * complex(*p) + complex(*shift)).real, z.imag) for p in points]
    if len(points) >= 5:
        world[2] = (world[2][0] + 100.0, world[2][1])
    found, moved, count = best_similarity(points, world, scaled=False)
    assert abs(found - kappa) < 1e-6
    assert abs(moved - complex(*shift)) < 1e-3
    assert count == len(points) - (len(points) >= 5)


def test_mode_of_angles_crosses_zero() -> None:
    middle, count = mode_of_angles([6.283, 0.001, 3.0, -0.001], 0.004)
    assert count == 3
    assert abs(middle) < 0.001


def test_consensus_outvotes_wrong_lengths() -> None:
    """Five known points, each with a ray and a length; two lengths and a ray are wrong."""
    mark, known = (40.0, 55.0), [(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0), (50.0, -20.0)]
    rays, lengths = Rays(), Lengths()
    for k, p in enumerate(known):
        rays.add(k, 5, k + 1, azimuth(p, mark) + (0.5 if k == 3 else 0.0), 0.004, [k])
        lengths.add(k, 5, apart(p, mark) + (10.0 if k in (0, 1) else 0.0), 0.2, [5 + k])
    readings = index(6, rays, lengths, [-1, 0, 1, 2, 3, 4])
    frame = Frame([*known, None], [0.0] * 6, [True] * 5 + [False])
    found = place(readings, frame, 5)
    assert found is not None
    assert apart(found.point, mark) < 1e-6
    assert (found.support, found.against) == (7, 3)
    assert found.confirmed


def test_orientation_outvotes_wrong_direction() -> None:
    known = [(0.0, 0.0), (100.0, 10.0), (-30.0, 80.0), (20.0, -90.0)]
    rays = Rays()
    for k in (1, 2, 3):
        rays.add(0, k, 1, azimuth(known[0], known[k]) - 1.25 + (0.1 if k == 1 else 0.0), 0.004, [k])
    readings = index(4, rays, Lengths(), [-1, 0])
    found = orient(readings, Frame(list(known), [0.0, None], [True] * 4), 1)
    assert found is not None
    assert found[0] == pytest.approx(1.25, abs=1e-9)
    assert found[1:] == (2, 1)


def test_two_lengths_leave_two_places() -> None:
    lengths = Lengths()
    lengths.add(0, 2, 50.0, 0.2, [0])
    lengths.add(1, 2, 50.0, 0.2, [1])
    frame = Frame([(0.0, 0.0), (60.0, 0.0), None], [0.0], [True, True, False])
    found = place(index(3, Rays(), lengths, [-1]), frame, 2)
    assert found is not None
    assert found.rival is not None
    assert {round(found.point[1]), round(found.rival[1])} == {40, -40}
    assert not found.confirmed


def test_polar_is_the_inverse_of_azimuth() -> None:
    a, b = (3.0, 4.0), (-20.0, 7.0)
    assert polar(a, azimuth(a, b), apart(a, b)) == pytest.approx(b)

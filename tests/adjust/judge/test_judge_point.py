"""The robust point, exact signatures of far displacements, digits exchanged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import Plan

from hubtack.adjust import Network, adjust
from hubtack.adjust.judge.bend import bent
from hubtack.adjust.judge.point import Point, find_point
from hubtack.adjust.judge.written import Written, angle_swaps, length_swaps


def ladder() -> tuple[Network, np.ndarray]:
    """A fish ladder: four held marks, three new ones, stations on three, poles set anew."""
    plan = Plan()
    pole = plan.support("pole", 0.001, 0.001, kind="pole", height_kind="graduated")
    plan.instrument()
    plan.target()
    corners = ((0, 0, 10), (50, 0, 12), (50, 40, 11), (0, 40, 13))
    marks = [plan.held(f"H{i}", *(float(v) for v in c)) for i, c in enumerate(corners)]
    marks += [plan.mark(f"N{i}", 15.0 + 10 * i, 12.0 + 9 * i, 10.0 + i) for i in range(3)]
    for at in (marks[0], marks[2], marks[5]):
        station = plan.station(at, 1.6, pole)
        for to in marks:
            if to != at:
                plan.sight(station, plan.prism(to, 1.5, pole))
    return plan.simulated(5), np.array(plan.truth)


def point_of(network: Network) -> Point:
    solved = adjust(network).solved
    assert solved is not None
    return find_point(solved)


def test_small_errors_are_judged_at_the_solution() -> None:
    network, _ = ladder()
    point = point_of(network)
    assert not point.robust
    assert np.array_equal(point.x, point.solved.solution.x)


@pytest.mark.parametrize("size", [0.1, 1.3, 4.0])
def test_a_wrong_height_does_not_bend_the_robust_point(size: float) -> None:
    network, truth = ladder()
    height = network.setups.height.copy()
    height[2] += size
    wrong = replace(network, setups=network.setups.replace(height=height))
    point = point_of(wrong)
    assert point.robust
    # a millimetre of centring and of height at each setup, so a few of them in a mark
    assert np.abs(point.state.coordinates - truth).max() < 0.004
    adjusted = adjust(wrong)
    gap = max(
        float(np.abs(getattr(adjusted.marks, a) - truth[:, k]).max())
        for k, a in enumerate(("east", "north", "height"))
    )
    assert gap > 3.0 * np.abs(point.state.coordinates - truth).max(), "the least-squares solution is bent"


def test_residuals_at_the_robust_point_are_those_of_least_squares() -> None:
    """AᵀMl = 0 there too."""
    network, _ = ladder()
    slope = network.sights.slope.copy()
    slope[3] += 1.0
    point = point_of(replace(network, sights=network.sights.replace(slope=slope)))
    assert point.robust
    A = np.vstack([r.times(np.eye(point.unknowns.n)) for r in point.rows])
    scale = np.abs(A).T @ np.abs(point.misclosure)
    assert np.all(np.abs(A.T @ point.misclosure) < 1e-9 * scale)


def test_bent_signature_is_exact_for_its_displacement_and_tangent_about_it() -> None:
    network, _ = ladder()
    point = point_of(network)
    columns = [int(c) for c in point.wide.unknowns.effects[2]]
    move = np.array([0.8, -1.1, 0.4])
    row, value, column = bent(point, columns, move)
    C = np.zeros((len(point.misclosure), 3))
    np.add.at(C, (row, column), value)
    there, _ = point.displaced(columns, move)
    assert C @ move == pytest.approx(there, abs=1e-6 * float(np.abs(there).max()))
    for k in range(3):  # across the way, the derivative there
        step = np.eye(3)[k] * 1e-4
        across = step - move * (move @ step) / (move @ move)
        ahead, _ = point.displaced(columns, move + across)
        assert C @ across == pytest.approx(ahead - there, abs=2e-4 * float(np.abs(ahead - there).max()))


def test_digits_of_a_height() -> None:
    assert 1.532 in [round(v, 6) for v in length_swaps(1.352, Written())]
    assert [round(v, 6) for v in length_swaps(1.5, Written())] == [
        5.1,
        1.05,
    ]  # 1.500 has two pairs of unlike digits
    feet = length_swaps(5.21 * 0.3048, Written(length=0.3048))
    assert any(abs(v - 5.12 * 0.3048) < 1e-9 for v in feet)


def test_digits_of_an_angle_stay_within_their_field() -> None:
    angle = np.radians(123 + 45 / 60 + 6.7 / 3600)
    swapped = np.degrees(angle_swaps(angle, Written()))
    expected = [213 + 45 / 60, 132 + 45 / 60, 123 + 54 / 60]
    for value, seconds in zip(expected, (6.7, 6.7, 6.7), strict=True):
        assert np.abs(swapped - (value + seconds / 3600)).min() < 1e-9
    assert np.all(swapped < 360.0)
    gon = np.array(angle_swaps(100.6366 * np.pi / 200, Written(angle="gon"))) * 200 / np.pi
    assert sorted(gon.tolist()) == pytest.approx([10.6366, 100.3666, 100.6636, 106.0366])

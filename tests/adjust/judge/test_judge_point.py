"""The robust point, exact signatures of far displacements, digits exchanged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import Plan

from hubtack.adjust import Network, adjust
from hubtack.adjust.judge.bend import bent
from hubtack.adjust.judge.point import Point, find_point
from hubtack.adjust.judge.statistics import fitted
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


@pytest.mark.parametrize(
    ("reading", "wrong", "robust"),
    [("slope", 0.006, False), ("slope", 0.1, True), ("circle", 0.00015, False), ("circle", 0.003, True)],
)
def test_where_no_setup_gives_way_the_residuals_say_that_an_error_is_gross(
    reading: str, wrong: float, robust: bool
) -> None:
    """Held marks, setups without error: a distance wrong by 6 mm or 0.1 m; a circle by as much at 40 m."""
    plan = Plan()
    pillar = plan.support("pillar")
    plan.instrument()
    plan.target()
    corners = ((0, 0, 10), (50, 0, 12), (50, 40, 11), (0, 40, 13))
    marks = [plan.held(f"H{i}", *(float(v) for v in c)) for i, c in enumerate(corners)]
    for at in marks:
        station = plan.station(at, 1.6, pillar)
        for to in marks:
            if to != at:
                plan.sight(station, plan.prism(to, 1.5, pillar))
    network = plan.simulated(5)
    values = getattr(network.sights, reading).copy()
    values[:2] += wrong  # both faces
    point = point_of(replace(network, sights=network.sights.replace(**{reading: values})))
    assert np.abs(point.misclosure).max() > 5.0
    assert point.robust == robust


def dense(point: Point) -> tuple[np.ndarray, np.ndarray]:
    A = np.vstack([r.times(np.eye(point.unknowns.n)) for r in point.rows])
    return A, np.concatenate([r.misclosure for r in point.rows])


@pytest.mark.parametrize("wrong", [0.0, 1.0])
def test_how_far_the_unknowns_move_if_a_reading_is_wrong(wrong: float) -> None:
    """Against least squares with the error of the reading as one unknown more, from where the network was linearised."""
    network, _ = ladder()
    slope = network.sights.slope.copy()
    slope[3] += wrong
    point = point_of(replace(network, sights=network.sights.replace(slope=slope)))
    assert point.robust == bool(wrong)
    row, entry, value = point.whiten(np.array([5]))
    _, size, moved = fitted(point, row, value, entry)
    A, raw = dense(point)
    C = np.zeros((len(raw), 1))
    C[row, entry] = value
    x = np.linalg.lstsq(np.hstack([A, C]), raw if wrong else point.misclosure, rcond=None)[0]
    assert size == pytest.approx(x[-1:], rel=1e-6)
    assert moved == pytest.approx(x[:-1], abs=1e-6 * float(np.abs(x[:-1]).max()))


def lone_and_shared() -> Network:
    """Everything held and good to nothing: poles of their own, and two on one base; four stations, two on one base."""
    plan = Plan()
    pole = plan.support("pole")
    plan.instrument()
    plan.target()
    corners = ((0, 0, 10), (50, 0, 12), (50, 40, 11), (0, 40, 13))
    marks = [plan.held(f"H{i}", *(float(v) for v in c)) for i, c in enumerate(corners)]
    new = plan.mark("N", 20.0, 15.0, 10.0)
    shared = [plan.prism(new, 1.5, pole, base=0, height_base=0) for _ in range(2)]
    for k, at in enumerate(marks):
        more = {"base": 1, "height_base": 1} if k < 2 else {}
        station = plan.station(at, 1.6, pole, **more)
        for target in (*shared, plan.prism(marks[(k + 1) % 4], 1.5, pole)):
            plan.sight(station, target)
    left_out = plan.prism(marks[3], 1.7, pole)
    plan.sight(plan.station(new, 1.6, pole), left_out)
    network = plan.simulated(5)
    used = ~np.isin(network.sights.end, left_out)
    return replace(network, sights=network.sights.replace(used=used))


def test_everything_that_is_held_has_one_signature() -> None:
    """What a base shares counts once, what stands alone for itself; the signature is the gradient at all ends that move."""
    network = lone_and_shared()
    point = point_of(network)
    obs = point.solved.obs
    used = np.flatnonzero(obs.used)
    assert np.array_equal(point.place < 0, ~obs.used)
    assert np.array_equal(np.isnan(point.sigma), ~obs.used)
    met = set(np.concatenate([obs.start_setup[used], obs.end_setup[used]]).tolist())
    for axis, groups in ((0, network.setups.base), (1, network.setups.base), (2, network.setups.height_base)):
        owners = [e.row for e in point.extras if e.kind == "effect" and e.axis == axis]
        alone = [s for s in np.flatnonzero(groups < 0).tolist() if s in met]
        firsts = [int(np.flatnonzero(groups == g)[0]) for g in (0, 1)]
        assert sorted(owners) == sorted(alone + firsts)
    at = {end: point.solved.equations.gradients(point.x, np.arange(len(obs))) for end in ("start", "end")}
    seen = 0
    for k, extra in enumerate(point.extras):
        if extra.kind != "effect":
            continue
        group = network.setups.height_base if extra.axis == 2 else network.setups.base
        members = (
            np.flatnonzero(group == group[extra.row]) if group[extra.row] >= 0 else np.array([extra.row])
        )
        wanted = np.zeros(len(obs))
        for end, setup in (("start", obs.start_setup), ("end", obs.end_setup)):
            wanted += np.where(np.isin(setup, members), at[end][end][:, extra.axis], 0.0)
        found = np.zeros(len(point.misclosure))
        row, value = point.extra(k)
        np.add.at(found, row, value)
        # `gradients` leaves out how refraction grows with the line: k/2R, 1e-8 rad a metre
        assert found[point.place[used]] * point.sigma[used] == pytest.approx(wanted[used], abs=2e-8)
        seen += bool(np.any(wanted))
    assert seen > 20
    assert len(met) == len(network.setups) - 2  # a sight that is left out has no signature


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

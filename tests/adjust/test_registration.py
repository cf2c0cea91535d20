"""Registration of scans: check value C11.1, Fitzpatrick's formula, scipy as judge of rotations and fits, coverage by chance."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from hubtack.adjust import adjust
from hubtack.adjust.estimate.quantiles import chi2_quantile
from hubtack.adjust.ground.table import Floats
from hubtack.adjust.outcome.joint import centre_covariance, mark_covariance, point_covariance
from hubtack.adjust.registration.fit import fit
from hubtack.adjust.registration.more import Places, rank_places
from hubtack.adjust.registration.predict import Prediction, predict, unseen
from hubtack.adjust.registration.rigid import aligned, beyond, motion_jacobian, quaternion, rotation
from hubtack.adjust.registration.story import box_of, register
from hubtack.adjust.registration.targets import Targets, standing, targets_of
from hubtack.adjust.results import Adjustment
from hubtack.adjust.trouble import Undetermined
from hubtack.io.job import read_job

HALL = Path(__file__).parents[2] / "sample_networks" / "free-stations"
SQUARE = np.array([(0.0, 0.0, 0.0), (10.0, 0.0, 1.0), (10.0, 8.0, 0.0), (0.0, 8.0, 2.0)])


def targets(points: Floats, covariance: Floats | None = None, scan: float = 2e-3 / np.sqrt(3.0)) -> Targets:
    n = len(points)
    names = np.array([f"T{i}" for i in range(n)], dtype=object)
    kinds = np.array(["ball" if i % 2 else "board" for i in range(n)], dtype=object)
    C = np.zeros((3 * n, 3 * n)) if covariance is None else covariance
    return Targets(
        names, kinds, np.arange(n), np.full(n, -1), points, points - [0, 0, 0.1], C, np.full(n, scan)
    )


def spread(n: int, rng: np.random.Generator) -> Floats:
    return np.asarray(rng.uniform(-1.0, 1.0, (n, 3)) * [20.0, 12.0, 4.0] + [1270.0, 3605.0, 31.0])


def common(n: int, rng: np.random.Generator, size: float = 1e-3) -> Floats:
    """A covariance (3n, 3n) with strong common errors, as a network has them."""
    A = rng.normal(0.0, size, (3 * n, 5))
    return np.asarray(A @ A.T + np.diag(rng.uniform(0.2, 1.0, 3 * n) * size**2))


def scanned(y: Floats, rng: np.random.Generator, sigma: float = 2e-3) -> Floats:
    R = Rotation.random(random_state=int(rng.integers(1 << 30))).as_matrix()
    return np.asarray((y + rng.normal(0.0, sigma, y.shape) - [1200.0, 3500.0, 0.0]) @ R)


@pytest.fixture(scope="module")
def hall() -> Adjustment:
    job = read_job(HALL)
    return adjust(job.network, job.settings)


# -- the predicted error -----------------------------------------------------------------------------------------


def test_check_value_c11_1() -> None:
    """Fitzpatrick, West, Maurer 1998, eq. 46, with F = 2 mm of root mean square length; printed to 0.1 µm."""
    points = np.array([(5, 4, 0.75), (10, 8, 0), (30, 4, 1), (60, 4, 1)], dtype=float)
    found = 1e3 * np.sqrt(np.trace(predict(targets(SQUARE)).covariance(points), axis1=1, axis2=2))
    assert found == pytest.approx([1.0000, 1.4129, 3.7717, 8.0612], abs=5e-5)
    line = np.array([(0, 0, 0), (10, 0.3, 0), (20, -0.2, 0.1), (30, 0, 0)], dtype=float)
    p = predict(targets(line))
    assert p.narrow
    assert not predict(targets(SQUARE)).narrow
    found = 1e3 * np.sqrt(np.trace(p.covariance(np.array([(15.0, 5.0, 0.0)]))[0]))
    assert found == pytest.approx(16.479, abs=5e-4)


def test_equal_sigmas_give_the_closed_formula_anywhere() -> None:
    """σ²(p) = (F²/N)(1 + ⅓ Σ d_k²/f_k²): distances from principal axes, no least squares in it."""
    rng = np.random.default_rng(1)
    for n in (3, 4, 9):
        y = spread(n, rng)
        points = spread(5, rng) * 1.1
        _, _, axes = np.linalg.svd(y - y.mean(axis=0))
        away = {}
        for name, p in (("points", points), ("targets", y)):
            r = p - y.mean(axis=0)
            away[name] = np.stack([np.sum(r**2, axis=1) - (r @ a) ** 2 for a in axes])
        f2 = away["targets"].mean(axis=1)
        expected = 4e-6 / n * (1.0 + np.sum(away["points"] / f2[:, None], axis=0) / 3.0)
        found = np.trace(predict(targets(y)).covariance(points), axis1=1, axis2=2)
        assert found == pytest.approx(expected, rel=1e-9)


def test_the_jacobian_is_that_of_the_exact_motion() -> None:
    rng = np.random.default_rng(2)
    points, origin = spread(4, rng), np.array([1260.0, 3600.0, 30.0])
    J = motion_jacobian(points, origin, scale=True)

    def moved(theta: Floats) -> Floats:
        R = Rotation.from_rotvec(theta[3:6]).as_matrix()
        return np.asarray(origin + theta[:3] + (1.0 + theta[6]) * (points - origin) @ R.T)

    for k in range(7):
        step = np.zeros(7)
        step[k] = 1e-6
        assert J[:, :, k] == pytest.approx((moved(step) - moved(-step)) / 2e-6, abs=1e-6)


def test_the_predicted_ellipsoid_holds_the_error_of_the_cloud() -> None:
    """Both errors drawn from what is stated, the cloud laid on the targets, a far point looked at: 95 % within, 1500 times.

    Three standard errors of a share of 0.95 in 1500 trials are 0.0169.
    """
    rng = np.random.default_rng(3)
    y = spread(6, rng)
    C = common(6, rng)
    t = targets(y, C)
    p = predict(t)
    far = np.array([[1330.0, 3640.0, 36.0]])
    L = np.linalg.cholesky(C)
    G = p.cofactor @ p.jacobian.T @ p.weight
    R0 = Rotation.random(random_state=4).as_matrix()
    for equal in (False, True):
        Q = p.covariance(far, equal)[0]
        inside = trials = 0
        for _ in range(1500):
            site = y + (L @ rng.standard_normal(18)).reshape(-1, 3)
            scanner = (y + rng.normal(0.0, t.scan_sigma[0], (6, 3))) @ R0
            if equal:
                R, shift = aligned(scanner, site)
                error = far[0] @ R0 @ R.T + shift - far[0]
            else:
                R, shift = aligned(scanner, site)
                for _ in range(2):  # two steps from there settle to 1e-9
                    theta = G @ (site - scanner @ R.T - shift).reshape(-1)
                    turn = rotation(theta[3:])
                    R, shift = turn @ R, p.origin + theta[:3] + turn @ (shift - p.origin)
                error = far[0] @ R0 @ R.T + shift - far[0]
            inside += error @ np.linalg.solve(Q, error) <= chi2_quantile(0.95, 3)
            trials += 1
        assert inside / trials == pytest.approx(0.95, abs=0.0169)


def test_equal_weights_are_never_better() -> None:
    rng = np.random.default_rng(5)
    for n in (3, 5, 12):
        p = predict(targets(spread(n, rng), common(n, rng)))
        values = np.linalg.eigvalsh(p.equal_cofactor - p.cofactor)
        assert values.min() > -1e-12


def test_common_errors_of_the_targets_do_not_average_out() -> None:
    """A shift common to all targets stands in the cloud in full, however many there are: the cross terms say so."""
    rng = np.random.default_rng(6)
    n = 40
    shared = np.tile(np.eye(3), (n, n)) * (3e-3) ** 2
    p = predict(targets(spread(n, rng), shared, scan=1e-4))
    assert np.diagonal(p.covariance(p.origin[None])[0]) == pytest.approx(9e-6, rel=0.01)


def test_too_few_targets_and_targets_on_a_line_are_refused() -> None:
    with pytest.raises(Undetermined, match="2 targets"):
        predict(targets(SQUARE[:2]))
    line = np.outer(np.arange(5.0), [3.0, 4.0, 0.1])
    with pytest.raises(Undetermined, match="one line"):
        predict(targets(line))


def test_how_far_outside_the_targets() -> None:
    """Against points sampled densely along the edges of scipy's hull."""
    from scipy.spatial import ConvexHull, Delaunay

    rng = np.random.default_rng(7)
    y = spread(9, rng)
    points = y.mean(axis=0) + rng.uniform(-40, 40, (60, 3)) * [1, 1, 0]
    hull = ConvexHull(y[:, :2])
    edges = np.concatenate([np.linspace(y[a, :2], y[b, :2], 4001) for a, b in hull.simplices])
    away = np.linalg.norm(points[:, None, :2] - edges, axis=2).min(axis=1)
    inside = Delaunay(y[:, :2]).find_simplex(points[:, :2]) >= 0
    assert beyond(points, y) == pytest.approx(np.where(inside, 0.0, away), abs=1e-2)
    above = y.mean(axis=0) + np.array([0, 0, 100.0])
    assert beyond(above[None], y)[0] == pytest.approx(above[2] - y[:, 2].max())


# -- the fit -----------------------------------------------------------------------------------------------------


def test_any_rotation_is_found_as_scipy_finds_it() -> None:
    rng = np.random.default_rng(8)
    for k in range(20):
        R0 = Rotation.random(random_state=k)
        x = rng.normal(0.0, 10.0, (5, 3))
        y = R0.apply(x) + np.array([5.0, 6.0, 7.0]) + rng.normal(0.0, 0.02, (5, 3))
        w = rng.uniform(0.5, 2.0, 5)
        middle = [np.average(p, axis=0, weights=w) for p in (x, y)]
        judge, _ = Rotation.align_vectors(y - middle[1], x - middle[0], weights=w)
        R, t = aligned(x, y, w)
        assert judge.as_matrix() == pytest.approx(R, abs=1e-9)
        assert t == pytest.approx(middle[1] - R @ middle[0], abs=1e-9)
        q = judge.as_quat(canonical=True)[[3, 0, 1, 2]]
        assert quaternion(R) == pytest.approx(q, abs=1e-9) or quaternion(R) == pytest.approx(-q, abs=1e-9)
        assert rotation(R0.as_rotvec()) == pytest.approx(R0.as_matrix(), abs=1e-12)


@pytest.mark.parametrize("levelled", [None, 5e-5])
def test_the_fit_is_the_minimum_that_scipy_finds(levelled: float | None) -> None:
    """Full covariance, any rotation; with a levelled scanner two pseudo-observations more."""
    rng = np.random.default_rng(9)
    y = spread(7, rng)
    C = common(7, rng)
    t = targets(y, C)
    tilt = Rotation.from_rotvec([4e-5, -2e-5, 0.0])
    R0 = (tilt * Rotation.from_euler("z", 137.0, degrees=True)).as_matrix()
    if levelled is None:
        R0 = Rotation.random(random_state=9).as_matrix()
    scanner = (y + rng.normal(0.0, 2e-3, y.shape) - [1265.0, 3600.0, 32.0]) @ R0
    found = fit(t, scanner, levelled)
    W = np.linalg.cholesky(np.linalg.inv(t.total())).T

    def residuals(theta: Floats) -> Floats:
        R = Rotation.from_rotvec(theta[3:]).as_matrix() @ R0
        v = W @ (y - scanner @ R.T - theta[:3]).reshape(-1)
        return np.asarray(v if levelled is None else np.append(v, R[:2, 2] / levelled))

    start = np.append(y.mean(axis=0) - R0 @ scanner.mean(axis=0), np.zeros(3))
    best = least_squares(residuals, start, x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert found.linear.objective() == pytest.approx(2.0 * best.cost, rel=1e-8)
    assert found.shift == pytest.approx(best.x[:3], abs=1e-6)
    assert found.rotation == pytest.approx(Rotation.from_rotvec(best.x[3:]).as_matrix() @ R0, abs=1e-7)
    covariance = np.linalg.inv(best.jac.T @ best.jac)
    assert np.sqrt(np.diagonal(found.covariance_at_origin()))[:3] == pytest.approx(
        np.sqrt(np.diagonal(covariance))[:3], rel=1e-3
    )  # its rotation vector is not about the site's axes: 1e-4 of the arm, and differences


def test_the_test_of_a_target_is_the_drop_when_it_is_left_out() -> None:
    rng = np.random.default_rng(10)
    y = spread(6, rng)
    t = targets(y, common(6, rng))
    scanner = (y + rng.normal(0.0, 3e-3, y.shape)) @ Rotation.random(random_state=1).as_matrix()
    whole = fit(t, scanner)
    for i in range(6):
        rest = np.delete(np.arange(6), i)
        without = fit(t.take(rest), scanner[rest])
        drop = whole.linear.objective() - without.linear.objective()
        assert whole.statistic[i] == pytest.approx(drop, rel=1e-3, abs=1e-4)  # linear against refitted
        assert whole.freedom[i] == 3


def test_what_goes_unseen_moves_the_worst_place_as_far_as_is_said() -> None:
    """The noise-free scan with the wrong target fitted anew: the direction of the largest effect, at its largest size."""
    rng = np.random.default_rng(11)
    y = spread(5, rng)
    t = targets(y, common(5, rng))
    p = predict(t)
    points = np.array([[1320.0, 3630.0, 31.0]])
    u = unseen(p, points, 0.001, 0.8)
    i, shift = 2, 21.5450  # λ0 of three degrees of freedom at 0.001 and 0.80 (C6.4)
    at = slice(6, 9)
    values, vectors = np.linalg.eigh(p.test_matrix[at, at])
    assert u.detectable[i] == pytest.approx(np.sqrt(shift / values[0]), rel=1e-4)
    reach = (motion_jacobian(points, p.origin)[0] @ (p.cofactor @ p.jacobian.T @ p.weight))[:, at]
    _, _, Vt = np.linalg.svd(reach @ vectors / np.sqrt(values))
    mistake = vectors @ (Vt[0] / np.sqrt(values)) * np.sqrt(shift)
    wrong = t.take(np.arange(5))
    wrong.centre[i] += mistake
    f = fit(wrong, y - y.mean(axis=0))
    moved = np.linalg.norm(f.to_site(points - y.mean(axis=0)) - points)
    assert moved == pytest.approx(u.effect[i], rel=2e-3)
    assert f.statistic[i] == pytest.approx(shift, rel=2e-3)


# -- on a real network -------------------------------------------------------------------------------------------


def test_centres_bear_the_covariance_of_the_network(hall: Adjustment) -> None:
    marks, setups = standing(hall)
    found = point_covariance(hall, marks, setups)
    joint = mark_covariance(hall)
    assert joint is not None
    centres = centre_covariance(hall, joint, setups)
    assert centres is not None
    assert found == pytest.approx(centres.covariance, abs=1e-15)


def test_one_more_target_does_what_is_said(hall: Adjustment) -> None:
    """The gain by bordering against a registration that simply has the target, cross terms and all."""
    marks, setups = standing(hall)
    some = np.flatnonzero(np.isin(hall.marks.mark[marks], ["W01", "W02", "W03", "F2", "B1"]))
    t = targets_of(hall, marks[some], setups[some], np.full(len(some), 1.5e-3))
    p = Prediction(t)
    rows = np.array([list(hall.marks.mark).index(n) for n in ("W08", "B4", "D2")])
    m = hall.marks
    point = np.column_stack([m.east, m.north, m.height])[rows]
    places = Places(m.mark[rows], rows, point)
    low, high = box_of(hall)
    corners = np.vstack([low, high, [low[0], high[1], low[2]]])
    more = rank_places(hall, p, places, corners, 1e-3, 0.8e-3)
    for k in range(3):
        row = more.places.mark[k]
        both = targets_of(
            hall,
            np.append(t.mark, row),
            np.append(t.setup, -1),
            np.append(t.scan_sigma, np.hypot(1e-3, 0.8e-3)),
        )
        larger = Prediction(both)
        expected = larger.errors(corners).spatial.max()
        assert more.worst[k] == pytest.approx(expected, rel=2e-3)  # the origin moves a little
    assert list(more.worst) == sorted(more.worst)


def test_checks_are_as_far_off_as_their_covariance_says(hall: Adjustment) -> None:
    """Targets kept out of the fit: T is χ² of three degrees; errors of site and scanner drawn jointly."""
    marks, setups = standing(hall)
    everything = targets_of(hall, marks, setups, np.full(len(marks), 1.5e-3))
    n = len(everything)
    used = np.arange(n) % 3 != 0
    L = np.linalg.cholesky(everything.covariance + 1e-14 * np.eye(3 * n))
    rng = np.random.default_rng(17)
    low, high = box_of(hall)
    found = []
    for _ in range(60):
        truth = everything.centre + (L @ rng.standard_normal(3 * n)).reshape(-1, 3)
        x = scanned(truth, rng, 1.5e-3)
        r = register(
            hall, everything, used, low, high, np.zeros((0, 3)), scanned=x, scan_sigma=1.5e-3, candidates=[]
        )
        assert r.checks is not None
        found += r.checks.statistic.tolist()
    # six checks of one fit share its error: the spread of their mean is that of fits, taken from the trials themselves
    means = np.array(found).reshape(60, -1).mean(axis=1)
    assert means.mean() == pytest.approx(3.0, abs=3.5 * means.std() / np.sqrt(60))

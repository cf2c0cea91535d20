"""Six parameters from targets that the scanner saw: y_i = t + R x_i, weighted with the full covariance of both.

The start is the rotation by singular values, from any orientation; then Gauss-Newton with R ← exp([ω]×)R. Residual =
site − (t + R x): what would have to be added to the cloud. Each target is tested as a whole (its three coordinates wrong):
b = (Wv)_i, T = bᵀM_ii⁺b ~ χ²_q, q the rank of M_ii. A scale is no seventh parameter, it is an alarm.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..estimate.quantiles import chi2_quantile, critical_value
from ..ground.table import Flags, Floats, Ints
from ..solved import GlobalTest
from ..trouble import NotConverged, Trouble, Undetermined
from .predict import Prediction, checked
from .rigid import aligned, cross_matrix, motion_jacobian, rotation
from .targets import Targets, require_spread


@dataclass(frozen=True)
class Linear:
    """The fit near one R and t, as linear algebra: what any hypothesis about the targets is tested with.

    misclosure (3n,) m: site less cloud at that point; jacobian (3n, 6); weight, test_matrix (3n, 3n).
    """

    misclosure: Floats
    jacobian: Floats
    weight: Floats
    test_matrix: Floats
    cofactor: Floats
    tilt: Floats  # (6,) gradient of the levelling's pseudo-observations, JᵀWl of them
    tilt_objective: float

    @cached_property
    def step(self) -> Floats:
        """δθ (6,): what least squares still adds to (t, ω)."""
        return np.asarray(self.cofactor @ (self.jacobian.T @ (self.weight @ self.misclosure) + self.tilt))

    @cached_property
    def residual(self) -> Floats:
        """v (3n,) m: site − cloud once fitted."""
        return np.asarray(self.misclosure - self.jacobian @ self.step)

    @cached_property
    def pull(self) -> Floats:
        """Wv (3n,): cᵀWv is what a hypothesis c gains per unit."""
        return np.asarray(self.weight @ self.residual)

    @cached_property
    def here(self) -> float:
        """The sum of squares at R and t themselves, no step taken."""
        return float(self.misclosure @ self.weight @ self.misclosure + self.tilt_objective)

    def objective(self, misclosure: Floats | None = None) -> float:
        """vᵀWv, the levelling's share included; of another misclosure at the same point where one is given."""
        l = self.misclosure if misclosure is None else misclosure  # noqa: E741
        Wl = self.weight @ l
        g = self.jacobian.T @ Wl + self.tilt
        return float(l @ Wl + self.tilt_objective - g @ self.cofactor @ g)

    def test(self, C: Floats) -> tuple[float, int, Floats, Floats]:
        """T, q, the size ∇̂ (k,) and its covariance (k, k) of a hypothesis l → l + C∇, C (3n, k).

        What no residual can show of ∇ is left at nought, and has no variance here: q < k tells.
        """
        N = C.T @ self.test_matrix @ C
        values, vectors = np.linalg.eigh(N)
        good = checked(values, C.T @ self.weight @ C)
        V = vectors[:, good]
        inverse = (V / values[good]) @ V.T
        size = inverse @ (C.T @ self.pull)
        return float(size @ N @ size), int(good.sum()), np.asarray(size), np.asarray(inverse)


@dataclass(frozen=True)
class Fit:
    """A registration. Rows follow `targets`.

    rotation (3, 3), shift (3,) m: site = shift + rotation · scanner. residual (n, 3) m; statistic (n,), freedom (n,): the
    test of each target; flagged (n,) beyond its critical value. scale, scale_sigma: the seventh parameter, as an alarm.
    """

    targets: Targets
    scanned: Floats
    rotation: Floats
    shift: Floats
    prediction: Prediction
    linear: Linear
    statistic: Floats
    freedom: Ints
    flagged: Flags
    global_test: GlobalTest
    degrees_of_freedom: int
    scale: float
    scale_sigma: float
    scale_flagged: bool
    iterations: int

    @property
    def residual(self) -> Floats:
        """(n, 3) m: site − cloud."""
        return self.linear.residual.reshape(-1, 3)

    @property
    def passed(self) -> bool:
        """True if neither the global test nor a target nor the scale fails; to fit better than stated is no failure."""
        g = self.global_test
        return bool(g.variance_factor <= g.upper and not self.flagged.any() and not self.scale_flagged)

    def to_site(self, points: Floats) -> Floats:
        """Scanner coordinates (m, 3) in the site's."""
        return np.asarray(points @ self.rotation.T + self.shift)

    def covariance_at_origin(self) -> Floats:
        """Covariance (6, 6) of (shift of the scanner's origin, ω): m², m·rad, rad²; ω about the site's axes."""
        H = np.eye(6)
        H[:3, 3:] = -cross_matrix(self.shift - self.prediction.origin)
        return np.asarray(H @ self.prediction.cofactor @ H.T)


def linear_at(
    targets: Targets, x: Floats, R: Floats, t: Floats, weight: Floats, levelled: float | None
) -> Linear:
    """Equations of all targets at R and t; the arm of each is that of the cloud there."""
    site = x @ R.T + t
    J = motion_jacobian(site, targets.centre.mean(axis=0)).reshape(-1, 6)
    tilt, prior, share = np.zeros(6), np.zeros((6, 6)), 0.0
    if levelled is not None:
        # R e₃ leaves the plumb line by (r₁₃, r₂₃); ω adds (ω_n, −ω_e): both are observed to be nought
        w = 1.0 / levelled**2
        A = np.array([[0.0, 0.0, 0.0, 0.0, 1.0, 0.0], [0.0, 0.0, 0.0, -1.0, 0.0, 0.0]])
        l = -R[:2, 2]  # noqa: E741
        tilt, prior, share = w * A.T @ l, w * A.T @ A, w * float(l @ l)
    Q: Floats = np.asarray(np.linalg.inv(J.T @ weight @ J + prior), dtype=float)
    WJ = weight @ J
    return Linear((targets.centre - site).reshape(-1), J, weight, weight - WJ @ Q @ WJ.T, Q, tilt, share)


def solve(
    targets: Targets,
    x: Floats,
    weight: Floats,
    levelled: float | None,
    start: tuple[Floats, Floats] | None = None,
) -> tuple[Floats, Floats, Linear, int]:
    """R, t, the equations there, and how many steps it took. Raises NotConverged."""
    R, t = aligned(x, targets.centre) if start is None else start
    origin = targets.centre.mean(axis=0)
    linear = linear_at(targets, x, R, t, weight, levelled)
    for n in range(1, 101):
        d = linear.step
        for _ in range(30):
            turn = rotation(d[3:])
            new = turn @ R, origin + d[:3] + turn @ (t - origin)
            trial = linear_at(targets, x, *new, weight, levelled)
            if trial.here <= linear.here * (1.0 + 1e-6) + 1e-9:
                break
            d = 0.5 * d  # names on wrong targets make the whole step too long
        (R, t), linear = new, trial
        if np.abs(d[:3]).max() < 1e-9 and np.abs(d[3:]).max() < 1e-11:
            U, _, Vt = np.linalg.svd(R)
            R = U @ Vt  # what rounding took from its columns
            return R, t, linear_at(targets, x, R, t, weight, levelled), n
    names = ", ".join(str(n) for n in targets.name)
    text = f"The scanner's coordinates can't be laid on the targets {names}: the fit does not settle."
    raise NotConverged((Trouble("NET315", text, "See that each target bears the right name."),))


def fit(
    targets: Targets,
    scanned: Floats,
    levelled: float | None = None,
    confidence: float = 0.95,
    alpha: float = 0.001,
) -> Fit:
    """Lay a scan on its targets. scanned (n, 3) m: their coordinates in the scanner's frame.

    Raises Undetermined for fewer than three targets or a line, NotConverged.
    """
    require_spread(targets)
    require_likeness(targets, scanned)
    weight = Prediction(targets).weight
    R, t, linear, iterations = solve(targets, scanned, weight, levelled)
    prediction = Prediction(targets, levelled)
    n, f = len(targets), prediction.degrees_of_freedom
    statistic, freedom = np.empty(n), np.empty(n, dtype=np.int64)
    for i in range(n):
        statistic[i], freedom[i], *_ = linear.test(columns(n, (i,)))
    critical = np.array([chi2_quantile(1.0 - alpha, q) if q else np.inf for q in freedom.tolist()])
    tail = 0.5 * (1.0 - confidence)
    lower, upper = chi2_quantile(tail, f) / f, chi2_quantile(1.0 - tail, f) / f
    factor = linear.objective() / f
    _, q, size, variance = linear.test(scale_column(targets))
    sigma = float(np.sqrt(variance[0, 0])) if q else np.inf
    flagged = q > 0 and abs(size[0]) > critical_value(alpha) * sigma
    return Fit(
        targets, scanned, R, t, prediction, linear, statistic, freedom, statistic > critical,
        GlobalTest(factor, lower, upper, bool(lower <= factor <= upper)), f, float(size[0]), sigma, bool(flagged), iterations,
    )  # fmt: skip


def require_likeness(targets: Targets, x: Floats) -> None:
    """Raises Undetermined where the scanner's coordinates are in another unit, or a mirror image of the site's."""
    i, j = np.triu_indices(len(x), 1)
    scanner, site = (np.linalg.norm(p[i] - p[j], axis=1) for p in (x, targets.centre))
    there = (scanner > 0.0) & (site > 0.2 * site.max())
    ratio = float(np.median(site[there] / scanner[there])) if there.any() else np.inf
    if not 0.99 < ratio < 1.01:  # the middle one: not bent by a few wrong targets
        text = f"Distances on the site are {ratio:.4g} times those of the scanner."
        raise Undetermined(
            (Trouble("NET316", text, "Give the scanner's coordinates in the unit of the job."),)
        )
    if _mirrored(x, targets):
        text = "The scanner's coordinates are a mirror image of the targets: no turn lays one on the other."
        raise Undetermined((Trouble("NET317", text, "Two axes are exchanged, or one has the wrong sign."),))


def _mirrored(x: Floats, targets: Targets) -> bool:
    """True where a reflection lays most of the cloud on the targets at least five times better than any rotation."""
    y = targets.centre
    R, t = aligned(x, y, reflect=True)
    if np.linalg.det(R) > 0.0:
        return False
    turned, shift = aligned(x, y)
    mirrored, rotated = (
        np.median(np.linalg.norm(y - x @ A.T - b, axis=1)) for A, b in ((R, t), (turned, shift))
    )
    noise = float(np.sqrt(np.diagonal(targets.total()).max()))
    return bool(rotated > 5.0 * max(float(mirrored), noise))


def columns(n: int, targets: tuple[int, ...]) -> Floats:
    """C (3n, 3k): all three coordinates of some targets wrong."""
    rows = (3 * np.array(targets)[:, None] + np.arange(3)).reshape(-1)
    return np.asarray(np.eye(3 * n)[:, rows])


def scale_column(targets: Targets) -> Floats:
    """c (3n, 1): a scale 1 + m from cloud to site; site − cloud grows by m·(p − p₀)."""
    arm = targets.centre - targets.centre.mean(axis=0)
    return np.asarray(arm.reshape(-1, 1))

"""How wrong a registered cloud will be, anywhere, before a single scan is looked at.

    θ = (t, ω): six parameters about the middle p₀ of the targets
    W = (C + Σ)⁻¹          site targets with cross terms, and the scanner's own error
    Q_θ = (JᵀWJ)⁻¹,  J_i = [I | −[y_i − p₀]×],  error at p: J_p Q_θ J_pᵀ

With one sigma for all and no correlation this is Fitzpatrick, West and Maurer 1998, eq. 46 (as quoted in a public file):
σ²(p) = (F²/N)(1 + ⅓ Σ d_k²/f_k²). Programs that are given bare coordinates weigh all targets alike: G = (JᵀJ)⁻¹Jᵀ, GCGᵀ.
Residuals at the targets say nothing about the error elsewhere. A scanner levelled by itself brings its tilts as two weighted
observations.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..estimate.precision import ellipse_factor, ellipses, interval_factor
from ..estimate.quantiles import chi2_quantile
from ..ground.table import Flags, Floats
from .rigid import beyond, motion_jacobian, principal
from .targets import Targets, require_spread

NARROW = (
    0.15  # r.m.s. width over r.m.s. length of the targets below which they are nearly on a line: our choice
)
AXES = ("east", "north", "up")


@dataclass(frozen=True)
class Errors:
    """What is predicted at m points, at one confidence level.

    points (m, 3) m; covariance (m, 3, 3) m² of the cloud there; spatial (m,) m: longest semi-axis of the ellipsoid; plan
    (m,): semi-major axis of the ellipse; height (m,): half-width; beyond (m,) m: how far outside the targets, 0 inside.
    """

    points: Floats
    covariance: Floats
    spatial: Floats
    plan: Floats
    height: Floats
    beyond: Floats

    @property
    def worst(self) -> int:
        """Row of the point with the longest ellipsoid."""
        return int(np.argmax(self.spatial))


@dataclass(frozen=True)
class Prediction:
    """The geometry of a registration. `levelled`: sigma of the scanner's own levelling, rad, None where it is not used."""

    targets: Targets
    levelled: float | None = None

    @cached_property
    def origin(self) -> Floats:
        """p₀ (3,) m: the middle of the targets."""
        return np.asarray(self.targets.centre.mean(axis=0))

    @cached_property
    def jacobian(self) -> Floats:
        """J (3n, 6)."""
        return motion_jacobian(self.targets.centre, self.origin).reshape(-1, 6)

    @cached_property
    def weight(self) -> Floats:
        """W (3n, 3n) m⁻²: the inverse of the covariance of site and scanner together."""
        whitening = np.linalg.inv(np.linalg.cholesky(self.targets.total()))
        return np.asarray(whitening.T @ whitening)

    @cached_property
    def cofactor(self) -> Floats:
        """Q_θ (6, 6): m², m·rad, rad²."""
        return np.asarray(
            np.linalg.inv(self.jacobian.T @ self.weight @ self.jacobian + self.prior), dtype=float
        )

    @cached_property
    def prior(self) -> Floats:
        """What a levelled scanner adds to the normal matrix: weight of the rotations about east and north."""
        w = 0.0 if self.levelled is None else 1.0 / self.levelled**2
        return np.diag([0.0, 0.0, 0.0, w, w, 0.0])

    @cached_property
    def equal_cofactor(self) -> Floats:
        """Q_θ of a registration that weighs all targets alike, its errors being what they are."""
        J = self.jacobian
        G = np.linalg.solve(J.T @ J, J.T)
        return np.asarray(G @ self.targets.total() @ G.T)

    @cached_property
    def test_matrix(self) -> Floats:
        """M = W − WJQJᵀW (3n, 3n) m⁻²: what the targets check of one another."""
        WJ = self.weight @ self.jacobian
        return np.asarray(self.weight - WJ @ self.cofactor @ WJ.T)

    @property
    def degrees_of_freedom(self) -> int:
        """3n − 6, and two more where the scanner's levelling counts."""
        return 3 * len(self.targets) - 6 + (0 if self.levelled is None else 2)

    def errors(self, points: Floats, confidence: float = 0.95, equal: bool = False) -> Errors:
        """Predicted error of the cloud at points (m, 3) m; `equal`: as registered with equal weights."""
        covariance = self.covariance(points, equal)
        values = np.linalg.eigvalsh(covariance)[:, 2]
        return Errors(
            points,
            covariance,
            np.sqrt(chi2_quantile(confidence, 3) * np.maximum(values, 0.0)),
            ellipse_factor(confidence) * ellipses(covariance[:, :2, :2])[0],
            interval_factor(confidence) * np.sqrt(np.maximum(covariance[:, 2, 2], 0.0)),
            beyond(points, self.targets.centre),
        )

    def covariance(self, points: Floats, equal: bool = False) -> Floats:
        """J_p Q J_pᵀ (m, 3, 3) m² at points (m, 3) m."""
        J = motion_jacobian(points, self.origin)
        return np.asarray(J @ (self.equal_cofactor if equal else self.cofactor) @ np.swapaxes(J, 1, 2))

    def scale_sigma(self) -> float:
        """Sigma of a scale that is estimated as a seventh parameter: what the alarm can see (a ratio)."""
        J = motion_jacobian(self.targets.centre, self.origin, scale=True).reshape(-1, 7)
        N = J.T @ self.weight @ J
        N[:6, :6] += self.prior
        return float(np.sqrt(np.linalg.inv(N)[6, 6]))

    def extents(self) -> tuple[Floats, Floats]:
        """R.m.s. extents of the targets, largest first, and their axes as rows."""
        return principal(self.targets.centre)

    @property
    def narrow(self) -> bool:
        """True where the targets are nearly on one line."""
        extents, _ = self.extents()
        return bool(extents[1] < NARROW * extents[0])


def predict(targets: Targets, levelled: float | None = None) -> Prediction:
    """The prediction for some targets; raises Undetermined for fewer than three of them, or for a line."""
    require_spread(targets)
    return Prediction(targets, levelled)


@dataclass(frozen=True)
class Unseen:
    """What a mistake in one target may be and do without being found, in its worst direction.

    detectable (n,) m: smallest mistake found with the set power, infinite where a direction is not checked at all;
    effect (n,) m: how far the largest mistake that goes unseen moves the worst of the points.
    """

    detectable: Floats
    effect: Floats


def unseen(prediction: Prediction, points: Floats, alpha: float, power: float) -> Unseen:
    """For each target, the wrong coordinates (three of them) that would just be found, and their effect at points (m, 3)."""
    from scipy.special import chndtrinc

    p, n = prediction, len(prediction.targets)
    reach = motion_jacobian(points, p.origin) @ (p.cofactor @ p.jacobian.T @ p.weight)
    detectable, effect = np.empty(n), np.empty(n)
    for i in range(n):
        at = slice(3 * i, 3 * i + 3)
        values, vectors = np.linalg.eigh(p.test_matrix[at, at])
        seen = checked(values, p.weight[at, at])
        moves = reach[:, :, at] @ vectors
        if not seen.all():
            detectable[i] = np.inf
            effect[i] = np.inf if np.abs(moves[:, :, ~seen]).max(initial=0.0) > 1e-9 else 0.0
            continue
        shift = float(chndtrinc(chi2_quantile(1.0 - alpha, 3), 3, 1.0 - power))
        detectable[i] = np.sqrt(shift / values[0])
        effect[i] = np.linalg.svd(moves / np.sqrt(values), compute_uv=False)[:, 0].max() * np.sqrt(shift)
    return Unseen(detectable, effect)


def checked(values: Floats, weight: Floats) -> Flags:
    """Which eigenvalues of a block of M are more than rounding: the others are directions that nothing checks."""
    return np.asarray(values > 1e-9 * np.linalg.eigvalsh(weight)[-1])

"""Which one more target helps most: each place is tried, and ranked by the worst error of the cloud that is left.

A new target at a mark has the mark's error and its correlation with the others; one at any other place is taken to share
the error of the nearest mark, since it would be sighted from the same stations, and to have a centring of its own. So a
target never mends what is wrong with the whole network. With ỹ = y − C_y C⁻¹ (the others),

    J̃ = J − C_y W J,  S = C_yy + Σ − C_y W C_yᵀ,  Q′⁻¹ = Q⁻¹ + J̃ᵀS⁻¹J̃
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..estimate.quantiles import chi2_quantile
from ..ground.table import Floats, Ints, Names
from ..outcome.joint import point_covariance
from ..results import Adjustment
from .predict import Prediction
from .rigid import motion_jacobian


@dataclass(frozen=True)
class Places:
    """m places for one more target: name (m,), blank for a bare place; mark (m,): the mark whose error it has; point (m, 3) m."""

    name: Names
    mark: Ints
    point: Floats


@dataclass(frozen=True)
class More:
    """Places ranked, best first. worst (m,) m: longest semi-axis at the worst of the points once the target is there."""

    places: Places
    worst: Floats
    before: float


def grid(low: Floats, high: Floats, steps: int = 9) -> Floats:
    """Places (m, 3) over a box: `steps` along its longer side in plan, at its lower and upper height."""
    span = np.maximum(high - low, 0.0)
    step = max(float(span[:2].max()) / (steps - 1), 1e-6)
    axes = [
        np.linspace(low[k], high[k], 1 + max(1, round(span[k] / step)) if span[k] > 0 else 1) for k in (0, 1)
    ]
    axes.append(np.unique([low[2], high[2]]))
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)


def rank_places(
    adjustment: Adjustment,
    prediction: Prediction,
    places: Places,
    points: Floats,
    scan_sigma: float,
    own_sigma: float,
    confidence: float = 0.95,
) -> More:
    """Places (m,) ranked by the worst error at points (k, 3) m.

    scan_sigma, own_sigma m per axis: of the scanner at the new target, and of its centring there.
    """
    p, t = prediction, prediction.targets
    C, S = _joint(adjustment, p, places)
    S[:, [0, 1, 2], [0, 1, 2]] += scan_sigma**2 + own_sigma**2
    WJ, WC = p.weight @ p.jacobian, np.einsum("ab,mbk->mak", p.weight, C)
    J = motion_jacobian(places.point, p.origin) - np.einsum("mak,ab->mkb", C, WJ)
    S = S - np.einsum("mak,mal->mkl", C, WC)
    normal = np.linalg.inv(p.cofactor) + np.swapaxes(J, 1, 2) @ np.linalg.solve(S, J)
    Jp = motion_jacobian(points, p.origin)
    covariance = np.einsum("kia,mab,kjb->mkij", Jp, np.linalg.inv(normal), Jp)
    factor = np.sqrt(chi2_quantile(confidence, 3))
    worst = factor * np.sqrt(np.linalg.eigvalsh(covariance)[..., 2].max(axis=1))
    before = factor * float(np.sqrt(np.linalg.eigvalsh(p.covariance(points))[:, 2].max()))
    assert len(t) == len(C[0]) // 3
    order = np.argsort(worst, kind="stable")
    ranked = Places(places.name[order], places.mark[order], places.point[order])
    return More(ranked, worst[order], before)


def _joint(adjustment: Adjustment, p: Prediction, places: Places) -> tuple[Floats, Floats]:
    """Covariance of the targets with each place (m, 3n, 3), and of each place itself (m, 3, 3): those of its mark."""
    t, n = p.targets, 3 * len(p.targets)
    marks, at = np.unique(places.mark, return_inverse=True)
    whole = point_covariance(
        adjustment, np.append(t.mark, marks), np.append(t.setup, np.full(len(marks), -1))
    )
    cross = whole[:n, n:].reshape(n, len(marks), 3)[:, at]
    own = np.stack([whole[n + 3 * i : n + 3 * i + 3, n + 3 * i : n + 3 * i + 3] for i in range(len(marks))])[
        at
    ]
    return np.ascontiguousarray(np.swapaxes(cross, 0, 1)), own.copy()

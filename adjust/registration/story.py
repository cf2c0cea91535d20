"""A registration in one screen: what its targets are good for, how wrong the cloud will be, whether the scan fits them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..estimate.quantiles import chi2_probability, chi2_quantile
from ..ground.supports import centring_sigmas, height_sigmas, vertical_heights
from ..ground.table import Flags, Floats, Ints
from ..outcome.joint import MOST
from ..results import Adjustment
from .causes import Explained, explain
from .fit import Fit, fit
from .local import Local, local_at
from .more import More, Places, grid, rank_places
from .predict import Errors, Prediction, Unseen, predict, unseen
from .rigid import motion_jacobian
from .targets import Targets, require_spread

FREE = 300  # marks that are tried for one more target; of more, some evenly


@dataclass(frozen=True)
class Checks:
    """Targets that took no part in the fit: difference (c, 3) m, site − cloud, its covariance (c, 3, 3) m², the test."""

    targets: Targets
    difference: Floats
    covariance: Floats
    statistic: Floats
    probability: Floats
    flagged: Flags


@dataclass(frozen=True)
class Registration:
    """All that `register` says. corners (8, …): of the box; points: those that were asked for; equal: corners as a program
    has them that weighs all targets alike; middle: at the middle of the targets. All points in them are in the straight
    axes of `local`; `asked` (8 + k, 3) m are corners and points in site coordinates. bend (m): how far straight axes and
    site coordinates part at a target or corner."""

    local: Local
    asked: Floats
    bend: float
    prediction: Prediction
    middle: Errors
    corners: Errors
    points: Errors
    equal: Errors
    unseen: Unseen
    more: More | None
    fit: Fit | None
    explained: Explained | None
    checks: Checks | None
    confidence: float

    @property
    def worst(self) -> float:
        """Longest semi-axis at the worst of the corners and points, m."""
        return float(max(self.corners.spatial.max(), self.points.spatial.max(initial=0.0)))


def register(
    adjustment: Adjustment,
    everything: Targets,
    used: Flags,
    low: Floats,
    high: Floats,
    points: Floats,
    *,
    scanned: Floats | None = None,
    levelled: float | None = None,
    scan_sigma: float,
    candidates: Sequence[int] | None = None,
) -> Registration:
    """Predict a registration on the targets that are `used` (n,), and fit it where `scanned` (n, 3) m is given.

    low, high (3,) m: the box that is scanned; points (k, 3) m: wanted besides. Targets not used are checks, where
    scanned. candidates: rows of marks where one more target might stand; None: all marks, and places all over the box.
    Raises Undetermined, NotConverged.
    """
    s = adjustment.settings
    require_spread(everything.take(used))
    asked = np.vstack([_box(low, high), points.reshape(-1, 3)])
    local = local_at(adjustment, everything.centre[used].mean(axis=0))
    whole = np.vstack([everything.centre, asked])
    bend = float(np.linalg.norm(local.of(whole) - whole, axis=1).max())
    everything = local.targets(everything)
    targets = everything.take(used)
    prediction = predict(targets, levelled)
    wanted = local.of(asked)
    corners, points = wanted[:8], wanted[8:]
    fitted, why, checks = None, None, None
    if scanned is not None:
        fitted = fit(targets, scanned[used], levelled, s.confidence, s.alpha)
        why = explain(fitted, s.confidence)
        rest = ~used & np.isfinite(scanned).all(axis=1)
        if rest.any():
            checks = _checks(fitted, everything, used, rest, scanned, s.alpha)
    places = _places(adjustment, local, targets, low, high, candidates)
    more = None
    if len(places.name) and 3 * (len(targets) + len(np.unique(places.mark))) <= MOST:
        own = _own_sigma(adjustment, targets)
        more = rank_places(adjustment, prediction, places, wanted, scan_sigma, own, s.confidence)
    return Registration(
        local,
        asked,
        bend,
        prediction,
        prediction.errors(prediction.origin[None], s.confidence),
        prediction.errors(corners, s.confidence),
        prediction.errors(points, s.confidence),
        prediction.errors(corners, s.confidence, equal=True),
        unseen(prediction, wanted, s.alpha, s.power),
        more, fitted, why, checks, s.confidence,
    )  # fmt: skip


def box_of(adjustment: Adjustment) -> tuple[Floats, Floats]:
    """The box (low, high) m around all marks that have three coordinates."""
    m = adjustment.marks
    points = np.column_stack([m.east, m.north, m.height])
    points = points[np.isfinite(points).all(axis=1)]
    return points.min(axis=0), points.max(axis=0)


def _checks(f: Fit, everything: Targets, used: Flags, rest: Flags, scanned: Floats, alpha: float) -> Checks:
    """d = site − cloud at targets that were kept out; cov = C_c + Σ_c + JQJᵀ − JQJᵀ_tWC_tc − (…)ᵀ."""
    targets = everything.take(rest)
    wide = np.repeat(used, 3), np.repeat(rest, 3)
    cross = everything.covariance[np.ix_(*wide)]
    J = motion_jacobian(f.to_site(scanned[rest]), f.prediction.origin).reshape(-1, 6)
    p = f.prediction
    shared = J @ p.cofactor @ p.jacobian.T @ p.weight @ cross
    covariance = targets.total() + J @ p.cofactor @ J.T - shared - shared.T
    difference = targets.centre - f.to_site(scanned[rest])
    blocks = np.stack([covariance[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] for i in range(len(targets))])
    T = np.einsum("ci,cij,cj->c", difference, np.linalg.inv(blocks), difference)
    p_values = np.array([1.0 - chi2_probability(float(t), 3) for t in T])
    return Checks(targets, difference, blocks, T, p_values, chi2_quantile(1.0 - alpha, 3) < T)


def _places(
    adjustment: Adjustment,
    local: Local,
    targets: Targets,
    low: Floats,
    high: Floats,
    candidates: Sequence[int] | None,
) -> Places:
    """Marks that bear no target yet, and where none are named places all over the box with the error of the nearest mark."""
    m = adjustment.marks
    points = np.column_stack([m.east, m.north, m.height])
    whole = np.flatnonzero(np.isfinite(points).all(axis=1))
    taken = set(targets.mark.tolist())
    free = [int(i) for i in (whole if candidates is None else candidates) if int(i) not in taken]
    free = free[:: 1 + len(free) // FREE]
    name, mark, point = [str(m.mark[i]) for i in free], list(free), [points[i] for i in free]
    if candidates is None:
        bare = grid(low, high)
        away = np.linalg.norm(bare[:, None] - points[whole][None], axis=2)
        name += [""] * len(bare)
        mark += whole[np.argmin(away, axis=1)].tolist()
        point += list(bare)
    names = np.empty(len(name), dtype=object)
    names[:] = name
    return Places(names, np.array(mark, dtype=np.int64), local.of(np.array(point).reshape(-1, 3)))


def _box(low: Floats, high: Floats) -> Floats:
    """Corners (8, 3): the four below, then the four above; west before east, south before north."""
    return np.array(
        [[e, n, h] for h in (low[2], high[2]) for e in (low[0], high[0]) for n in (low[1], high[1])]
    )


def _own_sigma(adjustment: Adjustment, targets: Targets) -> float:
    """What the centring of one more target adds per axis, m: the middle of what the present ones are stated to have."""
    net = adjustment.network
    rows: Ints = targets.setup[targets.setup >= 0]
    if not len(rows):
        return 0.0
    plan, height = centring_sigmas(net, vertical_heights(net))[rows], height_sigmas(net)[rows]
    return float(np.sqrt(np.median((2.0 * np.nan_to_num(plan) ** 2 + np.nan_to_num(height) ** 2) / 3.0)))

"""One datum for two epochs: how a network moves with each freedom, and the transformation onto the marks that carry it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..ground.table import Flags, Floats, Ints
from ..trouble import Trouble, Undetermined


def motions(free: Sequence[str], x: Floats, axis: Ints, mark: Ints) -> Floats:
    """Columns: how the components move with each freedom."""
    e, n = (_centred(_of_axis(x, axis, mark, a)) for a in (0, 1))
    h = np.nan_to_num(_centred(np.where(axis == 2, x, np.nan)))
    extent = max(1.0, float(np.nanmax(np.abs(np.concatenate([e, n])), initial=1.0)))
    motion = {
        "east": (axis == 0).astype(float),
        "north": (axis == 1).astype(float),
        "height": (axis == 2).astype(float),
        "rotation": np.where(axis == 0, n, np.where(axis == 1, -e, 0.0)) / extent,
        "scale": np.where(axis == 0, e, np.where(axis == 1, n, h)) / extent,
    }
    return np.column_stack([np.nan_to_num(motion[f]) for f in free])


def _centred(values: Floats) -> Floats:
    """About the mean of those that are known; levelled heights have no place in the plane, and all may be NaN."""
    known = values[~np.isnan(values)]
    return values - known.mean() if len(known) else values


def _of_axis(x: Floats, axis: Ints, mark: Ints, wanted: int) -> Floats:
    """For each component, the coordinate `wanted` of its mark; NaN where it has none."""
    of_mark = np.full(int(mark.max()) + 1, np.nan)
    of_mark[mark[axis == wanted]] = x[axis == wanted]
    return of_mark[mark]


def transform(G: Floats, carriers: Flags) -> Floats:
    """S = I − G(BᵀG)⁻¹Bᵀ, B = G on the marks that carry the datum (Baarda 1973; from memory)."""
    B = np.where(carriers[:, None], G, 0.0)
    N = B.T @ G
    scale = np.sqrt(np.maximum(np.diagonal(G.T @ G), 1e-300))
    if np.linalg.svd(N / np.outer(scale, scale), compute_uv=False)[-1] < 1e-9:
        raise Undetermined(
            (
                Trouble(
                    "NET311",
                    "The datum marks can't carry what is free.",
                    "Choose more common marks, apart from each other.",
                ),
            )
        )
    return np.eye(len(G)) - G @ np.linalg.solve(N, B.T)


def laid(
    free: Sequence[str], x1: Floats, x2: Floats, axis: Ints, mark: Ints, carriers: Flags
) -> tuple[Floats, Floats]:
    """x₂ laid on the first epoch over the datum marks, so that what is left to turn is small; and the turn, (k, k)."""
    z1 = _of_axis(x1, axis, mark, 0) + 1j * _of_axis(x1, axis, mark, 1)
    z2 = _of_axis(x2, axis, mark, 0) + 1j * _of_axis(x2, axis, mark, 1)
    good = carriers & ~np.isnan(z1) & ~np.isnan(z2)
    m1, m2 = z1[good].mean(), z2[good].mean()
    kappa = np.sum((z1[good] - m1) * np.conj(z2[good] - m2)) / np.sum(np.abs(z2[good] - m2) ** 2)
    if "scale" not in free:
        kappa /= abs(kappa)
    laid = m1 + kappa * (z2 - m2)
    out = np.where(axis == 0, laid.real, np.where(axis == 1, laid.imag, x2))
    turn = np.eye(len(axis))
    for j in range(int(mark.max()) + 1):
        e, n = (np.flatnonzero((mark == j) & (axis == a)) for a in (0, 1))
        if len(e) and len(n):
            turn[e, e] = turn[n, n] = kappa.real
            turn[e, n], turn[n, e] = -kappa.imag, kappa.imag
    return np.where(np.isnan(out), x2, out), turn

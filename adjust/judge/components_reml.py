"""Restricted likelihood of variance factors, climbed with average information.

    −2 ln L = ln|S| + yᵀS⁻¹y + Σ(d_g ln θ_g + SS_g/θ_g),   S = Σ θ_g B_g
    r_g = θ_g tr(S⁻¹B_g) + d_g,   q_g = θ_g yᵀS⁻¹B_gS⁻¹y + SS_g/θ_g

The score in ln θ_g is (q_g − r_g)/2, so the maximum is the fixed point of θ ← θ·q/r: the redundancy r_g of a group
equals its vᵀPv (Förstner 1979, from memory). The step uses the mean of expected and observed information, which
needs no trace of products (Gilmour, Thompson and Cullis 1995, from memory), damped as by Levenberg and Marquardt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .components_contrasts import Contrasts

FLOOR, CEILING = np.log(1e-8), np.log(1e10)  # of ln θ: beyond these a component is zero, or nothing bounds it
NEAR = 0.01  # settled when the score is this part of its own standard deviation: 1e-4 in −2 ln L, for each factor
STEPS = 40
SMALL = 48  # triangular matrices up to this size are inverted at once


@dataclass(frozen=True)
class Fit:
    """At the maximum: factors θ (G,), −2 ln L, S⁻¹ (f, f), a = S⁻¹y (f,), r and q (G,) (NaN where a group was not asked for)."""

    theta: Floats
    deviance: float
    inverse: Floats
    a: Floats
    redundancy: Floats
    squares: Floats
    settled: bool


def maximise(
    c: Contrasts,
    grams: Floats,
    free: Flags,
    start: Floats,
    rest: Floats | None = None,
    watched: Flags | None = None,
    near: float = NEAR,
    floor: float = FLOOR,
) -> Fit:
    """Maximise over the `free` factors (G,), the others staying at `start` (G,).

    grams (G, f, f) as from Contrasts.grams; `rest` (f, f) is added to S as it is; r and q are given for free and
    `watched` groups.
    """
    theta = start.copy()
    chosen = np.flatnonzero(free)
    asked = np.flatnonzero(free | (watched if watched is not None else np.zeros_like(free)))
    flat = grams.reshape(len(grams), -1)
    moved = flat if free.all() else flat[chosen]  # picked once: every copy is as large as the grams
    others = ~free
    base = (theta[others] @ flat[others]).reshape(grams.shape[1:])
    if rest is not None:
        base = base + rest
    d, ss = c.scatter_freedom, c.scatter

    def at(t: Floats) -> tuple[float, Floats, Floats]:
        inverse, logarithm = inverse_of(base + (t[chosen] @ moved).reshape(base.shape))
        a = inverse @ c.y
        value = logarithm + float(c.y @ a)
        return value + float(d @ np.log(t) + ss @ (1.0 / t)), inverse, a

    def moments(t: Floats, inverse: Floats, a: Floats, of: Ints, B: Floats) -> tuple[Floats, Floats, Floats]:
        Ba = B.reshape(-1, *base.shape) @ a
        r = t[of] * (B @ inverse.reshape(-1)) + d[of]
        q = t[of] * (Ba @ a) + ss[of] / t[of]
        return r, q, Ba

    value, inverse, a = at(theta)
    settled, damping = not len(chosen), 0.05
    for _ in range(STEPS):
        if settled:
            break
        r, q, Ba = moments(theta, inverse, a, chosen, moved)
        score = 0.5 * (q - r)
        at_rest = np.abs(score) <= near * np.sqrt(0.5 * r + 1e-12)
        at_rest |= (np.log(theta[chosen]) <= floor + 1e-9) & (score < 0.0)
        if at_rest.all():
            settled = True
            break
        scaled = Ba * theta[chosen, None]
        information = 0.5 * (scaled @ inverse @ scaled.T) + 0.5 * np.diag(ss[chosen] / theta[chosen])
        while True:
            damped = information + np.diag(damping * 0.5 * r + 1e-12)
            step = np.where(at_rest, 0.0, np.clip(np.linalg.solve(damped, score), -3.0, 3.0))
            trial = theta.copy()
            trial[chosen] = np.exp(np.clip(np.log(theta[chosen]) + step, floor, CEILING))
            new, new_inverse, new_a = at(trial)
            if new <= value + 1e-9:
                break
            damping = max(0.1, 5.0 * damping)
            if damping > 1e6:
                break
        if new > value + 1e-9:  # rounding leaves nothing to gain, or the start was out of reach
            settled = bool(np.all(at_rest | (np.abs(score) <= 0.1 * np.sqrt(0.5 * r + 1e-12))))
            break
        still = np.abs(np.log(trial[chosen] / theta[chosen])).max() < 1e-7
        theta, value, inverse, a = trial, new, new_inverse, new_a
        damping = max(0.01, 0.2 * damping)
        if still:
            settled = True
    redundancy, squares = np.full(len(theta), np.nan), np.full(len(theta), np.nan)
    last = moved if len(asked) == len(chosen) else flat[asked]
    redundancy[asked], squares[asked], _ = moments(theta, inverse, a, asked, last)
    return Fit(theta, value, inverse, a, redundancy, squares, settled)


def inverse_of(S: Floats) -> tuple[Floats, float]:
    """S⁻¹ and ln|S| of a symmetric positive definite matrix: three times as fast as numpy's general inverse."""
    L: Floats = np.asarray(np.linalg.cholesky(S), dtype=np.float64)
    T = _triangular_inverse(L)
    return T.T @ T, 2.0 * float(np.log(np.diagonal(L)).sum())


def _triangular_inverse(L: Floats) -> Floats:
    n = len(L)
    if n <= SMALL:
        return np.asarray(np.linalg.inv(L), dtype=np.float64)
    k = n // 2
    out = np.zeros_like(L)
    out[:k, :k] = _triangular_inverse(L[:k, :k])
    out[k:, k:] = _triangular_inverse(L[k:, k:])
    out[k:, :k] = -out[k:, k:] @ (L[k:, :k] @ out[:k, :k])
    return out


def information(c: Contrasts, fit: Fit) -> Floats:
    """G_gh = θ_gθ_h tr(S⁻¹B_gS⁻¹B_h) + d_g on the diagonal, (G, G): twice the expected information of ln θ.

    The covariance of the estimated ln θ is 2G⁻¹. With every group in it, row g sums to r_g.
    """
    half = c.loadings @ np.linalg.cholesky(fit.inverse)
    half *= np.sqrt(fit.theta[c.group])[:, None]
    whitened = np.empty((len(c.groups), *fit.inverse.shape))
    for g in range(len(whitened)):
        e = half[c.part(g)]
        np.matmul(e.T, e, out=whitened[g])
    flat = whitened.reshape(len(whitened), -1)
    return np.asarray(flat @ flat.T + np.diag(c.scatter_freedom))

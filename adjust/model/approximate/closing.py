"""Closures of joined stars spread over all joins, before the real adjustment starts.

Stars joined along a tree leave their misclosures where two branches meet: metres there after a long chain, nothing elsewhere,
and over so short a sight a metre is far from linear. One least-squares step over turns and shifts of the stars alone spreads
them: for a join with mean common point m_a, m_b and u = κ·m, with corrections δ (turn about the star's origin) and t,

    δ_b − δ_a = arg(κ_a κ_ab κ̄_b),    iδ_a u_a + t_a − iδ_b u_b − t_b = X_b − X_a

where X = u + τ. It is three unknowns a star, and as sparse as the network.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...estimate.datum import Cofactor
from ...estimate.normals import PIVOT_LIMIT, Defect
from ...estimate.pattern import Pattern
from ...estimate.rows import Rows, gradient
from ...ground.table import Flags, Floats, Ints

Plane = NDArray[np.complex128]
FULL = 300  # unknowns up to which a full matrix is quicker
POINT = 0.003  # m: what a polar point is worth here; only its ratio to its own turn matters


@dataclass(frozen=True)
class Joins:
    """Pairs of stars a, b that share marks: x_a = κ·x_b + τ; their mean common point in b, how many, how far spread (m²).

    `sound` joins fit their common marks as clean readings do.
    """

    a: Ints
    b: Ints
    kappa: Plane
    tau: Plane
    middle: Plane
    count: Ints
    extent: Floats
    sound: Flags

    @property
    def badness(self) -> Floats:
        """About the variance of the turn."""
        return 1.0 / self.extent


def closed(joins: Joins, tied: Flags, world: int, kappa: Plane, tau: Plane) -> tuple[Plane, Plane]:
    """κ and τ of all stars once the misclosures of the joins have been spread; the `world` stays."""
    use = tied[joins.a] & tied[joins.b] & joins.sound
    a, b = joins.a[use], joins.b[use]
    column = np.full(len(tied), -1)
    free = np.flatnonzero(tied & (np.arange(len(tied)) != world))
    column[free] = 3 * np.arange(len(free))
    m_b = joins.middle[use]
    m_a = joins.kappa[use] * m_b + joins.tau[use]
    u_a, u_b = kappa[a] * m_a, kappa[b] * m_b
    off = (u_b + tau[b]) - (u_a + tau[a])
    turn = np.angle(kappa[a] * joins.kappa[use] * kappa[b].conj())
    by_turn = np.sqrt(0.5 * joins.extent[use]) / POINT
    by_point = np.sqrt(joins.count[use]) / POINT

    def rows(parts: list[tuple[Ints, int, Floats]], right: Floats, weight: Floats) -> Rows:
        columns = np.column_stack([np.where(column[s] >= 0, column[s] + k, -1) for s, k, _ in parts])
        values = np.column_stack([v for _, _, v in parts]) * weight[:, None]
        return Rows(columns, np.where(columns >= 0, values, 0.0), right * weight)

    one = np.ones(len(a))
    equations = [
        rows([(a, 0, -one), (b, 0, one)], turn, by_turn),
        rows([(a, 0, -u_a.imag), (a, 1, one), (b, 0, u_b.imag), (b, 1, -one)], off.real, by_point),
        rows([(a, 0, u_a.real), (a, 2, one), (b, 0, -u_b.real), (b, 2, -one)], off.imag, by_point),
    ]
    try:
        x = _solved(equations, len(free)).reshape(-1, 3)
    except (Defect, np.linalg.LinAlgError):  # as it was, then
        return kappa, tau
    kappa, tau = kappa.copy(), tau.copy()
    kappa[free] *= np.exp(1j * x[:, 0])
    tau[free] += x[:, 1] + 1j * x[:, 2]
    return kappa, tau


def _solved(equations: list[Rows], stars: int) -> Floats:
    """The least-squares solution, (3·stars,); a few stars are solved as one full matrix. Raises Defect or LinAlgError."""
    n = 3 * stars
    if n > FULL:
        node = np.repeat(np.arange(stars), 3)
        pattern = Pattern.build(n, [r.columns for r in equations], node, np.zeros(stars, dtype=bool))
        return Cofactor(pattern, equations, None).solve(gradient(equations, n))
    normal = np.zeros(n * n)
    for r in equations:
        at = np.maximum(r.columns, 0)  # what is padded has the value 0
        both = r.values[:, :, None] * r.values[:, None, :]
        normal += np.bincount((at[:, :, None] * n + at[:, None, :]).ravel(), both.ravel(), minlength=n * n)
    N = normal.reshape(n, n)
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(N), np.finfo(float).tiny))
    N = N * scale[:, None] * scale
    if float(np.diagonal(np.linalg.cholesky(N)).min(initial=1.0)) ** 2 < PIVOT_LIMIT:
        raise np.linalg.LinAlgError("not determined")
    return np.asarray(np.linalg.solve(N, gradient(equations, n) * scale) * scale)

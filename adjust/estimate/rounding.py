"""How far rounding may have moved a solution: what an adjustment in double precision can promise.

Computed values are sums of coefficients times unknowns, each rounded: row k of the whitened equations is off by some

    u_k = ε·(Σ_j |a_kj x_j| + |l_k|),   ε = 2⁻⁵²

and the solution by QAᵀδ, δ_k about u_k each by itself. At most that is |u|·√Q_ii; where the bound is not small enough a few
random δ, the same in every run, say what it comes to.
"""

from __future__ import annotations

import numpy as np

from ..ground.table import Floats
from .datum import Cofactor
from .rows import Rows, gradient, roundings

PROBES = 4
SAFE = 3.0  # the largest of a few draws is rarely above three times their root mean square


def rounding(rows: list[Rows], x: Floats, cofactor: Cofactor, limit: float) -> Floats | None:
    """About how far off each unknown may be, (n,); None where the bound says that none is by `limit`, at little cost.

    rows: the equations at x, without constraints.
    """
    off = roundings(rows, x)
    total = float(np.sqrt(sum(float(u @ u) for u in off)))
    if total * float(np.sqrt(np.maximum(cofactor.diagonal, 0.0).max(initial=0.0))) <= limit:
        return None
    rng = np.random.default_rng(1)
    moved = np.zeros(len(x))
    for _ in range(PROBES):
        drawn = [
            Rows(r.columns, r.values, u * rng.standard_normal(len(u)), r.block)
            for r, u in zip(rows, off, strict=True)
        ]
        moved += cofactor.solve(gradient(drawn, len(x))) ** 2
    return np.asarray(SAFE * np.sqrt(moved / PROBES))

"""How far rounding may have moved a solution: what an adjustment in double precision can promise.

Computed values are sums of coefficients times unknowns, each rounded: row k of the whitened equations is off by some

    u_k = ε·(Σ_j |a_kj x_j| + |l_k|),   ε = 2⁻⁵²

and the solution by QAᵀδ, δ_k about u_k each by itself. At most that is |u|·√Q_ii, and its standard deviation, since
Σ_k (QAᵀ)²_ik = Q_ii, at most max(u)·√Q_ii; where neither bound is small enough a few random δ, the same in every run, say
what it comes to.
"""

from __future__ import annotations

import numpy as np

from ..ground.table import Floats
from .datum import Cofactor
from .rows import Rows, roundings

PROBES = 4
NOTHING = 1e-6  # of the largest: what is off by so little is not felt
SAFE = 3.0  # the largest of a few draws is rarely above three times their root mean square


def rounding(rows: list[Rows], x: Floats, cofactor: Cofactor, limit: float) -> Floats | None:
    """About how far off each unknown may be, (n,); None where the bound says that none is by `limit`, at little cost.

    rows: the equations at x, without constraints.
    """
    off = roundings(rows, x)
    total = float(np.sqrt(sum(float(u @ u) for u in off)))
    largest = max((float(u.max(initial=0.0)) for u in off), default=0.0)
    size = float(np.sqrt(max(0.0, float(cofactor.diagonal.max(initial=0.0)))))
    if min(total, SAFE * largest) * size <= limit:
        return None
    rng = np.random.default_rng(1)
    n = len(x)
    right = np.zeros((PROBES, n + 1))
    drawn = [[u * rng.standard_normal(len(u)) for u in off] for _ in range(PROBES)]
    for k, r in enumerate(rows):
        felt = np.flatnonzero(off[k] > NOTHING * largest)  # a prior at its own value is off by nothing
        places, values = (r.columns[felt] + 1).ravel(), r.values[felt]
        for probe in range(PROBES if len(felt) else 0):
            weight = (values * drawn[probe][k][felt, None]).ravel()
            right[probe] += np.bincount(places, weight, minlength=n + 1)
    right = np.ascontiguousarray(right[:, 1:].T)
    return np.asarray(SAFE * np.sqrt(np.mean(cofactor.solve(right) ** 2, axis=1)))

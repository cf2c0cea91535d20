"""How far rounding may have moved a solution: what an adjustment in double precision can promise.

Computed values are sums of coefficients times unknowns, each rounded: row k of the whitened equations is off by some

    u_k = ε·(Σ_j |a_kj x_j| + |l_k|),   ε = 2⁻⁵²

and the solution by QAᵀδ, δ_k about u_k each by itself. At most that is |u|·√Q_ii, and its standard deviation, since
Σ_k (QAᵀ)²_ik = Q_ii, at most max(u)·√Q_ii; where neither bound is small enough a few random δ, the same in every run, say
what it comes to.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..ground.table import Floats
from .datum import Cofactor
from .kernels import chosen
from .rows import Rows, gradient, roundings

PROBES = 4
AT_ONCE = 1 << 17  # rows whose figures are made together: their temporaries stay small
MANY = 1_000_000  # numbers in all probes: above this they are solved one by one
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
    right = _probes(rows, off, len(x), NOTHING * largest)
    del off
    width = PROBES if right.size < MANY else 1  # together they take less time, apart less room
    squares = np.zeros(len(x))
    for at in range(0, PROBES, width):
        squares += np.sum(cofactor.solve(right[:, at : at + width]) ** 2, axis=1)
    return np.asarray(SAFE * np.sqrt(squares / PROBES))


def _probes(rows: list[Rows], off: list[Floats], n: int, least: float) -> Floats:
    """Aᵀδ of a few random δ, (n, PROBES); what is off by no more than `least` may be left out."""
    rng = np.random.default_rng(1)
    out = np.zeros((n, PROBES))
    drawn = [[u * rng.standard_normal(len(u)) for u in off] for _ in range(PROBES)]
    if chosen(n):
        for probe in range(PROBES):
            out[:, probe] = gradient(
                [replace(r, misclosure=u) for r, u in zip(rows, drawn[probe], strict=True)], n
            )
        return out
    for k, r in enumerate(rows):
        felt = np.flatnonzero(off[k] > least)  # a prior at its own value is off by nothing
        for at in range(0, len(felt), AT_ONCE):
            part = felt[at : at + AT_ONCE]
            places, values = (r.columns[part] + 1).ravel(), r.values[part]
            for probe in range(PROBES):
                weight = (values * drawn[probe][k][part, None]).ravel()
                out[:, probe] += np.bincount(places, weight, minlength=n + 1)[1:]
    return out

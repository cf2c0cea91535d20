"""Linear equations in padded form: each row touches a few unknowns, and rows that touch equally many stand together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.table import Floats, Ints
from .kernels import chosen

AT_ONCE = 1 << 15  # rows whose figures are made together: their temporaries stay small


@dataclass(frozen=True)
class Rows:
    """m whitened equations (unit weight) in w padded columns.

    columns     (m, w) unknowns, −1 where nothing stands
    values      (m, w) coefficients, 0 where nothing stands
    misclosure  (m,) observed − computed
    block       how many consecutive rows were whitened together (3 for a vector with full covariance)
    """

    columns: Ints
    values: Floats
    misclosure: Floats
    block: int = 1

    def times(self, x: Floats) -> Floats:
        """A·x for x (n,) or (n, k)."""
        padded = np.concatenate([x, np.zeros((1, *x.shape[1:]))])
        return np.asarray(np.einsum("mw,mw...->m...", self.values, padded[self.columns]))


def gradient(rows: list[Rows], n: int) -> Floats:
    """Aᵀl over all rows, (n,)."""
    if chosen(n):
        from .loops.factor import products

        out = np.zeros(n)
        for r in rows:
            products(out, r.values, r.columns, r.misclosure)
        return out
    total = np.zeros(n + 1)
    for r in rows:
        total += np.bincount(
            (r.columns + 1).ravel(), (r.values * r.misclosure[:, None]).ravel(), minlength=n + 1
        )
    return total[1:]


def diagonal(rows: list[Rows], n: int) -> Floats:
    """Diagonal of AᵀA over all rows, (n,)."""
    if chosen(n):
        from .loops.factor import squares

        out = np.zeros(n)
        for r in rows:
            squares(out, r.values, r.columns)
        return out
    total = np.zeros(n + 1)
    for r in rows:
        total += np.bincount((r.columns + 1).ravel(), (r.values**2).ravel(), minlength=n + 1)
    return total[1:]


def objective(rows: list[Rows]) -> float:
    """vᵀPv at the point where the rows were computed."""
    return float(sum(float(r.misclosure @ r.misclosure) for r in rows))


def roundings(rows: list[Rows], x: Floats) -> list[Floats]:
    """How far rounding may put each equation off at x: ε·(Σ_j |a_kj x_j| + |l_k|), (m,) a Rows."""
    size = np.append(np.abs(x), 0.0)
    eps = float(np.finfo(float).eps)
    out = []
    for r in rows:
        total = np.abs(r.misclosure)
        for at in range(0, len(total), AT_ONCE):
            here = slice(at, at + AT_ONCE)
            total[here] += np.einsum("mw,mw->m", np.abs(r.values[here]), size[r.columns[here]])
        out.append(eps * total)
    return out

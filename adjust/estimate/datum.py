"""Inner constraints Bᵀx = c on a network whose datum is free, without touching the sparsity of its normal matrix.

The normal matrix N = AᵀA is singular (or nearly so). Pins P on two marks make N_p = N + PPᵀ regular; the
bordered system [N B; Bᵀ 0] is then solved exactly by a low-rank correction, so v, vᵀPv and redundancies owe nothing to the pins:

    Q = N_p⁻¹ − U K⁻¹ Uᵀ,   U = N_p⁻¹ W,   W = [B, −P],   K = WᵀU − diag(0, I)

Where N is exactly singular this equals the S-transformation of Baarda 1973 (from memory); tests hold it to that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.table import Floats, Ints
from .normals import Factor, Pattern
from .rows import Rows


@dataclass(frozen=True)
class Constraints:
    """d conditions Bᵀ(x − origin) = 0 and the pins that make the factor regular.

    B (n, d); origin (n,); pins: d rows over a few unknowns.
    """

    B: Floats
    origin: Floats
    pins: Rows

    @property
    def count(self) -> int:
        return int(self.B.shape[1])


class Cofactor:
    """Q, the inverse of the normal matrix under the constraints (or the plain inverse where there are none)."""

    def __init__(self, pattern: Pattern, rows: list[Rows], constraints: Constraints | None) -> None:
        self.n = pattern.n
        self._rows = len(rows) + (constraints is not None)
        self._columns = [r.columns for r in rows]
        self._constraints = constraints
        if constraints is None:
            self.factor = Factor(pattern, rows)
            return
        pins = constraints.pins
        self.factor = Factor(pattern, [*rows, pins])
        P = np.zeros((self.n + 1, len(pins.values)))
        np.add.at(P, (pins.columns, np.arange(len(pins.values))[:, None]), pins.values)
        d = constraints.count
        W = np.hstack([constraints.B, -P[: self.n]])
        self._U = self.factor.solve(W)
        K = W.T @ self._U
        K[d:, d:] -= np.eye(K.shape[0] - d)
        self._K = 0.5 * (K + K.T)

    def reweighted(self, rows: list[Rows]) -> Cofactor:
        """Of the same equations with other weights: their order, columns and constraints stay."""
        return Cofactor(self.factor.pattern, rows, self._constraints)

    def solve(self, right: Floats, offset: Floats | None = None) -> Floats:
        """x = Q·right, moved so that Bᵀx = offset where an offset (d,) is given; right (n,) or (n, k)."""
        x = self.factor.solve(right)
        c = self._constraints
        if c is None:
            return x
        side = self._U.T @ right
        if offset is not None:
            side = side.copy()
            side[: c.count] -= offset
        return np.asarray(x - self._U @ np.linalg.solve(self._K, side))

    def block(self, k: int) -> Floats:
        """Q among the unknowns of every row of the k-th Rows, (m, w, w)."""
        return self._entries(k, self._columns[k])

    def query(self, k: int, columns: Ints) -> Floats:
        """Q among the unknowns of every row of the k-th query, whose columns these are, (m, w, w)."""
        return self._entries(self._rows + k, columns)

    def _entries(self, place: int, columns: Ints) -> Floats:
        Q = self.factor.block(place, columns)
        if self._constraints is not None:
            U = np.concatenate([self._U, np.zeros((1, self._U.shape[1]))])[columns]
            Q = Q - U @ np.linalg.solve(self._K, U.transpose(0, 2, 1))
        return Q

    def gram(self, k: int, rows: Rows) -> Floats:
        """A Q Aᵀ within every block of the k-th Rows: (m / block, block, block)."""
        if rows.block == 1:
            Q = self.block(k)
            h: Floats = np.einsum("mi,mij,mj->m", rows.values, Q, rows.values)
            return h[:, None, None]
        b = rows.block  # rows of one block share their columns
        Q = self.block(k)[::b]
        A = rows.values.reshape(-1, b, rows.values.shape[1])
        product: Floats = A @ Q @ A.transpose(0, 2, 1)
        return product

    def leverage(self, k: int, rows: Rows) -> tuple[Floats, Floats]:
        """a Q aᵀ of every row of the k-th Rows (block 1), and how much of it may be rounding: (m,), (m,).

        Terms a_j²Q_jj far above their sum cancel in it; a lone unknown's Q_jj itself carries N_jj·Q_jj roundings.
        """
        Q = self.block(k)
        h: Floats = np.einsum("mi,mij,mj->m", rows.values, Q, rows.values)
        variance = np.einsum("mii->mi", Q)
        terms: Floats = np.einsum("mi,mi->m", rows.values**2, variance)
        if rows.values.shape[1] == 1:
            terms = variance[:, 0] / self.factor.scale[rows.columns[:, 0]] ** 2
        return h, 8.0 * np.finfo(float).eps * terms

    def columns(self, wanted: Ints) -> Floats:
        """Whole columns of Q, (n, k); for entries outside the pattern."""
        right = np.zeros((self.n, len(wanted)))
        right[wanted, np.arange(len(wanted))] = 1.0
        return self.solve(right)

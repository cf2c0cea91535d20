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
from .normals import Factor
from .pattern import Pattern
from .rows import AT_ONCE, Rows


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
        self._constraints = constraints
        self._diagonal: Floats | None = None
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
        self._K = np.linalg.inv(0.5 * (K + K.T))

    @property
    def constrained(self) -> bool:
        """True where inner constraints bend Q away from the inverse of the factor."""
        return self._constraints is not None

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
        return np.asarray(x - self._U @ (self._K @ side))

    def form(self, right: Floats, places: Ints | None = None) -> Floats:
        """rightᵀ·Q·right, (k, k), by a forward solve only.

        right (n, k), or (len(places), k) for some distinct unknowns, the others being 0: then the cost is that of the
        places' ways to the root, and does not grow with the network.
        """
        y = self.factor.half(right, places)
        out = y.T @ y
        if self._constraints is not None:
            side = (self._U if places is None else self._U[places]).T @ right
            out -= side.T @ self._K @ side
        return np.asarray(out)

    def forms(self, right: Floats, places: Ints | None = None) -> Floats:
        """The diagonal of `form`, (k,)."""
        out: Floats = np.sum(self.factor.half(right, places) ** 2, axis=0)
        if self._constraints is not None:
            side = (self._U if places is None else self._U[places]).T @ right
            out = out - np.sum(side * (self._K @ side), axis=0)
        return out

    @property
    def diagonal(self) -> Floats:
        """Q_ii of all unknowns, (n,)."""
        if self._diagonal is None:
            self._diagonal = self.factor.inverse.diagonal * self.factor.scale**2
            if self._constraints is not None:
                self._diagonal = _difference(self._diagonal, np.sum(self._U @ self._K * self._U, axis=1))
        return self._diagonal

    def entries(self, i: Ints, j: Ints) -> Floats:
        """Q_ij of unknowns i and j (of one shape); NaN where two stand together in no equation and no query."""
        Q = self.factor.entries(i, j)
        if self._constraints is not None:
            Q = _difference(Q, np.sum(self._U[i] @ self._K * self._U[j], axis=-1))
        return Q

    def query(self, k: int, columns: Ints, rows: slice = slice(None)) -> Floats:
        """Q among the unknowns of every row of the k-th query (or of some), whose columns these are, (m, w, w)."""
        return self._bent(self.factor.query(k, columns, rows), columns)

    def block(self, columns: Ints) -> Floats:
        """Q among unknowns that stand together in an equation: columns (m, w), −1 padded, gives (m, w, w)."""
        return self._bent(self.factor.block(columns), columns)

    def _bent(self, Q: Floats, columns: Ints) -> Floats:
        """Q of the pinned matrix → Q under the constraints."""
        if self._constraints is None:
            return Q
        U = np.concatenate([self._U, np.zeros((1, self._U.shape[1]))])[columns]
        return _difference(Q, U @ self._K @ U.transpose(0, 2, 1))

    def gram(self, k: int, rows: Rows) -> Floats:
        """A Q Aᵀ within every block of the k-th Rows: (m / block, block, block)."""
        if rows.block == 1:
            return self._leverage(k, rows)[:, None, None]
        b = rows.block  # rows of one block share their columns
        Q = self.block(rows.columns[::b])
        A = rows.values.reshape(len(rows.values) // b, b, rows.values.shape[1])
        product: Floats = A @ Q @ A.transpose(0, 2, 1)
        return product

    def leverage(self, k: int, rows: Rows) -> tuple[Floats, Floats]:
        """a Q aᵀ of every row of the k-th Rows (block 1), and how much of it may be rounding: (m,), (m,).

        Terms a_j²Q_jj far above their sum cancel in it; a lone unknown's Q_jj itself carries N_jj·Q_jj roundings.
        """
        variance = np.append(self.diagonal, 0.0)
        terms = np.empty(len(rows.values))
        if rows.values.shape[1] == 1:
            terms[:] = variance[rows.columns[:, 0]] / self.factor.scale[rows.columns[:, 0]] ** 2
        else:
            for at in range(0, len(terms), AT_ONCE):
                here = slice(at, at + AT_ONCE)
                terms[here] = np.einsum("mi,mi->m", rows.values[here] ** 2, variance[rows.columns[here]])
        return self._leverage(k, rows), 8.0 * np.finfo(float).eps * terms

    def _leverage(self, k: int, rows: Rows) -> Floats:
        """a Q aᵀ; the rows that the factor was made of have it at hand."""
        if rows.values is not self.factor.rows[k].values:
            h: Floats = np.einsum("mi,mij,mj->m", rows.values, self.block(rows.columns), rows.values)
            return h
        h = self.factor.inverse.leverage[k]
        if self._constraints is not None:
            side = rows.times(self._U)
            h = h - np.sum(side @ self._K * side, axis=1)
        return h

    def columns(self, wanted: Ints) -> Floats:
        """Whole columns of Q, (n, k); for entries outside the pattern."""
        right = np.zeros((self.n, len(wanted)))
        right[wanted, np.arange(len(wanted))] = 1.0
        return self.solve(right)


def _difference(a: Floats, b: Floats) -> Floats:
    """a − b, and 0 where it is no more than rounding of the two: what the constraints hold has no variance."""
    out = a - b
    return np.where(np.abs(out) <= 8.0 * np.finfo(float).eps * np.abs(a), 0.0, out)

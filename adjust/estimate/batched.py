"""The numbers of fronts in batches of like shape, worked on by numpy's batched linear algebra.

For a front with pivots P and boundary B:  L = chol(F_PP),  W = L⁻¹F_PB,  F_BB − WᵀW goes to the parent; and back,
Z_PB = −L⁻ᵀW Z_BB,  Z_PP = L⁻ᵀL⁻¹ − Z_PB WᵀL⁻¹.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..ground.table import Floats, Ints
from .batches import Batch
from .pattern import Inverse
from .rows import Rows

if TYPE_CHECKING:
    from .rounds import Rounds

SMALL = 32  # triangles that are inverted in one call
FEW, MANY = 6, 48  # pivots at most, fronts at least: loops over pivots beat a library call a front


class Batched:
    """See `pattern.Numbers`."""

    def __init__(self, pattern: Rounds, rows: list[Rows], scale: Floats, ridge: float) -> None:
        self.pattern = pattern
        self.rows = rows
        self.solved: list[tuple[Floats, Floats]] = []  # L⁻¹ and W of each batch
        self.smallest_pivot = np.inf
        padded = np.append(scale, 0.0)
        self._scaled = [r.values * padded[r.columns] for r in rows]
        self._factor(ridge)

    def _lone(self) -> Floats:
        """What rows of one unknown add to the diagonal, in permuted order, (n + 1,); 1 behind it, for padded pivots."""
        n = self.pattern.n
        total = np.zeros(n + 1)
        for r, v in zip(self.rows, self._scaled, strict=True):
            if r.columns.shape[1] == 1:
                total += np.bincount(r.columns[:, 0] + 1, v[:, 0] ** 2, minlength=n + 1)
        out = np.ones(n + 1)
        out[self.pattern.permutation] = total[1:]
        return out

    def _factor(self, ridge: float) -> None:
        pattern = self.pattern
        if any(pattern.repeated):
            self._scaled = [
                _gathered(r.columns, v) if t else v
                for r, v, t in zip(self.rows, self._scaled, pattern.repeated, strict=True)
            ]
        lone = self._lone()
        self._flat = pattern.buffer()
        storage = self._flat[: pattern.storage]
        storage[:] = 0.0
        leaves = np.empty(max((b.count * b.size**2 for b in pattern.batches if b.leaf), default=0))
        for batch in pattern.batches:
            p, s, c = batch.pivots, batch.size, batch.count
            stored = leaves[: c * s * s] if batch.leaf else storage[batch.start : batch.start + c * s * s]
            if batch.leaf:
                stored[:] = 0.0
            F = stored.reshape(c, s, s)
            for panel in batch.panels:
                R = panel.fill(self._scaled)
                F[panel.first : panel.last] += R.transpose(0, 2, 1) @ R
            F.reshape(c, s * s)[:, : p * s : s + 1] += lone[batch.scalars[:, :p]] + ridge
            inverse, W, pivots = _eliminate(F, p)
            if pivots.size:
                self.smallest_pivot = min(self.smallest_pivot, float(pivots.min()) ** 2)
            if s > p:
                rest = F[:, p:, p:] - W.transpose(0, 2, 1) @ W
                np.add.at(storage, batch.places.reshape(-1), rest.reshape(-1))
            self.solved.append((inverse, W))

    def forward(self, x: Floats) -> None:
        for batch, (inverse, W) in zip(self.pattern.batches, self.solved, strict=True):
            _down(x, batch.scalars, inverse, W)

    def backward(self, x: Floats) -> None:
        for batch, (inverse, W) in zip(reversed(self.pattern.batches), reversed(self.solved), strict=True):
            p = batch.pivots
            y = x[batch.scalars[:, :p]]
            if batch.size > p:
                y = y - W @ x[batch.scalars[:, p:]]
            x[batch.scalars[:, :p]] = inverse.transpose(0, 2, 1) @ y
            x[-1] = 0.0

    def release(self) -> None:
        self.pattern.spare.append(self._flat)

    def half(self, unknowns: Ints, right: Floats) -> Floats:
        pattern = self.pattern
        active = pattern.places.above(unknowns)
        scalars = pattern.places.pivots_of(active)
        local = np.full(pattern.n + 1, len(scalars), dtype=np.int64)
        local[scalars] = np.arange(len(scalars))
        x = np.zeros((len(scalars) + 1, right.shape[1]))
        x[local[pattern.permutation[unknowns]]] = right
        edges = np.searchsorted(active, pattern.edges)
        for b in np.flatnonzero(np.diff(edges)).tolist():
            batch, (inverse, W) = pattern.batches[b], self.solved[b]
            mine = active[edges[b] : edges[b + 1]] - batch.first
            whole = slice(None) if len(mine) == batch.count else mine
            _down(x, local[batch.scalars[whole]], inverse[whole], W[whole])
        return x[:-1]

    def selected(self) -> Inverse:
        pattern = self.pattern
        flat = self._flat  # the fronts are factored: their room is free
        leaves = np.empty(max((b.count * b.size**2 for b in pattern.batches if b.leaf), default=0))
        diagonal = np.zeros(pattern.n + 1)
        leverage = [np.zeros(len(r.columns)) for r in self.rows]
        queries = [np.zeros((m, w, w)) for m, w in pattern.asked]
        for batch, (inverse, W) in zip(reversed(pattern.batches), reversed(self.solved), strict=True):
            p, s, c = batch.pivots, batch.size, batch.count
            tall = p if batch.leaf else s
            kept = flat[batch.start : batch.start + c * tall * s].reshape(c, tall, s)
            Z = leaves[: c * s * s].reshape(c, s, s) if batch.leaf else kept
            _invert(Z, inverse, W, flat, batch)
            if batch.leaf:
                kept[:] = Z[:, :p]
            diagonal[batch.scalars[:, :p]] = np.diagonal(Z[:, :p, :p], axis1=1, axis2=2)
            for panel in batch.panels:
                R = panel.fill(self._scaled)
                h = np.einsum("fks,fks->fk", R @ Z[panel.first : panel.last], R).reshape(-1)
                for k, chosen, line, _ in panel.rows:
                    leverage[k][chosen] = h[line]
            for k, chosen, front, at in batch.queries:
                queries[k][chosen] = Z[front[:, None, None], at[:, :, None], at[:, None, :]]
        out = diagonal[pattern.permutation]
        for r, v, h in zip(self.rows, self._scaled, leverage, strict=True):
            if r.columns.shape[1] == 1:
                h[:] = v[:, 0] ** 2 * out[r.columns[:, 0]]
        return Inverse(out, leverage, queries, flat)


def _down(x: Floats, scalars: Ints, inverse: Floats, W: Floats) -> None:
    """The forward step of some fronts, in place; the last row of x belongs to what is padded, and stays 0."""
    p, k = inverse.shape[1], x.shape[1]
    y = inverse @ x[scalars[:, :p]]
    x[scalars[:, :p]] = y
    if W.shape[2]:
        outer = scalars[:, p:]
        places = outer[:, :, None] * k + np.arange(k) if k > 1 else outer
        np.subtract.at(x.reshape(-1), places.reshape(-1), (W.transpose(0, 2, 1) @ y).reshape(-1))
    x[-1] = 0.0


def _gathered(columns: Ints, values: Floats) -> Floats:
    """Coefficients of an unknown that stands twice in a row, summed at its last place, the only one that is read."""
    out = values.copy()
    w = columns.shape[1]
    for a in range(w):
        left = columns[:, a] >= 0
        for b in range(a + 1, w):
            same = left & (columns[:, a] == columns[:, b])
            out[same, b] += out[same, a]
            left &= ~same
    return out


def _eliminate(F: Floats, p: int) -> tuple[Floats, Floats, Floats]:
    """L⁻¹ (c, p, p), W = L⁻¹F_PB (c, p, b) and the diagonal of L (c, p) of fronts (c, s, s)."""
    if p > FEW or len(F) < MANY:
        L = np.linalg.cholesky(F[:, :p, :p].transpose(0, 2, 1))  # reads the upper triangle of F
        inverse = _lower_inverse(np.asarray(L, dtype=np.float64))
        return inverse, inverse @ F[:, :p, p:], np.diagonal(L, axis1=1, axis2=2)
    # row by row over all fronts: [L⁻¹ W] grows from [I F_PB]
    c, s = len(F), F.shape[1]
    G = np.zeros((c, p, s))
    G[:, :, p:] = F[:, :p, p:]
    G[:, np.arange(p), np.arange(p)] = 1.0
    T = F[:, :p, :p].copy()
    pivots = np.empty((c, p))
    with np.errstate(invalid="ignore"):
        for k in range(p):
            pivots[:, k] = root = np.sqrt(T[:, k, k])
            if not np.all(root > 0.0):
                raise np.linalg.LinAlgError("not positive definite")
            G[:, k] /= root[:, None]
            for i in range(k + 1, p):
                factor = T[:, k, i] / root
                G[:, i] -= factor[:, None] * G[:, k]
                T[:, i, i:] -= factor[:, None] * (T[:, k, i:] / root[:, None])
    return np.ascontiguousarray(G[:, :, :p]), np.ascontiguousarray(G[:, :, p:]), pivots


def _lower_inverse(L: Floats) -> Floats:
    """L⁻¹ of lower triangles (c, p, p), halved until small: numpy's own inverse does not know that they are triangles."""
    p = L.shape[1]
    if p <= SMALL:
        return np.asarray(np.linalg.inv(L))
    h = p // 2
    out = np.zeros_like(L)
    out[:, :h, :h] = upper = _lower_inverse(L[:, :h, :h])
    out[:, h:, h:] = lower = _lower_inverse(L[:, h:, h:])
    out[:, h:, :h] = -(lower @ (L[:, h:, :h] @ upper))
    return out


def _invert(Z: Floats, inverse: Floats, W: Floats, flat: Floats, batch: Batch) -> None:
    """Fronts Z of the inverse from those of their parents in `flat`."""
    p = batch.pivots
    back = inverse.transpose(0, 2, 1)
    Z[:, :p, :p] = back @ inverse
    if batch.size > p:
        outer = flat[batch.places]
        Y = back @ W
        cross = -(Y @ outer)
        Z[:, p:, p:] = outer
        Z[:, :p, p:] = cross
        Z[:, p:, :p] = cross.transpose(0, 2, 1)
        Z[:, :p, :p] -= cross @ Y.transpose(0, 2, 1)

"""Normal equations AᵀA x = Aᵀl: batched multifrontal Cholesky and the selected inverse on its pattern.

Fronts of like shape are factored together by numpy's batched linear algebra (`pattern`).
The selected inverse (Takahashi, Fagan and Chin 1973; from memory) gives every entry of (AᵀA)⁻¹ on the pattern of the
factor, so the covariance of all unknowns that stand in one equation comes without a dense inverse.

For a front with pivots P and boundary B:  L = chol(F_PP),  W = L⁻¹F_PB,  F_BB − WᵀW goes to the parent; and back,
Z_PB = −L⁻ᵀW Z_BB,  Z_PP = L⁻ᵀL⁻¹ − Z_PB WᵀL⁻¹.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import ModuleType

import numpy as np

from ..ground.table import Floats, Ints
from .batches import Batch
from .pattern import Pattern
from .rows import Rows, diagonal

PIVOT_LIMIT = (
    1e-11  # a pivot this small against its diagonal: the unknown is not determined (rounding is 1e-16)
)
SMALL = 32  # triangles that are inverted in one call
LARGE = 160  # size of fronts above which BLAS beats compiled loops
FEW, MANY = 6, 48  # pivots at most, fronts at least: loops over pivots beat a library call a front


class Defect(Exception):  # noqa: N818
    """The normal matrix is singular. `vectors` (n, k): how the unknowns can move without any equation noticing."""

    def __init__(self, vectors: Floats) -> None:
        self.vectors = vectors
        super().__init__(f"{vectors.shape[1]} combinations of unknowns are not determined")


@dataclass(frozen=True)
class Inverse:
    """What is kept of the inverse of the scaled matrix: its diagonal, a Q aᵀ of all rows, the queries, pivots' rows."""

    diagonal: Floats  # (n,)
    leverage: list[Floats]  # (m,) a Rows
    queries: list[Floats]  # (m, w, w) a query
    flat: Floats


class Factor:
    """AᵀA = LLᵀ, with solves and entries of the inverse. Columns are scaled to a unit diagonal first."""

    def __init__(self, pattern: Pattern, rows: list[Rows], ridge: float = 0.0) -> None:
        self.pattern = pattern
        self.rows = rows
        scale = diagonal(rows, pattern.n)
        empty = scale <= 0.0
        self.scale = 1.0 / np.sqrt(np.where(empty, 1.0, scale))
        self._inverse: Inverse | None = None
        self._solved: list[tuple[Floats, Floats]] = []
        self.smallest_pivot = np.inf
        try:
            self._factor(ridge)
            singular = self.smallest_pivot < PIVOT_LIMIT
        except np.linalg.LinAlgError:
            singular = True
        if (singular or empty.any()) and not ridge:
            raise Defect(_null_space(pattern, rows))

    # -- assembly ----------------------------------------------------------------------------------------------

    def _values(self) -> list[Floats]:
        """Scaled coefficients, (m, w) a Rows."""
        padded = np.append(self.scale, 0.0)
        return [r.values * padded[r.columns] for r in self.rows]

    def _lone(self, values: list[Floats]) -> Floats:
        """What rows of one unknown add to the diagonal, in permuted order, (n + 1,); 1 behind it, for padded pivots."""
        n = self.pattern.n
        total = np.zeros(n + 1)
        for r, v in zip(self.rows, values, strict=True):
            if r.columns.shape[1] == 1:
                total += np.bincount(r.columns[:, 0] + 1, v[:, 0] ** 2, minlength=n + 1)
        out = np.ones(n + 1)
        out[self.pattern.permutation] = total[1:]
        return out

    def _assembled(self, batch: Batch, values: list[Floats], F: Floats) -> None:
        """The rows of a batch added to its fronts."""
        loops = self._loops(batch)
        for panel in batch.panels:
            if loops is not None:
                for k, chosen, line, at in panel.rows:
                    loops.assemble(F, values[k], chosen, line, at, panel.first, panel.depth)
                continue
            R = panel.fill(values)
            F[panel.first : panel.last] += R.transpose(0, 2, 1) @ R

    def _loops(self, batch: Batch) -> ModuleType | None:
        """The compiled loops, where they are chosen and the fronts are not so large that BLAS is faster."""
        return self.pattern.loops if batch.size <= LARGE else None

    # -- factor ------------------------------------------------------------------------------------------------

    def _factor(self, ridge: float) -> None:
        pattern = self.pattern
        values = self._values()
        if any(pattern.repeated):
            values = [
                _gathered(r.columns, v) if t else v
                for r, v, t in zip(self.rows, values, pattern.repeated, strict=True)
            ]
        self._scaled = values
        lone = self._lone(values)
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
            self._assembled(batch, values, F)
            F.reshape(c, s * s)[:, : p * s : s + 1] += lone[batch.scalars[:, :p]] + ridge
            loops = self._loops(batch)
            if loops is not None:
                inverse, W = np.empty((c, p, p)), np.empty((c, p, s - p))
                smallest = loops.eliminate(F, p, inverse, W)
                if smallest < 0.0:
                    raise np.linalg.LinAlgError("not positive definite")
                self.smallest_pivot = min(self.smallest_pivot, smallest)
                loops.hand_up(F, p, storage, batch.target, batch.stride, batch.to_parent)
                self._solved.append((inverse, W))
                continue
            inverse, W, pivots = _eliminate(F, p)
            if pivots.size:
                self.smallest_pivot = min(self.smallest_pivot, float(pivots.min()) ** 2)
            if s > p:
                rest = F[:, p:, p:] - W.transpose(0, 2, 1) @ W
                np.add.at(storage, batch.places.reshape(-1), rest.reshape(-1))
            self._solved.append((inverse, W))

    # -- solutions ---------------------------------------------------------------------------------------------

    def solve(self, right: Floats) -> Floats:
        """x with AᵀA x = right; right (n,) or (n, k)."""
        x = self._forward(right[:, None] if right.ndim == 1 else right)
        for batch, (inverse, W) in zip(reversed(self.pattern.batches), reversed(self._solved), strict=True):
            p = batch.pivots
            if self.pattern.loops is not None:
                self.pattern.loops.backward(x, batch.scalars, inverse, W)
                continue
            y = x[batch.scalars[:, :p]]
            if batch.size > p:
                y = y - W @ x[batch.scalars[:, p:]]
            x[batch.scalars[:, :p]] = inverse.transpose(0, 2, 1) @ y
        out = x[self.pattern.permutation] * self.scale[:, None]
        return out[:, 0] if right.ndim == 1 else out

    def release(self) -> None:
        """Gives the storage of the fronts back to the pattern, for the next factor; no more entries can be asked for."""
        if self._inverse is None:
            self.pattern.spare.append(self._flat)

    def half(self, right: Floats, places: Ints | None = None) -> Floats:
        """y with yᵀy = rightᵀ(AᵀA)⁻¹right, (·, k): half the work of `solve`, and only where it is not zero.

        right (n, k), or (len(places), k) for some distinct unknowns, the others being 0: what touches a few unknowns then costs
        their way to the root alone.
        """
        if places is None:
            return self._forward(right)[:-1]
        pattern, at = self.pattern, self.pattern.permutation[places]
        active = pattern.places.above(places)
        scalars = pattern.places.pivots_of(active)
        local = np.full(pattern.n + 1, len(scalars), dtype=np.int64)
        local[scalars] = np.arange(len(scalars))
        x = np.zeros((len(scalars) + 1, right.shape[1]))
        x[local[at]] = right * self.scale[places, None]
        edges = np.searchsorted(active, pattern.edges)
        for b in np.flatnonzero(np.diff(edges)).tolist():
            batch, (inverse, W) = pattern.batches[b], self._solved[b]
            mine = active[edges[b] : edges[b + 1]] - batch.first
            whole = slice(None) if len(mine) == batch.count else mine
            self._down(x, local[batch.scalars[whole]], inverse[whole], W[whole])
        return x[:-1]

    def _forward(self, b: Floats) -> Floats:
        """L⁻¹b in the order of elimination, (n + 1, k): a zero behind it."""
        x = np.zeros((self.pattern.n + 1, b.shape[1]))
        x[self.pattern.permutation] = b * self.scale[:, None]
        for batch, (inverse, W) in zip(self.pattern.batches, self._solved, strict=True):
            self._down(x, batch.scalars, inverse, W)
        return x

    def _down(self, x: Floats, scalars: Ints, inverse: Floats, W: Floats) -> None:
        """The forward step of some fronts, in place; the last row of x belongs to what is padded, and stays 0."""
        p, k = inverse.shape[1], x.shape[1]
        if self.pattern.loops is not None:
            self.pattern.loops.forward(x, scalars, inverse, W)
            return
        y = inverse @ x[scalars[:, :p]]
        x[scalars[:, :p]] = y
        if W.shape[2]:
            outer = scalars[:, p:]
            places = outer[:, :, None] * k + np.arange(k) if k > 1 else outer
            np.subtract.at(x.reshape(-1), places.reshape(-1), (W.transpose(0, 2, 1) @ y).reshape(-1))
        x[-1] = 0.0

    # -- inverse -----------------------------------------------------------------------------------------------

    @property
    def inverse(self) -> Inverse:
        """The selected inverse, made when first asked for."""
        if self._inverse is None:
            self._inverse = self._selected()
        return self._inverse

    def _selected(self) -> Inverse:
        pattern = self.pattern
        flat = self._flat  # the fronts are factored: their room is free
        leaves = np.empty(max((b.count * b.size**2 for b in pattern.batches if b.leaf), default=0))
        diagonal_ = np.zeros(pattern.n + 1)
        leverage = [np.zeros(len(r.columns)) for r in self.rows]
        queries = [np.zeros((m, w, w)) for m, w in pattern.asked]
        for batch, (inverse, W) in zip(reversed(pattern.batches), reversed(self._solved), strict=True):
            p, s, c = batch.pivots, batch.size, batch.count
            tall = p if batch.leaf else s
            kept = flat[batch.start : batch.start + c * tall * s].reshape(c, tall, s)
            Z = leaves[: c * s * s].reshape(c, s, s) if batch.leaf else kept
            loops = self._loops(batch)
            if loops is not None:
                loops.invert(Z, inverse, W, flat, batch.target, batch.stride, batch.to_parent)
            else:
                _invert(Z, inverse, W, flat, batch)
            if batch.leaf:
                kept[:] = Z[:, :p]
            diagonal_[batch.scalars[:, :p]] = np.diagonal(Z[:, :p, :p], axis1=1, axis2=2)
            for panel in batch.panels:
                if loops is not None:
                    for k, chosen, line, at in panel.rows:
                        loops.leverage(
                            Z, self._scaled[k], chosen, line, at, panel.first, panel.depth, leverage[k]
                        )
                    continue
                R = panel.fill(self._scaled)
                h = np.einsum("fks,fks->fk", R @ Z[panel.first : panel.last], R).reshape(-1)
                for k, chosen, line, _ in panel.rows:
                    leverage[k][chosen] = h[line]
            for k, chosen, front, at in batch.queries:
                queries[k][chosen] = Z[front[:, None, None], at[:, :, None], at[:, None, :]]
        out = diagonal_[pattern.permutation]
        for r, v, h in zip(self.rows, self._scaled, leverage, strict=True):
            if r.columns.shape[1] == 1:
                h[:] = v[:, 0] ** 2 * out[r.columns[:, 0]]
        return Inverse(out, leverage, queries, flat)

    def entries(self, i: Ints, j: Ints) -> Floats:
        """(AᵀA)⁻¹ at (i, j), of one shape; NaN where it does not lie on the pattern."""
        at, found = self.pattern.places.entries(i, j)
        values = self.inverse.flat[at] * self.scale[i] * self.scale[j]
        return np.where(found, values, np.nan)

    def block(self, columns: Ints) -> Floats:
        """(AᵀA)⁻¹ among the unknowns of every row of columns, (m, w, w), 0 where padded; rows as those of the pattern."""
        there = columns >= 0
        both = there[:, :, None] & there[:, None, :]
        i = np.broadcast_to(columns[:, :, None], both.shape)[both]
        j = np.broadcast_to(columns[:, None, :], both.shape)[both]
        out = np.zeros(both.shape)
        out[both] = self.entries(i, j)
        return out

    def query(self, k: int, columns: Ints) -> Floats:
        """As `block`, of the k-th query of the pattern, whose columns these are."""
        s = np.append(self.scale, 0.0)[columns]
        return np.asarray(self.inverse.queries[k] * s[:, :, None] * s[:, None, :])


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


def _null_space(pattern: Pattern, rows: list[Rows]) -> Floats:
    """Combinations of unknowns that no equation sees, (n, k), by subspace iteration on the ridged matrix."""
    ridge = 1e-9
    factor = Factor(pattern, rows, ridge=ridge)
    if len(factor._solved) < len(pattern.batches):  # not even ridged: give up on directions, name nothing
        return np.zeros((pattern.n, 0))
    width = min(pattern.n, 12)
    x = np.random.default_rng(1).standard_normal((pattern.n, width))
    for _ in range(6):
        x = factor.solve(x / factor.scale[:, None]) / factor.scale[:, None]
        x, _r = np.linalg.qr(x)
    # Rayleigh quotients in the scaled metric
    gram = np.zeros((width, width))
    for r in rows:
        ax = r.times(x * factor.scale[:, None])
        gram += ax.T @ ax
    values, vectors = np.linalg.eigh(gram)
    chosen = values < 1e-8
    return np.asarray((x @ vectors[:, chosen]) * factor.scale[:, None])

"""Normal equations AᵀA x = Aᵀl: batched multifrontal Cholesky and the selected inverse on its pattern.

Fronts of equal shape on one level of the elimination tree are factored together by numpy's batched linear algebra.
The selected inverse (Takahashi, Fagan and Chin 1973; from memory) gives every entry of (AᵀA)⁻¹ on the pattern of the
factor, so the covariance of all unknowns that stand in one equation comes without a dense inverse.

For a front with pivots P and boundary B:  L = chol(F_PP),  W = L⁻¹F_PB,  F_BB − WᵀW goes to the parent; and back,
Z_PB = −L⁻ᵀW Z_BB,  Z_PP = L⁻ᵀL⁻¹ − Z_PB WᵀL⁻¹.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .ordering import cliques_of, fronts_of
from .rows import Rows, diagonal

PIVOT_LIMIT = (
    1e-11  # a pivot this small against its diagonal: the unknown is not determined (rounding is 1e-16)
)


class Defect(Exception):  # noqa: N818
    """The normal matrix is singular. `vectors` (n, k): how the unknowns can move without any equation noticing."""

    def __init__(self, vectors: Floats) -> None:
        self.vectors = vectors
        super().__init__(f"{vectors.shape[1]} combinations of unknowns are not determined")


@dataclass(frozen=True)
class _Batch:
    """Fronts of one level and one shape, contiguous in storage."""

    pivots: int  # p
    size: int  # p + b
    start: int  # offset of the first front in the flat storage
    count: int
    scalars: Ints  # (count, p + b) permuted unknowns of each front
    to_parent: Ints  # (count, b, b) flat places of F_BB in the parents' fronts


@dataclass(frozen=True)
class Pattern:
    """The symbolic part: depends on which unknowns stand together, not on any value."""

    n: int
    permutation: Ints  # (n,) unknown → permuted place
    batches: tuple[_Batch, ...]  # leaves first
    storage: int
    places: tuple[Ints, ...]  # for each Rows, then each query: (m, w, w) flat places of its outer products

    @classmethod
    def build(
        cls, n: int, columns: list[Ints], node: Ints, late: Flags, queries: tuple[Ints, ...] = ()
    ) -> Pattern:
        """Order, fronts and index maps for equations whose unknowns are `columns` (list of (m, w), −1 padded).

        node (n,): the node of each unknown; late (n_nodes,): nodes that are eliminated last. `queries` are further
        sets of unknowns among which the inverse will be asked for; each is kept together as an equation's are.
        """
        n_nodes = int(node.max()) + 1 if n else 0
        sizes = np.bincount(node, minlength=n_nodes)
        fronts = fronts_of(cliques_of([*columns, *queries], node), sizes, late)
        members: list[list[int]] = [[] for _ in range(n_nodes)]
        for i, k in enumerate(node.tolist()):
            members[k].append(i)
        seen = {k for f in fronts for k in f.pivots}
        unseen = [k for k in range(n_nodes) if k not in seen]
        if unseen:  # nodes without an equation: their zero pivots make the defect visible
            fronts[-1].pivots.extend(unseen) if fronts else fronts.append(type(fronts[0])(unseen, []))

        # permuted numbering: pivots of the fronts, in order
        permutation = np.empty(n, dtype=np.int64)
        first: list[int] = []
        home = [0] * n_nodes
        place = 0
        for f, front in enumerate(fronts):
            first.append(place)
            for k in front.pivots:
                home[k] = f
                for i in members[k]:
                    permutation[i] = place
                    place += 1
        n_fronts = len(fronts)
        pivots = [sum(len(members[k]) for k in f.pivots) for f in fronts]
        bounds: list[Ints] = []
        parent = [-1] * n_fronts
        for f, front in enumerate(fronts):
            inside = [permutation[i] for k in front.boundary for i in members[k]]
            bounds.append(np.sort(np.array(inside, dtype=np.int64)))
            if front.boundary:
                parent[f] = min(home[k] for k in front.boundary)
        level = [0] * n_fronts
        for f in range(n_fronts):
            if parent[f] >= 0:
                level[parent[f]] = max(level[parent[f]], level[f] + 1)
        shape = [(level[f], pivots[f], len(bounds[f])) for f in range(n_fronts)]
        order = sorted(range(n_fronts), key=lambda f: shape[f])
        offset = np.zeros(n_fronts, dtype=np.int64)
        storage = 0
        for f in order:
            offset[f] = storage
            storage += (pivots[f] + len(bounds[f])) ** 2

        # one sorted list of (front, boundary unknown) finds the local place of an unknown in a front
        first_a, pivots_a = np.array(first, dtype=np.int64), np.array(pivots, dtype=np.int64)
        size_a = pivots_a + np.array([len(b) for b in bounds], dtype=np.int64)
        keys = (
            np.concatenate([f * (n + 1) + b for f, b in enumerate(bounds)])
            if n_fronts
            else np.zeros(0, np.int64)
        )
        key_start = np.concatenate([[0], np.cumsum([len(b) for b in bounds])]).astype(np.int64)

        def local(front: Ints, scalar: Ints) -> Ints:
            own = (scalar >= first_a[front]) & (scalar < first_a[front] + pivots_a[front])
            at = np.searchsorted(keys, front * (n + 1) + scalar)
            return np.where(own, scalar - first_a[front], at - key_start[front] + pivots_a[front])

        batches: list[_Batch] = []
        i = 0
        while i < n_fronts:
            j = i
            while j < n_fronts and shape[order[j]] == shape[order[i]]:
                j += 1
            group = order[i:j]
            p, b = pivots[group[0]], len(bounds[group[0]])
            own = first_a[group][:, None] + np.arange(p)
            outer = np.array([bounds[f] for f in group], dtype=np.int64).reshape(len(group), b)
            if b:
                up = np.array([parent[f] for f in group], dtype=np.int64)[:, None]
                at = local(np.broadcast_to(up, outer.shape), outer)
                to_parent = offset[up][:, :, None] + at[:, :, None] * size_a[up][:, :, None] + at[:, None, :]
            else:
                to_parent = np.zeros((len(group), 0, 0), dtype=np.int64)
            batches.append(
                _Batch(
                    p,
                    p + b,
                    int(offset[group[0]]),
                    len(group),
                    np.concatenate([own, outer], axis=1),
                    to_parent,
                )
            )
            i = j

        front_of = np.repeat(np.arange(n_fronts), pivots_a)
        trash = storage
        padded = np.concatenate([permutation, [n]])
        places = []
        for c in (*columns, *queries):
            if not n or not c.size:  # everything is held, or nothing asked
                places.append(np.full((*c.shape, c.shape[1]), trash, dtype=np.int64))
                continue
            scalars = padded[c]  # −1 → n
            home_f = front_of[np.minimum(scalars.min(axis=1), n - 1)]
            at = local(np.broadcast_to(home_f[:, None], scalars.shape), scalars)
            flat = (
                offset[home_f][:, None, None]
                + at[:, :, None] * size_a[home_f][:, None, None]
                + at[:, None, :]
            )
            gone = c < 0
            flat[gone[:, :, None] | gone[:, None, :]] = trash
            places.append(flat)
        return cls(n, permutation, tuple(batches), storage, tuple(places))

    def factor(self, rows: list[Rows]) -> Factor:
        """Factor AᵀA of `rows` (in the order of `columns`). Raises Defect where it is singular."""
        return Factor(self, rows)


class Factor:
    """AᵀA = LLᵀ, with solves and entries of the inverse. Columns are scaled to a unit diagonal first."""

    def __init__(self, pattern: Pattern, rows: list[Rows], ridge: float = 0.0) -> None:
        self.pattern = pattern
        scale = diagonal(rows, pattern.n)
        empty = scale <= 0.0
        self.scale = 1.0 / np.sqrt(np.where(empty, 1.0, scale))
        padded = np.concatenate([self.scale, [0.0]])
        flat = np.zeros(pattern.storage + 1)
        for r, places in zip(rows, pattern.places, strict=False):
            if not len(r.values):
                continue
            v = r.values * padded[r.columns]
            flat += np.bincount(
                places.ravel(), (v[:, :, None] * v[:, None, :]).ravel(), minlength=pattern.storage + 1
            )
        self._flat: Floats | None = None
        self._solved: list[tuple[Floats, Floats]] = []
        smallest = np.inf
        try:
            for batch in pattern.batches:
                p, n_f = batch.pivots, batch.size
                F = flat[batch.start : batch.start + batch.count * n_f * n_f].reshape(batch.count, n_f, n_f)
                top = F[:, :p, :p]
                if ridge:
                    top = top + ridge * np.eye(p)
                L = np.linalg.cholesky(top)
                pivots = np.diagonal(L, axis1=1, axis2=2)
                if pivots.size:
                    smallest = min(smallest, float((pivots**2).min()))
                inverse = np.linalg.inv(L)
                W = inverse @ F[:, :p, p:]
                if n_f > p:
                    np.add.at(flat, batch.to_parent, F[:, p:, p:] - W.transpose(0, 2, 1) @ W)
                self._solved.append((inverse, W))
            singular = smallest < PIVOT_LIMIT
        except np.linalg.LinAlgError:
            singular = True
        self.smallest_pivot = smallest
        if (singular or empty.any()) and not ridge:
            raise Defect(_null_space(pattern, rows))

    def solve(self, right: Floats) -> Floats:
        """x with AᵀA x = right; right (n,) or (n, k)."""
        flat = right.ndim == 1
        b = right[:, None] if flat else right
        x = np.empty_like(b)
        x[self.pattern.permutation] = b * self.scale[:, None]
        for batch, (inverse, W) in zip(self.pattern.batches, self._solved, strict=True):
            p = batch.pivots
            y = inverse @ x[batch.scalars[:, :p]]
            x[batch.scalars[:, :p]] = y
            if batch.size > p:
                np.subtract.at(x, batch.scalars[:, p:], W.transpose(0, 2, 1) @ y)
        for batch, (inverse, W) in zip(reversed(self.pattern.batches), reversed(self._solved), strict=True):
            p = batch.pivots
            y = x[batch.scalars[:, :p]]
            if batch.size > p:
                y = y - W @ x[batch.scalars[:, p:]]
            x[batch.scalars[:, :p]] = inverse.transpose(0, 2, 1) @ y
        out = x[self.pattern.permutation] * self.scale[:, None]
        return out[:, 0] if flat else out

    def _selected_inverse(self) -> Floats:
        """All fronts of the inverse (of the scaled matrix), flat, one zero behind them for what is padded."""
        if self._flat is None:
            flat = np.zeros(self.pattern.storage + 1)
            for batch, (inverse, W) in zip(
                reversed(self.pattern.batches), reversed(self._solved), strict=True
            ):
                p, n_f = batch.pivots, batch.size
                Z = flat[batch.start : batch.start + batch.count * n_f * n_f].reshape(batch.count, n_f, n_f)
                back = inverse.transpose(0, 2, 1)
                Z[:, :p, :p] = back @ inverse
                if n_f > p:
                    outer = flat[batch.to_parent]
                    Y = back @ W
                    cross = -(Y @ outer)
                    Z[:, p:, p:] = outer
                    Z[:, :p, p:] = cross
                    Z[:, p:, :p] = cross.transpose(0, 2, 1)
                    Z[:, :p, :p] -= cross @ Y.transpose(0, 2, 1)
            self._flat = flat
        return self._flat

    def block(self, k: int, columns: Ints) -> Floats:
        """(AᵀA)⁻¹ among the unknowns of every row of the k-th Rows: (m, w, w), 0 where padded.

        `columns` are those of that Rows.
        """
        padded = np.concatenate([self.scale, [0.0]])
        s = padded[columns]
        entries = self._selected_inverse()[self.pattern.places[k]]
        return np.asarray(entries * s[:, :, None] * s[:, None, :])


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

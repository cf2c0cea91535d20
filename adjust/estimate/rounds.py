"""Fronts in rounds of independent ones, for numpy's batched linear algebra: which there are, and where every coefficient goes."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .batched import Batched
from .batches import Batch, Plan
from .ordering import Fronts, distinct_rows, fronts_of
from .pattern import Pattern
from .places import Places
from .rows import Rows

FEW_ROWS = 5000


@dataclass(frozen=True)
class Rounds(Pattern):
    """The fronts of n unknowns, in batches of like shape."""

    batches: tuple[Batch, ...]  # leaves first
    storage: int  # of all fronts that have one
    kept: int  # of the inverse
    places: Places
    repeated: tuple[bool, ...]  # of each Rows: has some row an unknown twice?
    spare: list[Floats] = field(default_factory=list)  # storage of factors that are done with

    @cached_property
    def edges(self) -> Ints:
        """Number of the first front of every batch, and of none behind them."""
        last = self.batches[-1]
        return np.array([*(b.first for b in self.batches), last.first + last.count])

    def buffer(self) -> Floats:
        """Storage for the fronts of one factor and for its inverse, of any content."""
        return self.spare.pop() if self.spare else np.empty(self.kept)

    @classmethod
    def of(
        cls, n: int, columns: list[Ints], node: Ints, sizes: Ints, late: Flags, queries: tuple[Ints, ...]
    ) -> Rounds:
        """As `Pattern.build`; sizes (n_nodes,): unknowns of a node."""
        tied = [_Tied.of(c, node) for c in (*columns, *queries)]
        fronts = fronts_of(_stacked([t.nodes for t in tied]), sizes, late)
        homes = [t.home(fronts) for t in tied]
        wide = [c.shape[1] > 1 for c in columns]
        rows_in = [h for h, w in zip(homes, wide, strict=False) if w]
        n_fronts = len(fronts.level)
        depth = (
            np.bincount(np.concatenate(rows_in), minlength=n_fronts) if rows_in else np.zeros(n_fronts, int)
        )
        plan = Plan(fronts, sizes, depth)
        places = Places(n, node, sizes, fronts, plan.rank, plan.shapes)
        parts = [
            (plan.rank[h], t.places(places, c))
            for t, h, c in zip(tied, homes, (*columns, *queries), strict=True)
        ]
        repeats = [_repeats(c) for c in columns]
        for (_, at), again in zip(parts, repeats, strict=False):
            if again is not None:
                at[again] = -1
        batches = plan.batches(places, parts[: len(columns)], wide, parts[len(columns) :])
        repeated = tuple(r is not None for r in repeats)
        asked = tuple((q.shape[0], q.shape[1]) for q in queries)
        return cls(n, places.permutation, asked, batches, plan.storage, plan.kept, places, repeated)

    def factored(self, rows: list[Rows], scale: Floats, ridge: float) -> Batched:
        return Batched(self, rows, scale, ridge)

    @property
    def sizes(self) -> tuple[Ints, Ints]:
        there = [b.scalars < self.n for b in self.batches]
        pivots = [t[:, : b.pivots].sum(axis=1) for t, b in zip(there, self.batches, strict=True)]
        boundary = [t[:, b.pivots :].sum(axis=1) for t, b in zip(there, self.batches, strict=True)]
        return np.concatenate(pivots), np.concatenate(boundary)

    def located(self, i: Ints, j: Ints) -> tuple[Ints, Ints]:
        return self.places.entries(i, j)


def _stacked(nodes: list[Ints]) -> Ints:
    width = max((c.shape[1] for c in nodes), default=1)
    return np.concatenate(
        [np.pad(c, ((0, 0), (0, width - c.shape[1])), constant_values=-1) for c in nodes]
        or [np.zeros((0, width), dtype=np.int64)]
    )


def _repeats(columns: Ints) -> Flags | None:
    """Places (m, w) whose unknown stands in the same row again further on; None where there are none."""
    w = columns.shape[1]
    if len(columns) < FEW_ROWS:  # then one sort costs less than all the comparisons
        inside = np.sort(columns, axis=1)
        if not np.any((inside[:, 1:] == inside[:, :-1]) & (inside[:, 1:] >= 0)):
            return None
    out: Flags | None = None
    for a in range(w):
        for b in range(a + 1, w):
            same = columns[:, a] == columns[:, b]
            if same.any() and (same := same & (columns[:, a] >= 0)).any():
                out = np.zeros(columns.shape, dtype=bool) if out is None else out
                out[same, a] = True
    return out


@dataclass(frozen=True)
class _Tied:
    """The nodes of the rows of one Rows: distinct cliques (k, v), the clique of each row, and the place of each column."""

    nodes: Ints
    which: Ints
    column: Ints

    @classmethod
    def of(cls, columns: Ints, node: Ints) -> _Tied:
        ids = np.append(node, -1)[columns]
        if not ids.shape[1]:  # everything is held
            ids = np.full((len(ids), 1), -1)
        kept: list[int] = []
        column = []
        top = ids[0].tolist() if len(ids) else [0] * ids.shape[1]
        for j in range(ids.shape[1]):
            alike = (i for i, k in enumerate(kept) if top[j] == top[k])
            same = [i for i in alike if np.array_equal(ids[:, j], ids[:, kept[i]])]
            column.append(same[0] if same else len(kept))
            if not same:
                kept.append(j)
        ids = ids[:, kept]
        first, which = distinct_rows(ids)
        return cls(ids[first], which, np.array(column, dtype=np.int64))

    def home(self, fronts: Fronts) -> Ints:
        """The front that each row belongs to: that of the node that is eliminated first; the last one of none."""
        last = len(fronts.level) - 1
        if not len(self.nodes):
            return np.zeros(0, dtype=np.int64)
        return np.asarray(np.append(fronts.home, last)[self.nodes].min(axis=1)[self.which])

    def places(self, places: Places, columns: Ints) -> Ints:
        """Place of every column in the front that its row belongs to, (m, w); −1 where padded."""
        if not columns.size or not len(places.start):  # nothing is asked, or everything is held
            return np.full(columns.shape, -1, dtype=np.int64)
        front = np.broadcast_to(self.home_rank(places)[:, None], self.nodes.shape)
        at = places.of_nodes(front, self.nodes)
        return np.where(columns >= 0, at[self.which][:, self.column] + places.within[columns], -1)

    def home_rank(self, places: Places) -> Ints:
        """As `home`, of the distinct cliques, in the final order."""
        last = len(places.pivots) - 1
        return np.asarray(np.append(places.home, last)[self.nodes].min(axis=1))

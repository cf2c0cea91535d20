"""Fronts in batches of like shape, and the rows and queries that belong to each.

Fronts of one round whose shapes are near each other are padded to one shape, so that numpy works on many of them in one call:
a padded pivot is a unit pivot tied to nothing, a padded boundary unknown a place that nothing is read from.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..ground.table import Floats, Ints
from .ordering import Fronts, parents, stable_order
from .places import Places, Shapes

AT_ONCE = 100_000  # numbers in the fronts that are worked on together: they stay in the cache
CALL = 60_000  # multiplications that one more batch costs
CACHED = 4_000_000  # index numbers that are kept rather than computed again


@dataclass(frozen=True)
class Panel:
    """Rows of some consecutive fronts of a batch, as a dense (fronts, depth, size) block of (fronts × depth) lines.

    rows: for each Rows, which of its rows stand here, the line (m,) of each, and the places (m, w) of its coefficients in
    the line, −1 where padded.
    """

    first: int
    last: int
    depth: int
    size: int
    rows: tuple[tuple[int, Ints, Ints, Ints], ...]

    @cached_property
    def _flat(self) -> list[Ints]:
        end = (self.last - self.first) * self.depth * self.size
        return [np.where(at >= 0, line[:, None] * self.size + at, end) for _, _, line, at in self.rows]

    def fill(self, values: list[Floats]) -> Floats:
        """The block, (fronts, depth, size), of coefficients (m, w) a Rows."""
        shape = (self.last - self.first, self.depth, self.size)
        flat = np.zeros(shape[0] * shape[1] * shape[2] + 1)
        for (k, chosen, _, _), places in zip(self.rows, self._flat, strict=True):
            flat[places] = values[k][chosen]
        return flat[:-1].reshape(shape)


@dataclass(frozen=True)
class Batch:
    """Fronts of one round, padded to `pivots` + boundary = `size`; contiguous in storage, from `start` on.

    scalars (count, size): permuted unknown at every place, n where padded. target (count,): storage of the parent front
    that takes up the boundary; stride (count,): its size; to_parent (count, size − pivots): places in it.
    A leaf has no front below it, and no storage; of its inverse the rows of the pivots are
    kept. panels: see there. queries: for each, rows, fronts, places in them.
    """

    pivots: int
    size: int
    count: int
    start: int
    leaf: bool
    first: int  # number of its first front
    scalars: Ints
    target: Ints
    stride: Ints
    to_parent: Ints
    panels: tuple[Panel, ...]
    queries: tuple[tuple[int, Ints, Ints, Ints], ...]

    @property
    def places(self) -> Ints:
        """Flat places of the boundary's square in the parents' storage, (count, b, b)."""
        return self._cached if self.to_parent.size * self.to_parent.shape[1] <= CACHED else self._places()

    def _places(self) -> Ints:
        row = self.target[:, None] + self.to_parent * self.stride[:, None]
        return np.asarray(row[:, :, None] + self.to_parent[:, None, :])

    @cached_property
    def _cached(self) -> Ints:
        return self._places()


class Plan:
    """Fronts put in their final order, in batches of like shape."""

    def __init__(self, fronts: Fronts, sizes: Ints, depth: Ints) -> None:
        n = len(fronts.level)
        self.fronts = fronts
        self.pivots = np.bincount(fronts.home, sizes, minlength=n).astype(np.int64)
        self.boundary = np.bincount(fronts.boundary_front, sizes[fronts.boundary_node], minlength=n).astype(
            np.int64
        )
        parent = parents(fronts)
        leaf = np.ones(n, dtype=bool)
        leaf[parent[parent >= 0]] = False
        leaf[n - 1] = False
        # (fronts of a batch, padded pivots, padded boundary), round by round
        self.groups: list[tuple[Ints, int, int]] = []
        for key in range(2 * int(fronts.level.max(initial=0)) + 2):
            here = np.flatnonzero((fronts.level == key // 2) & (leaf == (key % 2 == 0)))
            for group, p, b in _alike(here, self.pivots[here], self.boundary[here]):
                most = max(1, AT_ONCE // max(1, (p + b) ** 2))
                group = np.sort(
                    group
                )  # neighbours in the tables stay together: their parents are near each other
                group = group[np.argsort(-depth[group], kind="stable")]
                self.groups += [(group[a : a + most], p, b) for a in range(0, len(group), most)]
        order = np.concatenate([g for g, _, _ in self.groups])
        self.rank = np.empty(n, dtype=np.int64)
        self.rank[order] = np.arange(n)
        self.order = order
        self.depth = depth[order]
        self.leaf = leaf[order]
        count = [len(g) for g, _, _ in self.groups]
        self.padded = np.repeat(np.array([p for _, p, _ in self.groups], dtype=np.int64), count)
        self.size = np.repeat(np.array([p + b for _, p, b in self.groups], dtype=np.int64), count)
        self.parent = np.where(parent[order] >= 0, self.rank[parent[order]], -1)
        # in the storage of the inverse leaves follow behind, with their pivots' rows only
        stored = np.where(self.leaf, 0, self.size**2)
        behind = np.where(self.leaf, self.padded * self.size, 0)
        self.storage = int(stored.sum())
        self.kept = self.storage + int(behind.sum())
        self.start = np.where(
            self.leaf, self.storage + np.cumsum(behind) - behind, np.cumsum(stored) - stored
        )
        self.shapes = Shapes(self.pivots[order], self.padded, self.size, self.start, self.parent)

    def batches(
        self,
        places: Places,
        rows: list[tuple[Ints, Ints]],
        wide: list[bool],
        queries: list[tuple[Ints, Ints]],
    ) -> tuple[Batch, ...]:
        """All batches, with the rows and queries (fronts, places) that belong to their fronts."""
        last_front = len(self.order)
        slots = iter(_slots([f for (f, _), w in zip(rows, wide, strict=True) if w], last_front))
        front, column, scalar, up = places.scattered(self.parent)
        edges = np.cumsum([0, *(len(g) for g, _, _ in self.groups)])
        sorted_rows = [
            _Sorted(*r, next(slots), edges) if w else None for r, w in zip(rows, wide, strict=True)
        ]
        sorted_queries = [_Sorted(f, at, f, edges) for f, at in queries]
        cuts = np.searchsorted(front, edges)
        out = []
        for i, (group, p, b) in enumerate(self.groups):
            first, last = int(edges[i]), int(edges[i + 1])
            here = slice(first, last)
            parent = self.parent[here]
            scalars = np.full((len(group), p + b), places.n, dtype=np.int64)
            own = np.arange(p) < places.pivots[here, None]
            scalars[:, :p][own] = (places.first[here, None] + np.arange(p))[own]
            to_parent = np.zeros((len(group), b), dtype=np.int64)
            cut = slice(cuts[i], cuts[i + 1])
            scalars[front[cut] - first, column[cut]] = scalar[cut]
            to_parent[front[cut] - first, column[cut] - p] = up[cut]
            mine = []
            for k, r in enumerate(sorted_rows):
                if r is not None and (part := r.part(i)) is not None:
                    mine.append((k, *part))
            asked = []
            for k, q in enumerate(sorted_queries):
                if (part := q.part(i)) is not None:
                    asked.append((k, part[0], part[1], np.maximum(part[3], 0)))
            out.append(
                Batch(
                    p,
                    p + b,
                    len(group),
                    int(self.start[first]),
                    bool(self.leaf[first]),
                    first,
                    scalars,
                    np.where(parent >= 0, self.start[parent], 0),
                    self.size[parent],
                    to_parent,
                    tuple(_panels(self.depth[here], p + b, mine)),
                    tuple(asked),
                )
            )
        return tuple(out)


class _Sorted:
    """Rows in the order of their fronts, without those that touch no unknown."""

    def __init__(self, front: Ints, at: Ints, slot: Ints, edges: Ints) -> None:
        order = stable_order(front)
        at = at[order]
        there = (at >= 0).any(axis=1)
        if not there.all():
            order, at = order[there], at[there]
        front = front[order]
        self.cuts = np.searchsorted(front, edges)
        inside = front - np.repeat(edges[:-1], np.diff(self.cuts))
        self.order, self.front, self.at, self.slot = order, inside, at, slot[order]

    def part(self, batch: int) -> tuple[Ints, Ints, Ints, Ints] | None:
        """Row, front, slot and places of the rows of a batch; None where there are none."""
        a, z = self.cuts[batch], self.cuts[batch + 1]
        return (self.order[a:z], self.front[a:z], self.slot[a:z], self.at[a:z]) if a < z else None


def _alike(fronts: Ints, pivots: Ints, boundary: Ints) -> list[tuple[Ints, int, int]]:
    """Fronts grouped so that padding costs less than the calls it saves: (fronts, pivots, boundary) of each group."""
    if not len(fronts):
        return []
    order = np.lexsort((pivots, boundary))[::-1]
    p, b = pivots[order], boundary[order]
    change = np.flatnonzero(np.concatenate([[True], (np.diff(p) != 0) | (np.diff(b) != 0)]))
    count = np.diff(np.append(change, len(order)))
    out: list[tuple[Ints, int, int]] = []
    begin, P, B, held, cost = 0, 0, 0, 0, 0.0
    for at, c in zip(change.tolist(), count.tolist(), strict=True):
        p_, b_ = max(P, int(p[at])), max(B, int(b[at]))
        own = c * _cost(int(p[at]), int(b[at]))
        joined = (held + c) * _cost(p_, b_)
        if held and joined - cost - own > CALL + 0.15 * (cost + own):
            out.append((order[begin:at], P, B))
            begin, P, B, held, cost = at, int(p[at]), int(b[at]), c, own
        else:
            P, B, held, cost = p_, b_, held + c, joined
    out.append((order[begin:], P, B))
    return [(fronts[g], P, B) for g, P, B in out]


def _cost(p: int, b: int) -> float:
    """Multiplications of a front in factor and inverse, and a few for every number moved."""
    return float(p**3 + 3 * p * b * (p + b) + 4 * (p + b) ** 2)


def _slots(fronts: list[Ints], n: int) -> list[Ints]:
    """A number of every row among those of its front, over several Rows."""
    if not fronts:
        return []
    together = np.concatenate(fronts)
    order = stable_order(together)
    count = np.bincount(together, minlength=n)
    start = np.cumsum(count) - count
    slot = np.empty(len(together), dtype=np.int64)
    slot[order] = np.arange(len(together)) - start[together[order]]
    return np.split(slot, np.cumsum([len(f) for f in fronts])[:-1])


def _panels(depth: Ints, size: int, mine: list[tuple[int, Ints, Ints, Ints, Ints]]) -> list[Panel]:
    """Dense blocks of rows: fronts (deepest first) whose depths are near each other, and never too many at once."""
    out = []
    f, n = 0, len(depth)
    limit = max(1, 4 * AT_ONCE // max(1, size))
    while f < n and depth[f] > 0:
        deep = int(depth[f])
        last = f + 1
        while last < n and depth[last] * 3 + 2 >= deep * 2 and depth[last] and (last - f + 1) * deep <= limit:
            last += 1
        step = deep if last > f + 1 else min(deep, limit)
        for low in range(0, deep, step):  # one deep front comes in several slabs
            tall = min(step, deep - low)
            rows = []
            here: slice | Ints
            for k, chosen, front, slot, at in mine:
                a, z = np.searchsorted(front, [f, last])
                here = slice(a, z)
                if tall < deep:
                    here = a + np.flatnonzero((slot[a:z] >= low) & (slot[a:z] < low + tall))
                line = (front[here] - f) * tall + slot[here] - low
                if len(line):
                    rows.append((k, chosen[here], line, at[here]))
            out.append(Panel(f, last, tall, size, tuple(rows)))
        f = last
    return out

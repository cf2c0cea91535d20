"""Where nodes and unknowns stand: in the order of elimination, inside the fronts, and in the storage of the inverse."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.table import Ints
from .ordering import Fronts, stable_order


@dataclass(frozen=True)
class Shapes:
    """Of every front in the final order, (n_fronts,): pivots, pivots when padded, padded size, start in storage, parent."""

    pivots: Ints
    padded: Ints
    size: Ints
    start: Ints
    parent: Ints


class Places:
    """Where nodes and unknowns stand: in the order of elimination, and inside the fronts."""

    def __init__(
        self,
        n: int,
        node: Ints,
        sizes: Ints,
        fronts: Fronts,
        rank: Ints,
        shapes: Shapes,
    ) -> None:
        self.n, n_nodes = n, len(sizes)
        self.node = node
        self.pivots, self.padded, self.size, self.kept, self.parent = (
            shapes.pivots,
            shapes.padded,
            shapes.size,
            shapes.start,
            shapes.parent,
        )
        self.home = rank[fronts.home]
        self.sizes = sizes
        order = stable_order(self.home)
        start = np.cumsum(sizes[order]) - sizes[order]
        self.start = np.empty(n_nodes, dtype=np.int64)
        self.start[order] = start
        by_node = stable_order(node)
        within = np.arange(n) - (np.cumsum(sizes) - sizes)[node[by_node]]
        self.within = np.zeros(n + 1, dtype=np.int64)
        self.within[by_node] = within
        self.permutation = self.start[node] + self.within[:n]
        self.first = np.cumsum(self.pivots) - self.pivots
        # boundary nodes of every front in the order of elimination, where each begins, and one of no front behind them
        front, near = rank[fronts.boundary_front], fronts.boundary_node
        keys = front * (n + 1) + self.start[near]
        order = np.argsort(keys)
        self.keys = np.append(keys[order], np.iinfo(np.int64).max)
        front, self.near = front[order], near[order]
        self.begins = np.append(self.start[self.near], -1)
        ends = np.cumsum(sizes[self.near])
        before = np.append(0, ends)
        self.of_front = np.searchsorted(front, np.arange(len(self.pivots) + 1))
        offset = before[:-1] - before[self.of_front[front]] + self.padded[front]
        self.offset = np.append(offset, 0)

    def of_nodes(self, front: Ints, node: Ints) -> Ints:
        """Place of the first unknown of each node in each front; anything where the node is −1."""
        begin = self.start[node]
        own = self.home[node] == front
        at = self._found(front, begin)
        lost = (at < 0) & ~own & (node >= 0) & (self.sizes[node] > 0)
        if lost.any():  # pragma: no cover - a fault of ours
            raise RuntimeError("an equation does not lie within its front")
        return np.asarray(np.where(own, begin - self.first[front], self.offset[at]))

    def _found(self, front: Ints, begin: Ints) -> Ints:
        """Which boundary entry of the front has the node that begins there; −1 for none."""
        key = front * (self.n + 1) + begin
        at = np.minimum(np.searchsorted(self.keys, key), len(self.keys) - 1)
        return np.where(self.keys[at] == key, at, -1)

    def scattered(self, parent: Ints) -> tuple[Ints, Ints, Ints, Ints]:
        """Every boundary unknown of every front: front, place in it, permuted unknown, place in the parent's front."""
        size = self.sizes[self.near]
        front = np.repeat(np.arange(len(self.pivots)), np.diff(self.of_front))
        up = self.of_nodes(parent[front], self.near)
        ends = np.cumsum(size)
        step = np.arange(int(ends[-1]) if len(ends) else 0) - np.repeat(ends - size, size)
        return (
            np.repeat(front, size),
            np.repeat(self.offset[:-1], size) + step,
            np.repeat(self.begins[:-1], size) + step,
            np.repeat(up, size) + step,
        )

    def above(self, unknowns: Ints) -> Ints:
        """The fronts of some unknowns and all fronts on their ways to the root, sorted."""
        reached = np.zeros(len(self.pivots) + 1, dtype=bool)
        front = self.home[self.node[unknowns]]
        while len(front):
            reached[front] = True
            front = self.parent[front]
            front = np.flatnonzero(np.bincount(front[(front >= 0) & ~reached[front]]))
        return np.flatnonzero(reached)

    def pivots_of(self, fronts: Ints) -> Ints:
        """Permuted unknowns that are pivots of some fronts, in order."""
        size = self.pivots[fronts]
        ends = np.cumsum(size)
        return np.arange(int(ends[-1]) if len(ends) else 0) + np.repeat(
            self.first[fronts] - ends + size, size
        )

    def entries(self, i: Ints, j: Ints) -> tuple[Ints, Ints]:
        """Places of entries (i, j) of the inverse among what is kept of it, and which of them lie on the pattern."""
        swap = self.permutation[i] > self.permutation[j]
        i, j = np.where(swap, j, i), np.where(swap, i, j)
        front = self.home[self.node[i]]
        begin = self.start[self.node[j]]
        own = self.home[self.node[j]] == front
        at = self._found(front, begin)
        column = np.where(own, begin - self.first[front], self.offset[at]) + self.within[j]
        row = self.permutation[i] - self.first[front]
        found = own | (at >= 0)
        return np.where(found, self.kept[front] + row * self.size[front] + column, 0), found

"""Where nodes and unknowns stand: in the order of elimination, inside the fronts, and in the storage of the inverse."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.table import Ints
from .ordering import Fronts


@dataclass(frozen=True)
class Shapes:
    """Of every front in the final order, (n_fronts,): pivots, pivots when padded, padded size, start in storage."""

    pivots: Ints
    padded: Ints
    size: Ints
    start: Ints


class Places:
    """Where nodes and unknowns stand: in the order of elimination, and inside the fronts."""

    def __init__(self, n: int, node: Ints, sizes: Ints, fronts: Fronts, rank: Ints, shapes: Shapes) -> None:
        self.n, n_nodes = n, len(sizes)
        self.node = node
        self.pivots, self.padded, self.size, self.kept = (
            shapes.pivots,
            shapes.padded,
            shapes.size,
            shapes.start,
        )
        self.home = rank[fronts.home]
        self.sizes = sizes
        order = np.argsort(self.home, kind="stable")
        start = np.cumsum(sizes[order]) - sizes[order]
        self.start = np.empty(n_nodes, dtype=np.int64)
        self.start[order] = start
        by_node = np.argsort(node, kind="stable")
        within = np.arange(n) - (np.cumsum(sizes) - sizes)[node[by_node]]
        self.within = np.zeros(n + 1, dtype=np.int64)
        self.within[by_node] = within
        self.permutation = self.start[node] + self.within[:n]
        self.first = np.cumsum(self.pivots) - self.pivots
        # boundary nodes of every front in the order of elimination, and where each begins in it
        front, near = rank[fronts.boundary_front], fronts.boundary_node
        self.keys = front * (n + 1) + self.start[near]
        order = np.argsort(self.keys)
        self.keys, front, near = self.keys[order], front[order], near[order]
        ends = np.cumsum(sizes[near])
        begin = ends - sizes[near]
        self.of_front = np.searchsorted(front, np.arange(len(self.pivots) + 1))
        base = np.append(begin, ends[-1] if len(ends) else 0)[self.of_front[:-1]]
        self.offset = begin - base[front] + self.padded[front]
        self.near = near

    def of_nodes(self, front: Ints, node: Ints) -> Ints:
        """Place of the first unknown of each node in each front; anything where the node is −1."""
        begin = self.start[node]
        own = self.home[node] == front
        key = front * (self.n + 1) + begin
        at = np.minimum(np.searchsorted(self.keys, key), max(0, len(self.keys) - 1))
        if len(self.keys):
            outer = self.offset[at]
            if bool(np.any((self.keys[at] != key) & ~own & (node >= 0) & (self.sizes[node] > 0))):
                raise RuntimeError("an equation does not lie within its front")
        else:
            outer = np.zeros_like(begin)
        return np.asarray(np.where(own, begin - self.first[front], outer))

    def of_batch(self, first: int, last: int, p: int, b: int, parent: Ints) -> tuple[Ints, Ints]:
        """Permuted unknowns (count, p + b) of some fronts, n where padded, and places (count, b) in their parents."""
        count = last - first
        scalars = np.full((count, p + b), self.n, dtype=np.int64)
        own = np.arange(p) < self.pivots[first:last, None]
        scalars[:, :p][own] = (self.first[first:last, None] + np.arange(p))[own]
        low, high = self.of_front[first], self.of_front[last]
        near = self.near[low:high]
        front = np.repeat(np.arange(count), np.diff(self.of_front[first : last + 1]))
        to_parent = np.zeros((count, b), dtype=np.int64)
        if len(near):
            up = self.of_nodes(parent[front], near)
            size = self.sizes[near]
            step = np.arange(int(size.sum())) - np.repeat(np.cumsum(size) - size, size)
            row, column = np.repeat(front, size), np.repeat(self.offset[low:high], size) + step
            scalars[row, column] = np.repeat(self.start[near], size) + step
            to_parent[row, column - p] = np.repeat(up, size) + step
        return scalars, to_parent

    def entries(self, i: Ints, j: Ints) -> tuple[Ints, Ints]:
        """Places of entries (i, j) of the inverse among what is kept of it, and which of them lie on the pattern."""
        swap = self.permutation[i] > self.permutation[j]
        i, j = np.where(swap, j, i), np.where(swap, i, j)
        front = self.home[self.node[i]]
        node, begin = self.node[j], self.start[self.node[j]]
        own = self.home[node] == front
        key = front * (self.n + 1) + begin
        at = np.minimum(np.searchsorted(self.keys, key), max(0, len(self.keys) - 1))
        found = own.copy()
        outer = np.zeros_like(begin)
        if len(self.keys):
            found |= self.keys[at] == key
            outer = self.offset[at]
        column = np.where(own, begin - self.first[front], outer) + self.within[j]
        row = self.permutation[i] - self.first[front]
        return np.where(found, self.kept[front] + row * self.size[front] + column, 0), found

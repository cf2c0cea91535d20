"""Which unknowns to eliminate first: fronts of a multifrontal factorisation, from the graph of nodes.

Unknowns are grouped in nodes (a mark, a setup, a base). Every equation ties its nodes into a clique. Nodes are eliminated in
rounds: in each one all nodes that have the smallest degree among their neighbours (minimum degree, taken many at a time as in
Liu 1985; from memory). No two of a round are neighbours, so all of them can be computed together, and few rounds
are needed. Nodes with the same neighbours become one; what is left once it is small becomes one dense front.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.table import Flags, Ints

DENSE_ROOT = 160  # unknowns: below this a dense front is faster than finding an order for it


@dataclass(frozen=True)
class Fronts:
    """Fronts in the order of elimination; the last one holds what was left, and the late nodes.

    home (n_nodes,): the front whose pivot a node is; level (n_fronts,): its round;
    boundary_front, boundary_node (k,): the later nodes that each front touches, pair by pair.
    """

    home: Ints
    level: Ints
    boundary_front: Ints
    boundary_node: Ints


def distinct_rows(ids: Ints) -> tuple[Ints, Ints]:
    """First places of the distinct rows of (m, w), in their order, and which of them each row is."""
    key = np.zeros(len(ids), dtype=np.uint64)
    for j in range(ids.shape[1]):
        key = key * np.uint64(0x9E3779B97F4A7C15) + ids[:, j].astype(np.uint64)
        key ^= key >> np.uint64(29)
    order = np.argsort(key)
    new = np.ones(len(key), dtype=bool)
    new[1:] = np.diff(key[order]) != 0
    begin = np.flatnonzero(new)
    first = np.minimum.reduceat(order, begin) if len(key) else order
    by_first = np.argsort(first)
    number = np.empty(len(first), dtype=np.int64)
    number[by_first] = np.arange(len(first))
    first = first[by_first]
    which = np.empty(len(key), dtype=np.int64)
    which[order] = number[np.cumsum(new) - 1]
    if not np.array_equal(ids[first][which], ids):  # two rows share a key: never seen, yet possible
        _, first, which = np.unique(ids, axis=0, return_index=True, return_inverse=True)
    return first.astype(np.int64), which.reshape(-1).astype(np.int64)


def stable_order(keys: Ints) -> Ints:
    """argsort of numbers from 0 on, equal ones in their order: packed with their places, since numpy sorts faster so."""
    if not len(keys):
        return np.zeros(0, dtype=np.int64)
    bits = int(len(keys) - 1).bit_length()
    packed = (keys << bits) | np.arange(len(keys))
    packed.sort()
    return np.asarray(packed & ((1 << bits) - 1))


def fronts_of(cliques: Ints, sizes: Ints, late: Flags) -> Fronts:
    """An elimination order as fronts.

    cliques (k, w): nodes that stand together, −1 where nothing stands; sizes (n_nodes,): unknowns of a node. `late` nodes (a
    constant that every distance touches) would make everything neighbours of everything: they end in the last front.
    """
    n = len(sizes)
    element, node = _incidences(cliques, late)
    quotient = _Quotient(n, sizes, late, element, node)
    rounds: list[tuple[Ints, Ints, Ints]] = []
    home = np.full(n, -1, dtype=np.int64)
    level: list[Ints] = []
    count = 0
    step = quotient.private() if int(sizes[~late].sum()) > DENSE_ROOT else None
    while step is not None:
        members, front, near_front, near = step
        home[members] = count + front
        fronts = int(front.max()) + 1
        rounds.append((near_front + count, near, front))
        level.append(np.full(fronts, len(level), dtype=np.int64))
        count += fronts
        step = quotient.round()
    home[home < 0] = count
    level.append(np.array([len(level)], dtype=np.int64))
    none = np.zeros(0, dtype=np.int64)
    boundary_front = np.concatenate([r[0] for r in rounds]) if rounds else none
    boundary_node = np.concatenate([r[1] for r in rounds]) if rounds else none
    fronts_ = Fronts(home, np.concatenate(level), boundary_front, boundary_node)
    return _with_late(fronts_, cliques, late) if late.any() and count else fronts_


def parents(f: Fronts) -> Ints:
    """The front that takes up what a front leaves behind, (n_fronts,); −1 for none."""
    n = len(f.level)
    parent = np.full(n, n, dtype=np.int64)
    np.minimum.at(parent, f.boundary_front, f.home[f.boundary_node])
    return np.where(parent == n, -1, parent)


def _incidences(cliques: Ints, late: Flags) -> tuple[Ints, Ints]:
    """(element, node) pairs, sorted by element, without late nodes, repeats and cliques of one."""
    c = np.sort(np.where(np.append(late, True)[cliques], -1, cliques), axis=1)
    there = c >= 0
    there[:, 1:] &= c[:, 1:] != c[:, :-1]
    there &= there.sum(axis=1, keepdims=True) > 1
    element, _ = np.nonzero(there)
    return element.astype(np.int64), c[there]


class _Quotient:
    """The graph of what is not yet eliminated, as cliques (elements): pairs (element, node), sorted by element."""

    def __init__(self, n: int, sizes: Ints, late: Flags, element: Ints, node: Ints) -> None:
        self.n = n
        self.weight = np.where(late, 0, sizes).astype(np.int64)
        self.alive = ~late
        rng = np.random.default_rng(1)
        self.hash = rng.integers(0, 2**63, n, dtype=np.uint64)
        self.tie = rng.permutation(n)  # by number alone a chain of equals would have one smallest only
        self.group = np.arange(n)
        self.element, self.node = self._tidy(element, node)

    def private(self) -> tuple[Ints, Ints, Ints, Ints] | None:
        """First of all the nodes of one clique only: they go without fill, those of one clique together."""
        alone = np.bincount(self.node, minlength=self.n) == 1
        mine = alone[self.node]
        touched = np.zeros(int(self.element.max(initial=-1)) + 1, dtype=bool)
        touched[self.element[mine]] = True
        kept = np.zeros_like(touched)
        kept[self.element[~mine]] = True  # a clique of private nodes alone waits
        mine &= kept[self.element]
        if not mine.any():
            return self.round()
        touched &= kept
        number = np.cumsum(touched) - 1
        outer = ~mine & touched[self.element]
        step = (
            self.node[mine],
            number[self.element[mine]],
            number[self.element[outer]],
            self.node[outer],
        )
        self.alive[self.node[mine]] = False
        element, node = self.element[~mine], self.node[~mine]
        self.element, self.node = self._tidy(element, node)
        return step

    def _tidy(self, element: Ints, node: Ints) -> tuple[Ints, Ints]:
        """Without elements of one node, and without repeated ones."""
        if not len(node):
            return element, node
        begin = np.flatnonzero(np.concatenate([[True], element[1:] != element[:-1]]))
        size = np.diff(np.append(begin, len(element)))
        key = np.add.reduceat(self.hash[node], begin)
        _, first = np.unique(key, return_index=True)
        keep = np.zeros(len(begin), dtype=bool)
        keep[first] = (
            True  # equal sums of hashes: equal sets (a false match would be seen by the search for places)
        )
        keep &= size > 1
        wanted = np.repeat(keep, size)
        return np.repeat(np.cumsum(keep) - 1, size)[wanted], node[wanted]

    def _neighbours(self) -> tuple[Ints, Ints, Ints]:
        """All pairs (i, j) of neighbours, i = j among them, by i, and where each i begins."""
        size = np.bincount(self.element)
        start = np.cumsum(size) - size
        repeat = size[self.element]
        ends = np.cumsum(repeat)
        offset = np.arange(int(ends[-1])) - np.repeat(ends - repeat, repeat)
        key = np.repeat(self.node * self.n, repeat)
        key += self.node[np.repeat(start[self.element], repeat) + offset]
        key.sort()
        key = key[np.concatenate([[True], key[1:] != key[:-1]])]
        i = key // self.n
        return i, key - i * self.n, _begins(i)

    def round(self) -> tuple[Ints, Ints, Ints, Ints] | None:
        """Eliminate one set of independent nodes: (pivots, their fronts, boundary's fronts, boundary); None at the end."""
        if not len(self.node) or int(self.weight[self.alive].sum()) <= DENSE_ROOT:
            return None
        i, j, begin = self._neighbours()
        nodes = i[begin]
        i, j, begin, nodes = self._merge(i, j, begin, nodes)
        degree = np.add.reduceat(self.weight[j], begin) - self.weight[nodes]
        order = np.lexsort((self.tie[nodes], degree))
        rank = np.full(self.n, self.n, dtype=np.int64)
        rank[nodes[order]] = np.arange(len(order))
        beside = np.where(i == j, self.n, rank[j])
        chosen = nodes[rank[nodes] < np.minimum.reduceat(beside, begin)]
        number = np.full(self.n, -1, dtype=np.int64)
        number[chosen] = np.arange(len(chosen))
        self.alive[chosen] = False
        outer = (number[i] >= 0) & (i != j)
        front, near = number[i[outer]], j[outer]
        # groups as they stand now, written out as nodes
        joined = np.flatnonzero(self.group != np.arange(self.n))
        members = joined[stable_order(self.group[joined])]
        pivots, at = _expand(members, self.group[members], chosen)
        boundary, of = _expand(members, self.group[members], near)
        step = (pivots, at, front[of], boundary)
        # absorbed elements go, each front leaves one behind
        gone = np.zeros(int(self.element[-1]) + 1, dtype=bool)
        gone[self.element[number[self.node] >= 0]] = True
        keep = ~gone[self.element]
        element = np.concatenate([self.element[keep], len(gone) + front])
        self.element, self.node = self._tidy(element, np.concatenate([self.node[keep], near]))
        return step

    def _merge(self, i: Ints, j: Ints, begin: Ints, nodes: Ints) -> tuple[Ints, Ints, Ints, Ints]:
        """Nodes with equal neighbours, themselves included, become one."""
        key = np.add.reduceat(self.hash[j], begin)
        order = np.lexsort((nodes, key))
        new = np.concatenate([[True], np.diff(key[order]) != 0])
        leader = np.empty_like(nodes)
        leader[order] = nodes[order][np.flatnonzero(new)[np.cumsum(new) - 1]]
        merged = leader != nodes
        if not merged.any():
            return i, j, begin, nodes
        np.add.at(self.weight, leader[merged], self.weight[nodes[merged]])
        full = np.arange(self.n)
        full[nodes] = leader
        self.group = full[self.group]
        gone = np.zeros(self.n, dtype=bool)
        gone[nodes[merged]] = True
        self.alive[gone] = False
        keep = ~gone[self.node]
        self.element, self.node = self.element[keep], self.node[keep]
        keep = ~(gone[i] | gone[j])
        i, j = i[keep], j[keep]
        return i, j, _begins(i), nodes[~merged]


def _begins(i: Ints) -> Ints:
    return np.flatnonzero(np.concatenate([[True], i[1:] != i[:-1]])).astype(np.int64)


def _expand(members: Ints, leader: Ints, chosen: Ints) -> tuple[Ints, Ints]:
    """Every one of `chosen` and the members it leads (sorted by leader), and which of `chosen` each belongs to."""
    first = np.searchsorted(leader, chosen)
    count = np.searchsorted(leader, chosen, side="right") - first
    of = np.repeat(np.arange(len(chosen)), count)
    ends = np.cumsum(count)
    places = np.repeat(first, count) + np.arange(len(of)) - np.repeat(ends - count, count)
    return np.concatenate([chosen, members[places]]), np.concatenate([np.arange(len(chosen)), of])


def _with_late(f: Fronts, cliques: Ints, late: Flags) -> Fronts:
    """The late nodes added to the boundary of every front that touches them, or takes up one that does."""
    last = len(f.level) - 1
    places = np.flatnonzero(late)
    number = np.full(len(late) + 1, -1, dtype=np.int64)
    number[places] = np.arange(len(places))
    homes = np.append(f.home, last)[cliques]
    of = number[cliques]
    row, column = np.nonzero(of >= 0)
    touched = np.zeros((last + 1, len(places)), dtype=bool)
    touched[homes.min(axis=1)[row], of[row, column]] = True
    parent = parents(f)
    parent[parent < 0] = last
    for k in range(int(f.level.max())):
        here = np.flatnonzero(f.level == k)
        np.logical_or.at(touched, parent[here], touched[here])
    front, place = np.nonzero(touched[:last])
    return Fronts(
        f.home,
        f.level,
        np.concatenate([f.boundary_front, front]),
        np.concatenate([f.boundary_node, places[place]]),
    )

"""Which unknowns to eliminate first: fronts of a multifrontal factorisation, from the graph of nodes.

Unknowns are grouped in nodes (a mark, a setup, a base). Every equation ties its nodes into a clique. A node that stands
in one clique only (a target setup with its own effects) is eliminated without fill, all of them at once; then nodes
follow by minimum degree; what is left once it is small or a clique becomes one dense front.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np

from ..ground.table import Flags, Ints, distinct

DENSE_ROOT = 160  # unknowns: below this a dense front is faster than finding an order for it


@dataclass(frozen=True)
class Front:
    """`pivots` are eliminated, `boundary` are the later nodes they touch."""

    pivots: list[int]
    boundary: list[int]


def cliques_of(columns: list[Ints], node: Ints) -> list[tuple[int, ...]]:
    """The distinct node sets of all equations, as sorted tuples."""
    padded = np.concatenate([node, [-1]])
    seen: set[tuple[int, ...]] = set()
    for c in columns:
        if not c.size:
            continue
        ids = np.sort(padded[c], axis=1)
        ids = distinct(ids) if len(ids) > 1 else ids
        for row in ids.tolist():
            seen.add(tuple(sorted({i for i in row if i >= 0})))
    seen.discard(())
    return sorted(seen)


def fronts_of(cliques: list[tuple[int, ...]], sizes: Ints, late: Flags) -> list[Front]:
    """An elimination order as fronts.

    `sizes` (n_nodes,) unknowns of a node. `late` nodes (a constant that every distance touches) would make everything
    neighbours of everything: they are never candidates and end in the root.
    """
    n_nodes = len(sizes)
    is_late = late.tolist()
    size = sizes.tolist()
    late_nodes = [i for i in range(n_nodes) if is_late[i]]
    fronts: list[Front] = []
    members: list[set[int]] = [set(c) for c in cliques]
    of_node: list[set[int]] = [set() for _ in range(n_nodes)]
    for e, c in enumerate(members):
        for i in c:
            of_node[i].add(e)

    # private nodes: one clique each
    for c in members:
        private = sorted(i for i in c if len(of_node[i]) == 1 and not is_late[i])
        if private and len(private) < len(c):
            c.difference_update(private)
            fronts.append(Front(private, sorted(c)))
            for i in private:
                of_node[i] = set()
    done = [False] * n_nodes
    for f in fronts:
        for i in f.pivots:
            done[i] = True

    # drop cliques that lie inside another
    alive = _maximal(members, of_node)
    waiting = [i for i in range(n_nodes) if not done[i] and not is_late[i]]
    left = sum(size[i] for i in waiting)

    def degree(i: int) -> int:
        reach: set[int] = set()
        for e in of_node[i]:
            reach |= alive[e]
        return int(sum(size[j] for j in reach) - size[i])

    heap = [] if left <= DENSE_ROOT else [(degree(i), i) for i in waiting]
    current = {i: d for d, i in heap}
    heapq.heapify(heap)
    next_element = len(members)
    while heap and left > DENSE_ROOT:
        d, i = heapq.heappop(heap)
        if done[i] or current[i] != d:
            continue
        reach: set[int] = set()
        gone = of_node[i]
        for e in gone:
            reach |= alive.pop(e)
        # nodes that see nothing beyond this reach are eliminated with it
        pivots = [i] + [j for j in reach if j != i and not is_late[j] and of_node[j] <= gone]
        boundary = reach.difference(pivots)
        fronts.append(Front(sorted(pivots), sorted(boundary)))
        for j in pivots:
            done[j] = True
            left -= size[j]
        if boundary:
            alive[next_element] = boundary
            for j in boundary:
                of_node[j] -= gone
                of_node[j].add(next_element)
            next_element += 1
            for j in boundary:
                if not is_late[j]:
                    current[j] = degree(j)
                    heapq.heappush(heap, (current[j], j))
    root = [i for i in range(n_nodes) if not done[i] and not is_late[i]] + late_nodes
    if root:
        fronts.append(Front(root, []))
    return fronts


def _maximal(members: list[set[int]], of_node: list[set[int]]) -> dict[int, set[int]]:
    """Cliques that are not inside another one; `of_node` is cleaned in place."""
    alive: dict[int, set[int]] = {}
    for e in sorted(range(len(members)), key=lambda k: -len(members[k])):
        c = members[e]
        holders = [of_node[i] for i in c]
        inside = not c or any(
            o in alive and c <= alive[o] for o in (min(holders, key=len) if holders else ())
        )
        if inside:
            for i in c:
                of_node[i].discard(e)
        else:
            alive[e] = c
    return alive

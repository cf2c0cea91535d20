"""Independent closed loops of a graph, the short ones first to be found."""

from __future__ import annotations

from collections.abc import Iterable


def cycle_basis(edges: Iterable[tuple[int, int]], root: int | None = None) -> list[list[int]]:
    """One cycle (nodes in order, the first not repeated) for each edge that a breadth-first tree from `root` leaves over.

    They are a basis: edges − nodes + components of them, and every closed loop is a sum of some (Paton 1969, from memory).
    A tree grown in breadth keeps them short. Without a root, or where it is not in the graph, the smallest node serves;
    further components start at their smallest one. Edges of a node with itself, and repeated ones, count for nothing.
    """
    beside: dict[int, dict[int, None]] = {}
    for a, b in edges:
        if a != b:
            beside.setdefault(a, {})[b] = None
            beside.setdefault(b, {})[a] = None
    starts = sorted(beside)
    if root is not None and root in beside:
        starts.insert(0, root)
    above: dict[int, int] = {}
    depth: dict[int, int] = {}
    found: list[list[int]] = []
    for start in starts:
        if start in depth:
            continue
        above[start], depth[start] = start, 0
        order = [start]
        for node in order:
            for other in beside[node]:
                if other not in depth:
                    above[other], depth[other] = node, depth[node] + 1
                    order.append(other)
        rank = {node: k for k, node in enumerate(order)}
        for node in order:
            for other in beside[node]:
                if rank[other] > rank[node] and above[other] != node:
                    found.append(_closed(node, other, above, depth))
    return found


def _closed(a: int, b: int, above: dict[int, int], depth: dict[int, int]) -> list[int]:
    """The way from a up the tree to where it meets that of b, and down to b."""
    left, right = [a], [b]
    while left[-1] != right[-1]:
        longer = left if depth[left[-1]] >= depth[right[-1]] else right
        longer.append(above[longer[-1]])
    return left + right[-2::-1]

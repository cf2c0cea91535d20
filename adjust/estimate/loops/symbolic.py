"""The tree of fronts: what each touches, in which order they are taken, and where every coefficient goes."""

from __future__ import annotations

from typing import Any

import numpy as np

from .arrays import Array, Fronts, padded
from .compiler import loop


@loop
def boundaries(elements: Array, home: Array, fronts: int) -> Any:
    """Later nodes that every front touches: start (fronts + 1,), nodes; and the front of each element, by its earliest node.

    elements (k, w) nodes, −1 padded, late ones among them; home (n,): front of a node. Within a front nodes go by number.
    """
    k, w = elements.shape
    of = np.empty(k, np.int32)
    first = np.full(fronts, -1, np.int32)  # elements of a front, chained
    following = np.full(k, -1, np.int32)
    for e in range(k):
        least = fronts - 1
        for a in range(w):
            i = elements[e, a]
            if i >= 0:
                least = min(least, home[i])
        of[e] = least
        following[e] = first[least]
        first[least] = e
    start = np.zeros(fronts + 1, np.int64)
    nodes = np.empty(4 * k + 1000, np.int32)
    seen = np.full(len(home), -1, np.int32)
    child = np.full(fronts, -1, np.int32)
    sibling = np.full(fronts, -1, np.int32)
    parent = np.full(fronts, -1, np.int32)
    top = 0
    for f in range(fronts):
        begin = top
        e = first[f]
        while e >= 0:
            if top + w > len(nodes):
                larger = np.empty(2 * len(nodes) + w, np.int32)
                larger[:top] = nodes[:top]
                nodes = larger
            for a in range(w):
                i = elements[e, a]
                if i >= 0 and home[i] != f and seen[i] != f:
                    seen[i] = f
                    nodes[top] = i
                    top += 1
            e = following[e]
        c = child[f]
        while c >= 0:
            more = start[c + 1] - start[c]
            if top + more > len(nodes):
                larger = np.empty(2 * len(nodes) + more, np.int32)
                larger[:top] = nodes[:top]
                nodes = larger
            for q in range(start[c], start[c + 1]):
                i = nodes[q]
                if home[i] != f and seen[i] != f:
                    seen[i] = f
                    nodes[top] = i
                    top += 1
            c = sibling[c]
        start[f + 1] = top
        up = fronts
        for q in range(begin, top):
            up = min(up, home[nodes[q]])
        if up < fronts:
            parent[f] = up
            sibling[f] = child[up]
            child[up] = f
    return start, nodes[:top].copy(), parent, of


@loop
def beneath(parent: Array) -> Array:
    """Fronts of the tree under each, itself among them."""
    out = np.ones(len(parent), np.int64)
    for f in range(len(parent)):
        if parent[f] >= 0:
            out[parent[f]] += out[f]
    return out


@loop
def postorder(parent: Array) -> Array:
    """Number of every front such that all below one come right before it."""
    n = len(parent)
    below = beneath(parent)
    number = np.empty(n, np.int32)
    begin = np.zeros(n, np.int64)  # where the tree under each begins
    at = 0
    for f in range(n - 1, -1, -1):  # roots, the later the further back
        if parent[f] < 0:
            at += below[f]
    roots = at
    taken = np.zeros(n, np.int64)
    for f in range(n - 1, -1, -1):
        p = parent[f]
        if p < 0:
            roots -= below[f]
            begin[f] = roots
        else:
            taken[p] += below[f]
            begin[f] = begin[p] + below[p] - 1 - taken[p]
        number[f] = begin[f] + below[f] - 1
    return number


@loop
def placed(home: Array, node: Array, sizes: Array, n: int, fronts: int) -> Any:
    """First unknown of every node, and every unknown, in the order of elimination; home: the front of a node."""
    weight = np.zeros(fronts + 1, np.int64)
    for i in range(len(home)):
        weight[home[i] + 1] += sizes[i]
    for f in range(fronts):
        weight[f + 1] += weight[f]
    place = np.empty(len(home), np.int32)
    for i in range(len(home)):
        place[i] = weight[home[i]]
        weight[home[i]] += sizes[i]
    permutation = np.empty(n, np.int64)
    within = np.zeros(len(home), np.int32)
    for c in range(n):
        permutation[c] = place[node[c]] + within[node[c]]
        within[node[c]] += 1
    return place, permutation


@loop
def scattered(
    start: Array,
    nodes: Array,
    back: Array,
    parent: Array,
    place: Array,
    sizes: Array,
    first: Array,
    pivots: Array,
) -> Any:
    """Boundary unknowns of every front, ascending: where each front's begin, the unknowns, their places in the parent.

    start, nodes: as of `boundaries`, whose fronts `back` gives for the new numbers; place (n,): first unknown of a node in the
    order of elimination; first, pivots, parent (fronts,).
    """
    fronts = len(parent)
    begin = np.zeros(fronts + 1, np.int64)
    most = 0
    for f in range(fronts):
        total = 0
        for q in range(start[back[f]], start[back[f] + 1]):
            total += sizes[nodes[q]]
        begin[f + 1] = begin[f] + total
        most = max(most, start[back[f] + 1] - start[back[f]])
    unknown = np.empty(begin[fronts], np.int32)
    up = np.empty(begin[fronts], np.int32)
    room = np.empty(most, np.int64)
    for f in range(fronts):
        at = begin[f]
        k = start[back[f] + 1] - start[back[f]]
        for x in range(k):
            i = nodes[start[back[f]] + x]
            packed = (np.int64(place[i]) << 32) | i
            y = x
            if k <= 40:
                while y > 0 and room[y - 1] > packed:
                    room[y] = room[y - 1]
                    y -= 1
            room[y] = packed
        if k > 40:
            room[:k].sort()
        for x in range(k):
            i = np.int32(room[x] & 0xFFFFFFFF)
            for s in range(sizes[i]):
                unknown[at] = place[i] + s
                at += 1
    for f in range(fronts):
        p = parent[f]
        if p < 0:
            continue
        z = begin[p]
        for q in range(begin[f], begin[f + 1]):
            u = unknown[q]
            if u < first[p] + pivots[p]:
                up[q] = u - first[p]
            else:
                while unknown[z] < u:
                    z += 1
                up[q] = pivots[p] + z - begin[p]
    return begin, unknown, up


@loop
def coefficients(
    columns: Array, permutation: Array, line: Array, begin: Array, cols: Array, dest: Array
) -> None:
    """Coefficients of rows (m, w) put into lines: cols gets the unknowns of a line, ascending, dest (m, w) their places.

    line (m,): which line a row is; begin: where lines begin; −1 padded places are left out. One that stands twice in a
    row has one place, and another that stays empty.
    """
    m, w = columns.shape
    room = np.empty(w, np.int64)
    first = 0
    for r in range(m):
        if line[r] < 0:
            for a in range(w):
                dest[r, a] = -1
            continue
        b = begin[line[r]]
        k = 0
        for a in range(w):
            c = columns[r, a]
            if c < 0:
                dest[r, a] = -1
                continue
            packed = (permutation[c] << 16) | a
            at = k
            while at > 0 and room[at - 1] > packed:
                room[at] = room[at - 1]
                at -= 1
            room[at] = packed
            k += 1
        for at in range(k):
            u = room[at] >> 16
            cols[b + at] = u
            first = at if at == 0 or cols[b + at - 1] != u else first
            dest[r, room[at] & 65535] = b + first


@loop
def within(of_front: Array, begin: Array, cols: Array, t: Fronts, n: int) -> bool:
    """Whether the unknowns of every line (−1: none) stand in its front. of_front (fronts + 1,): where its lines begin."""
    seen = np.full(n, -1, np.int32)
    for f in range(len(t.first)):
        for u in range(t.first[f], t.first[f] + t.pivots[f]):
            seen[u] = f
        for q in range(t.start[f], t.start[f + 1]):
            seen[t.unknown[q]] = f
        for e in range(begin[of_front[f]], begin[of_front[f + 1]]):
            if cols[e] >= 0 and seen[cols[e]] != f:
                return False
    return True


@loop
def frames(parent: Array, size: Array) -> Any:
    """Where each front lies on a stack that holds it and all above it, (fronts,), and how long that gets."""
    out = np.zeros(len(parent), np.int64)
    deepest = 0
    for f in range(len(parent) - 1, -1, -1):
        g = parent[f]
        if g >= 0:
            out[f] = out[g] + np.int64(padded(size[g])) ** 2
        deepest = max(deepest, out[f] + np.int64(padded(size[f])) ** 2)
    return out, deepest


@loop
def grouped(of_front: Array, begin: Array, cols: Array) -> Any:
    """Consecutive lines of a front with the same unknowns put together.

    Where the groups of each front begin, the lines of each group, and the unknowns of each; the unknowns.
    """
    lines = len(begin) - 1
    groups = np.empty(lines + 1, np.int64)
    at = np.empty(lines + 1, np.int64)
    out = np.empty(len(cols), np.int32)
    fronts = np.zeros(len(of_front), np.int64)
    count = 0
    top = 0
    for f in range(len(of_front) - 1):
        for r in range(of_front[f], of_front[f + 1]):
            w = begin[r + 1] - begin[r]
            same = r > of_front[f] and w == begin[r] - begin[r - 1]
            if same:
                for x in range(w):
                    if cols[begin[r] + x] != cols[begin[r - 1] + x]:
                        same = False
                        break
            if not same:
                groups[count] = r
                at[count] = top
                for x in range(w):
                    out[top] = cols[begin[r] + x]
                    top += 1
                count += 1
        fronts[f + 1] = count
    groups[count] = lines
    at[count] = top
    return fronts, groups[: count + 1].copy(), at[: count + 1].copy(), out[:top].copy()


@loop
def questions(columns: Array, permutation: Array, line: Array, begin: Array, cols: Array) -> None:
    """As `coefficients`, in the order of the columns; −1 where none stands."""
    m, w = columns.shape
    for r in range(m):
        if line[r] >= 0:
            for a in range(w):
                c = columns[r, a]
                cols[begin[line[r]] + a] = permutation[c] if c >= 0 else -1


@loop
def lined(keys: Array, fronts: int) -> Any:
    """A number for every row such that those of a front stand together, in the order of fronts; −1 where the key is.

    Also where the numbers of each front begin, (fronts + 1,).
    """
    begin = np.zeros(fronts + 1, np.int64)
    for f in keys:
        if f >= 0:
            begin[f + 1] += 1
    for f in range(fronts):
        begin[f + 1] += begin[f]
    taken = begin.copy()
    out = np.full(len(keys), -1, np.int32)
    for r in range(len(keys)):
        f = keys[r]
        if f >= 0:
            out[r] = taken[f]
            taken[f] += 1
    return out, begin


@loop
def filled(columns: Array) -> Array:
    """How many of the places of every row stand for an unknown."""
    m, w = columns.shape
    out = np.zeros(m, np.int32)
    for r in range(m):
        for a in range(w):
            if columns[r, a] >= 0:
                out[r] += 1
    return out

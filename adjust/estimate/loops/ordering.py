"""Which nodes to eliminate first, one after the other: approximate minimum degree on a graph given as cliques.

Every equation ties its nodes into a clique (an element). Eliminating a node joins all its elements into one. Degrees are
bounded as in Amestoy, Davis and Duff 1996 (from memory): |L_p \\ i| + Σ |L_e \\ L_p|; nodes that have become
indistinguishable are merged, nodes that touch the new element alone go with its pivot, elements within it are absorbed.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from .arrays import Array
from .compiler import loop


@loop
def cliques(columns: Array, node: Array, width: int) -> Any:
    """The distinct nodes of every row of columns (m, w), ascending and −1 padded, (m, width); and how many at most."""
    m, w = columns.shape
    out = np.full((m, width), -1, np.int32)
    most = 0
    for r in range(m):
        k = 0
        for a in range(w):
            c = columns[r, a]
            if c < 0:
                continue
            i = node[c]
            at = k
            while at > 0 and out[r, at - 1] > i:
                at -= 1
            if at > 0 and out[r, at - 1] == i:
                continue
            for b in range(k, at, -1):
                out[r, b] = out[r, b - 1]
            out[r, at] = i
            k += 1
        most = max(most, k)
    return out, most


@loop
def distinct(rows: Array) -> Any:
    """First places of the distinct rows of (m, w), and which of them each row is."""
    m, w = rows.shape
    size = 16
    while size < 2 * m:
        size *= 2
    table = np.full(size, -1, np.int32)
    first = np.empty(m, np.int32)
    which = np.empty(m, np.int32)
    count = 0
    for r in range(m):
        if r > 0:  # neighbours are alike more often than not
            same = True
            for a in range(w):
                if rows[r, a] != rows[r - 1, a]:
                    same = False
                    break
            if same:
                which[r] = which[r - 1]
                continue
        key = np.uint64(1469598103934665603)
        for a in range(w):
            key = (key ^ np.uint64(rows[r, a] + 1)) * np.uint64(1099511628211)
            key ^= key >> np.uint64(31)
        at = np.int64(key & np.uint64(size - 1))
        while True:
            k = table[at]
            if k < 0:
                table[at] = count
                first[count] = r
                which[r] = count
                count += 1
                break
            f = first[k]
            same = True
            for a in range(w):
                if rows[r, a] != rows[f, a]:
                    same = False
                    break
            if same:
                which[r] = k
                break
            at = (at + 1) & (size - 1)
    return first[:count].copy(), which


@loop
def private(elements: Array, late: Array, home: Array) -> Any:
    """First the nodes of one element only: they go without fill, those of one element together.

    elements (k, w), −1 padded, are freed of them and of late nodes, in place; home (n,) gets the fronts of what goes.
    How many fronts, and how many nodes are left in each element.
    """
    k, w = elements.shape
    times = np.zeros(len(home), np.int32)
    for e in range(k):
        for a in range(w):
            i = elements[e, a]
            if i >= 0:
                times[i] += 1
    left = np.zeros(k, np.int32)
    fronts = 0
    for e in range(k):
        kept = 0
        gone = False
        for a in range(w):
            i = elements[e, a]
            if i < 0 or late[i]:
                continue
            if times[i] == 1:
                home[i] = fronts
                gone = True
            else:
                elements[e, kept] = i
                kept += 1
        for a in range(kept, w):
            elements[e, a] = -1
        left[e] = kept
        if gone:
            fronts += 1
    return fronts, left


@loop
def minimum_degree(elements: Array, weights: Array, home: Array, fronts: int, root: int) -> int:
    """Fronts for all nodes that are in some element (k, w), −1 padded: home (n,) is filled in; the number of fronts.

    weights (n,): unknowns of a node. What is left when it weighs no more than `root` becomes the last front.
    """
    k, w = elements.shape
    n = len(home)
    weight = weights.astype(np.int64)
    # elements of a node, and nodes of an element, as lists in two pools
    length = np.zeros(n, np.int32)
    for e in range(k):
        for a in range(w):
            if elements[e, a] >= 0:
                length[elements[e, a]] += 1
    begin = np.zeros(n + 1, np.int64)
    for i in range(n):
        begin[i + 1] = begin[i] + length[i]
    of_node = np.empty(begin[n], np.int32)
    length[:] = 0
    pool = np.empty(4 * begin[n] + 1000, np.int32)
    start = np.empty(k + n, np.int64)
    size = np.zeros(k + n, np.int32)
    heavy = np.zeros(k + n, np.int64)
    top = 0
    for e in range(k):
        start[e] = top
        for a in range(w):
            i = elements[e, a]
            if i >= 0:
                of_node[begin[i] + length[i]] = e
                length[i] += 1
                pool[top] = i
                top += 1
                heavy[e] += weight[i]
        size[e] = top - start[e]
    alive = np.zeros(n, np.bool_)
    seen = np.full(n, -1, np.int32)
    degree = np.zeros(n, np.int64)
    total = 0
    for i in range(n):
        if length[i] == 0:
            continue
        alive[i] = True
        total += weight[i]
        for q in range(begin[i], begin[i] + length[i]):
            e = of_node[q]
            for z in range(start[e], start[e] + size[e]):
                j = pool[z]
                if seen[j] != i:
                    seen[j] = i
                    degree[i] += weight[j]
        degree[i] -= weight[i]
    head = np.full(total + 2, -1, np.int32)
    after = np.full(n, -1, np.int32)
    before = np.full(n, -1, np.int32)
    for i in range(n - 1, -1, -1):
        if alive[i]:
            d = degree[i]
            after[i] = head[d]
            if head[d] >= 0:
                before[head[d]] = i
            head[d] = i
    member = np.full(n, -1, np.int32)  # the next one that was merged
    last = np.arange(n).astype(np.int32)
    seen[:] = -1
    outside = np.zeros(k + n, np.int64)
    stamp = np.full(k + n, -1, np.int32)
    dead = np.zeros(k + n, np.bool_)
    hashed = np.full(n, -1, np.int32)  # bucket → first node
    chained = np.full(n, -1, np.int32)
    key = np.zeros(n, np.int64)
    elements_now = k
    lowest = 0
    while total > root:
        while head[lowest] < 0:
            lowest += 1
        p = head[lowest]
        head[lowest] = after[p]
        if after[p] >= 0:
            before[after[p]] = -1
        alive[p] = False
        total -= weight[p]
        # the new element
        new = elements_now
        elements_now += 1
        tag = new
        need = 0
        for q in range(begin[p], begin[p] + length[p]):
            need += size[of_node[q]]
        if top + need > len(pool):
            larger = np.empty(2 * len(pool) + need, np.int32)
            larger[:top] = pool[:top]
            pool = larger
        start[new] = top
        whole = 0
        for q in range(begin[p], begin[p] + length[p]):
            e = of_node[q]
            if dead[e]:
                continue
            dead[e] = True
            for z in range(start[e], start[e] + size[e]):
                j = pool[z]
                if alive[j] and seen[j] != tag:
                    seen[j] = tag
                    pool[top] = j
                    top += 1
                    whole += weight[j]
        # what of each touched element lies outside the new one
        for z in range(start[new], top):
            i = pool[z]
            for q in range(begin[i], begin[i] + length[i]):
                e = of_node[q]
                if dead[e]:
                    continue
                if stamp[e] != tag:
                    stamp[e] = tag
                    outside[e] = heavy[e]
                outside[e] -= weight[i]
        home[p] = fronts
        m = member[p]
        while m >= 0:
            home[m] = fronts
            m = member[m]
        kept = start[new]
        gone = 0
        for z in range(start[new], top):
            i = pool[z]
            # out of its list of degrees
            if before[i] >= 0:
                after[before[i]] = after[i]
            else:
                head[degree[i]] = after[i]
            if after[i] >= 0:
                before[after[i]] = before[i]
            bound = 0
            put = begin[i]
            mixed = np.int64(0)
            for q in range(begin[i], begin[i] + length[i]):
                e = of_node[q]
                if dead[e] or outside[e] == 0:  # joined in the new one, or within it
                    continue
                bound += outside[e]
                of_node[put] = e
                put += 1
                mixed += np.int64(e) * np.int64(2654435761)
            if put == begin[i]:  # nothing but the new element: it goes with the pivot
                alive[i] = False
                total -= weight[i]
                gone += weight[i]
                home[i] = fronts
                m = member[i]
                while m >= 0:
                    home[m] = fronts
                    m = member[m]
                continue
            of_node[put] = new
            length[i] = put + 1 - begin[i]
            key[i] = mixed
            degree[i] = bound  # completed below
            pool[kept] = i
            kept += 1
        whole -= gone
        for z in range(start[new], kept):
            i = pool[z]
            bucket = (key[i] ^ (key[i] >> 17)) % n
            if bucket < 0:
                bucket += n
            # nodes with equal elements become one
            j = hashed[bucket]
            merged = False
            while j >= 0:
                if key[j] == key[i] and length[j] == length[i]:
                    same = True
                    for q in range(length[i]):
                        if of_node[begin[i] + q] != of_node[begin[j] + q]:
                            same = False
                            break
                    if same:
                        merged = True
                        break
                j = chained[j]
            if merged:
                weight[j] += weight[i]
                weight[i] = 0
                alive[i] = False
                member[last[j]] = i
                last[j] = last[i]
            else:
                chained[i] = hashed[bucket]
                hashed[bucket] = i
        put_ = start[new]
        for z in range(start[new], kept):
            i = pool[z]
            bucket = (key[i] ^ (key[i] >> 17)) % n
            if bucket < 0:
                bucket += n
            hashed[bucket] = -1
            if not alive[i]:
                continue
            d = min(degree[i] + whole - weight[i], total - weight[i])
            degree[i] = d
            before[i] = -1
            after[i] = head[d]
            if head[d] >= 0:
                before[head[d]] = i
            head[d] = i
            lowest = min(lowest, d)
            pool[put_] = i
            put_ += 1
        top = put_
        size[new] = top - start[new]
        heavy[new] = whole
        fronts += 1
    some = False
    for i in range(n):
        if alive[i]:
            some = True
            home[i] = fronts
            m = member[i]
            while m >= 0:
                home[m] = fronts
                m = member[m]
    return fronts + 1 if some else fronts

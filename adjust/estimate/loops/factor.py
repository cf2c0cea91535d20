"""The numbers of a factor, front by front in postorder; a front and all above it lie on a stack.

Of a front with pivots P and boundary B the rows [U_PP U_PB] of U = Lᵀ are kept, (p, s) row by row from kept[f] on. Only upper
triangles are read and written.
"""

from __future__ import annotations

import numpy as np

from .arrays import SMALL, Array, Fronts, Lines, Room, padded
from .compiler import loop


@loop
def gathered(vals: Array, values: Array, columns: Array, scale: Array, dest: Array) -> None:
    """Scaled coefficients (m, w) added to their places."""
    m, w = values.shape
    for r in range(m):
        for a in range(w):
            d = dest[r, a]
            if d >= 0:
                vals[d] += values[r, a] * scale[columns[r, a]]


@loop
def alone(lone: Array, values: Array, columns: Array, scale: Array, permutation: Array) -> None:
    """What rows of one unknown (m, 1) add to the diagonal, in the order of elimination."""
    for r in range(len(values)):
        c = columns[r, 0]
        if c >= 0:
            lone[permutation[c]] += (values[r, 0] * scale[c]) ** 2


@loop
def squares(out: Array, values: Array, columns: Array) -> None:
    """Σ a² of every unknown, added to out."""
    m, w = values.shape
    for r in range(m):
        for a in range(w):
            c = columns[r, a]
            if c >= 0:
                out[c] += values[r, a] * values[r, a]


@loop
def products(out: Array, values: Array, columns: Array, misclosure: Array) -> None:
    """Σ a·l of every unknown, added to out."""
    m, w = values.shape
    for r in range(m):
        for a in range(w):
            c = columns[r, a]
            if c >= 0:
                out[c] += values[r, a] * misclosure[r]


@loop
def spread(f: int, s: int, g: int, r: int, z: int, t: Fronts, lines: Lines, vals: Array, room: Room) -> None:
    """Lines r … z − 1 of group g, of front f, written out over all s unknowns of the front: room.R, one after the other."""
    p, low, w = t.pivots[f], t.first[f], padded(s)
    R, at = room.R, room.at
    for q in range((z - r) * w):
        R[q] = 0.0
    for i in range(r, z):
        while i >= lines.groups[g + 1]:
            g += 1
        c, b = lines.at[g], lines.begin[i]
        for x in range(lines.at[g + 1] - c):
            u = lines.columns[c + x]
            R[(i - r) * w + (u - low if u < low + p else at[u])] += vals[b + x]


@loop
def assembled(
    F: Array, f: int, t: Fronts, lines: Lines, vals: Array, lone: Array, ridge: float, room: Room
) -> None:
    """The products of the lines of front f, and what single unknowns have, added to the upper triangle of F."""
    p, low = t.pivots[f], t.first[f]
    s = p + t.start[f + 1] - t.start[f]
    for i in range(p):
        F[i, i] += lone[low + i] + ridge
    if lines.of_front[f] == lines.of_front[f + 1]:
        return
    at, place, G, R = room.at, room.place, room.G, room.R
    for q in range(t.start[f], t.start[f + 1]):
        at[t.unknown[q]] = p + q - t.start[f]
    if s <= SMALL:  # most lines touch most of a small front
        g, w = lines.of_front[f], padded(s)
        last = lines.groups[lines.of_front[f + 1]]
        for r in range(lines.groups[g], last, SMALL):
            while r >= lines.groups[g + 1]:
                g += 1
            many = min(SMALL, last - r)
            spread(f, s, g, r, r + many, t, lines, vals, room)
            for x in range(0, s, 2):
                for y in range(x // 4 * 4, s, 4):  # eight sums at once
                    a0, a1, a2, a3 = F[x, y], F[x, y + 1], F[x, y + 2], F[x, y + 3]
                    b0, b1, b2, b3 = F[x + 1, y], F[x + 1, y + 1], F[x + 1, y + 2], F[x + 1, y + 3]
                    for q in range(0, many * w, w):
                        u, v = R[q + x], R[q + x + 1]
                        r0, r1, r2, r3 = R[q + y], R[q + y + 1], R[q + y + 2], R[q + y + 3]
                        a0 += u * r0
                        a1 += u * r1
                        a2 += u * r2
                        a3 += u * r3
                        b0 += v * r0
                        b1 += v * r1
                        b2 += v * r2
                        b3 += v * r3
                    F[x, y], F[x, y + 1], F[x, y + 2], F[x, y + 3] = a0, a1, a2, a3
                    F[x + 1, y], F[x + 1, y + 1], F[x + 1, y + 2], F[x + 1, y + 3] = b0, b1, b2, b3
        return
    for g in range(
        lines.of_front[f], lines.of_front[f + 1]
    ):  # the products of a group summed, then scattered
        c = lines.at[g]
        w = lines.at[g + 1] - c
        for x in range(w):
            u = lines.columns[c + x]
            place[x] = u - low if u < low + p else at[u]
            for y in range(x, w):
                G[x, y] = 0.0
        for r in range(lines.groups[g], lines.groups[g + 1]):
            b = lines.begin[r]
            for x in range(w):
                v = vals[b + x]
                if v != 0.0:
                    for y in range(x, w):
                        G[x, y] += v * vals[b + y]
        for x in range(w):
            i = place[x]
            for y in range(x, w):
                F[i, place[y]] += G[x, y]


@loop
def handed_up(F: Array, p: int, s: int, above: Array, up: Array) -> None:
    """What is left of a front F added to the one above it; up (s − p,): places there."""
    for i in range(s - p):
        r = up[i]
        for j in range(i, s - p):
            above[r, up[j]] += F[p + i, p + j]


@loop
def eliminated(F: Array, p: int, s: int) -> float:
    """The first p rows of F (s, …) become those of U, the rest what is left; the smallest pivot, −1 for none."""
    smallest = np.inf
    k = 0
    while k < p:
        z = min(k + 4, p)
        for i in range(k, z):  # four rows at a time: each number of the rest is loaded once for them
            pivot = F[i, i]
            if not pivot > 0.0:
                return -1.0
            smallest = min(smallest, pivot)
            root = 1.0 / np.sqrt(pivot)
            for j in range(i, s):
                F[i, j] *= root
            for r in range(i + 1, z):
                m = F[i, r]
                for j in range(r, s):
                    F[r, j] -= m * F[i, j]
        for r in range(
            z, s
        ):  # four columns at once; what lies below the diagonal or behind the front is not read
            if z - k == 4:
                m0, m1, m2, m3 = F[k, r], F[k + 1, r], F[k + 2, r], F[k + 3, r]
                for j in range(r // 4 * 4, s, 4):
                    a0 = F[r, j] - m0 * F[k, j] - m1 * F[k + 1, j] - m2 * F[k + 2, j] - m3 * F[k + 3, j]
                    j += 1
                    a1 = F[r, j] - m0 * F[k, j] - m1 * F[k + 1, j] - m2 * F[k + 2, j] - m3 * F[k + 3, j]
                    j += 1
                    a2 = F[r, j] - m0 * F[k, j] - m1 * F[k + 1, j] - m2 * F[k + 2, j] - m3 * F[k + 3, j]
                    j += 1
                    a3 = F[r, j] - m0 * F[k, j] - m1 * F[k + 1, j] - m2 * F[k + 2, j] - m3 * F[k + 3, j]
                    F[r, j - 3], F[r, j - 2], F[r, j - 1], F[r, j] = a0, a1, a2, a3
            elif z - k == 3:
                m0, m1, m2 = F[k, r], F[k + 1, r], F[k + 2, r]
                for j in range(r // 4 * 4, s, 4):
                    a0 = F[r, j] - m0 * F[k, j] - m1 * F[k + 1, j] - m2 * F[k + 2, j]
                    j += 1
                    a1 = F[r, j] - m0 * F[k, j] - m1 * F[k + 1, j] - m2 * F[k + 2, j]
                    j += 1
                    a2 = F[r, j] - m0 * F[k, j] - m1 * F[k + 1, j] - m2 * F[k + 2, j]
                    j += 1
                    a3 = F[r, j] - m0 * F[k, j] - m1 * F[k + 1, j] - m2 * F[k + 2, j]
                    F[r, j - 3], F[r, j - 2], F[r, j - 1], F[r, j] = a0, a1, a2, a3
            else:
                for i in range(k, z):
                    m = F[i, r]
                    for j in range(r, s):
                        F[r, j] -= m * F[i, j]
        k = z
    return smallest


@loop
def put_away(F: Array, p: int, s: int, U: Array, kept: int) -> None:
    """The rows of the pivots kept in U."""
    for i in range(p):
        row = kept + i * s
        for j in range(i, s):
            U[row + j] = F[i, j]


@loop
def factored(
    low: int,
    high: int,
    whole: bool,
    apart: bool,
    t: Fronts,
    begun: Array,
    lines: Lines,
    vals: Array,
    lone: Array,
    ridge: float,
    U: Array,
    stack: Array,
    room: Room,
) -> float:
    """Fronts low … high − 1, one after the other: the smallest pivot, −1 for none; only assembled unless `whole`.

    `apart`: what the last one leaves stays in its frame.

    begun (fronts,): something has been added to a front, so that its frame is in use.
    """
    smallest = np.inf
    for f in range(low, high):
        p = t.pivots[f]
        s = p + t.start[f + 1] - t.start[f]
        w = padded(s)
        F = stack[t.frame[f] : t.frame[f] + w * w].reshape(w, w)
        if not begun[f]:
            F[:] = 0.0
        assembled(F, f, t, lines, vals, lone, ridge, room)
        if not whole:
            continue
        least = eliminated(F, p, s)
        if least < 0.0:
            return -1.0
        smallest = min(smallest, least)
        put_away(F, p, s, U, t.kept[f])
        if s > p and not (apart and f == high - 1):
            g = t.parent[f]
            r = t.pivots[g] + t.start[g + 1] - t.start[g]
            w = padded(r)
            above = stack[t.frame[g] : t.frame[g] + w * w].reshape(w, w)
            if not begun[g]:
                above[:] = 0.0
                begun[g] = True
            handed_up(F, p, s, above, t.up[t.start[f] : t.start[f + 1]])
    return smallest


@loop
def forward(x: Array, fronts: Array, t: Fronts, U: Array) -> None:
    """U⁻ᵀx of some fronts, ascending, in place; x (n, k)."""
    k = x.shape[1]
    for f in fronts:
        p, low, z = t.pivots[f], t.first[f], t.start[f]
        b = t.start[f + 1] - z
        s = p + b
        for i in range(p):
            row = t.kept[f] + i * s
            if k == 1:
                y = x[low + i, 0] / U[row + i]
                x[low + i, 0] = y
                if y != 0.0:
                    for j in range(i + 1, p):
                        x[low + j, 0] -= U[row + j] * y
                    for j in range(b):
                        x[t.unknown[z + j], 0] -= U[row + p + j] * y
                continue
            one = 1.0 / U[row + i]
            for q in range(k):
                x[low + i, q] *= one
            for j in range(i + 1, p):
                m = U[row + j]
                for q in range(k):
                    x[low + j, q] -= m * x[low + i, q]
            for j in range(b):
                m = U[row + p + j]
                u = t.unknown[z + j]
                for q in range(k):
                    x[u, q] -= m * x[low + i, q]


@loop
def lifted(x: Array, f: int, t: Fronts, U: Array) -> None:
    """U⁻¹x at the pivots of front f, in place."""
    k = x.shape[1]
    p, low, z = t.pivots[f], t.first[f], t.start[f]
    b = t.start[f + 1] - z
    s = p + b
    for i in range(p - 1, -1, -1):
        row = t.kept[f] + i * s
        if k == 1:
            y = x[low + i, 0]
            for j in range(i + 1, p):
                y -= U[row + j] * x[low + j, 0]
            for j in range(b):
                y -= U[row + p + j] * x[t.unknown[z + j], 0]
            x[low + i, 0] = y / U[row + i]
            continue
        for j in range(i + 1, p):
            m = U[row + j]
            for q in range(k):
                x[low + i, q] -= m * x[low + j, q]
        for j in range(b):
            m = U[row + p + j]
            u = t.unknown[z + j]
            for q in range(k):
                x[low + i, q] -= m * x[u, q]
        one = 1.0 / U[row + i]
        for q in range(k):
            x[low + i, q] *= one


@loop
def backward(x: Array, low: int, high: int, t: Fronts, U: Array) -> None:
    """U⁻¹x at fronts high − 1 … low, in place; x (n, k)."""
    for f in range(high - 1, low - 1, -1):
        lifted(x, f, t, U)

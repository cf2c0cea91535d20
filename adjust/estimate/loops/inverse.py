"""The selected inverse, from the root down: each front from the one above it, which lies whole on a stack.

Z_PB = −Y Z_BB,  Z_PP = U⁻¹U⁻ᵀ − Z_PB Yᵀ,  Y = U_PP⁻¹U_PB.

Rows of frames are `padded`. Of each front the rows of its pivots are kept, (p, s) as those of U.
"""

from __future__ import annotations

import numpy as np

from .arrays import SMALL, Array, Asked, Fronts, Lines, Room, padded
from .compiler import loop
from .factor import spread


@loop
def lowered(A: Array, p: int, s: int, above: Array, up: Array) -> None:
    """Z_BB of a front A from the one above it; up (b,): places there."""
    for i in range(s - p):
        r = up[i]
        for j in range(s - p):
            A[p + i, p + j] = above[r, up[j]]


@loop
def inverted(A: Array, p: int, s: int, U: Array, kept: int, room: Room) -> None:
    """A front A, whose Z_BB is there, filled."""
    w = padded(s)
    Y = room.Y[: p * w].reshape(p, w)
    T = room.T[: p * w].reshape(p, w)
    X = room.X[: p * p].reshape(p, p)
    for i in range(p - 1, -1, -1):  # Y = U_PP⁻¹ U_PB and X = U_PP⁻¹, row by row from below
        row = kept + i * s
        one = 1.0 / U[row + i]
        for j in range(p, s):
            Y[i, j] = U[row + j]
        for j in range(i, p):
            X[i, j] = 0.0
        X[i, i] = 1.0
        for k in range(i + 1, p):
            m = U[row + k]
            for j in range(p, s):
                Y[i, j] -= m * Y[k, j]
            for j in range(k, p):
                X[i, j] -= m * X[k, j]
        for j in range(p, s):
            Y[i, j] *= one
        for j in range(i, p):
            X[i, j] *= one
    i = 0
    while (
        i < p
    ):  # T = Y Z_BB, three rows at a time (a mark's, most often) and four columns; what is not of B is not read
        if i + 2 < p:
            for j in range(p // 4 * 4, s, 4):
                a0, a1, a2, a3 = 0.0, 0.0, 0.0, 0.0
                b0, b1, b2, b3 = 0.0, 0.0, 0.0, 0.0
                c0, c1, c2, c3 = 0.0, 0.0, 0.0, 0.0
                for k in range(p, s):
                    z0, z1, z2, z3 = A[k, j], A[k, j + 1], A[k, j + 2], A[k, j + 3]
                    m = Y[i, k]
                    a0 += m * z0
                    a1 += m * z1
                    a2 += m * z2
                    a3 += m * z3
                    m = Y[i + 1, k]
                    b0 += m * z0
                    b1 += m * z1
                    b2 += m * z2
                    b3 += m * z3
                    m = Y[i + 2, k]
                    c0 += m * z0
                    c1 += m * z1
                    c2 += m * z2
                    c3 += m * z3
                T[i, j], T[i, j + 1], T[i, j + 2], T[i, j + 3] = a0, a1, a2, a3
                T[i + 1, j], T[i + 1, j + 1], T[i + 1, j + 2], T[i + 1, j + 3] = b0, b1, b2, b3
                T[i + 2, j], T[i + 2, j + 1], T[i + 2, j + 2], T[i + 2, j + 3] = c0, c1, c2, c3
            i += 3
            continue
        for j in range(p, s):
            T[i, j] = 0.0
        for k in range(p, s):
            m = Y[i, k]
            for j in range(p, s):
                T[i, j] += m * A[k, j]
        i += 1
    for i in range(p):  # Z_PB = −T,  Z_PP = X Xᵀ + T Yᵀ
        for j in range(p, s):
            A[i, j] = -T[i, j]
            A[j, i] = -T[i, j]
        for j in range(i + 1):
            total = 0.0
            for k in range(i, p):
                total += X[i, k] * X[j, k]
            for k in range(p, s):
                total += T[i, k] * Y[j, k]
            A[i, j] = total
            A[j, i] = total


@loop
def form(A: Array, v: Array, b: int, s: int) -> float:
    """vᵀAv of v[b : b + s]; A symmetric."""
    total = 0.0
    for y in range(s):
        part = 0.0
        for x in range(s):
            part += v[b + x] * A[x, y]
        total += part * v[b + y]
    return total


@loop
def forms(A: Array, R: Array, many: int, s: int, source: Array, r: int, out: Array) -> None:
    """rᵀAr of the lines of R, (many, w) with zeros behind s, to out[source[r + q]]; A is symmetric, and finite behind s."""
    w = padded(s)
    for q in range(0, many, 2):  # two lines and four columns at once
        c = q * w
        d = c + w if q + 1 < many else c
        one, two = 0.0, 0.0
        for y in range(0, s, 4):
            a0, a1, a2, a3 = 0.0, 0.0, 0.0, 0.0
            b0, b1, b2, b3 = 0.0, 0.0, 0.0, 0.0
            for x in range(y + 4):
                if x == y:  # what is above the diagonal counts twice
                    a0, a1, a2, a3 = a0 + a0, a1 + a1, a2 + a2, a3 + a3
                    b0, b1, b2, b3 = b0 + b0, b1 + b1, b2 + b2, b3 + b3
                u, v = R[c + x], R[d + x]
                z0, z1, z2, z3 = A[x, y], A[x, y + 1], A[x, y + 2], A[x, y + 3]
                a0 += u * z0
                a1 += u * z1
                a2 += u * z2
                a3 += u * z3
                b0 += v * z0
                b1 += v * z1
                b2 += v * z2
                b3 += v * z3
            one += a0 * R[c + y] + a1 * R[c + y + 1] + a2 * R[c + y + 2] + a3 * R[c + y + 3]
            two += b0 * R[d + y] + b1 * R[d + y + 1] + b2 * R[d + y + 2] + b3 * R[d + y + 3]
        out[source[r + q]] = one
        if d > c:
            out[source[r + q + 1]] = two


@loop
def put_out(
    A: Array,
    f: int,
    t: Fronts,
    lines: Lines,
    vals: Array,
    asked: Asked,
    Z: Array,
    diagonal: Array,
    leverage: Array,
    answers: Array,
    room: Room,
) -> None:
    """The rows of the pivots kept, and their diagonal; of every line a·Z·aᵀ; of every query the whole square."""
    p, low = t.pivots[f], t.first[f]
    s = p + t.start[f + 1] - t.start[f]
    for i in range(p):
        row = t.kept[f] + i * s
        diagonal[low + i] = A[i, i]
        for j in range(s):
            Z[row + j] = A[i, j]
    if lines.of_front[f] == lines.of_front[f + 1] and asked.of_front[f] == asked.of_front[f + 1]:
        return
    at, place, G = room.at, room.place, room.G
    for q in range(s - p):
        at[t.unknown[t.start[f] + q]] = p + q
    if s <= SMALL:
        g = lines.of_front[f]
        last = lines.groups[lines.of_front[f + 1]]
        for r in range(lines.groups[g], last, SMALL):
            while r >= lines.groups[g + 1]:
                g += 1
            many = min(SMALL, last - r)
            spread(f, s, g, r, r + many, t, lines, vals, room)
            forms(A, room.R, many, s, lines.source, r, leverage)
    else:
        for g in range(lines.of_front[f], lines.of_front[f + 1]):
            c = lines.at[g]
            w = lines.at[g + 1] - c
            for x in range(w):
                u = lines.columns[c + x]
                place[x] = u - low if u < low + p else at[u]
            for x in range(w):
                i = place[x]
                for y in range(w):
                    G[x, y] = A[i, place[y]]
            for r in range(lines.groups[g], lines.groups[g + 1]):
                leverage[lines.source[r]] = form(G, vals, lines.begin[r], w)
    for r in range(asked.of_front[f], asked.of_front[f + 1]):
        a = asked.begin[r]
        w = asked.begin[r + 1] - a
        for x in range(w):
            u = asked.columns[a + x]
            if u < 0:
                continue
            i = u - low if u < low + p else at[u]
            for y in range(w):
                u = asked.columns[a + y]
                if u >= 0:
                    j = u - low if u < low + p else at[u]
                    answers[asked.answer[r] + x * w + y] = A[i, j]


@loop
def selected(
    low: int,
    high: int,
    filled: bool,
    lowered_: bool,
    t: Fronts,
    lines: Lines,
    vals: Array,
    asked: Asked,
    U: Array,
    Z: Array,
    diagonal: Array,
    leverage: Array,
    answers: Array,
    stack: Array,
    room: Room,
) -> None:
    """Fronts high − 1 … low, one after the other; `filled`: they lie on the stack already, `lowered_`: Z_BB of the first does."""
    for f in range(high - 1, low - 1, -1):
        p = t.pivots[f]
        b = t.start[f + 1] - t.start[f]
        s = p + b
        w = padded(s)
        A = stack[t.frame[f] : t.frame[f] + w * w].reshape(w, w)
        if not filled:
            if b > 0 and not (lowered_ and f == high - 1):
                g = t.parent[f]
                r = t.pivots[g] + t.start[g + 1] - t.start[g]
                w = padded(r)
                above = stack[t.frame[g] : t.frame[g] + w * w].reshape(w, w)
                lowered(A, p, s, above, t.up[t.start[f] : t.start[f + 1]])
            inverted(A, p, s, U, t.kept[f], room)
        put_out(A, f, t, lines, vals, asked, Z, diagonal, leverage, answers, room)


@loop
def located(i: Array, j: Array, front: Array, t: Fronts) -> Array:
    """Where entries (i, j) of the inverse are kept, in the order of elimination; −1 for those that are not."""
    out = np.empty(len(i), np.int64)
    for q in range(len(i)):
        u, v = i[q], j[q]
        if u > v:
            u, v = v, u
        f = front[u]
        p, low = t.pivots[f], t.first[f]
        s = p + t.start[f + 1] - t.start[f]
        row = t.kept[f] + (u - low) * s
        if v < low + p:
            out[q] = row + v - low
            continue
        a, z = t.start[f], t.start[f + 1]
        while a < z:
            m = (a + z) // 2
            if t.unknown[m] < v:
                a = m + 1
            else:
                z = m
        out[q] = row + p + a - t.start[f] if a < t.start[f + 1] and t.unknown[a] == v else -1
    return out


@loop
def upward(places: Array, front: Array, parent: Array) -> Array:
    """The fronts of some unknowns and all on their ways to the root, ascending."""
    reached = np.zeros(len(parent), np.bool_)
    out = np.empty(16, np.int32)
    count = 0
    for u in places:
        f = front[u]
        while f >= 0 and not reached[f]:
            reached[f] = True
            if count == len(out):
                larger = np.empty(2 * count, np.int32)
                larger[:count] = out
                out = larger
            out[count] = f
            count += 1
            f = parent[f]
    return np.sort(out[:count])

"""Solutions of sparse right sides, only where they may matter: see `influence`."""

from __future__ import annotations

from typing import Any

import numpy as np

from .arrays import Array, Fronts
from .compiler import loop
from .factor import forward, lifted
from .inverse import located, upward


@loop
def children(parent: Array, asked: Array) -> Any:
    """The last child of every front, and the one before each child; −1 for none.

    asked (fronts,): what is asked for; a front with nothing of it in itself or below is nobody's child. Filled up in place.
    """
    child = np.full(len(parent), -1, np.int32)
    sibling = np.full(len(parent), -1, np.int32)
    for c in range(len(parent)):
        if parent[c] >= 0 and asked[c]:
            asked[parent[c]] = True
            sibling[c] = child[parent[c]]
            child[parent[c]] = c
    return child, sibling


@loop
def matters(x: Array, c: int, t: Fronts, front: Array, Z: Array, limit: Array, Q: Array, y: Array) -> bool:
    """Whether something behind front c may be moved by more than the limit (k,) of some right side. Q (b, b), y (b,): room."""
    z = t.start[c]
    b = t.start[c + 1] - z
    k = x.shape[1]
    made = False
    for q in range(k):
        size = 0.0
        for i in range(b):
            size += x[t.unknown[z + i], q] ** 2
        # Q_BB⁻¹ is at most the scaled normal matrix of B, whose trace is b
        if b * size <= limit[q] ** 2:
            continue
        if not made:
            made = True
            places = t.unknown[z : z + b]
            for i in range(b):
                for j in range(i, b):
                    at = located(places[i : i + 1], places[j : j + 1], front, t)[0]
                    Q[i, j] = Z[at]
            for i in range(b):  # Cholesky, rows of U
                if not Q[i, i] > 0.0:
                    return True
                root = 1.0 / np.sqrt(Q[i, i])
                for j in range(i, b):
                    Q[i, j] *= root
                for r in range(i + 1, b):
                    m = Q[i, r]
                    for j in range(r, b):
                        Q[r, j] -= m * Q[i, j]
        bound = 0.0
        for i in range(b):
            v = x[t.unknown[z + i], q]
            for j in range(i):
                v -= Q[j, i] * y[j]
            y[i] = v / Q[i, i]
            bound += y[i] ** 2
        if not bound <= limit[q] ** 2:
            return True
    return False


@loop
def reached(
    x: Array,
    places: Array,
    limit: Array,
    t: Fronts,
    front: Array,
    child: Array,
    sibling: Array,
    U: Array,
    Z: Array,
    largest: int,
) -> Any:
    """x (n, k), zero but at `places`: solved in place wherever it may matter; the fronts whose pivots are.

    child, sibling: the last child of each front, the one before each child. Those of no interest are passed by, but
    for the ways of the right sides to the root.
    """
    above = upward(places, front, t.parent)
    forward(x, above, t, U)
    entered = np.zeros(len(t.first), np.bool_)
    for f in above:
        entered[f] = True
    out = np.empty(len(above), np.int32)
    stack = np.empty(len(above) + 16, np.int32)
    count = 0
    top = 0
    Q = np.empty((largest, largest))
    y = np.empty(largest)
    for f in above:
        if t.parent[f] < 0:
            stack[top] = f
            top += 1
    while top > 0:
        top -= 1
        f = stack[top]
        if count == len(out):
            larger = np.empty(2 * count + 16, np.int32)
            larger[:count] = out
            out = larger
        out[count] = f
        count += 1
        lifted(x, f, t, U)
        c = child[f]
        while c >= 0:
            if entered[c] or matters(x, c, t, front, Z, limit, Q, y):
                if top == len(stack):
                    larger = np.empty(2 * top, np.int32)
                    larger[:top] = stack
                    stack = larger
                stack[top] = c
                top += 1
            c = sibling[c]
    return out[:count].copy()

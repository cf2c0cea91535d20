"""Loops compiled by numba, for networks whose numbers cost more than the compiler's start. Nothing here is needed.

`kernels` decides whether these are used; numpy's batched linear algebra gives the same, and tests hold the two to each other.
Only the upper triangles of fronts are read and written. BLAS is not called: functions that hold its address cannot be cached.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

Array = Any
_loop: Any = njit(cache=True, nogil=True, error_model="numpy")


@_loop
def neighbours(n: int, start: Array, element: Array, node: Array, of_node: Array, first: Array) -> Any:
    """Pairs (i, j) of nodes that stand in one element, by i: i, j. Elements are CSR (start, node), nodes (first, of_node)."""
    total = 0
    for k in range(len(node)):
        total += start[element[k] + 1] - start[element[k]]
    out_i = np.empty(total, np.int64)
    out_j = np.empty(total, np.int64)
    seen = np.full(n, -1, np.int64)
    count = 0
    for i in range(n):
        for k in range(first[i], first[i + 1]):
            e = of_node[k]
            for m in range(start[e], start[e + 1]):
                j = node[m]
                if seen[j] != i:
                    seen[j] = i
                    out_i[count] = i
                    out_j[count] = j
                    count += 1
    return out_i[:count].copy(), out_j[:count].copy()


@_loop
def stable_order(keys: Array) -> Array:
    """argsort of numbers from 0 on, equal ones in their order, by counting."""
    top = 0
    for k in keys:
        top = max(top, k)
    first = np.zeros(top + 2, np.int64)
    for k in keys:
        first[k + 1] += 1
    for k in range(top + 1):
        first[k + 1] += first[k]
    out = np.empty(len(keys), np.int64)
    for i in range(len(keys)):
        out[first[keys[i]]] = i
        first[keys[i]] += 1
    return out


@_loop
def locate(keys: Array, low: Array, high: Array, wanted: Array) -> Array:
    """Where each of `wanted` stands in keys[low:high], or −1."""
    out = np.full(len(wanted), -1, np.int64)
    for q in range(len(wanted)):
        a = low[q]
        z = high[q]
        w = wanted[q]
        while a < z:
            m = (a + z) // 2
            if keys[m] < w:
                a = m + 1
            else:
                z = m
        if a < high[q] and keys[a] == w:
            out[q] = a
    return out


@_loop
def assemble(F: Array, values: Array, chosen: Array, line: Array, at: Array, first: int, depth: int) -> None:
    """Outer products of rows added to the upper triangles of fronts F (count, s, s); line, at as in a panel."""
    w = at.shape[1]
    for r in range(len(chosen)):
        A = F[first + line[r] // depth]
        row = chosen[r]
        for a in range(w):
            i = at[r, a]
            v = values[row, a]
            if i >= 0 and v != 0.0:
                A[i, i] += v * v
                for b in range(a):
                    j = at[r, b]
                    if j > i:
                        A[i, j] += v * values[row, b]
                    elif j >= 0:
                        A[j, i] += v * values[row, b]


@_loop
def eliminate(F: Array, p: int, inverse: Array, W: Array) -> float:
    """Cholesky of the first p pivots of every front, in place; L⁻¹ (count, p, p), W; the smallest pivot, −1 for none."""
    s = F.shape[1]
    smallest = np.inf
    for f in range(F.shape[0]):
        A = F[f]
        for k in range(p):
            pivot = A[k, k]
            if not pivot > 0.0:
                return -1.0
            smallest = min(smallest, pivot)
            root = 1.0 / np.sqrt(pivot)
            for j in range(k, s):
                A[k, j] *= root
            for i in range(k + 1, s):
                m = A[k, i]
                if m != 0.0:
                    for j in range(i, s):
                        A[i, j] -= m * A[k, j]
        for k in range(p):
            for j in range(p, s):
                W[f, k, j - p] = A[k, j]
        # columns of L⁻¹ from L X = I, L = (upper)ᵀ
        X = inverse[f]
        for c in range(p):
            for i in range(p):
                X[i, c] = 0.0
        for i in range(p):
            X[i, i] = 1.0
            for k in range(i):
                m = A[k, i]
                if m != 0.0:
                    for c in range(k + 1):
                        X[i, c] -= m * X[k, c]
            root = 1.0 / A[i, i]
            for c in range(i + 1):
                X[i, c] *= root
    return smallest


@_loop
def hand_up(F: Array, p: int, storage: Array, target: Array, stride: Array, to_parent: Array) -> None:
    """What is left of every front added to its parent."""
    b = to_parent.shape[1]
    for f in range(F.shape[0]):
        for i in range(b):
            row = target[f] + to_parent[f, i] * stride[f]
            for j in range(i, b):
                storage[row + to_parent[f, j]] += F[f, p + i, p + j]


@_loop
def forward(x: Array, scalars: Array, inverse: Array, W: Array) -> None:
    """One batch of L⁻¹x, in place; x (n + 1, k)."""
    c, p = inverse.shape[0], inverse.shape[1]
    b, k = W.shape[2], x.shape[1]
    y = np.empty((p, k))
    n = x.shape[0] - 1
    for f in range(c):
        for i in range(p):
            y[i] = 0.0
            for j in range(i + 1):
                m = inverse[f, i, j]
                row = scalars[f, j]
                if m != 0.0:
                    for q in range(k):
                        y[i, q] += m * x[row, q]
        for i in range(p):
            row = scalars[f, i]
            if row < n:
                for q in range(k):
                    x[row, q] = y[i, q]
        for j in range(b):
            row = scalars[f, p + j]
            if row < n:
                for i in range(p):
                    m = W[f, i, j]
                    for q in range(k):
                        x[row, q] -= m * y[i, q]


@_loop
def backward(x: Array, scalars: Array, inverse: Array, W: Array) -> None:
    """One batch of L⁻ᵀx, in place."""
    c, p = inverse.shape[0], inverse.shape[1]
    b, k = W.shape[2], x.shape[1]
    y = np.empty((p, k))
    n = x.shape[0] - 1
    for f in range(c):
        for i in range(p):
            row = scalars[f, i]
            for q in range(k):
                y[i, q] = x[row, q]
            for j in range(b):
                m = W[f, i, j]
                if m != 0.0:
                    outer = scalars[f, p + j]
                    for q in range(k):
                        y[i, q] -= m * x[outer, q]
        for i in range(p):
            row = scalars[f, i]
            if row < n:
                for q in range(k):
                    x[row, q] = 0.0
                for j in range(i, p):
                    m = inverse[f, j, i]
                    for q in range(k):
                        x[row, q] += m * y[j, q]


@_loop
def invert(
    Z: Array, inverse: Array, W: Array, flat: Array, target: Array, stride: Array, to_parent: Array
) -> None:
    """Fronts Z (count, s, s) of the inverse from those of their parents in `flat`."""
    c, p = inverse.shape[0], inverse.shape[1]
    b = W.shape[2]
    Y = np.empty((p, b))
    for f in range(c):
        A, X = Z[f], inverse[f]
        for i in range(b):
            row = target[f] + to_parent[f, i] * stride[f]
            for j in range(b):
                A[p + i, p + j] = flat[row + to_parent[f, j]]
        for i in range(p):  # Y = L⁻ᵀW
            for j in range(b):
                Y[i, j] = 0.0
            for k in range(i, p):
                m = X[k, i]
                if m != 0.0:
                    for j in range(b):
                        Y[i, j] += m * W[f, k, j]
        for i in range(p):  # Z_PB = −Y Z_BB
            for j in range(b):
                A[i, p + j] = 0.0
            for k in range(b):
                m = Y[i, k]
                if m != 0.0:
                    for j in range(b):
                        A[i, p + j] -= m * A[p + k, p + j]
            for j in range(b):
                A[p + j, i] = A[i, p + j]
        for i in range(p):  # Z_PP = L⁻ᵀL⁻¹ − Z_PB Yᵀ
            for j in range(i + 1):
                total = 0.0
                for k in range(i, p):
                    total += X[k, i] * X[k, j]
                for k in range(b):
                    total -= A[i, p + k] * Y[j, k]
                A[i, j] = total
                A[j, i] = total


@_loop
def leverage(
    Z: Array, values: Array, chosen: Array, line: Array, at: Array, first: int, depth: int, out: Array
) -> None:
    """a Q aᵀ of rows within their fronts, written to out[chosen]."""
    w = at.shape[1]
    for r in range(len(chosen)):
        A = Z[first + line[r] // depth]
        row = chosen[r]
        total = 0.0
        for a in range(w):
            i = at[r, a]
            v = values[row, a]
            if i >= 0 and v != 0.0:
                part = 0.5 * v * A[i, i]
                for b in range(a):
                    j = at[r, b]
                    if j >= 0:
                        part += values[row, b] * A[i, j]
                total += 2.0 * v * part
        out[row] = total

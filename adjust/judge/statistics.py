"""The test of a signature, alone and given others.

With M = P − PAQAᵀP, residuals Ml and a signature C of q columns, all whitened (Baarda 1968; Förstner 1983; from memory):

    b = CᵀMl,  N = CᵀMC,  T = bᵀN⁻¹b ~ χ²_q,  size = N⁻¹b with covariance N⁻¹

T is the drop of vᵀPv when the size is estimated along. Given another signature F (estimated along as well):

    b' = b − N_CF N_FF⁻¹ b_F,   N' = N − N_CF N_FF⁻¹ N_FC

so nothing is ever adjusted anew. Causes of unlike q are compared by −2 ln p of their T.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..estimate.reliability import WORTH
from ..ground.table import Floats, Ints
from .point import Point
from .signatures import Book, Hypothesis

CHUNK = 128  # small enough to stay in the cache
UNASKED = 6.0  # T that no correction for many tests lets pass
LEFT = 1e-6  # share of N that must be left of it
BUDGET = 4_000_000  # numbers in one dense block of signatures


@dataclass
class Tests:
    """b (K,) and the blocks N of every hypothesis; entries of the signatures for correlations with others."""

    book: Book
    b: Floats
    first: Ints  # (h,) first column of each hypothesis
    q: Ints  # (h,)
    normal: Floats  # (h, 3, 3) N, zero beyond q
    scale: Floats  # (h, 3) diagonal of CᵀC: what of it is rounding
    fixed: Floats  # (h,) the size that it must have, NaN for any

    @property
    def hypotheses(self) -> list[Hypothesis]:
        return self.book.hypotheses

    def vector(self, b: Floats) -> Floats:
        """(h, 3): b of every hypothesis, zero beyond q."""
        padded = np.append(b, 0.0)
        at = self.first[:, None] + np.arange(3)
        return padded[np.where(np.arange(3) < self.q[:, None], at, len(b))]


def make_tests(book: Book) -> Tests:
    """b and N of all hypotheses of a book; cost is linear in their number."""
    point = book.point
    row, column, value = book.entries()
    K = book.columns
    b = np.bincount(column, value * point.misclosure[row], minlength=K).astype(float)
    weight = np.bincount(column, value**2, minlength=K)
    hypotheses = book.hypotheses
    first = np.array([h.column for h in hypotheses], dtype=np.int64)
    q = np.array([h.q for h in hypotheses], dtype=np.int64)
    normal = np.zeros((len(hypotheses), 3, 3))
    index_of = np.full(K, -1)
    index_of[first] = np.arange(len(first))
    known = np.zeros(K, dtype=bool)
    for c, N in book.known():
        k = N.shape[1]
        known[c[:, None] + np.arange(k)] = True
        normal[index_of[c], :k, :k] = N
    wanted = np.flatnonzero(~known)
    if len(wanted):
        _solve(point, row, column, value, wanted, first, q, normal)
        for k in (1, 2, 3):
            new = np.flatnonzero(~known[first] & (q == k))
            book.know(first[new], normal[new, :k, :k])
    padded = np.append(weight, 0.0)
    at = np.where(np.arange(3) < q[:, None], first[:, None] + np.arange(3), K)
    fixed = np.array([np.nan if h.fixed is None else h.fixed for h in hypotheses])
    return Tests(book, b, first, q, normal, padded[at], fixed)


def _solve(
    point: Point, row: Ints, column: Ints, value: Floats, wanted: Ints, first: Ints, q: Ints, normal: Floats
) -> None:
    """N of the hypotheses whose columns are `wanted`, by one forward solve a chunk of them."""
    entries = np.bincount(column, minlength=int(first[-1] + q[-1]))
    order = np.argsort(column, kind="stable")
    row, column, value = row[order], column[order], value[order]
    begins = np.flatnonzero(np.isin(first, wanted))
    at = 0
    while at < len(begins):
        stop, k, held = at, 0, 0
        while stop < len(begins):
            h = begins[stop]
            more, wide = int(q[h]), int(entries[first[h] : first[h] + q[h]].sum())
            if k and (k + more > CHUNK or (held + wide) * (k + more) > BUDGET):
                break
            k, held, stop = k + more, held + wide, stop + 1
        chosen = begins[at:stop]
        columns = np.concatenate([first[h] + np.arange(q[h]) for h in chosen])
        local = np.full(int(columns.max()) + 1, -1)
        local[columns] = np.arange(k)
        low, high = np.searchsorted(column, [columns.min(), columns.max() + 1])
        c, r, v = column[low:high], row[low:high], value[low:high]
        keep = local[c] >= 0
        c, r, v = local[c[keep]], r[keep], v[keep]
        touched, G = _touched(point, r, c, v, k)
        rows, r = np.unique(r, return_inverse=True)
        C = np.bincount(r * k + c, v, minlength=len(rows) * k).reshape(len(rows), k)
        N = C.T @ C - point.cofactor.form(G, touched)
        diagonal = np.diagonal(N)
        width = q[chosen]
        place = np.cumsum(width) - width
        lone = width == 1
        normal[chosen[lone], 0, 0] = diagonal[place[lone]]
        for h, i in zip(chosen[~lone].tolist(), place[~lone].tolist(), strict=True):
            w = int(q[h])
            part = slice(i, i + w)
            normal[h, :w, :w] = N[part, part]
        at = stop


def _transposed(point: Point, row: Ints, column: Ints, value: Floats, k: int, n: int) -> Floats:
    """AᵀC, (n, k)."""
    places, of, products = _products(point, row, column, value)
    return np.asarray(np.bincount(places * k + of, products, minlength=n * k).reshape(n, k), dtype=np.float64)


def _touched(point: Point, row: Ints, column: Ints, value: Floats, k: int) -> tuple[Ints, Floats]:
    """The unknowns that AᵀC touches, and it there: (t,), (t, k)."""
    places, of, products = _products(point, row, column, value)
    touched, at = np.unique(places, return_inverse=True)
    sums = np.bincount(at * k + of, products, minlength=len(touched) * k).reshape(len(touched), k)
    return touched, np.asarray(sums, dtype=np.float64)


def _products(point: Point, row: Ints, column: Ints, value: Floats) -> tuple[Ints, Ints, Floats]:
    """Terms of AᵀC: unknown, column, value."""
    which = np.searchsorted(point.offsets, row, side="right") - 1
    places = [np.zeros(0, dtype=np.int64)]
    columns, products = [np.zeros(0, dtype=np.int64)], [np.zeros(0)]
    for g, rows in enumerate(point.rows):
        mine = np.flatnonzero(which == g)
        if not len(mine):
            continue
        i = row[mine] - point.offsets[g]
        of = rows.columns[i]
        there = of >= 0
        places.append(of[there])
        columns.append(np.broadcast_to(column[mine][:, None], of.shape)[there])
        products.append((rows.values[i] * value[mine][:, None])[there])
    return np.concatenate(places), np.concatenate(columns), np.concatenate(products)


def reduced(tests: Tests, h: int) -> Floats:
    """MC of one hypothesis, (m, q)."""
    point, hypothesis = tests.book.point, tests.hypotheses[h]
    row, column, value = tests.book.entries()
    mine = (column >= hypothesis.column) & (column < hypothesis.column + hypothesis.q)
    r, c, v = row[mine], column[mine] - hypothesis.column, value[mine]
    C = np.zeros((len(point.misclosure), hypothesis.q))
    np.add.at(C, (r, c), v)
    y = point.cofactor.solve(_transposed(point, r, c, v, hypothesis.q, point.unknowns.n))
    for rows, a, b in zip(point.rows, point.offsets[:-1], point.offsets[1:], strict=True):
        C[a:b] -= rows.times(y)
    return C


def fitted(point: Point, row: Ints, value: Floats, column: Ints) -> tuple[float, Floats, Floats]:
    """T and size (k,) of a signature by itself, from its entries, and how far the unknowns then move, (n,)."""
    k = int(column.max(initial=0)) + 1
    C = np.zeros((len(point.misclosure), k))
    np.add.at(C, (row, column), value)
    G = _transposed(point, row, column, value, k, point.unknowns.n)
    Y = point.cofactor.solve(G)
    b = C.T @ point.misclosure
    N = C.T @ C - G.T @ Y
    size = np.linalg.pinv(0.5 * (N + N.T), rcond=WORTH, hermitian=True) @ b
    return float(b @ size), size, point.step - Y @ size


def shifts(tests: Tests, h: int, size: Floats) -> Floats:
    """QAᵀC·size, (n,): how far the unknowns were dragged by a cause of this size."""
    point, hypothesis = tests.book.point, tests.hypotheses[h]
    row, column, value = tests.book.entries()
    mine = (column >= hypothesis.column) & (column < hypothesis.column + hypothesis.q)
    r, v = row[mine], value[mine] * size[column[mine] - hypothesis.column]
    G = _transposed(point, r, np.zeros(len(r), np.int64), v, 1, point.unknowns.n)
    return np.asarray(point.cofactor.solve(G)[:, 0])


@dataclass
class Given:
    """Signatures taken as present, and what follows for all others."""

    tests: Tests
    found: tuple[int, ...]
    b: Floats  # (h, 3)
    normal: Floats  # (h, 3, 3)
    told: Ints  # (h,) effective degrees of freedom
    T: Floats  # (h,)
    evidence: Floats  # (h,) −2 ln p


def given(tests: Tests, found: Sequence[int], columns: dict[int, Floats]) -> Given:
    """All tests with the `found` estimated along; `columns` keeps MC of each found one."""
    b, normal = tests.vector(tests.b), tests.normal
    if found:
        for f in found:
            if f not in columns:
                columns[f] = reduced(tests, f)
        Y = np.concatenate([columns[f] for f in found], axis=1)
        bF = np.concatenate([tests.b[tests.first[f] : tests.first[f] + tests.q[f]] for f in found])
        cross = products(tests, Y)  # (K, qF)
        at = np.concatenate([tests.first[f] + np.arange(tests.q[f]) for f in found])
        NFF = cross[at]
        NFF = 0.5 * (NFF + NFF.T)
        X = np.linalg.pinv(NFF, rcond=1e-10, hermitian=True)
        rows = np.stack([tests.vector(c) for c in cross.T], axis=2)  # (h, 3, qF)
        b = b - rows @ (X @ bF)
        normal = normal - rows @ X @ rows.transpose(0, 2, 1)
    scale = tests.scale
    if found:  # what the found ones leave of an N must stand clear of rounding
        scale = np.maximum(scale, np.diagonal(tests.normal, axis1=1, axis2=2) * (LEFT / WORTH))
    T, told = _statistic(tests, b, normal, scale)
    if found:
        T[list(found)], told[list(found)] = 0.0, 0
    return Given(tests, tuple(found), b, normal, told, T, evidence(T, told))


def products(tests: Tests, Y: Floats) -> Floats:
    """CᵀY for all columns, (K, k)."""
    row, column, value = tests.book.entries()
    K = tests.book.columns
    return np.stack([np.bincount(column, value * y[row], minlength=K) for y in Y.T], axis=1)


def _statistic(tests: Tests, b: Floats, normal: Floats, scale: Floats) -> tuple[Floats, Ints]:
    """T and the degrees of freedom that the network can see, (h,) each."""
    T, told = np.zeros(len(b)), np.zeros(len(b), dtype=np.int64)
    one = tests.q == 1
    strength = normal[:, 0, 0]
    seen = one & (strength > WORTH * scale[:, 0]) & (strength > 1e-12)
    T[seen] = b[seen, 0] ** 2 / strength[seen]
    told[seen] = 1
    for w in (2, 3):
        these = np.flatnonzero(tests.q == w)
        if not len(these):
            continue
        root = np.sqrt(np.maximum(scale[these, :w], 1e-300))
        values, vectors = np.linalg.eigh(normal[these, :w, :w] / root[:, :, None] / root[:, None, :])
        clear = values > WORTH
        y = np.einsum("hji,hj->hi", vectors, b[these, :w] / root)
        T[these] = np.sum(np.where(clear, y**2 / np.where(clear, values, 1.0), 0.0), axis=1)
        told[these] = clear.sum(axis=1)
    return T, told


def estimate(g: Given, h: int) -> tuple[Floats, Floats]:
    """Size (q,) and its covariance (q, q); directions that nothing tells are 0, with infinite variance."""
    w = int(g.tests.q[h])
    root = np.sqrt(np.maximum(g.tests.scale[h, :w], 1e-300))
    values, vectors = np.linalg.eigh(g.normal[h, :w, :w] / root[:, None] / root)
    clear = values > WORTH
    inverse = (vectors[:, clear] / values[clear]) @ vectors[:, clear].T / root[:, None] / root
    covariance = inverse.copy()
    if not clear.all():
        loose = np.any(np.abs(vectors[:, ~clear]) > 1e-6, axis=1)
        covariance[loose, loose] = np.inf
    return inverse @ g.b[h, :w], covariance


def correlations(g: Given, top: int, columns: dict[int, Floats]) -> Floats:
    """|ρ| of the statistic of every hypothesis with that of `top`, (h,): the largest canonical correlation."""
    tests = g.tests
    if top not in columns:
        columns[top] = reduced(tests, top)
    w = int(tests.q[top])
    cross = np.stack([tests.vector(c) for c in products(tests, columns[top]).T], axis=2)  # (h, 3, w)
    if g.found:
        Y = np.concatenate([columns[f] for f in g.found], axis=1)
        at = np.concatenate([tests.first[f] + np.arange(tests.q[f]) for f in g.found])
        C = products(tests, Y)
        NFF = 0.5 * (C[at] + C[at].T)
        rows = np.stack([tests.vector(c) for c in C.T], axis=2)
        cross = cross - rows @ np.linalg.pinv(NFF, rcond=1e-10, hermitian=True) @ rows[top, :w].T
    whitening = _root(g.normal[top, :w, :w], tests.scale[top, :w])
    out = np.zeros(len(cross))
    one = (tests.q == 1) & (g.told == 1)
    side = cross[one, 0, :] @ whitening
    out[one] = np.sqrt((side**2).sum(axis=1) / g.normal[one, 0, 0])
    for h in np.flatnonzero((tests.q > 1) & (g.told > 0)).tolist():
        k = int(tests.q[h])
        own = _root(g.normal[h, :k, :k], tests.scale[h, :k])
        out[h] = np.linalg.svd(own.T @ cross[h, :k] @ whitening, compute_uv=False).max(initial=0.0)
    return np.minimum(out, 1.0)


def _root(N: Floats, scale: Floats) -> Floats:
    """W with WᵀNW = I on the directions that the network sees."""
    s = np.sqrt(np.maximum(scale, 1e-300))
    values, vectors = np.linalg.eigh(N / s[:, None] / s)
    clear = values > WORTH
    return np.asarray(vectors[:, clear] / np.sqrt(values[clear]) / s[:, None])


def evidence(T: Floats, q: Ints) -> Floats:
    """−2 ln P(χ²_q > T) for q = 1, 2, 3, however large T; 0 where q = 0 or T is below what anybody asks about."""
    out = np.zeros(len(T))
    for i in np.flatnonzero((q > 0) & (T > UNASKED)).tolist():
        out[i] = -2.0 * log_tail(float(T[i]), int(q[i]))
    return out


def log_tail(T: float, q: int) -> float:
    """ln P(χ²_q > T) for q = 1, 2, 3."""
    if T <= 0.0:
        return 0.0
    if q == 2:
        return -0.5 * T
    root = math.sqrt(0.5 * T)
    if T < 1200.0:
        tail = math.erfc(root)
        if q == 3:
            tail += math.sqrt(2.0 * T / math.pi) * math.exp(-0.5 * T)
        return math.log(tail)
    # erfc(x) → exp(−x²)/(x√π) for large x; its next term is 1/(2x²), below 1e-3 here
    lone = -0.5 * T - math.log(root * math.sqrt(math.pi))
    return lone if q == 1 else lone + math.log1p(2.0 * root**2)


def corrected(log_p: float, tried: int) -> float:
    """1 − (1 − p)^tried (Šidák), from ln p."""
    p = math.exp(log_p) if log_p > -700.0 else 0.0
    return -math.expm1(tried * math.log1p(-min(p, 1.0 - 1e-16)))


def critical_value_of(tried: int, q: int, level: float = 0.01) -> float:
    """T above which a cause of q degrees of freedom is a finding, among so many tried."""
    log_p = math.log(-math.expm1(math.log1p(-level) / max(1, tried)))
    low, high = 0.0, 400.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if log_tail(middle, max(1, q)) > log_p else (low, middle)
    return 0.5 * (low + high)

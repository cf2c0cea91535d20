"""Sparse normal equations in the corners: keys that collide, very deep fronts, rows that are not those of the factor."""

from __future__ import annotations

import numpy as np
import pytest
from tests.adjust.test_normals import dense, levels, make

from hubtack.adjust.estimate import batches
from hubtack.adjust.estimate.datum import Cofactor, Constraints
from hubtack.adjust.estimate.normals import Defect, Factor
from hubtack.adjust.estimate.ordering import distinct_rows
from hubtack.adjust.estimate.pattern import Pattern
from hubtack.adjust.estimate.rows import Rows


def test_rows_whose_keys_collide_are_told_apart() -> None:
    """The key of (a, b) is a·C + b mod 2⁶⁴, mixed: (0, 0) and (1, −C) have one key, and so have (0, 5) and (1, 5 − C)."""
    C = int(np.uint64(0x9E3779B97F4A7C15).astype(np.int64))
    ids = np.array([[0, 0], [1, -C], [0, 0], [0, 5], [1, 5 - C], [1, -C]], dtype=np.int64)
    first, which = distinct_rows(ids)
    assert len(first) == 4
    assert np.array_equal(ids[first][which], ids)


@pytest.mark.parametrize("limit", [1, 40, 1000])
def test_a_deep_front_in_slabs(limit: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Many equations of few unknowns come a slab at a time; the sum is that of all."""
    n, node, rows, late = make(5, 4)
    rng = np.random.default_rng(1)
    many = Rows(
        np.tile(np.arange(min(3, n)), (900, 1)), rng.normal(size=(900, min(3, n))), rng.normal(size=900)
    )
    rows = [*rows, many]
    monkeypatch.setattr(batches, "AT_ONCE", limit)
    factor = Factor(Pattern.build(n, [r.columns for r in rows], node, late), rows)
    A = dense(rows, n)
    right = rng.normal(size=n)
    assert factor.solve(right) == pytest.approx(np.linalg.solve(A.T @ A, right), rel=1e-9)


def test_leverages_of_other_rows_than_those_of_the_factor() -> None:
    """Rows twice as heavy over the same unknowns have four times the leverage; in a free network as well."""
    rows, G = levels(40, 4)
    pins = Rows(np.array([[2]]), np.array([[3.0]]), np.zeros(1))
    pattern = Pattern.build(40, [rows[0].columns, pins.columns], np.arange(40), np.zeros(40, bool))
    cofactor = Cofactor(pattern, rows, Constraints(G / np.linalg.norm(G), np.zeros(40), pins))
    heavy = Rows(rows[0].columns, 2.0 * rows[0].values, rows[0].misclosure)
    A = dense(rows, 40)
    by_hand = np.einsum("mi,ij,mj->m", A, np.linalg.pinv(A.T @ A), A)
    assert cofactor.leverage(0, rows[0])[0] == pytest.approx(by_hand, abs=1e-9)
    assert cofactor.leverage(0, heavy)[0] == pytest.approx(4.0 * by_hand, abs=1e-9)


def test_single_entries_of_a_free_network() -> None:
    rows, G = levels(40, 4)
    pins = Rows(np.array([[2]]), np.array([[3.0]]), np.zeros(1))
    pattern = Pattern.build(40, [rows[0].columns, pins.columns], np.arange(40), np.zeros(40, bool))
    cofactor = Cofactor(pattern, rows, Constraints(G / np.linalg.norm(G), np.zeros(40), pins))
    A = dense(rows, 40)
    i, j = rows[0].columns.T
    assert cofactor.entries(i, j) == pytest.approx(np.linalg.pinv(A.T @ A)[i, j], abs=1e-9)


def test_a_factor_whose_inverse_was_made_keeps_it() -> None:
    """Storage is handed on only where nobody asked for entries: those of the first factor stand while a second is made."""
    n, node, rows, late = make(8, 30)
    pattern = Pattern.build(n, [r.columns for r in rows], node, late)
    first = Factor(pattern, rows)
    i = np.arange(n)
    before = first.entries(i, i).copy()
    first.release()
    heavier = [Rows(r.columns, 3.0 * r.values, r.misclosure) for r in rows]
    second = Factor(pattern, heavier)
    assert second.entries(i, i) == pytest.approx(before / 9.0)
    assert np.array_equal(first.entries(i, i), before)


def test_many_small_fronts_see_a_defect() -> None:
    """A hundred pairs of unknowns, 82 in equations of nothing: the loop over pivots stops as the library's does."""
    columns = np.arange(200).reshape(100, 2)
    rng = np.random.default_rng(3)
    values = rng.normal(size=(100, 2))
    second = rng.normal(size=(100, 2))
    values[41] = second[41] = (0.0, 1.0)
    rows = [Rows(columns, v, np.zeros(100)) for v in (values, second)]
    pattern = Pattern.build(200, [columns, columns], np.repeat(np.arange(100), 2), np.zeros(100, bool))
    with pytest.raises(Defect) as caught:
        Factor(pattern, rows)
    v = caught.value.vectors
    assert v.shape[1] == 1
    assert int(np.argmax(np.abs(v[:, 0]))) == 82

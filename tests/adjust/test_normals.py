"""Sparse normal equations against dense ones: factor, selected inverse, defects, inner constraints, elimination order."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as budget
from hypothesis import strategies as st

from hubtack.adjust.estimate import kernels
from hubtack.adjust.estimate.datum import Cofactor, Constraints
from hubtack.adjust.estimate.normals import Defect, Factor
from hubtack.adjust.estimate.ordering import distinct_rows, fronts_of
from hubtack.adjust.estimate.pattern import Pattern
from hubtack.adjust.estimate.rows import Rows, diagonal, gradient, objective


def random_rows(
    rng: np.random.Generator, n: int, m: int, width: int, node: np.ndarray, weak: float = 1.0
) -> Rows:
    """m rows; each touches two to four nodes near each other, some columns padded with −1."""
    nodes = int(node.max()) + 1
    columns = np.full((m, width), -1)
    values = np.zeros((m, width))
    for i in range(m):
        first = int(rng.integers(nodes))
        near = np.unique(np.clip(first + rng.integers(-3, 4, 3), 0, nodes - 1))
        inside = np.flatnonzero(np.isin(node, near))
        chosen = rng.permutation(inside)[: rng.integers(1, min(width, len(inside)) + 1)]
        at = rng.permutation(width)[: len(chosen)]
        columns[i, at] = chosen
        values[i, at] = rng.normal(size=len(chosen)) * weak ** rng.integers(0, 2)
    return Rows(columns, values, rng.normal(size=m))


def dense(rows: list[Rows], n: int) -> np.ndarray:
    A = np.zeros((sum(len(r.misclosure) for r in rows), n + 1))
    first = 0
    for r in rows:
        for k in range(r.columns.shape[1]):
            np.add.at(A, (first + np.arange(len(r.columns)), r.columns[:, k]), r.values[:, k])
        first += len(r.columns)
    return A[:, :n]


def prior(n: int, weight: float) -> Rows:
    return Rows(np.arange(n)[:, None], np.full((n, 1), weight), np.zeros(n))


def make(seed: int, nodes: int, weak: float = 1.0) -> tuple[int, np.ndarray, list[Rows], np.ndarray]:
    rng = np.random.default_rng(seed)
    node = np.repeat(np.arange(nodes), rng.integers(1, 4, nodes))
    n = len(node)
    rows = [random_rows(rng, n, 3 * n, 5, node, weak), random_rows(rng, n, n, 2, node), prior(n, 0.3)]
    late = np.zeros(nodes, bool)
    late[rng.integers(nodes)] = True
    return n, node, rows, late


@budget(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), nodes=st.integers(1, 120))
def test_factor_solves_and_inverts_like_the_dense_matrix(seed: int, nodes: int) -> None:
    n, node, rows, late = make(seed, nodes)
    A = dense(rows, n)
    N = A.T @ A
    inverse = np.linalg.inv(N)
    condition = np.linalg.cond(N)
    factor = Factor(Pattern.build(n, [r.columns for r in rows], node, late), rows)
    right = np.random.default_rng(seed).normal(size=(n, 3))
    tolerance = 1e-14 * condition * np.abs(inverse).max() + 1e-12
    assert np.abs(factor.solve(right) - inverse @ right).max() < tolerance * 10
    assert np.abs(factor.solve(right[:, 0]) - inverse @ right[:, 0]).max() < tolerance * 10
    padded = np.zeros((n + 1, n + 1))
    padded[:n, :n] = inverse
    for r in rows:
        expected = padded[r.columns[:, :, None], r.columns[:, None, :]]
        assert np.abs(factor.block(r.columns) - expected).max() < tolerance * 10
    assert np.allclose(gradient(rows, n), A.T @ np.concatenate([r.misclosure for r in rows]))
    assert np.allclose(diagonal(rows, n), np.diag(N))
    assert objective(rows) == pytest.approx(sum(float(r.misclosure @ r.misclosure) for r in rows))


@pytest.mark.parametrize("nodes", [3, 40, 400])
def test_queries_beyond_the_equations(nodes: int) -> None:
    """Covariance among the unknowns of one node, asked for though no equation holds them all."""
    n, node, rows, late = make(7, nodes)
    wanted = np.full((nodes, 3), -1)
    for k in range(nodes):
        inside = np.flatnonzero(node == k)
        wanted[k, : len(inside)] = inside
    cofactor = Cofactor(Pattern.build(n, [r.columns for r in rows], node, late, (wanted,)), rows, None)
    A = dense(rows, n)
    padded = np.zeros((n + 1, n + 1))
    padded[:n, :n] = np.linalg.inv(A.T @ A)
    assert np.allclose(cofactor.query(0, wanted), padded[wanted[:, :, None], wanted[:, None, :]], atol=1e-9)
    some = np.array([0, n - 1])
    assert np.allclose(cofactor.columns(some), padded[:n, some], atol=1e-9)


@pytest.mark.parametrize("nodes", [5, 60, 300])
def test_queries_across_nodes_that_no_equation_joins(nodes: int) -> None:
    """Any pair may be asked for, far apart or each alone in its own front."""
    n, node, rows, late = make(9, nodes)
    pairs = np.random.default_rng(5).integers(0, n, (40, 2))
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    cofactor = Cofactor(Pattern.build(n, [r.columns for r in rows], node, late, (pairs,)), rows, None)
    A = dense(rows, n)
    inverse = np.linalg.inv(A.T @ A)
    found = cofactor.query(0, pairs)
    assert np.allclose(found[:, 0, 1], inverse[pairs[:, 0], pairs[:, 1]], atol=1e-9)
    assert np.allclose(found[:, 1, 1], inverse[pairs[:, 1], pairs[:, 1]], atol=1e-9)


def test_weights_over_twelve_decades() -> None:
    """Columns are scaled to a unit diagonal first, so wide ranges of sigma lose nothing by themselves."""
    n, node, rows, late = make(3, 30)
    scale = 10.0 ** np.random.default_rng(0).uniform(-6, 6, n + 1)
    scale[n] = 0.0
    wide = [Rows(r.columns, r.values * scale[r.columns], r.misclosure) for r in rows]
    plain = Pattern.build(n, [r.columns for r in rows], node, late)
    right = np.random.default_rng(1).normal(size=n)
    expected = Factor(plain, rows).solve(right) / scale[:n]
    assert np.allclose(Factor(plain, wide).solve(right * scale[:n]), expected, rtol=1e-9)


@pytest.mark.parametrize("missing", [0, 5, 17])
def test_a_defect_names_the_unknown(missing: int) -> None:
    """An unknown that no equation touches, and one that two equations touch only together with its twin."""
    n, node, rows, late = make(11, 12)
    alone = [Rows(r.columns, np.where(r.columns == missing, 0.0, r.values), r.misclosure) for r in rows]
    with pytest.raises(Defect) as caught:
        Factor(Pattern.build(n, [r.columns for r in alone], node, late), alone)
    v = caught.value.vectors
    assert v.shape[1] == 1
    assert int(np.argmax(np.abs(v[:, 0]))) == missing
    assert np.abs(np.delete(v[:, 0], missing)).max() < 1e-6 * np.abs(v[missing, 0])


def test_a_defect_of_two_that_move_as_one() -> None:
    """x₀ and x₁ only ever appear as x₀ − x₁."""
    columns = np.array([[0, 1], [0, 1], [2, 3], [3, -1], [2, -1]])
    values = np.array([[1.0, -1.0], [2.0, -2.0], [1.0, 1.0], [1.0, 0.0], [3.0, 0.0]])
    rows = [Rows(columns, values, np.zeros(5))]
    with pytest.raises(Defect) as caught:
        Factor(Pattern.build(4, [columns], np.arange(4), np.zeros(4, bool)), rows)
    v = caught.value.vectors[:, 0] / caught.value.vectors[0, 0]
    assert v == pytest.approx([1.0, 1.0, 0.0, 0.0], abs=1e-6)


# -- free networks ---------------------------------------------------------------------------------------------------


def levels(n: int, seed: int) -> tuple[list[Rows], np.ndarray]:
    """Height differences round a ring with chords: singular by one shift."""
    rng = np.random.default_rng(seed)
    pairs = [(i, (i + 1) % n) for i in range(n)] + [(i, (i + 7) % n) for i in range(0, n, 3)]
    columns = np.array(pairs)
    weight = rng.uniform(0.5, 2.0, len(pairs))
    return [Rows(columns, np.stack([-weight, weight], axis=1), rng.normal(size=len(pairs)))], np.ones((n, 1))


@pytest.mark.parametrize(("n", "datum"), [(8, None), (8, (0, 3)), (300, None), (300, (5,))])
def test_inner_constraints_are_the_s_transformation(n: int, datum: tuple[int, ...] | None) -> None:
    """Q_B = S Q Sᵀ, S = I − G(BᵀG)⁻¹Bᵀ, from any generalised inverse; x_B = S x (Baarda 1973, from memory)."""
    rows, G = levels(n, 4)
    B = G.copy()
    if datum is not None:
        B[:] = 0.0
        B[list(datum)] = 1.0
    unit = B / np.linalg.norm(B)
    pins = Rows(np.array([[2]]), np.array([[3.0]]), np.zeros(1))
    pattern = Pattern.build(
        n, [rows[0].columns, pins.columns], np.arange(n), np.zeros(n, bool), (np.arange(n)[:, None],)
    )
    cofactor = Cofactor(pattern, rows, Constraints(unit, np.zeros(n), pins))
    A = dense(rows, n)
    g = np.linalg.pinv(A.T @ A)
    S = np.eye(n) - G @ np.linalg.solve(B.T @ G, B.T)
    Q = S @ g @ S.T
    assert np.allclose(cofactor.columns(np.arange(n)), Q, atol=1e-9)
    assert np.allclose(cofactor.query(0, np.arange(n)[:, None])[:, 0, 0], np.diag(Q), atol=1e-9)
    right = gradient(rows, n)
    assert np.allclose(cofactor.solve(right), S @ g @ right, atol=1e-9)
    assert np.abs(unit.T @ cofactor.solve(right)).max() < 1e-9
    offset = np.array([0.7])
    assert unit.T @ cofactor.solve(right, offset) == pytest.approx(offset, abs=1e-9)
    assert np.allclose(
        A @ cofactor.solve(right, offset), A @ cofactor.solve(right), atol=1e-9
    )  # the shape is the same
    h = cofactor.gram(0, rows[0])[:, 0, 0]
    assert np.sum(1.0 - h) == pytest.approx(len(h) - (n - 1), abs=1e-8)


def test_pins_leave_no_trace() -> None:
    """Wherever the pins are set, and however hard."""
    rows, G = levels(40, 2)
    unit = G / np.linalg.norm(G)
    results = []
    for at, strength in ((0, 1.0), (17, 1e3), (39, 1e-2)):
        pins = Rows(np.array([[at]]), np.array([[strength]]), np.zeros(1))
        pattern = Pattern.build(40, [rows[0].columns, pins.columns], np.arange(40), np.zeros(40, bool))
        results.append(Cofactor(pattern, rows, Constraints(unit, np.zeros(40), pins)).columns(np.arange(40)))
    assert np.allclose(results[0], results[1], atol=1e-9)
    assert np.allclose(results[0], results[2], atol=1e-9)


# -- order -----------------------------------------------------------------------------------------------------------


@budget(max_examples=60, deadline=None)
@given(
    cliques=st.lists(st.sets(st.integers(0, 150), min_size=1, max_size=5), min_size=1, max_size=200),
    late=st.sets(st.integers(0, 150), max_size=3),
    size=st.integers(1, 4),
)
def test_every_clique_lies_in_a_front(cliques: list[set[int]], late: set[int], size: int) -> None:
    """Each node is eliminated once; each clique lies within the front of its first node; late nodes go last."""
    nodes = 151
    is_late = np.isin(np.arange(nodes), sorted(late))
    padded = np.full((len(cliques), 5), -1)
    for row, c in zip(padded, cliques, strict=True):
        row[: len(c)] = sorted(c)
    fronts = fronts_of(padded, np.full(nodes, size), is_late)
    last = len(fronts.level) - 1
    boundary: list[set[int]] = [set() for _ in range(last + 1)]
    for f, k in zip(fronts.boundary_front.tolist(), fronts.boundary_node.tolist(), strict=True):
        assert k not in boundary[f]
        boundary[f].add(k)
    home = fronts.home.tolist()
    pivots = [{k for k in range(nodes) if home[k] == f} for f in range(last + 1)]
    for c in cliques:
        f = min(home[k] for k in c)
        assert c <= pivots[f] | boundary[f]
    for f in range(last + 1):
        assert all(home[k] > f and fronts.level[home[k]] > fronts.level[f] for k in boundary[f])
        if boundary[f]:  # what a front leaves behind must fit into its parent, whole
            parent = min(home[k] for k in boundary[f])
            assert boundary[f] <= pivots[parent] | boundary[parent]
    assert all(home[k] == last for k in late)


def test_distinct_rows() -> None:
    ids = np.array([[0, 1], [1, 0], [0, 1], [-1, 1], [1, 0]])
    first, which = distinct_rows(ids)
    assert len(first) == 3
    assert np.array_equal(ids[first][which], ids)


# -- compiled loops ----------------------------------------------------------------------------------------------------


@pytest.fixture
def compiled() -> Iterator[None]:
    kernels.use(True)
    yield
    kernels.use(None)


@pytest.mark.usefixtures("compiled")
@pytest.mark.parametrize(("seed", "nodes", "weak"), [(1, 200, 1.0), (2, 500, 1.0), (3, 900, 1e-3)])
def test_compiled_loops_give_what_numpy_gives(seed: int, nodes: int, weak: float) -> None:
    """Another order, the same solutions, half solutions, leverages, queries and entries up to rounding."""
    n, node, rows, late = make(seed, nodes, weak)
    twice = Rows(
        np.array([[0, n - 1, 0], [1, 1, 1]]), np.array([[1.0, 2.0, 3.0], [1.0, -3.0, 1.0]]), np.ones(2)
    )
    rows.append(twice)
    wanted = np.random.default_rng(seed).integers(0, n, (60, 2))
    columns = [r.columns for r in rows]
    fast = Pattern.build(n, columns, node, late, (wanted,))
    kernels.use(False)
    plain = Pattern.build(n, columns, node, late, (wanted,))
    assert type(fast).__name__ == "Tree"
    assert type(plain).__name__ == "Rounds"
    a, b = Factor(fast, rows), Factor(plain, rows)
    right = np.random.default_rng(seed).normal(size=(n, 3))
    A = dense(rows, n)
    exact = np.linalg.solve(A.T @ A, right)
    size = np.abs(exact).max()
    assert np.abs(a.solve(right) - exact).max() < 1e-10 * size
    assert np.abs(b.solve(right) - exact).max() < 1e-10 * size
    assert a.half(right).T @ a.half(right) == pytest.approx(right.T @ exact, rel=1e-9)
    for x, y in zip(a.inverse.leverage, b.inverse.leverage, strict=True):
        assert x == pytest.approx(y, abs=1e-10)
    assert sum(float(np.sum(x)) for x in a.inverse.leverage) == pytest.approx(n, abs=1e-8)
    assert a.query(0, wanted) == pytest.approx(b.query(0, wanted), rel=1e-9, abs=1e-10)
    for r in rows:
        assert a.block(r.columns) == pytest.approx(b.block(r.columns), rel=1e-9, abs=1e-10)
    i, j = wanted.T
    assert a.entries(i, j) == pytest.approx(b.entries(i, j), rel=1e-9, abs=1e-10)


@pytest.mark.usefixtures("compiled")
def test_compiled_loops_see_a_defect() -> None:
    n, node, rows, late = make(4, 300)
    missing = n // 2
    alone = [Rows(r.columns, np.where(r.columns == missing, 0.0, r.values), r.misclosure) for r in rows]
    with pytest.raises(Defect) as caught:
        Factor(Pattern.build(n, [r.columns for r in alone], node, late), alone)
    assert int(np.argmax(np.abs(caught.value.vectors[:, 0]))) == missing


def test_an_unknown_twice_in_a_row_counts_as_its_sum() -> None:
    columns = np.array([[0, 1, 0], [1, 2, 2], [2, 0, -1], [1, -1, -1]])
    values = np.array([[1.0, 2.0, 3.0], [1.0, 1.0, -3.0], [1.0, 1.0, 0.0], [0.5, 0.0, 0.0]])
    rows = [Rows(columns, values, np.zeros(4))]
    factor = Factor(Pattern.build(3, [columns], np.arange(3), np.zeros(3, bool)), rows)
    A = dense(rows, 3)
    Q = np.linalg.inv(A.T @ A)
    assert factor.solve(np.eye(3)) == pytest.approx(Q)
    assert factor.inverse.leverage[0] == pytest.approx(np.einsum("mi,ij,mj->m", A, Q, A))


def test_without_the_extra_all_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """A network of any size is solved where numba is not installed; only asking for it is refused."""
    monkeypatch.setitem(sys.modules, "hubtack.adjust.estimate.tree", None)
    assert not kernels.chosen(10**7)
    with pytest.raises(ImportError):
        kernels.use(True)
    assert not kernels.chosen(10**7)


@pytest.mark.parametrize("fast", [False, True])
@pytest.mark.parametrize("late_too", [False, True])
def test_half_solves_of_few_unknowns(fast: bool, late_too: bool) -> None:
    """rightᵀ Q right where right is zero but for a few unknowns, from their ways to the root alone."""
    n, node, rows, late = make(8, 600)
    if not late_too:
        late[:] = False
    kernels.use(fast)
    try:
        pattern = Pattern.build(n, [r.columns for r in rows], node, late)
    finally:
        kernels.use(None)
    factor = Factor(pattern, rows)
    A = dense(rows, n)
    Q = np.linalg.inv(A.T @ A)
    rng = np.random.default_rng(2)
    for few in (1, 4, 40, n):
        places = rng.permutation(n)[:few]
        right = rng.normal(size=(few, 5))
        y = factor.half(right, places)
        assert y.T @ y == pytest.approx(right.T @ Q[np.ix_(places, places)] @ right, rel=1e-10)
        if few == 1:
            assert len(y) < n / 4


@pytest.mark.usefixtures("compiled")
@pytest.mark.parametrize("large", [192, 6])
def test_subtrees_taken_at_once_and_large_fronts_change_nothing(
    large: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A network cut into subtrees for two threads, with fronts given to BLAS, against the whole in one go."""
    from hubtack.adjust.estimate import shared, tree, tree_numbers

    n, node, rows, late = make(12, 900)
    wanted = np.random.default_rng(3).integers(0, n, (60, 2))
    columns = [r.columns for r in rows]
    whole = Factor(Pattern.build(n, columns, node, late, (wanted,)), rows)
    monkeypatch.setattr(shared, "WORTH_SHARING", 1)
    monkeypatch.setattr(tree, "LARGE", large)
    cut = Factor(Pattern.build(n, columns, node, late, (wanted,)), rows)
    assert isinstance(cut.pattern, tree.Tree)
    assert len(cut.pattern.shares.subtrees) > 4
    assert any(run[2] for part in cut.pattern.shares.subtrees for run in part) == (large == 6)
    covered = [f for part in cut.pattern.shares.subtrees for low, high, _ in part for f in range(low, high)]
    covered += [f for step in cut.pattern.shares.above for f in range(*step.run[:2])]
    assert sorted(covered) == list(range(len(cut.pattern.every)))
    right = np.random.default_rng(2).normal(size=(n, 3))
    assert cut.solve(right) == pytest.approx(whole.solve(right), abs=1e-9)
    for x, y in zip(cut.inverse.leverage, whole.inverse.leverage, strict=True):
        assert x == pytest.approx(y, abs=1e-10)
    assert cut.query(0, wanted) == pytest.approx(whole.query(0, wanted), abs=1e-10)
    monkeypatch.setattr(tree_numbers, "at_once", lambda work, *_: (work(1), work(0)))
    again = Factor(Pattern.build(n, columns, node, late, (wanted,)), rows)
    np.testing.assert_allclose(again.solve(right), cut.solve(right), rtol=1e-13)  # one core or two


def test_a_fault_in_the_other_thread_is_raised() -> None:
    from hubtack.adjust.estimate.shared import at_once

    def work(which: int) -> None:
        if which == 1:
            raise np.linalg.LinAlgError("there")

    with pytest.raises(np.linalg.LinAlgError, match="there"):
        at_once(work)

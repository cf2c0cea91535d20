"""What sparse right sides reach: the same as whole columns of the inverse, wherever the limit is passed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from tests.benchmarks.scale_one import made

from hubtack.adjust import adjust
from hubtack.adjust.estimate import kernels
from hubtack.adjust.estimate.influence import influence_of
from hubtack.adjust.estimate.normals import Factor, Pattern
from hubtack.adjust.estimate.rows import Rows


@pytest.fixture(params=[False, True], ids=["numpy", "compiled"])
def compiled(request: pytest.FixtureRequest) -> Iterator[None]:
    kernels.use(request.param)
    yield
    kernels.use(None)


@pytest.mark.usefixtures("compiled")
@pytest.mark.parametrize("every", [True, False])
@pytest.mark.parametrize("limit", [0.0, 1e-6, 1e-3, 0.05, 0.4])
def test_nothing_beyond_the_limit_is_missed(limit: float, every: bool) -> None:
    result = adjust(made(300))
    assert result.solved is not None
    cofactor, n = result.solved.solution.cofactor, result.solved.unknowns.n
    rows = result.solved.solution.rows[0]
    chosen = np.arange(0, len(rows.values), 29)
    columns, values = rows.columns[chosen], rows.values[chosen]
    right = np.zeros((n + 1, len(chosen)))
    np.add.at(right, (columns, np.arange(len(chosen))[:, None]), values)
    expected = np.abs(cofactor.solve(right[:n])) / np.sqrt(cofactor.diagonal)[:, None]
    seen = np.zeros_like(expected)
    reached = 0
    wanted = np.full(n, every)
    wanted[result.solved.unknowns.marks[result.solved.unknowns.marks >= 0]] = True
    influence = influence_of(cofactor.factor, None if every else wanted)
    for found in influence.of(columns, values, np.full(len(chosen), limit)):
        seen[np.ix_(found.unknown, found.right)] = found.moved
        reached += len(found.unknown) * len(found.right)
    beyond = (expected > limit + 1e-12) & wanted[:, None]
    assert np.abs(seen - expected)[beyond].max(initial=0.0) < 1e-9 * max(1.0, expected.max())
    if limit >= 0.4:
        assert reached < 0.5 * expected.size  # and it need not look everywhere


@pytest.mark.usefixtures("compiled")
def test_parts_that_hang_together_by_nothing_are_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kernels, "WORTH_USING", 1)
    columns = np.array([[0, 1], [1, 2], [3, 4], [4, 5]])
    links = Rows(columns, np.array([[1.0, -1.0]] * 4), np.zeros(4))
    holds = Rows(np.array([[0], [3]]), np.ones((2, 1)), np.zeros(2))
    pattern = Pattern.build(6, [links.columns, holds.columns], np.arange(6), np.zeros(6, dtype=bool))
    factor = Factor(pattern, [links, holds])
    (found,) = influence_of(factor).of(np.array([[2, -1]]), np.array([[1.0, 0.0]]), np.zeros(1))
    moved = dict(zip(found.unknown.tolist(), found.moved[:, 0].tolist(), strict=True))
    assert {k for k, v in moved.items() if v > 0.0} == {0, 1, 2}
    # a chain of unit springs from a hold of sigma 1: Q_22 = 3, Q_12 = 2, Q_02 = 1
    assert moved[2] == pytest.approx(3 / np.sqrt(3))
    assert moved[1] == pytest.approx(2 / np.sqrt(2))
    assert moved[0] == pytest.approx(1.0)


@pytest.mark.parametrize("limit", [0.02, 0.1, 0.4, 0.8])
def test_what_is_called_harmless_is(limit: float) -> None:
    """Against whole columns of the inverse: nothing wanted moves by more; and where all moves are small, most are told."""
    result = adjust(made(300))
    assert result.solved is not None
    cofactor, u = result.solved.solution.cofactor, result.solved.unknowns
    wanted = np.zeros(u.n, dtype=bool)
    wanted[u.marks[u.marks >= 0]] = True
    told = small = 0
    for rows in result.solved.solution.rows:
        chosen = np.arange(0, len(rows.values), 7)
        columns, values = rows.columns[chosen], rows.values[chosen]
        right = np.zeros((u.n + 1, len(chosen)))
        np.add.at(right, (columns, np.arange(len(chosen))[:, None]), values)
        moved = np.abs(cofactor.solve(right[: u.n])) / np.sqrt(cofactor.diagonal)[:, None]
        largest = moved[wanted].max(axis=0)
        harmless = influence_of(cofactor.factor, wanted).harmless(
            columns, values, np.full(len(chosen), limit)
        )
        assert np.all(largest[harmless] <= limit)
        told += int(harmless.sum())
        small += int((largest <= 0.5 * limit).sum())
    assert small > 20
    assert told > 0.5 * small


def test_in_one_front_everything_is_at_hand() -> None:
    """A free chain of five held at one end: Q_ij = min(i, j) of unit springs."""
    columns = np.array([[0, 1], [1, 2], [2, 3], [3, 4]])
    links, hold = (
        Rows(columns, np.array([[1.0, -1.0]] * 4), np.zeros(4)),
        Rows(np.array([[0]]), np.ones((1, 1)), np.zeros(1)),
    )
    pattern = Pattern.build(5, [links.columns, hold.columns], np.arange(5), np.zeros(5, dtype=bool))
    factor = Factor(pattern, [links, hold])
    at, one = np.array([[1]]), np.ones((1, 1))
    moved = 2.0 / np.sqrt(
        np.arange(1.0, 6.0)
    )  # of 1 … 5: Q_1j = min(2, j + 1), so the largest is √2 at itself
    moved[0] = 1.0
    for limit in (0.5, 0.9, 1.2, 1.4, 1.7, 3.0):
        for wanted in (np.array([True] * 5), np.array([False, False, False, False, True])):
            harmless = influence_of(factor, wanted).harmless(at, one, np.array([limit]))
            assert harmless[0] <= (moved[wanted].max() <= limit)
    assert influence_of(factor).harmless(at, one, np.array([3.0]))[0]

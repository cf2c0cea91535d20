"""What sparse right sides reach: the same as whole columns of the inverse, wherever the limit is passed."""

from __future__ import annotations

import numpy as np
import pytest
from tests.benchmarks.scale_one import made

from hubtack.adjust import adjust
from hubtack.adjust.estimate.influence import Influence
from hubtack.adjust.estimate.normals import Factor, Pattern
from hubtack.adjust.estimate.rows import Rows


@pytest.mark.parametrize("limit", [0.0, 1e-6, 1e-3, 0.05, 0.4])
def test_nothing_beyond_the_limit_is_missed(limit: float) -> None:
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
    for found in Influence(cofactor.factor).of(columns, values, np.full(len(chosen), limit)):
        seen[np.ix_(found.unknown, found.right)] = found.moved
        reached += len(found.unknown) * len(found.right)
    beyond = expected > limit + 1e-12
    assert np.abs(seen - expected)[beyond].max(initial=0.0) < 1e-9 * max(1.0, expected.max())
    if limit >= 0.4:
        assert reached < 0.5 * expected.size  # and it need not look everywhere


def test_parts_that_hang_together_by_nothing_are_left_alone() -> None:
    columns = np.array([[0, 1], [1, 2], [3, 4], [4, 5]])
    links = Rows(columns, np.array([[1.0, -1.0]] * 4), np.zeros(4))
    holds = Rows(np.array([[0], [3]]), np.ones((2, 1)), np.zeros(2))
    pattern = Pattern.build(6, [links.columns, holds.columns], np.arange(6), np.zeros(6, dtype=bool))
    factor = Factor(pattern, [links, holds])
    (found,) = Influence(factor).of(np.array([[2, -1]]), np.array([[1.0, 0.0]]), np.zeros(1))
    moved = dict(zip(found.unknown.tolist(), found.moved[:, 0].tolist(), strict=True))
    assert {k for k, v in moved.items() if v > 0.0} == {0, 1, 2}
    # a chain of unit springs from a hold of sigma 1: Q_22 = 3, Q_12 = 2, Q_02 = 1
    assert moved[2] == pytest.approx(3 / np.sqrt(3))
    assert moved[1] == pytest.approx(2 / np.sqrt(2))
    assert moved[0] == pytest.approx(1.0)

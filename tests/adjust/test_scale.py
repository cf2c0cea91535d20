"""What the benchmark of growth compares with: the model written for the peers is ours, and a stage is counted once."""

from __future__ import annotations

import time

import numpy as np
import pytest
from tests.benchmarks.peer_problem import problem_of, sight
from tests.benchmarks.scale_one import Clock, flops, made

from hubtack.adjust import adjust
from hubtack.adjust.settings import Settings


def test_the_model_of_the_peers_gives_our_objective_at_our_solution() -> None:
    network = made(30)
    result = adjust(network)
    assert result.solved is not None
    state = result.solved.state
    problem = problem_of(network, Settings())
    total = 0.0
    for pair in problem.pairs:
        a, b = (
            tuple(state.coordinates[m] + state.effects[s] + [0.0, 0.0, problem.heights[s]])
            for m, s in ((pair.start_mark, pair.start), (pair.end_mark, pair.end))
        )
        residuals, _, _ = sight(problem, a, b, pair, [float(state.orientations[t]) for t in pair.turns])
        total += float(residuals @ residuals)
    total += float(np.sum((state.effects / problem.effects) ** 2))
    assert total == pytest.approx(result.solved.solution.objective, rel=1e-8)


def test_the_jacobians_of_the_peers_are_differences() -> None:
    problem = problem_of(made(30), Settings())
    pair = problem.pairs[7]
    turns = [0.1] * len(pair.turns)
    a, b = (10.0, 20.0, 3.0), (85.0, -40.0, 9.0)
    _, to_a, to_b = sight(problem, a, b, pair, turns)
    for k, (jacobian, which) in enumerate(((to_a, 0), (to_b, 1))):
        for axis in range(3):
            moved = []
            for step in (1e-4, -1e-4):
                ends = [list(a), list(b)]
                ends[which][axis] += step
                moved.append(sight(problem, tuple(ends[0]), tuple(ends[1]), pair, turns)[0])  # type: ignore[arg-type]
            difference = (moved[0] - moved[1]) / 2e-4
            assert jacobian[:, axis] == pytest.approx(difference, rel=1e-5, abs=1e-3), (k, axis)


def test_flops_are_those_of_the_dense_factor_where_everything_is_one_front() -> None:
    """Cholesky of n unknowns takes n³/3 + n²/2 + n/6 multiplications and additions; sparse work can't exceed it."""
    result = adjust(made(12))
    assert result.solved is not None
    n = result.solved.unknowns.n
    work, filled = flops(result)
    assert 0.0 < work <= 3.0 * (n**3 / 3 + n**2 / 2 + n / 6)
    assert n <= filled <= n * (n + 1) / 2


def test_a_stage_within_a_stage_is_counted_once() -> None:
    clock = Clock()
    inner = clock.around("inner", lambda: time.sleep(0.02))
    outer = clock.around("outer", lambda: (time.sleep(0.01), inner(), inner()))
    before = time.perf_counter()
    outer()
    taken = time.perf_counter() - before
    assert clock.seconds["inner"] >= 0.04
    assert sum(clock.seconds.values()) <= taken
    assert clock.seconds["outer"] <= taken - clock.seconds["inner"]


def test_names_of_observations_are_made_when_they_are_asked_for() -> None:
    """A large network has a million; nothing in an adjustment needs them. Told here once more, row by row."""
    network = made(30)
    result = adjust(network)
    assert result.solved is not None
    for table in (result.observations, result.solved.obs, result.solved.unknowns.priors):
        assert "id" in vars(table)["_later"]
        assert "id" not in vars(table)
    sights, made_of = network.sights, {}
    for i in range(len(sights)):
        made_of.setdefault((sights.start[i], sights.end[i], sights.round[i]), []).append(str(sights.id[i]))
    table = result.observations
    for i in range(len(table)):
        if table.kind[i] == "effect":
            setup = str(network.setups.setup[table.start_setup[i]])
            assert table.start[i] == setup
            assert str(table.id[i]).startswith(f"{setup}.effect.")
            assert table.rows[i] == ()
            continue
        rows = made_of[table.start_setup[i], table.end_setup[i], table.round[i]]
        assert table.rows[i] == tuple(rows)
        assert table.id[i] == f"{rows[0]}.{table.kind[i]}"
        assert table.start[i] == network.setups.setup[table.start_setup[i]]
        assert table.end[i] == network.setups.setup[table.end_setup[i]]
    last = len(table) - 1
    for name in ("id", "kind", "start", "rows"):  # some rows alone say what the whole column says
        again = adjust(network).observations
        assert again.some(name, [last, 0, -2]).tolist() == getattr(table, name)[[last, 0, -2]].tolist()

"""Ceres through pyceres on the same network: the exact model as cost functions in Python, and mark covariances."""

from __future__ import annotations

import numpy as np
from tests.benchmarks.peer_gtsam import _laps
from tests.benchmarks.peer_problem import Problem, sight

LACKS = "callbacks in Python; no redundancy numbers, tests or MDBs; covariances of the marks alone (sighted pairs cost more)"


def exact(p: Problem) -> dict[str, float]:
    """Seconds by stage; vᵀPv and the trace of the mark covariances."""
    import pyceres

    class Sight(pyceres.CostFunction):  # type: ignore[misc]
        """One pair of setups, all rounds."""

        def __init__(self, pair) -> None:  # type: ignore[no-untyped-def]
            super().__init__()
            self.pair = pair
            self.over = float(p.heights[pair.start]), float(p.heights[pair.end])
            R = len(pair.turns)
            self.set_num_residuals(3 * R)
            self.set_parameter_block_sizes([1] * R + [3, 3, 3, 3])
            self.turning = []
            for r in range(R):
                column = np.zeros(3 * R)
                column[3 * r] = -pair.weight[r][0]
                self.turning.append(column)

        def Evaluate(self, parameters, residuals, jacobians):  # type: ignore[no-untyped-def]  # noqa: N802
            R = len(self.turning)
            own, other, a, b = parameters[R:]
            start = (a[0] + own[0], a[1] + own[1], a[2] + own[2] + self.over[0])
            end = (b[0] + other[0], b[1] + other[1], b[2] + other[2] + self.over[1])
            value, to_a, to_b = sight(p, start, end, self.pair, [t[0] for t in parameters[:R]])
            residuals[:] = value
            if jacobians is not None:
                for r in range(R):
                    if jacobians[r] is not None:
                        jacobians[r][:] = self.turning[r]
                flat = to_a.ravel(), to_b.ravel()
                for k, jacobian in enumerate(jacobians[R:]):
                    if jacobian is not None:
                        jacobian[:] = flat[k % 2]
            return True

    lap = _laps()
    problem = pyceres.Problem()
    marks = [m.copy() for m in p.marks]
    effects = [np.zeros(3) for _ in p.heights]
    turns = [np.array([t]) for t in p.turns]
    costs = [Sight(pair) for pair in p.pairs]  # the problem does not keep what Python made
    for cost in costs:
        pair = cost.pair
        blocks = [turns[t] for t in pair.turns] + [effects[pair.start], effects[pair.end]]
        problem.add_residual_block(cost, None, [*blocks, marks[pair.start_mark], marks[pair.end_mark]])
    for s in {s for pair in p.pairs for s in (pair.start, pair.end)}:
        prior = pyceres.factors.NormalPrior(np.zeros(3), np.diag(p.effects[s] ** 2))
        problem.add_residual_block(prior, None, [effects[s]])
    seen = p.seen.tolist()
    for m in seen:
        if p.held[m]:
            problem.set_parameter_block_constant(marks[m])
    build = lap()
    options = pyceres.SolverOptions()
    options.linear_solver_type = pyceres.LinearSolverType.SPARSE_NORMAL_CHOLESKY
    options.num_threads = 1
    options.max_num_iterations = 50
    options.function_tolerance = 1e-12
    options.logging_type = pyceres.LoggingType.SILENT
    summary = pyceres.SolverSummary()
    pyceres.solve(options, problem, summary)
    solve = lap()
    chosen = pyceres.CovarianceOptions()
    chosen.num_threads = 1
    covariance = pyceres.Covariance(chosen)
    free = [m for m in seen if not p.held[m]]
    if not covariance.compute([(marks[m], marks[m]) for m in free], problem):
        raise RuntimeError("Ceres made no covariance")
    trace = sum(float(np.trace(covariance.get_covariance_block(marks[m], marks[m]))) for m in free)
    taken = lap()
    return {
        "build": build, "solve": solve, "marks": taken, "linear": summary.linear_solver_time_in_seconds,
        "total": build + solve + taken, "objective": 2.0 * summary.final_cost, "trace": trace,
    }  # fmt: skip

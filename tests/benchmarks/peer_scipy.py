"""scipy.optimize.least_squares on the same network: our equations as its function and its sparse Jacobian."""

from __future__ import annotations

import time

import numpy as np

from hubtack.adjust.ground.table import Floats
from hubtack.adjust.results import Adjustment

LACKS = "iterates with lsmr and stops short at its default tolerances; no covariances at all"


def least_squares(adjustment: Adjustment, start: Floats) -> dict[str, float]:
    """Seconds from `start` (n,) at default tolerances, and how far the furthest mark is off our solution, m."""
    from scipy import optimize, sparse

    assert adjustment.solved is not None
    equations, n = adjustment.solved.equations, adjustment.solved.unknowns.n

    def residuals(x: Floats) -> Floats:
        return -np.concatenate([r.misclosure for r in equations.evaluate(x)])

    def jacobian(x: Floats) -> sparse.csr_array:
        parts = []
        for r in equations.evaluate(x):
            there = r.columns >= 0
            rows = np.broadcast_to(np.arange(len(r.values))[:, None], there.shape)[there]
            parts.append(
                sparse.csr_array((r.values[there], (rows, r.columns[there])), shape=(len(r.values), n))
            )
        return sparse.csr_array(sparse.vstack(parts))

    before = time.perf_counter()
    found = optimize.least_squares(
        residuals, start, jacobian, method="trf", tr_solver="lsmr", x_scale="jac", max_nfev=30
    )
    taken = time.perf_counter() - before
    columns = adjustment.solved.unknowns.marks
    off = np.abs(found.x - adjustment.solved.solution.x)[columns[columns >= 0]].max()
    return {"total": taken, "objective": 2.0 * float(found.cost), "off": float(off)}

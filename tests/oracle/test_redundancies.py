"""Every redundancy of 300 marks against dense orthogonal triangles: r = 1 − ‖row of Q‖² of the whole design matrix A = QR."""

from __future__ import annotations

import numpy as np
import pytest
from tests.benchmarks.scale_one import made

from hubtack.adjust import adjust
from hubtack.adjust.estimate import kernels
from hubtack.adjust.results import Adjustment
from hubtack.adjust.solved import Solved


def _adjusted(compiled: bool) -> tuple[Adjustment, Solved]:
    kernels.use(compiled)
    try:
        result = adjust(made(300))
    finally:
        kernels.use(None)
    assert result.solved is not None
    return result, result.solved


def test_of_all_readings_and_setups() -> None:
    """4176 readings, 3393 unknowns; the dense matrix is written out from the equations and knows nothing of fronts."""
    from scipy.linalg import qr

    result, solved = _adjusted(False)
    rows, n = solved.solution.rows, solved.unknowns.n
    A = np.zeros((sum(len(r.values) for r in rows), n + 1))
    at = 0
    for r in rows:
        np.add.at(A, (at + np.arange(len(r.values))[:, None], r.columns), r.values)
        at += len(r.values)
    A = A[:, :n]
    Q, _ = qr(A / np.linalg.norm(A, axis=0), mode="economic")
    expected = 1.0 - np.einsum("mi,mi->m", Q, Q)
    for a, s in ((result, solved), _adjusted(True)):
        found = np.concatenate([t.redundancy for t in s.reliability])
        assert np.abs(found - expected).max() < 1e-9
        assert float(np.sum(found)) == pytest.approx(a.degrees_of_freedom, abs=1e-8)

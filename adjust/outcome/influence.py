"""What one observation does to the coordinates: how far each mark moves per unit by which the reading is changed.

For one more unit in observation i,  dx = Q Aᵀ P e_i  (of whitened equations: Q Aᵀ L⁻¹ e_i, with L that of its block). For a held
coordinate that is moved by one unit, with c the column that it would have,  dx = −Q Aᵀ P c, and the coordinate itself moves by 1.
First order: exact for what is small against the lengths of the network.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..ground.table import Floats, Ints
from ..model.equations import Equations
from ..solved import Solved


def influences(solved: Solved, rows: Ints) -> Floats:
    """∂(east, north, height)/∂observation of all marks, (k, n_marks, 3), for `rows` (k,) of the table of observations.

    m/m, or m/rad for an angle; 0 where a coordinate is held or nothing reaches it. One solve for all of them.
    """
    right = np.zeros((solved.unknowns.n, len(rows)))
    sigmas = _sigmas(solved, rows)
    for j, row in enumerate(rows.tolist()):
        k, p = place(solved, row)
        equations = solved.solution.rows[k]
        if equations.block == 1:
            of_block, whitening = [p], 1.0 / sigmas[j : j + 1]
        else:
            b = equations.block
            first = p - p % b
            covariance = solved.covariances[k]
            assert covariance is not None
            of_block = list(range(first, first + b))
            whitening = np.linalg.inv(np.linalg.cholesky(covariance[first // b]))[:, p - first]
        for i, weight in zip(of_block, whitening.tolist(), strict=True):
            there = equations.columns[i] >= 0
            np.add.at(right[:, j], equations.columns[i][there], weight * equations.values[i][there])
    return _of_marks(solved, solved.solution.cofactor.solve(right) if len(rows) else right)


def held_influence(solved: Solved, mark: int, axis: int) -> Floats:
    """How all marks move per unit by which one held coordinate is moved, (n_marks, 3); its own entry is 1."""
    u, equations = solved.unknowns, solved.equations
    columns = u.marks.copy()
    columns[mark, axis] = u.n
    wider = Equations(
        equations.network,
        equations.obs,
        replace(u, n=u.n + 1, marks=columns),
        equations.settings,
        equations.frame,
        equations.start,
    )
    at = np.append(solved.solution.x, equations.start[mark, axis])
    right = np.zeros(u.n + 1)
    for r in wider.evaluate(at):
        own = np.where(r.columns == u.n, r.values, 0.0).sum(axis=1)
        hit = np.flatnonzero(own)
        np.add.at(right, np.where(r.columns[hit] >= 0, r.columns[hit], u.n), r.values[hit] * own[hit, None])
    moved: Floats = _of_marks(solved, -solved.solution.cofactor.solve(right[: u.n])[:, None])[0]
    moved[mark, axis] = 1.0
    return moved


def place(solved: Solved, row: int) -> tuple[int, int]:
    """Which Rows of the solution a row of the table of observations stands in, and where there."""
    used = int(solved.obs.used.sum())
    if row >= used:
        return len(solved.solution.rows) - 1, row - used
    i = int(np.flatnonzero(solved.obs.used)[row])
    for k, group in enumerate(solved.equations.groups):
        found = np.flatnonzero(group.rows == i)
        if len(found):
            return k, int(found[0])
    raise IndexError(row)  # pragma: no cover - what is in use stands in a group


def _sigmas(solved: Solved, rows: Ints) -> Floats:
    """What rows of the table of observations were whitened by; (k,)."""
    used = np.flatnonzero(solved.obs.used)
    prior = rows >= len(used)
    out = np.empty(len(rows))
    out[prior] = solved.unknowns.priors.sigma[rows[prior] - len(used)]
    out[~prior] = solved.equations.sigmas(solved.solution.x, used[rows[~prior]])
    return out


def _of_marks(solved: Solved, dx: Floats) -> Floats:
    padded = np.concatenate([dx, np.zeros((1, dx.shape[1]))])
    return np.ascontiguousarray(np.moveaxis(padded[solved.unknowns.marks], 2, 0))

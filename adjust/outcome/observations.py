"""Observations and pseudo-observations after the adjustment."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..ground.table import Ints, Names
from ..model.observations import KINDS
from ..model.reductions import as_objects, wrap
from ..results import AdjustedObservations
from ..solved import Solved


def observation_table(solved: Solved) -> AdjustedObservations:
    """All observations in use, then weighted control, setup effects and constants."""
    obs, n = solved.obs, int(solved.obs.used.sum())
    slot = np.cumsum(obs.used) - 1
    sigma, residual = np.full(n, np.nan), np.full(n, np.nan)
    redundancy, w, strength = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    used = np.flatnonzero(obs.used)
    sigma[:] = solved.equations.sigmas(solved.solution.x, used)
    for k, group in enumerate(solved.equations.groups):
        rows, rel = solved.solution.rows[k], solved.reliability[k]
        at = slot[group.rows]
        covariance = solved.covariances[k]
        if covariance is None:
            residual[at] = -rows.misclosure * sigma[at]
        else:
            v = np.linalg.cholesky(covariance) @ rows.misclosure.reshape(-1, 3, 1)
            residual[at] = -v.reshape(-1)
        redundancy[at], w[at], strength[at] = rel.redundancy, rel.standardized, rel.strength
    kinds = [KINDS[k] for k in obs.kind[used]]
    whole = np.array([k.whole_circle for k in kinds], dtype=bool)
    adjusted = obs.value[used] + residual
    adjusted = np.where(whole, np.mod(adjusted, 2.0 * np.pi), adjusted)
    start, end = _ends(solved, used)
    first = {
        "id": obs.id[used],
        "kind": as_objects([k.says for k in kinds]),
        "quantity": as_objects([k.quantity for k in kinds]),
        "start": start,
        "end": end,
        "start_mark": obs.start_mark[used],
        "end_mark": obs.end_mark[used],
        "start_setup": obs.start_setup[used],
        "end_setup": obs.end_setup[used],
        "round": obs.round[used],
        "observed": obs.value[used],
        "adjusted": adjusted,
        "residual": residual,
        "sigma": sigma,
        "standardized": w,
        "redundancy": redundancy,
        "strength": strength,
        "rows": obs.rows[used],
    }
    second = _priors(solved)
    joined = {name: np.concatenate([first[name], second[name]]) for name in first}
    power = joined.pop("strength")
    with np.errstate(divide="ignore", invalid="ignore"):
        joined["minimal_detectable_bias"] = np.where(
            power > 0.0, solved.delta0 * joined["sigma"] / power, np.inf
        )
    joined["flagged"] = np.abs(np.nan_to_num(joined["standardized"])) > solved.critical
    return AdjustedObservations(**joined)


def _priors(solved: Solved) -> dict[str, NDArray[Any]]:
    """Pseudo-observations in the columns of `observations`."""
    p = solved.unknowns.priors
    n = len(p)
    names = solved.network.marks.mark, solved.network.setups.setup
    start = [
        str(names[0][m]) if m >= 0 else str(names[1][s]) if s >= 0 else str(i).rpartition(".")[0]
        for i, m, s in zip(p.id, p.mark, p.setup, strict=True)
    ]
    quantity = {c.place: c.quantity for c in solved.unknowns.constants}
    rel = solved.prior_reliability
    residual = solved.prior_residual
    setup_mark = solved.network.setups.mark[p.setup] if len(solved.network.setups) else p.setup
    return {
        "id": p.id,
        "kind": p.source,
        "quantity": as_objects([quantity.get(c, "length") for c in p.place.tolist()]),
        "start": as_objects(start),
        "end": as_objects([""] * n),
        "start_mark": np.where(p.setup >= 0, setup_mark, p.mark),
        "end_mark": np.full(n, -1),
        "start_setup": p.setup,
        "end_setup": np.full(n, -1),
        "round": np.zeros(n, dtype=np.int64),
        "observed": p.value,
        "adjusted": p.value + residual,
        "residual": residual,
        "sigma": p.sigma,
        "standardized": rel.standardized,
        "redundancy": rel.redundancy,
        "strength": rel.strength,
        "rows": as_objects([()] * n),
    }


def left_out_table(solved: Solved) -> AdjustedObservations:
    """What decisions left out, against the adjusted network; no test values."""
    obs = solved.obs
    rows = np.flatnonzero(~obs.used)
    computed = solved.equations.computed(solved.solution.x, rows)
    kinds = [KINDS[k] for k in obs.kind[rows]]
    angle = np.array([k.quantity == "angle" for k in kinds], dtype=bool)
    blind = (
        (obs.orientation[rows] >= 0) & (solved.unknowns.orientations[obs.orientation[rows]] < 0)
        if len(solved.unknowns.orientations)
        else obs.orientation[rows] >= 0
    )
    lost = blind | np.array([k.name == "direction" for k in kinds], dtype=bool) & (obs.orientation[rows] < 0)
    computed[lost] = np.nan
    residual = computed - obs.value[rows]
    residual = np.where(angle, wrap(residual), residual)
    start, end = _ends(solved, rows)
    nothing = np.full(len(rows), np.nan)
    return AdjustedObservations(
        id=obs.id[rows],
        kind=as_objects([k.says for k in kinds]),
        quantity=as_objects([k.quantity for k in kinds]),
        start=start,
        end=end,
        start_mark=obs.start_mark[rows],
        end_mark=obs.end_mark[rows],
        start_setup=obs.start_setup[rows],
        end_setup=obs.end_setup[rows],
        round=obs.round[rows],
        observed=obs.value[rows],
        adjusted=obs.value[rows] + residual,
        residual=residual,
        sigma=obs.sigma[rows],
        standardized=nothing,
        redundancy=nothing,
        minimal_detectable_bias=nothing,
        flagged=np.zeros(len(rows), dtype=bool),
        rows=obs.rows[rows],
    )


def _ends(solved: Solved, rows: Ints) -> tuple[Names, Names]:
    marks, setups, obs = solved.network.marks.mark, solved.network.setups.setup, solved.obs
    out = []
    for mark, setup in ((obs.start_mark, obs.start_setup), (obs.end_mark, obs.end_setup)):
        out.append(
            as_objects(
                [
                    str(setups[s]) if s >= 0 else str(marks[m]) if m >= 0 else ""
                    for m, s in zip(mark[rows].tolist(), setup[rows].tolist(), strict=True)
                ]
            )
        )
    return out[0], out[1]

"""Observations and pseudo-observations after the adjustment."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..ground.table import Flags, Ints, Names
from ..model.observations import KINDS
from ..model.reductions import as_objects, rows_of_kind, wrap
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
    says, quantity, whole = _of_kinds(solved)
    adjusted = obs.value[used] + residual
    adjusted = np.where(whole[used], np.mod(adjusted, 2.0 * np.pi), adjusted)
    start, end = _ends(solved, used)
    first = {
        "id": obs.id[used],
        "kind": says[used],
        "quantity": quantity[used],
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


def _of_kinds(solved: Solved) -> tuple[Names, Names, Flags]:
    """What every observation is called, its quantity, and whether its values live on the whole circle."""
    n = len(solved.obs)
    says, quantity, whole = np.empty(n, dtype=object), np.empty(n, dtype=object), np.zeros(n, dtype=bool)
    for name, rows in rows_of_kind(solved.obs).items():
        kind = KINDS[name]
        says[rows], quantity[rows], whole[rows] = kind.says, kind.quantity, kind.whole_circle
    return says, quantity, whole


def _priors(solved: Solved) -> dict[str, NDArray[Any]]:
    """Pseudo-observations in the columns of `observations`."""
    p = solved.unknowns.priors
    n = len(p)
    names = solved.network.marks.mark, solved.network.setups.setup
    start = p.id.copy()
    start[p.mark >= 0] = names[0][p.mark[p.mark >= 0]]
    start[p.setup >= 0] = names[1][p.setup[p.setup >= 0]]
    lengths = as_objects(["length"] * n)
    constant = p.source == "constant"
    start[constant] = [str(i).rpartition(".")[0] for i in p.id[constant]]
    quantity = {c.place: c.quantity for c in solved.unknowns.constants}
    lengths[constant] = [quantity[c] for c in p.place[constant].tolist()]
    rel = solved.prior_reliability
    residual = solved.prior_residual
    setup_mark = solved.network.setups.mark[p.setup] if len(solved.network.setups) else p.setup
    return {
        "id": p.id,
        "kind": p.source,
        "quantity": lengths,
        "start": start,
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
    if not len(rows):
        return AdjustedObservations.empty()
    computed = solved.equations.computed(solved.solution.x, rows)
    kinds = [KINDS[k] for k in obs.kind[rows]]
    angle = np.array([k.quantity == "angle" for k in kinds], dtype=bool)
    turned = np.append(solved.unknowns.orientations, -1)[obs.orientation[rows]] >= 0
    computed[(obs.kind[rows] == "direction") & ~turned] = np.nan
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
    for mark, setup in (
        (obs.start_mark[rows], obs.start_setup[rows]),
        (obs.end_mark[rows], obs.end_setup[rows]),
    ):
        names = as_objects([""] * len(rows))
        names[mark >= 0] = marks[mark[mark >= 0]]
        names[setup >= 0] = setups[setup[setup >= 0]]
        out.append(names)
    return out[0], out[1]

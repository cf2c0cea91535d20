"""Observations and pseudo-observations after the adjustment."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..estimate.reliability import Reliability
from ..ground.table import Flags, Floats, Ints, Names, deferred, frozen
from ..model.observations import KINDS, Kind
from ..model.reductions import as_objects, rows_of_kind, wrap
from ..results import AdjustedObservations
from ..solved import Solved


def observation_table(solved: Solved) -> AdjustedObservations:
    """All observations in use, then weighted control, setup effects and constants.

    What was computed stands in the table; what is said of it elsewhere (names, ends, observed values) is taken from
    there when it is asked for.
    """
    obs, p = solved.obs, solved.unknowns.priors
    used = np.flatnonzero(obs.used)
    m = len(used)
    groups = [g.rows for g in solved.equations.groups]
    order = np.concatenate(groups) if groups else used
    sigma = np.concatenate([solved.equations.sigmas(solved.solution.x, used), p.sigma])
    tested = solved.tested
    if not np.array_equal(order, used):  # the equations stand in another order than the observations
        at = np.concatenate([np.argsort(order, kind="stable"), np.arange(m, len(sigma))])
        tested = Reliability(
            frozen(tested.redundancy[at]), frozen(tested.standardized[at]), frozen(tested.strength[at])
        )
    residual = np.empty(len(sigma))
    for k, rows in enumerate(groups):
        misclosure, covariance = solved.solution.rows[k].misclosure, solved.covariances[k]
        at = np.searchsorted(used, rows)
        if covariance is None:
            residual[at] = -misclosure * sigma[at]
        else:
            v = np.linalg.cholesky(covariance) @ misclosure.reshape(-1, 3, 1)
            residual[at] = -v.reshape(-1)
    residual[m:] = solved.prior_residual
    said = _Said(solved, used, residual, tested.strength)
    shared = solved.settings.correlation == "shared"  # then sigmas stand in two other tables
    return AdjustedObservations(
        **{name: said.deferred(getattr(said, name)) for name in _Said.COLUMNS},
        residual=frozen(residual),
        sigma=said.deferred(said.sigma) if shared else frozen(sigma),
        standardized=tested.standardized,
        redundancy=tested.redundancy,
        minimal_detectable_bias=said.deferred(partial(said.bias, None if shared else sigma)),
        flagged=frozen(np.abs(tested.standardized) > solved.critical),
    )


class _Said:
    """Columns that repeat what the observations, the priors and the ground say, for the rows that are asked for."""

    COLUMNS = (
        "id", "kind", "quantity", "start", "end", "start_mark", "end_mark", "start_setup", "end_setup", "round",
        "observed", "adjusted", "rows",
    )  # fmt: skip

    def __init__(self, solved: Solved, used: Ints, residual: Floats, strength: Floats) -> None:
        network = solved.network
        self._strength, self._delta0 = strength, solved.delta0
        self._obs, self._priors, self._used, self._residual = (
            solved.obs,
            solved.unknowns.priors,
            used,
            residual,
        )
        self._marks, self._setups = network.marks.mark, network.setups.setup
        self._setup_mark = network.setups.mark
        self._constants = {c.place: c.quantity for c in solved.unknowns.constants}

    def deferred(self, make: Callable[[Ints | slice], NDArray[Any]]) -> Any:
        return deferred(len(self._used) + len(self._priors), make)

    def _both(
        self,
        rows: Ints | slice,
        of_observations: Callable[[Ints], NDArray[Any]],
        of_priors: Callable[[Ints], NDArray[Any]],
    ) -> NDArray[Any]:
        """Values of observations (by their rows in the table of observations) and of priors, in the order asked for."""
        m, n = len(self._used), len(self._residual)
        at = np.arange(n)[rows]
        prior = at >= m
        if not prior.any():
            return of_observations(self._used[at])
        first = of_observations(self._used[at[~prior]])
        out = np.empty(len(at), dtype=first.dtype)
        out[~prior], out[prior] = first, of_priors(at[prior] - m)
        return out

    def _column(self, rows: Ints | slice, name: str, of_priors: str) -> NDArray[Any]:
        return self._both(rows, lambda i: self._obs.some(name, i), lambda i: self._priors.some(of_priors, i))

    def _by_kind(self, i: Ints, told: Callable[[Kind], Any], dtype: Any) -> NDArray[Any]:
        out = np.empty(len(i), dtype=dtype)
        for name, rows in rows_of_kind(self._obs).items():
            run = rows[-1] - rows[0] + 1 == len(rows)
            out[(i >= rows[0]) & (i <= rows[-1]) if run else np.isin(i, rows)] = told(KINDS[name])
        return out

    def id(self, rows: Ints | slice) -> Names:
        return self._column(rows, "id", "id")

    def kind(self, rows: Ints | slice) -> Names:
        def says(i: Ints) -> Names:
            return self._by_kind(i, lambda kind: kind.says, object)

        return self._both(rows, says, lambda i: self._priors.some("source", i))

    def quantity(self, rows: Ints | slice) -> Names:
        def of_priors(i: Ints) -> Names:
            place = np.where(self._priors.axis[i] < 0, self._priors.place[i], -1).tolist()
            return as_objects([self._constants[k] if k >= 0 else "length" for k in place])

        return self._both(rows, lambda i: self._by_kind(i, lambda kind: kind.quantity, object), of_priors)

    def start(self, rows: Ints | slice) -> Names:
        def of_priors(i: Ints) -> Names:
            p = self._priors
            names = _named(self._marks, self._setups, p.mark[i], p.setup[i])
            alone = np.flatnonzero(p.axis[i] < 0)
            names[alone] = [str(k).rpartition(".")[0] for k in p.some("id", i[alone]).tolist()]
            return names

        return self._both(rows, lambda i: self._end(i, "start"), of_priors)

    def end(self, rows: Ints | slice) -> Names:
        return self._both(rows, lambda i: self._end(i, "end"), lambda i: as_objects([""] * len(i)))

    def _end(self, i: Ints, end: str) -> Names:
        at = (getattr(self._obs, f"{end}_{what}")[i] for what in ("mark", "setup"))
        return _named(self._marks, self._setups, *at)

    def start_mark(self, rows: Ints | slice) -> Ints:
        def of_priors(i: Ints) -> Ints:
            setup, mark = self._priors.setup[i], self._priors.mark[i]
            return np.where(setup >= 0, self._setup_mark[setup] if len(self._setup_mark) else setup, mark)

        return self._both(rows, lambda i: self._obs.start_mark[i], of_priors)

    def end_mark(self, rows: Ints | slice) -> Ints:
        return self._both(rows, lambda i: self._obs.end_mark[i], lambda i: np.full(len(i), -1))

    def start_setup(self, rows: Ints | slice) -> Ints:
        return self._column(rows, "start_setup", "setup")

    def end_setup(self, rows: Ints | slice) -> Ints:
        return self._both(rows, lambda i: self._obs.end_setup[i], lambda i: np.full(len(i), -1))

    def round(self, rows: Ints | slice) -> Ints:
        return self._both(rows, lambda i: self._obs.round[i], lambda i: np.zeros(len(i), dtype=np.int64))

    def observed(self, rows: Ints | slice) -> Floats:
        return self._column(rows, "value", "value")

    def sigma(self, rows: Ints | slice) -> Floats:
        return self._column(rows, "sigma", "sigma")

    def bias(self, sigma: Floats | None, rows: Ints | slice) -> Floats:
        strength = self._strength[rows]
        own = self.sigma(rows) if sigma is None else sigma[rows]
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(strength > 0.0, self._delta0 * own / strength, np.inf)

    def adjusted(self, rows: Ints | slice) -> Floats:
        def whole_circle(i: Ints) -> Flags:
            return self._by_kind(i, lambda kind: kind.whole_circle, bool)

        value = self.observed(rows) + self._residual[rows]
        turns = self._both(rows, whole_circle, lambda i: np.zeros(len(i), dtype=bool))
        return np.where(turns, np.mod(value, 2.0 * np.pi), value)

    def rows(self, rows: Ints | slice) -> Names:
        return self._both(rows, lambda i: self._obs.some("rows", i), lambda i: as_objects([()] * len(i)))


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
    return (
        _named(marks, setups, obs.start_mark[rows], obs.start_setup[rows]),
        _named(marks, setups, obs.end_mark[rows], obs.end_setup[rows]),
    )


def _named(marks: Names, setups: Names, mark: Ints, setup: Ints) -> Names:
    """The name of a setup, else that of a mark, else nothing; −1 is none."""
    names = as_objects([""] * len(mark))
    names[mark >= 0] = marks[mark[mark >= 0]]
    names[setup >= 0] = setups[setup[setup >= 0]]
    return names

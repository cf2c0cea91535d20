"""A solution to the result tables: row order of the tables that went in, NaN where a thing is undefined."""

from __future__ import annotations

import numpy as np

from .estimate.precision import ellipse_factor, ellipses
from .estimate.quantiles import chi2_quantile, critical_value, noncentrality, noncentrality_plane
from .estimate.reliability import NO_CHECK, Reliability, correlated_reliability, reliability
from .estimate.solve import Solution
from .ground.network import Network
from .ground.table import Flags, Floats, Ints
from .judge.control import held_control
from .judge.unchecked import Alternatives, alternatives, unchecked_marks
from .model.equations import Equations
from .model.observations import KINDS
from .model.reductions import Observations, as_objects, wrap
from .model.unknowns import AXES, Unknowns
from .results import (
    AdjustedMarks,
    AdjustedObservations,
    AdjustedSetups,
    Constants,
    ControlFit,
    GlobalTest,
    Orientations,
    Relative,
)
from .settings import Settings

EFFECT_WORDS = ("centring", "centring", "height")


def global_test(solution: Solution, settings: Settings) -> GlobalTest:
    """Two-sided test of vᵀPv / f at the confidence level; with no redundancy nothing is tested."""
    f = solution.degrees_of_freedom
    if f <= 0:
        return GlobalTest(np.nan, np.nan, np.nan, True)
    tail = 0.5 * (1.0 - settings.confidence)
    lower, upper = chi2_quantile(tail, f) / f, chi2_quantile(1.0 - tail, f) / f
    factor = solution.objective / f
    return GlobalTest(factor, lower, upper, bool(lower <= factor <= upper))


class Outcome:
    """Makes the tables of an Adjustment from a solution. `queries` must have been passed to the solver."""

    def __init__(self, equations: Equations, solution: Solution) -> None:
        self.equations, self.solution = equations, solution
        self.network, self.settings = equations.network, equations.settings
        self.obs, self.unknowns = equations.obs, equations.unknowns
        self.state = equations.state(solution.x)
        self.critical = critical_value(self.settings.alpha)
        self.critical_centring = float(np.sqrt(-2.0 * np.log(self.settings.alpha)))
        self.delta0 = noncentrality(self.settings.alpha, self.settings.power)
        self._reliability: list[Reliability] = []
        self._covariances: list[Floats | None] = []
        for k, rows in enumerate(solution.rows):
            covariance = self._covariance(k) if rows.block > 1 else None
            self._covariances.append(covariance)
            self._reliability.append(
                reliability(solution.cofactor, k, rows)
                if covariance is None
                else correlated_reliability(solution.cofactor, k, rows, covariance)
            )

    @staticmethod
    def queries(network: Network, obs: Observations, unknowns: Unknowns) -> tuple[Ints, ...]:
        """Sets of unknowns whose joint covariance the tables need: marks, sighted pairs, centring effects."""
        pairs = sighted_pairs(obs)
        both = np.concatenate([unknowns.marks[pairs[:, 0]], unknowns.marks[pairs[:, 1]]], axis=1)
        return unknowns.marks, both, unknowns.effects[:, :2], unknowns.orientations[:, None]

    def _covariance(self, k: int) -> Floats:
        """Covariance of the vectors of group k before whitening."""
        group = self.equations.groups[k]
        rows = group.rows.reshape(-1, 3)
        covariance = self.network.vectors.covariance[self.obs.block[rows[:, 0]]].copy()
        extra = self.equations.sigmas(self.solution.x, group.rows) ** 2 - self.obs.sigma[group.rows] ** 2
        covariance[:, [0, 1, 2], [0, 1, 2]] += extra.reshape(-1, 3)
        return covariance

    # -- observations ------------------------------------------------------------------------------------------

    def observations(self) -> AdjustedObservations:
        """All observations in use, then weighted control, setup effects and constants."""
        obs, n = self.obs, int(self.obs.used.sum())
        slot = np.cumsum(obs.used) - 1
        sigma, residual = np.full(n, np.nan), np.full(n, np.nan)
        redundancy, w, strength = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
        used = np.flatnonzero(obs.used)
        sigma[:] = self.equations.sigmas(self.solution.x, used)
        for k, group in enumerate(self.equations.groups):
            rows, rel = self.solution.rows[k], self._reliability[k]
            at = slot[group.rows]
            covariance = self._covariances[k]
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
        start, end = self._ends(used)
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
        second = self._priors()
        joined = {name: np.concatenate([first[name], second[name]]) for name in first}
        power = joined.pop("strength")
        with np.errstate(divide="ignore", invalid="ignore"):
            joined["minimal_detectable_bias"] = np.where(power > 0.0, self.delta0 * joined["sigma"] / power, np.inf)
        joined["flagged"] = np.abs(np.nan_to_num(joined["standardized"])) > self.critical
        return AdjustedObservations(**joined)

    def _priors(self) -> dict[str, np.ndarray[tuple[int], np.dtype[np.generic]]]:
        """Pseudo-observations in the columns of `observations`."""
        p = self.unknowns.priors
        n = len(p)
        names = self.network.marks.mark, self.network.setups.setup
        start = [
            str(names[0][m]) if m >= 0 else str(names[1][s]) if s >= 0 else str(i).rpartition(".")[0]
            for i, m, s in zip(p.id, p.mark, p.setup, strict=True)
        ]
        quantity = {c.place: c.quantity for c in self.unknowns.constants}
        rel = self._reliability[-1] if n else Reliability(np.zeros(0), np.zeros(0), np.zeros(0))
        residual = -self.solution.rows[-1].misclosure * p.sigma if n else np.zeros(0)
        setup_mark = self.network.setups.mark[p.setup] if len(self.network.setups) else p.setup
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

    def left_out(self) -> AdjustedObservations:
        """What decisions left out, against the adjusted network; no test values."""
        obs = self.obs
        rows = np.flatnonzero(~obs.used)
        computed = self.equations.computed(self.solution.x, rows)
        kinds = [KINDS[k] for k in obs.kind[rows]]
        angle = np.array([k.quantity == "angle" for k in kinds], dtype=bool)
        blind = (obs.orientation[rows] >= 0) & (self.unknowns.orientations[obs.orientation[rows]] < 0) if len(
            self.unknowns.orientations
        ) else obs.orientation[rows] >= 0
        lost = blind | np.array([k.name == "direction" for k in kinds], dtype=bool) & (obs.orientation[rows] < 0)
        computed[lost] = np.nan
        residual = computed - obs.value[rows]
        residual = np.where(angle, wrap(residual), residual)
        start, end = self._ends(rows)
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

    def _ends(self, rows: Ints) -> tuple[np.ndarray[tuple[int], np.dtype[np.object_]], ...]:
        marks, setups, obs = self.network.marks.mark, self.network.setups.setup, self.obs
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
        return tuple(out)

    # -- marks, pairs, setups ----------------------------------------------------------------------------------

    def marks(self) -> AdjustedMarks:
        """Coordinates, covariances, ellipses, and what is unchecked."""
        marks, u = self.network.marks, self.unknowns
        prior = np.column_stack([marks.sigma_east, marks.sigma_north, marks.sigma_height])
        known = u.reached | np.isfinite(prior)
        coordinates = np.where(known, self.state.coordinates, np.nan)
        covariance = self.solution.cofactor.query(0, u.marks)
        variance = np.diagonal(covariance, axis1=1, axis2=2)
        sigma = np.sqrt(np.maximum(variance, 0.0))
        unchecked, because = self._unchecked(sigma)
        hidden = ~known
        covariance[hidden[:, :, None] | hidden[:, None, :]] = np.nan
        sigma = np.where(known, sigma, np.nan)
        factor = ellipse_factor(self.settings.confidence)
        major, minor, azimuth = ellipses(np.nan_to_num(covariance[:, :2, :2]))
        plan = known[:, :2].all(axis=1)
        return AdjustedMarks(
            mark=marks.mark,
            east=coordinates[:, 0],
            north=coordinates[:, 1],
            height=coordinates[:, 2],
            sigma_east=sigma[:, 0],
            sigma_north=sigma[:, 1],
            sigma_height=sigma[:, 2],
            covariance=covariance,
            control=as_objects([_control_words(s) for s in prior]),
            semi_major=np.where(plan, factor * major, np.nan),
            semi_minor=np.where(plan, factor * minor, np.nan),
            ellipse_azimuth=np.where(plan, azimuth, np.nan),
            unchecked=unchecked,
            unchecked_by=as_objects(because),
        )

    def _unchecked(self, sigma: Floats) -> tuple[Flags, list[tuple[str, ...]]]:
        limit = self.delta0 / self.settings.unchecked_ratio
        tried: list[Alternatives] = []
        for k, group in enumerate(self.equations.groups):
            covariance = self._covariances[k]
            whitening = None
            if covariance is not None:
                s = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
                whitening = np.linalg.inv(np.linalg.cholesky(covariance)) * s[:, None, :]
            names = [str(i) for i in self.obs.id[group.rows]]
            tried.append(
                alternatives(self.solution.rows[k], self._reliability[k].strength, names, limit, whitening)
            )
        p = self.unknowns.priors
        effects = np.flatnonzero(p.source == "effect")
        if len(effects):
            rows = self.solution.rows[-1]
            names = [f"{self.network.setups.setup[p.setup[i]]} {EFFECT_WORDS[p.axis[i]]}" for i in effects]
            part = type(rows)(rows.columns[effects], rows.values[effects], rows.misclosure[effects])
            tried.append(alternatives(part, self._reliability[-1].strength[effects], names, limit, None))
        return unchecked_marks(
            self.solution.cofactor, tried, self.unknowns.marks, sigma, self.delta0, self.settings.unchecked_ratio
        )

    def relative(self) -> Relative:
        """Sighted pairs from the selected inverse; pairs the user names by solves."""
        u, marks = self.unknowns, self.network.marks
        pairs = sighted_pairs(self.obs)
        both = np.concatenate([u.marks[pairs[:, 0]], u.marks[pairs[:, 1]]], axis=1)
        Q = self.solution.cofactor.query(1, both)
        row = {str(m): i for i, m in enumerate(marks.mark)}
        seen = {(int(a), int(b)) for a, b in pairs}
        named = [(row[a], row[b]) for a, b in self.settings.pairs if a in row and b in row and row[a] != row[b]]
        further = [p for p in named if p not in seen and p[::-1] not in seen]
        if further:
            extra = np.array(further, dtype=np.int64)
            columns = np.concatenate([u.marks[extra[:, 0]], u.marks[extra[:, 1]]], axis=1)
            block = np.zeros((len(extra), 6, 6))
            for i, c in enumerate(columns):
                there = np.flatnonzero(c >= 0)
                block[i][np.ix_(there, there)] = self.solution.cofactor.columns(c[there])[c[there]]
            Q, pairs = np.concatenate([Q, block]), np.concatenate([pairs, extra])
        D = np.hstack([-np.eye(3), np.eye(3)])
        C = D @ Q @ D.T
        a, b = self.state.coordinates[pairs[:, 0]], self.state.coordinates[pairs[:, 1]]
        plan = u.reached[pairs, :2].all(axis=(1, 2))
        high = u.reached[pairs, 2].all(axis=1)
        delta = np.where(plan[:, None], (b - a)[:, :2], np.nan)
        distance = np.hypot(delta[:, 0], delta[:, 1])
        with np.errstate(invalid="ignore", divide="ignore"):
            unit = delta / distance[:, None]
        along = np.einsum("pi,pij,pj->p", unit, C[:, :2, :2], unit)
        major, minor, azimuth = ellipses(C[:, :2, :2])
        factor = ellipse_factor(self.settings.confidence)
        return Relative(
            start=marks.mark[pairs[:, 0]],
            end=marks.mark[pairs[:, 1]],
            start_mark=pairs[:, 0],
            end_mark=pairs[:, 1],
            distance=distance,
            sigma_distance=np.sqrt(np.maximum(along, 0.0)),
            semi_major=np.where(plan, factor * major, np.nan),
            semi_minor=np.where(plan, factor * minor, np.nan),
            ellipse_azimuth=np.where(plan, azimuth, np.nan),
            sigma_height=np.where(high, np.sqrt(np.maximum(C[:, 2, 2], 0.0)), np.nan),
        )

    def setups(self) -> AdjustedSetups:
        """Estimated centring and height errors with their tests; setups on one base share theirs."""
        u, n = self.unknowns, len(self.network.setups)
        p = u.priors
        x = np.append(self.solution.x, np.nan)
        place_to_prior = np.full(u.n + 1, -1)
        place_to_prior[p.place] = np.arange(len(p))
        estimate = x[u.effects]
        prior = place_to_prior[u.effects]
        rel = self._reliability[-1] if len(p) else Reliability(np.zeros(1), np.zeros(1), np.zeros(1))
        has = prior[:, 2] >= 0
        height = np.where(has, prior[:, 2], 0)
        w = np.where(has, rel.standardized[height], np.nan)
        strength = np.where(has, rel.strength[height], np.nan)
        # centring: one test of two degrees of freedom
        T, weakest = np.full(n, np.nan), np.full(n, np.nan)
        there = (u.effects[:, :2] >= 0).all(axis=1)
        if there.any():
            Q = self.solution.cofactor.query(2, u.effects[:, :2])[there]
            s = u.centring_sigma[there]
            M = np.eye(2) - Q / (s**2)[:, None, None]
            values, vectors = np.linalg.eigh(M)
            b = np.einsum("nji,nj->ni", vectors, estimate[there, :2] / s[:, None])
            told = values > NO_CHECK
            squares = np.where(told, b**2 / np.where(told, values, 1.0), 0.0)
            T[there] = np.where(told.any(axis=1), np.sqrt(squares.sum(axis=1)), np.nan)
            delta = noncentrality_plane(self.settings.alpha, self.settings.power)
            least = np.where(told.all(axis=1), values[:, 0], 0.0)
            with np.errstate(divide="ignore"):
                weakest[there] = np.where(least > 0.0, delta * s / np.sqrt(np.maximum(least, 1e-300)), np.inf)
        with np.errstate(divide="ignore", invalid="ignore"):
            mdb = np.where(strength > 0.0, self.delta0 * u.height_sigma / strength, np.where(has, np.inf, np.nan))
        return AdjustedSetups(
            setup=self.network.setups.setup,
            sigma_centring=u.centring_sigma,
            sigma_height=u.height_sigma,
            centring_east=estimate[:, 0],
            centring_north=estimate[:, 1],
            height_error=estimate[:, 2],
            standardized_centring=T,
            standardized_height=w,
            redundancy_height=np.where(has, rel.redundancy[height], np.nan),
            minimal_detectable_height=mdb,
            minimal_detectable_centring=weakest,
            flagged=(np.abs(np.nan_to_num(w)) > self.critical) | (np.nan_to_num(T) > self.critical_centring),
        )

    # -- control, orientations, constants ----------------------------------------------------------------------

    def control(self) -> ControlFit:
        """Held and weighted control components, in the order of marks."""
        mark, axis, moved, spread = held_control(self.equations, self.solution)
        entries = [
            (int(m), int(a), True, -d, s) for m, a, d, s in zip(mark, axis, moved, spread, strict=True)
        ]
        p = self.unknowns.priors
        for i in np.flatnonzero(p.source == "control"):
            strength = self._reliability[-1].strength[i]
            residual = -self.solution.rows[-1].misclosure[i] * p.sigma[i]
            told = strength > 0.0
            misfit = -residual / strength**2 if told else np.nan
            entries.append((int(p.mark[i]), int(p.axis[i]), False, misfit, p.sigma[i] / strength if told else np.inf))
        entries.sort(key=lambda e: (e[0], e[1]))
        w = np.array([m / s if np.isfinite(s) and s > 0 else np.nan for *_, m, s in entries], dtype=float)
        return ControlFit(
            mark=as_objects([str(self.network.marks.mark[e[0]]) for e in entries]),
            component=as_objects([AXES[e[1]] for e in entries]),
            held=[e[2] for e in entries],
            misfit=[e[3] for e in entries],
            sigma=[e[4] for e in entries],
            standardized=w,
            flagged=np.abs(np.nan_to_num(w)) > self.critical,
        )

    def orientations(self) -> Orientations:
        """One row an instrument setup and round whose directions are in use."""
        obs, u = self.obs, self.unknowns
        number = np.flatnonzero(u.orientations >= 0)
        rows = np.flatnonzero(obs.used & (obs.orientation >= 0))
        first = rows[np.unique(obs.orientation[rows], return_index=True)[1]]
        Q = self.solution.cofactor.query(3, u.orientations[:, None])[number, 0, 0]
        return Orientations(
            setup=self.network.setups.setup[obs.start_setup[first]],
            setup_row=obs.start_setup[first],
            round=obs.round[first],
            value=np.mod(self.state.orientations[number], 2.0 * np.pi),
            sigma=np.sqrt(np.maximum(Q, 0.0)),
        )

    def constants(self) -> Constants:
        """Estimated nuisance unknowns against their priors."""
        c = self.unknowns.constants
        places = np.array([k.place for k in c], dtype=np.int64)
        Q = self.solution.cofactor.columns(places)[places, np.arange(len(places))] if len(c) else np.zeros(0)
        return Constants(
            name=as_objects([k.label for k in c]),
            quantity=as_objects([k.quantity for k in c]),
            value=self.solution.x[places],
            sigma=np.sqrt(np.maximum(Q, 0.0)),
            prior=[k.value for k in c],
            prior_sigma=[k.sigma for k in c],
        )


def sighted_pairs(obs: Observations) -> Ints:
    """Unordered pairs of marks that an observation in use joins, (p, 2), sorted."""
    rows = obs.used
    joined = [np.column_stack([obs.start_mark[rows], obs.end_mark[rows]])]
    at = rows & (obs.at_mark >= 0)
    joined = [joined[0][obs.at_mark[rows] < 0]]
    joined += [np.column_stack([obs.at_mark[at], e[at]]) for e in (obs.start_mark, obs.end_mark)]
    pairs = np.sort(np.concatenate(joined), axis=1)
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    return np.unique(pairs, axis=0) if len(pairs) else np.zeros((0, 2), dtype=np.int64)


def _control_words(sigma: Floats) -> str:
    """held, weighted, held-en, weighted-h …; blank for a free mark."""
    words = []
    for word, mask in (("held", sigma == 0.0), ("weighted", np.isfinite(sigma) & (sigma > 0.0))):
        if mask.all():
            words.append(word)
        elif mask.any():
            words.append(f"{word}-{''.join(letter for letter, m in zip('enh', mask, strict=True) if m)}")
    return " ".join(words)

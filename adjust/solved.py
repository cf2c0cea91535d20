"""What every result table draws on: a solution, with its tests made once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .estimate.quantiles import chi2_quantile, critical_value, noncentrality
from .estimate.reliability import Reliability, correlated_reliability, reliability
from .estimate.solve import Solution
from .ground.network import Network
from .ground.table import Floats, Ints, distinct
from .model.equations import Equations, State
from .model.reductions import Observations, vector_covariances
from .model.unknowns import Unknowns
from .settings import Settings


@dataclass(frozen=True)
class GlobalTest:
    """vᵀPv / f against its two-sided bounds χ²/f."""

    variance_factor: float
    lower: float
    upper: float
    passed: bool


@dataclass(frozen=True)
class Solved:
    """A solved network. `queries` must have been passed to the solver."""

    equations: Equations
    solution: Solution

    @property
    def network(self) -> Network:
        return self.equations.network

    @property
    def settings(self) -> Settings:
        return self.equations.settings

    @property
    def obs(self) -> Observations:
        return self.equations.obs

    @property
    def unknowns(self) -> Unknowns:
        return self.equations.unknowns

    @cached_property
    def state(self) -> State:
        return self.equations.state(self.solution.x)

    @cached_property
    def critical(self) -> float:
        """Critical value of |w|."""
        return critical_value(self.settings.alpha)

    @cached_property
    def critical_centring(self) -> float:
        """Critical value of the square root of a statistic of two degrees of freedom: √(−2 ln α)."""
        return float(np.sqrt(-2.0 * np.log(self.settings.alpha)))

    @cached_property
    def delta0(self) -> float:
        return noncentrality(self.settings.alpha, self.settings.power)

    @cached_property
    def covariances(self) -> list[Floats | None]:
        """For each Rows, the covariance of its blocks before whitening; None where uncorrelated."""
        return [self._covariance(k) if r.block > 1 else None for k, r in enumerate(self.solution.rows)]

    @cached_property
    def reliability(self) -> list[Reliability]:
        """For each Rows of the solution; the priors last."""
        out = []
        for k, (rows, covariance) in enumerate(zip(self.solution.rows, self.covariances, strict=True)):
            if covariance is None:
                out.append(reliability(self.solution.cofactor, k, rows))
            else:
                out.append(correlated_reliability(self.solution.cofactor, k, rows, covariance))
        return out

    @property
    def prior_reliability(self) -> Reliability:
        """Of the pseudo-observations, in the order of `unknowns.priors`."""
        none = np.zeros(0)
        return self.reliability[-1] if len(self.unknowns.priors) else Reliability(none, none, none)

    @property
    def prior_residual(self) -> Floats:
        """Adjusted − prior value of the pseudo-observations, in the order of `unknowns.priors`."""
        p = self.unknowns.priors
        return -self.solution.rows[-1].misclosure * p.sigma if len(p) else np.zeros(0)

    def _covariance(self, k: int) -> Floats:
        group = self.equations.groups[k]
        rows = group.rows.reshape(-1, 3)
        covariance = vector_covariances(self.network, self.obs.block[rows[:, 0]])
        folded = self.equations.sigmas(self.solution.x, group.rows) ** 2 - self.obs.sigma[group.rows] ** 2
        covariance[:, [0, 1, 2], [0, 1, 2]] += folded.reshape(-1, 3)
        return covariance


def global_test(solution: Solution, settings: Settings) -> GlobalTest:
    """Two-sided test of vᵀPv / f at the confidence level; with no redundancy nothing is tested."""
    f = solution.degrees_of_freedom
    if f <= 0:
        return GlobalTest(np.nan, np.nan, np.nan, True)
    tail = 0.5 * (1.0 - settings.confidence)
    lower, upper = chi2_quantile(tail, f) / f, chi2_quantile(1.0 - tail, f) / f
    factor = solution.objective / f
    return GlobalTest(factor, lower, upper, bool(lower <= factor <= upper))


def sighted_pairs(obs: Observations) -> Ints:
    """Unordered pairs of marks that an observation in use joins, (p, 2), sorted."""
    rows = obs.used
    joined = [np.column_stack([obs.start_mark[rows], obs.end_mark[rows]])]
    at = rows & (obs.at_mark >= 0)
    joined = [joined[0][obs.at_mark[rows] < 0]]
    joined += [np.column_stack([obs.at_mark[at], e[at]]) for e in (obs.start_mark, obs.end_mark)]
    pairs = np.sort(np.concatenate(joined), axis=1)
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    if not len(pairs):
        return np.zeros((0, 2), dtype=np.int64)
    n = int(pairs.max()) + 1
    return np.stack(np.divmod(distinct(pairs[:, 0] * n + pairs[:, 1]), n), axis=1)


def queries(obs: Observations, unknowns: Unknowns) -> tuple[Ints, ...]:
    """Sets of unknowns whose joint covariance the tables need: marks, sighted pairs, centring effects, orientations."""
    pairs = sighted_pairs(obs)
    both = np.concatenate([unknowns.marks[pairs[:, 0]], unknowns.marks[pairs[:, 1]]], axis=1)
    return unknowns.marks, both, unknowns.effects[:, :2], unknowns.orientations[:, None]


MARKS, PAIRS, CENTRING, ORIENTATIONS = range(4)  # places of these queries

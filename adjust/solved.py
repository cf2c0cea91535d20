"""What every result table draws on: a solution, with its tests made once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate, pairwise
from weakref import WeakKeyDictionary

import numpy as np

from .estimate.quantiles import chi2_quantile, critical_value, noncentrality
from .estimate.reliability import Reliability, correlated_reliability, reliability
from .estimate.solve import Solution
from .ground.network import Network
from .ground.table import Floats, Ints, distinct, frozen
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
    def tested(self) -> Reliability:
        """Of all equations, group behind group and the priors last; read-only."""
        ends = self._ends
        whole = Reliability(*(np.empty(ends[-1]) for _ in range(3)))
        for k, (rows, covariance) in enumerate(zip(self.solution.rows, self.covariances, strict=True)):
            if covariance is None:
                part = reliability(self.solution.cofactor, k, rows)
            else:
                part = correlated_reliability(self.solution.cofactor, k, rows, covariance)
            here = slice(ends[k], ends[k + 1])
            whole.redundancy[here], whole.standardized[here] = part.redundancy, part.standardized
            whole.strength[here] = part.strength
        return Reliability(frozen(whole.redundancy), frozen(whole.standardized), frozen(whole.strength))

    @cached_property
    def reliability(self) -> list[Reliability]:
        """For each Rows of the solution; the priors last."""
        t, edges = self.tested, self._ends
        return [
            Reliability(t.redundancy[a:b], t.standardized[a:b], t.strength[a:b]) for a, b in pairwise(edges)
        ]

    @property
    def _ends(self) -> list[int]:
        return [0, *accumulate(len(r.misclosure) for r in self.solution.rows)]

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


_PAIRS: WeakKeyDictionary[Observations, Ints] = WeakKeyDictionary()


def sighted_pairs(obs: Observations) -> Ints:
    """Unordered pairs of marks that an observation in use joins, (p, 2), sorted. Found once for each table; read-only."""
    known = _PAIRS.get(obs)
    if known is None:
        known = _PAIRS[obs] = frozen(_pairs(obs))
    return known


def _pairs(obs: Observations) -> Ints:
    rows = np.flatnonzero(obs.used)
    a, b, at = obs.start_mark[rows], obs.end_mark[rows], obs.at_mark[rows]
    angles = np.flatnonzero(at >= 0)
    if len(angles):  # both of its legs
        a = np.concatenate([np.where(at >= 0, at, a), at[angles]])
        b = np.concatenate([b, obs.start_mark[rows[angles]]])
    low, high = np.minimum(a, b), np.maximum(a, b)
    n = int(high.max(initial=-1)) + 1
    key = (low * n + high)[low != high]
    return np.stack(np.divmod(distinct(key), max(n, 1)), axis=1)


def queries(obs: Observations, unknowns: Unknowns) -> tuple[Ints, ...]:
    """Sets of unknowns whose joint covariance the tables need: marks, sighted pairs, centring effects, orientations."""
    pairs = sighted_pairs(obs)
    both = np.concatenate([unknowns.marks[pairs[:, 0]], unknowns.marks[pairs[:, 1]]], axis=1)
    return unknowns.marks, both, unknowns.effects[:, :2], unknowns.orientations[:, None]


MARKS, PAIRS, CENTRING, ORIENTATIONS = range(4)  # places of these queries

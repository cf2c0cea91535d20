"""Passports: what several days say of a crew's own devices.

Of a group of errors with stated sigma, pooled over days:  σ̂² = σ²·Σ(ê/σ)² / Σr, with Σr their redundancy; its interval is that of
χ² on Σr degrees of freedom (the simple form of variance components; near enough where the groups are not entangled).
Below five degrees nothing is told. A stated sigma is never replaced here: the passport is for a person to read.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ..estimate.quantiles import chi2_probability, chi2_quantile
from ..results import Adjustment
from .faces import face_checks
from .rounds import round_checks

LEAST = 5.0  # degrees of freedom below which nothing is told
LEVEL = 0.95


@dataclass(frozen=True)
class Sigma:
    """A sigma per device: stated, estimated with its interval (m or rad), and what that means."""

    group: str  # supports or instruments
    name: str
    what: str  # height, centring, direction, zenith, distance
    stated: float
    estimated: float
    lower: float
    upper: float
    freedom: float
    verdict: str  # as stated, needs checking, better than stated, cannot tell
    days: int


@dataclass(frozen=True)
class Constant:
    """Collimation or index of an instrument over the days: mean and its sigma, and whether the days differ, rad."""

    name: str
    what: str
    mean: float
    sigma: float
    first: float  # mean of the first day
    last: float
    probability: float  # of days that differ as much by chance; NaN for one day
    verdict: str  # steady, drifts, one day
    days: int


@dataclass
class _Sum:
    squares: float = 0.0
    freedom: float = 0.0
    variance: float = 0.0  # freedom-weighted stated variance
    days: set[int] = field(default_factory=set)

    def add(self, squares: float, freedom: float, sigma: float, day: int) -> None:
        self.squares += squares
        self.freedom += freedom
        self.variance += freedom * sigma**2
        self.days.add(day)


def sigmas(days: Sequence[Adjustment]) -> list[Sigma]:
    """Centring and height of every support, directions, zenith angles and distances of every instrument.

    Raises ValueError for an adjustment that came without its solution.
    """
    sums: dict[tuple[str, str, str], _Sum] = defaultdict(_Sum)
    for day, a in enumerate(days):
        _supports(a, day, sums)
        _instruments(a, day, sums)
    return [_sigma(*key, total) for key, total in sorted(sums.items()) if total.freedom > 0.0]


def constants(days: Sequence[Adjustment]) -> list[Constant]:
    """Collimation and index of every instrument, day by day."""
    means: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
    for a in days:
        of_day: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
        setups, row = a.network.setups, {str(n): i for i, n in enumerate(a.network.setups.setup)}
        for c in face_checks(a.network, a.settings):
            if c.kind in ("collimation", "index"):
                device = int(setups.device[row[c.names[0]]])
                of_day[str(a.network.instruments.instrument[device]), c.kind].append((c.found, c.sigma))
        for key, values in of_day.items():
            means[key].append(_weighted(values))
    out = []
    for (name, what), of_days in sorted(means.items()):
        mean, sigma = _weighted(of_days)
        T = sum(((v - mean) / s) ** 2 for v, s in of_days)
        f = len(of_days) - 1
        p = 1.0 - chi2_probability(T, f) if f else float("nan")
        verdict = "one day" if not f else "drifts" if p < 0.001 else "steady"
        out.append(Constant(name, what, mean, sigma, of_days[0][0], of_days[-1][0], p, verdict, len(of_days)))
    return out


def _supports(a: Adjustment, day: int, sums: dict[tuple[str, str, str], _Sum]) -> None:
    solved = a.solved
    if solved is None:
        raise ValueError("this adjustment carries no solution to take errors of setups from")
    p, setups, supports = solved.unknowns.priors, a.network.setups, a.network.supports
    r = solved.prior_reliability.redundancy
    for i in np.flatnonzero(p.source == "effect").tolist():
        name = str(supports.support[setups.support[p.setup[i]]])
        what = "height" if p.axis[i] == 2 else "centring"
        square = float((solved.prior_residual[i] / p.sigma[i]) ** 2)
        sums["supports", name, what].add(square, float(r[i]), float(p.sigma[i]), day)


def _instruments(a: Adjustment, day: int, sums: dict[tuple[str, str, str], _Sum]) -> None:
    setups, table = a.network.setups, a.network.instruments
    row = {str(n): i for i, n in enumerate(setups.setup)}
    for c in round_checks(a.network, a.settings):
        device = int(setups.device[row[c.names[0]]])
        what = {"spread of directions": "direction", "spread of zeniths": "zenith"}.get(c.kind, "distance")
        freedom = float(c.about["freedom"])
        # a maker's sigma is of both faces; that of a distance grows, so the middle of those observed is told
        stated = (
            float(getattr(table, what)[device])
            if what != "distance"
            else c.sigma * float(c.about["readings"]) ** 0.5
        )
        sums["instruments", str(table.instrument[device]), what].add(
            c.ratio**2 * freedom, freedom, stated, day
        )


def _sigma(group: str, name: str, what: str, total: _Sum) -> Sigma:
    stated = float(np.sqrt(total.variance / total.freedom))
    ratio = total.squares / total.freedom
    tail = 0.5 * (1.0 - LEVEL)
    if total.freedom < LEAST:
        nan = float("nan")
        return Sigma(group, name, what, stated, nan, nan, nan, total.freedom, "cannot tell", len(total.days))
    lower = ratio * total.freedom / chi2_quantile(1.0 - tail, total.freedom)
    upper = ratio * total.freedom / chi2_quantile(tail, total.freedom)
    verdict = "needs checking" if lower > 1.0 else "better than stated" if upper < 1.0 else "as stated"
    found, low, high = (float(stated * np.sqrt(x)) for x in (ratio, lower, upper))
    return Sigma(group, name, what, stated, found, low, high, total.freedom, verdict, len(total.days))


def _weighted(values: Sequence[tuple[float, float]]) -> tuple[float, float]:
    x, s = np.array(values).T
    weight = 1.0 / s**2
    return float(np.sum(weight * x) / weight.sum()), float(weight.sum() ** -0.5)

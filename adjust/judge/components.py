"""Variance components: what the residuals say of every declared sigma. Nothing is ever rescaled by it.

Groups: directions, zenith angles and distances of each instrument (without prism apart), heights of each support
(of instruments and of targets apart), centring of each support, each kind of reduced observation, vectors, weighted
control. Restricted maximum likelihood of all groups together, which is the fixed point of θ ← θ·vᵀPv/r (Förstner
1979, from memory).

With G as in `components_reml.information` a group has ν = 2θ²/var(θ̂) = 1/(G⁻¹)_gg degrees of freedom, never more than
its redundancy; the interval of θ is θ̂ν/χ²_{1−α/2}(ν) … θ̂ν/χ²_{α/2}(ν). An estimate is refused below 5 degrees of
freedom, at zero, or where it correlates with another beyond 0.9, and doubtful below 10.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..estimate.quantiles import chi2_quantile
from ..ground.table import Flags, Floats, Ints, Names, Table, column
from ..model.reductions import as_objects
from ..solved import Solved
from .components_contrasts import Contrasts, Group, TooLarge, contrasts, groups_of
from .components_reml import FLOOR, NEAR, information, maximise

DENSE = 450  # contrasts: beyond this the sparse steps are faster
FEWEST = 5.0  # degrees of freedom; below: refused
DOUBTFUL = 10.0  # below: the interval is told with a warning
TOGETHER = 0.9  # correlation of two estimates beyond which neither stands for itself
LEAST = 0.01  # redundancy of a group that is estimated at all; less leaves it at its declared sigma


class Components(Table):
    """One row a group of sigmas. Sigmas in m or rad (a vector's and the control's: root mean square of their components)."""

    group: Names = column(
        "name", "which sigma: zenith ts-a, height of target low-stand (fixed), centring pole, …"
    )
    what: Names = column(
        "text",
        "direction, zenith, distance, reflectorless, horizontal, rise, azimuth, angle, vector, height, centring or control",
    )
    owner: Names = column("name", "the instrument or the support, blank where there is none")
    role: Names = column("text", "instrument, target or base of a height, blank otherwise")
    quantity: Names = column("text", "length or angle")
    sigma_declared: Floats = column("number", "declared sigma, of unlike ones the root mean square")
    sigma_estimated: Floats = column("number", "estimated sigma, NaN where refused")
    lower: Floats = column("number", "lower end of its interval at the confidence level")
    upper: Floats = column("number", "upper end of its interval at the confidence level")
    redundancy: Floats = column("number", "redundancy of the group at the estimate")
    degrees: Floats = column("number", "degrees of freedom of the estimate")
    flagged: Ints = column("count", "flagged readings or effects in the group: they inflate its estimate")
    probed: Flags = column("flag", "degrees of freedom from random probes: good to a few per cent")
    verdict: Names = column("text", "ok, too optimistic, too pessimistic (the declared sigma) or refused")
    reason: Names = column("text", "why refused, or what to mind; blank otherwise")


@dataclass(frozen=True)
class Estimate:
    """What both roads to the maximum give: θ, r (G,), the matrix G, and which groups were free."""

    groups: tuple[Group, ...]
    members: list[Ints]  # group of every row of the solution, one array a Rows
    theta: Floats
    redundancy: Floats
    information: Floats
    free: Flags
    settled: bool
    probed: bool  # the degrees of freedom rest on random probes


def components(solved: Solved, of: Contrasts | None = None) -> Components:
    """Estimate the components of a solved network; `of` are its contrasts where they are at hand.

    Up to 450 contrasts by dense algebra, beyond that by sparse steps and with degrees of freedom from random probes.
    """
    if solved.solution.degrees_of_freedom <= 0:
        return Components.empty()
    try:
        of = of or contrasts(solved, DENSE)
    except TooLarge:
        return of_many(solved)
    return _table(solved, dense_estimate(of)) if len(of.y) <= DENSE else of_many(solved)


def of_many(solved: Solved) -> Components:
    """The components of a network that is known to be too large for contrasts."""
    return _table(solved, sparse_estimate(solved))


def dense_estimate(c: Contrasts, near: float = NEAR) -> Estimate:
    """The maximum by way of the contrasts."""
    grams = c.grams()
    constant = np.array([g.what == "constant" for g in c.groups], dtype=bool)
    size = np.trace(grams, axis1=1, axis2=2) + c.scatter_freedom  # its redundancy were all other sigmas small
    free = ~constant & (size > LEAST)
    fit = maximise(c, grams, free, np.ones(len(free)), watched=~constant, near=near)
    members = [*c.of_reading, c.of_prior] if len(c.of_prior) else list(c.of_reading)
    return Estimate(
        c.groups, members, fit.theta, fit.redundancy, information(c, fit), free, fit.settled, probed=False
    )


def sparse_estimate(solved: Solved, near: float = NEAR) -> Estimate:
    """The same maximum without contrasts, for large networks."""
    from .components_sparse import climb

    groups, of_reading, of_prior = groups_of(solved)
    members = [*of_reading, of_prior] if len(of_prior) else of_reading
    free = np.array([g.what != "constant" for g in groups], dtype=bool)
    theta, at, redundancy, settled = climb(solved, members, free, near)
    return Estimate(
        groups, members, theta, redundancy, at.information(redundancy), free, settled, probed=True
    )


def _table(solved: Solved, e: Estimate) -> Components:
    shown = [i for i, g in enumerate(e.groups) if g.what != "constant"]
    degrees, correlation = degrees_of_freedom(e.information, e.free)
    flagged = _flagged(solved, e)
    labels = [g.label for g in e.groups]
    rows = []
    for i in shown:
        g, theta, nu = e.groups[i], float(e.theta[i]), float(degrees[i])
        sigma = lower = upper = np.nan
        reason = _refusal(i, theta, nu, correlation[i], labels, e.settled)
        verdict = "refused"
        if not reason:
            sigma = g.sigma * np.sqrt(theta)
            lower, upper = interval(sigma, nu, solved.settings.confidence)
            verdict = "too optimistic" if g.sigma < lower else "too pessimistic" if g.sigma > upper else "ok"
            notes = ["fewer than 10 degrees of freedom"] if nu < DOUBTFUL else []
            if flagged[i]:
                notes.append(f"{flagged[i]} flagged in it: look there first")
            reason = "; ".join(notes)
        rows.append((g, sigma, lower, upper, float(e.redundancy[i]), nu, int(flagged[i]), verdict, reason))
    groups = [r[0] for r in rows]
    numbers = np.array([r[1:6] for r in rows], dtype=float).reshape(-1, 5)
    return Components(
        group=as_objects([g.label for g in groups]),
        what=as_objects([g.what for g in groups]),
        owner=as_objects([g.owner for g in groups]),
        role=as_objects([g.role for g in groups]),
        quantity=as_objects([g.quantity for g in groups]),
        sigma_declared=np.array([g.sigma for g in groups], dtype=float),
        sigma_estimated=numbers[:, 0],
        lower=numbers[:, 1],
        upper=numbers[:, 2],
        redundancy=numbers[:, 3],
        degrees=numbers[:, 4],
        flagged=np.array([r[6] for r in rows], dtype=np.int64),
        probed=np.full(len(rows), e.probed),
        verdict=as_objects([r[7] for r in rows]),
        reason=as_objects([r[8] for r in rows]),
    )


def interval(sigma: float, degrees: float, confidence: float) -> tuple[float, float]:
    """σ̂√(ν/χ²_{1−α/2}) … σ̂√(ν/χ²_{α/2})."""
    tail = 0.5 * (1.0 - confidence)
    low, high = (sigma * np.sqrt(degrees / chi2_quantile(p, degrees)) for p in (1.0 - tail, tail))
    return float(low), float(high)


def _refusal(i: int, theta: float, nu: float, correlation: Floats, labels: list[str], settled: bool) -> str:
    """Why the estimate of group i does not stand; blank where it does."""
    if not settled:
        return "the estimates did not settle"
    if np.log(theta) <= FLOOR + 12.0:
        return "its estimate is zero: the declared sigma is more than the readings need, by how much can't be told"
    if nu < FEWEST - 1e-6:  # five to rounding are five
        return f"{nu:.2f} degrees of freedom, fewer than {FEWEST:.0f}"
    partner = int(np.argmax(np.abs(correlation)))
    if abs(correlation[partner]) > TOGETHER:
        return f"can't be told apart from {labels[partner]} (correlation {correlation[partner]:.2f})"
    return ""


def degrees_of_freedom(G: Floats, free: Flags) -> tuple[Floats, Floats]:
    """ν (G,), 0 where not estimated, and the correlations of the estimates (G, G), 0 on the diagonal."""
    at = np.flatnonzero(free)
    scale = np.sqrt(np.maximum(np.diagonal(G)[at], 1e-12))
    unit = G[np.ix_(at, at)] / np.outer(scale, scale)
    inverse = np.linalg.inv(unit + 1e-9 * np.eye(len(at)))
    variance = np.diagonal(inverse)
    degrees, correlation = np.zeros(len(free)), np.zeros(G.shape)
    degrees[at] = scale**2 / variance
    correlation[np.ix_(at, at)] = inverse / np.sqrt(np.outer(variance, variance)) - np.eye(len(at))
    return degrees, correlation


def _flagged(solved: Solved, e: Estimate) -> Ints:
    """How many readings and pseudo-observations of each group are flagged."""
    count = np.zeros(len(e.groups), dtype=np.int64)
    for group, reliability in zip(e.members, solved.reliability, strict=True):
        far = np.abs(np.nan_to_num(reliability.standardized)) > solved.critical
        count += np.bincount(group[far], minlength=len(count))
    return count

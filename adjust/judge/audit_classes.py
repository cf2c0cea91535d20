"""Fixed or measured? The restricted likelihoods of two sigmas for every class of heights, and for every setup of it.

For one setup, all else being as fitted, with s = eᵀS₋⁻¹e, t = eᵀS₋⁻¹y and S₋ without its own variance v:

    −2 ln L(v) = ln(1 + v s) − v t²/(1 + v s)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..estimate.quantiles import chi2_probability
from ..estimate.reliability import WORTH
from ..ground.table import Flags, Floats, Ints
from ..solved import Solved
from .components_contrasts import Contrasts, Group
from .components_reml import Fit, maximise

FREE_SIGMA = 1.0  # m: sigma of a height that is set aside; large against any network's knowledge of it
FAINT = 0.3  # m: what the rest knows no better is known only through a height that is set aside
NEAR = 0.1  # of the score's standard deviation: ln L to 0.005 for each sigma left open
SCATTER = 5.0  # degrees of freedom between rounds from which zenith angles tell their own sigma
LEAST = math.log(
    1.0 / 25.0
)  # of ln θ of a sigma left open: nobody declares five times what it is, but few readings may say so
ENOUGH = 3  # setups from which the sigma of another class is left open


@dataclass(frozen=True)
class Question:
    """What is asked of the heights: two sigmas (m), the odds wanted, the level of the gate, what is profiled.

    `profile` leaves the sigmas of the other heights open, `zenith` those of the zenith angles too, where rounds tell them.
    A zenith sigma that is wrong and held misleads: one in eight fixed classes is called measured at 100 m and 2″ for 1″.

    A class that is declared keeps its declared sigma on its own side: only the other side is taken from here.
    Raises ValueError where a value makes no sense.
    """

    fixed: float = 0.0002
    measured: float = 0.0015
    odds: float = 20.0
    gate: float = 0.01  # two-sided level of the global test of all other groups
    profile: bool = True
    zenith: bool = True

    def __post_init__(self) -> None:
        if not 0.0 < self.fixed < self.measured < 1.0:
            raise ValueError("sigmas must be 0 < fixed < measured < 1 m")
        if not self.odds > 1.0:
            raise ValueError(f"odds must be above 1, found {self.odds!r}")
        if not 0.0 <= self.gate < 0.5:
            raise ValueError(f"gate must lie between 0 and 0.5, found {self.gate!r}")


@dataclass(frozen=True)
class Weighed:
    """One class, weighed. Arrays follow `priors`, the rows of its height effects in `unknowns.priors`."""

    group: Group
    priors: Ints
    setups: Ints  # rows of the network's setups that own them
    fixed: float
    measured: float
    evidence: float
    ceiling: float
    profiled: tuple[str, ...]
    aside: Flags
    gate: str  # why the rest of the network bars a verdict, blank where it does not
    own_evidence: Floats
    own_ceiling: Floats
    own_verdict: list[str]

    def verdict(self, question: Question) -> tuple[str, str]:
        """fixed, measured or cannot tell; and why not."""
        if not self.fixed < self.measured:
            return "cannot tell", "the declared sigma leaves no difference between fixed and measured"
        if self.aside.all():
            return "cannot tell", "every setup of it fits neither"
        if self.gate:
            return "cannot tell", self.gate
        wanted = math.log(question.odds)
        if self.evidence >= wanted:
            return "fixed", ""
        if self.evidence <= -wanted:
            return "measured", ""
        if self.ceiling < wanted:
            return (
                "cannot tell",
                "the geometry could never show that they are fixed, nor do they show that they are not",
            )
        return "cannot tell", "both fit"


def weigh(solved: Solved, c: Contrasts, grams: Floats, question: Question) -> tuple[list[Weighed], Fit]:
    """Every class of heights; and the fit at the declared sigmas, the heights that fit neither being left free."""
    classes = [g for g, group in enumerate(c.groups) if group.what == "height"]
    pairs = {g: _sigmas(c.groups[g], question) for g in classes}
    aside = _misfits(solved, c, grams, pairs)
    grams, rest = _without(c, grams, classes, aside)
    open_ = _left_open(c, classes, question.zenith) if question.profile else np.zeros(len(grams), dtype=bool)
    weighed = [_class(solved, c, grams, rest, g, pairs[g], open_, aside, question) for g in classes]
    nothing = np.zeros(len(grams), dtype=bool)
    return weighed, maximise(c, grams, nothing, np.ones(len(grams)), rest)


def _sigmas(group: Group, question: Question) -> tuple[float, float]:
    """The two sigmas of a class: what is declared on its own side, the question's on the other."""
    if group.kind == "undeclared":
        return question.fixed, question.measured
    if group.kind == "fixed":
        return group.sigma, question.measured
    return question.fixed, group.sigma


def _left_open(c: Contrasts, classes: list[int], zenith: bool) -> Flags:
    """Groups over which the likelihood is profiled: other heights, and zenith angles where rounds tell their sigma."""
    open_ = np.zeros(len(c.groups), dtype=bool)
    for g, group in enumerate(c.groups):
        if group.what == "zenith" and zenith:
            open_[g] = c.scatter_freedom[g] >= SCATTER
    for g in classes:
        part = c.part(g)
        many = part.stop - part.start >= ENOUGH
        open_[g] = c.groups[g].role != "target" or c.groups[g].kind == "undeclared" or many
    return open_


def _misfits(solved: Solved, c: Contrasts, grams: Floats, pairs: dict[int, tuple[float, float]]) -> Flags:
    """Loadings of height effects that fit not even as measured, found one by one, the worst first. (R,)"""
    aside = np.zeros(len(c.group), dtype=bool)
    theta = np.ones(len(grams))
    for g, (fixed, measured) in pairs.items():
        theta[g] = max(fixed, measured, c.groups[g].sigma) ** 2 / c.groups[g].sigma ** 2
    rows = (
        np.concatenate([np.arange(len(c.group))[c.part(g)] for g in pairs])
        if pairs
        else np.zeros(0, np.int64)
    )
    nothing = np.zeros(len(grams), dtype=bool)
    for _ in range(len(rows) // 3):
        kept, rest = _without(c, grams, list(pairs), aside)
        fit = maximise(c, kept, nothing, theta, rest)
        x, b = _seen(c, fit, rows)
        w = np.where((x > WORTH) & ~aside[rows], np.abs(b) / np.sqrt(np.where(x > WORTH, x, 1.0)), 0.0)
        worst = int(np.argmax(w))
        if w[worst] <= solved.critical:
            break
        aside[rows[worst]] = True
    return aside


def _without(c: Contrasts, grams: Floats, classes: list[int], aside: Flags) -> tuple[Floats, Floats | None]:
    """The grams with the loadings set aside taken out of their classes, and what these add to S: all but free."""
    if not aside.any():
        return grams, None
    grams = grams.copy()
    rest = np.zeros(grams.shape[1:])
    for g in classes:
        e = c.loadings[c.part(g)][aside[c.part(g)]]
        grams[g] -= e.T @ e
        rest += (FREE_SIGMA / c.groups[g].sigma) ** 2 * (e.T @ e)
    return grams, rest


def _seen(c: Contrasts, fit: Fit, rows: Ints) -> tuple[Floats, Floats]:
    """x = eᵀS⁻¹e and b = eᵀS⁻¹y of some loadings."""
    e = c.loadings[rows]
    return np.einsum("kf,kf->k", e @ fit.inverse, e), e @ fit.a


def without_own(x: Floats, b: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """s and t of a loading from x = eᵀS⁻¹e and b = eᵀS⁻¹y, where S holds its own `variance` (Sherman and Morrison)."""
    left = np.maximum(1.0 - variance * x, 1e-12)
    return np.maximum(x, 0.0) / left, b / left


def clear(s: Floats, sigma: Floats | float, aside: bool) -> Flags:
    """Which heights the rest of the network sees: s clear of rounding, and of the faint hold of what is set aside."""
    return np.asarray((s > WORTH) & (s > ((sigma / FAINT) ** 2 if aside else 0.0)))


def _class(
    solved: Solved,
    c: Contrasts,
    grams: Floats,
    rest: Floats | None,
    g: int,
    pair: tuple[float, float],
    open_: Flags,
    aside: Flags,
    question: Question,
) -> Weighed:
    group, part = c.groups[g], c.part(g)
    rows = np.arange(len(c.group))[part]
    free = open_.copy()
    free[g] = False
    watched = np.zeros_like(free)
    watched[g] = True
    variances = [(s / group.sigma) ** 2 for s in pair]
    fits: list[Fit] = []
    start = np.ones(len(grams))
    for v in variances:
        start = (fits[-1].theta if fits else start).copy()
        start[g] = v
        fits.append(maximise(c, grams, free, start, rest, watched, NEAR, LEAST))
    fixed, measured = fits
    evidence = 0.5 * (measured.deviance - fixed.deviance)
    best = fixed if evidence > 0.0 else measured
    own = _own(c, best, rows, best.theta[g], variances, solved.critical, aside, question)
    gate = _gate(c, best, free, g, question.gate)
    if gate:
        own = own[0], own[1], [v if v == "fits neither" else "cannot tell" for v in own[2]]
    priors = c.prior[rows]
    return Weighed(
        group=group,
        priors=priors,
        setups=solved.unknowns.priors.setup[priors],
        fixed=pair[0],
        measured=pair[1],
        evidence=evidence,
        ceiling=_ceiling(grams, rest, fixed.theta, g, variances),
        profiled=tuple(c.groups[i].label for i in np.flatnonzero(free)),
        aside=aside[rows],
        gate=gate,
        own_evidence=own[0],
        own_ceiling=own[1],
        own_verdict=own[2],
    )


def _ceiling(grams: Floats, rest: Floats | None, theta: Floats, g: int, variances: list[float]) -> float:
    """½(ln|S| as measured − ln|S| as fixed), all else at θ."""
    logs = []
    for v in variances:
        t = theta.copy()
        t[g] = v
        S = (t @ grams.reshape(len(grams), -1)).reshape(grams.shape[1:])
        L = np.linalg.cholesky(S if rest is None else S + rest)
        logs.append(float(np.log(np.diagonal(L)).sum()))
    return logs[1] - logs[0]


def _own(
    c: Contrasts,
    fit: Fit,
    rows: Ints,
    variance: float,
    variances: list[float],
    critical: float,
    aside: Flags,
    question: Question,
) -> tuple[Floats, Floats, list[str]]:
    """Evidence, ceiling and verdict of every setup of a class, the others of its class at `variance`."""
    x, b = _seen(c, fit, rows)
    sigma = c.groups[c.group[rows[0]]].sigma
    own = np.where(aside[rows], (FREE_SIGMA / sigma) ** 2, variance)
    s, t = without_own(x, b, own)
    seen = clear(s, sigma, bool(aside.any()))
    s, t = np.where(seen, s, 0.0), np.where(seen, t, 0.0)  # what nothing sees is never told
    low, high = variances

    def deviance(v: float) -> Floats:
        return np.asarray(np.log1p(v * s) - v * t**2 / (1.0 + v * s))

    evidence = 0.5 * (deviance(high) - deviance(low))
    ceiling = 0.5 * (np.log1p(high * s) - np.log1p(low * s))
    w = np.abs(t) / np.sqrt(np.maximum(s * (1.0 + max(high, low) * s), 1e-300))
    wanted = math.log(question.odds)
    verdict = [
        "fits neither"
        if a or far > critical
        else "fixed"
        if e >= wanted
        else "measured"
        if e <= -wanted
        else "cannot tell"
        for a, far, e in zip((aside[rows] & seen).tolist(), w.tolist(), evidence.tolist(), strict=True)
    ]
    return evidence, ceiling, verdict


def _gate(c: Contrasts, fit: Fit, free: Flags, g: int, level: float) -> str:
    """The global test of all that is neither this class nor left open: why it bars a verdict, blank if it does not."""
    out = free.copy()
    out[g] = True
    squares = float(c.y @ fit.a) + float(np.sum(c.scatter / fit.theta)) - float(fit.squares[out].sum())
    freedom = len(c.y) + float(c.scatter_freedom.sum()) - float(fit.redundancy[out].sum())
    if freedom < 1.0:
        return ""
    below = chi2_probability(squares, freedom)
    if min(below, 1.0 - below) >= 0.5 * level:
        return ""
    return (
        f"the rest of the network does not fit its declared sigmas (variance factor {squares / freedom:.2f})"
    )

"""The audit of setups: which heights behave as if fixed by construction, which as if measured, and which can't be told.

One setup gives one draw of its height error; more rounds only shrink s, the sigma with which the rest of the network
knows that height. Per class (one support, instruments and targets apart) the restricted likelihoods of two sigmas are
compared, each profiled over the sigma of the other heights and, where rounds give it, of the zenith angles. Below the
odds asked for (20 : 1) the answer is "cannot tell", and so it is where the rest of the network fails its global test.

The ceiling is what the heights could show at most in favour of "fixed", all of them being without any error:
½(ln|S_measured| − ln|S_fixed|), for one setup ln k with k² = (σ_m² + s²)/(σ_f² + s²). It depends on the geometry alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.table import Flags, Floats, Ints, Names, Table, column
from ..model.reductions import as_objects
from ..model.unknowns import AXES
from ..solved import Solved
from .audit_classes import FREE_SIGMA, Question, Weighed, clear, weigh, without_own
from .components import DENSE, Components, components, of_many
from .components_contrasts import Contrasts, TooLarge, contrasts
from .components_reml import Fit

MOST_ASKED = 800  # contrasts: what a second carries, about a hundred marks

__all__ = ["Audit", "AuditClasses", "AuditSetups", "Question", "audit", "audited"]

SHADOW = 1e-11  # information on a height, in its own sigma: rounding is 1e-14


class AuditClasses(Table):
    """One row a class of heights: one support, instrument and target setups apart. Evidence in natural logarithms."""

    group: Names = column(
        "name", "height of target low-stand (fixed), height of instrument tripod (taped), …"
    )
    support: Names = column("name", "the support")
    role: Names = column("text", "instrument, target, or base where both stood on one height")
    height_kind: Names = column("text", "as declared: fixed, graduated, taped, slant or undeclared")
    setups: Ints = column("count", "height errors in the class (setups on one height base count once)")
    sigma_declared: Floats = column("length", "declared sigma")
    sigma_fixed: Floats = column("length", "sigma tried for heights fixed by construction")
    sigma_measured: Floats = column("length", "sigma tried for measured heights")
    evidence: Floats = column("number", "ln L(fixed) − ln L(measured): above 0 for fixed")
    ceiling: Floats = column("number", "the most that evidence for fixed could ever be here")
    profiled: Names = column("names", "the sigmas that were left open meanwhile")
    set_aside: Names = column("names", "setups of the class that fit neither, left out of the comparison")
    verdict: Names = column("text", "fixed, measured or cannot tell")
    contradicts: Flags = column("flag", "the verdict is not what was declared")
    reason: Names = column("text", "why it can't be told, blank otherwise")


class AuditSetups(Table):
    """Row i belongs to row i of `network.setups`. What the rest of the network says of each height."""

    setup: Names = column("name", "name of the setup")
    group: Ints = column("index", "row of its class, −1 where its height is held or nothing leans on it")
    height_error: Floats = column(
        "length",
        "true minus entered height as the rest sees it, its own sigma and what fits neither left out",
    )
    sigma: Floats = column(
        "length", "standard deviation of that, the setup's own sigma left out; infinite: unseen"
    )
    statistic: Floats = column("number", "height error / √(sigma² + declared sigma²), N(0, 1) if all is well")
    minimal_detectable: Floats = column("length", "smallest wrong height found with the set power")
    rival: Names = column(
        "name", "the other effect or control coordinate that looks most like it, blank for none"
    )
    correlation: Floats = column("number", "correlation of their statistics: ±1 can't be told apart")
    evidence: Floats = column("number", "ln L(fixed) − ln L(measured) of this setup alone")
    ceiling: Floats = column("number", "ln k: the most that evidence for fixed could be")
    verdict: Names = column("text", "fixed, measured, fits neither, cannot tell, or held")


@dataclass(frozen=True)
class Audit:
    """The audit. `reason` says why nothing was compared, blank otherwise; the setups are told in any case."""

    classes: AuditClasses
    setups: AuditSetups
    question: Question
    reason: str

    def __str__(self) -> str:
        said = [f"{g}: {v}" for g, v in zip(self.classes.group, self.classes.verdict, strict=True)]
        return "; ".join(said) or self.reason or "no heights to judge"


def audit(solved: Solved, question: Question | None = None, of: Contrasts | None = None) -> Audit:
    """Audit the heights of a solved network; `of` are its contrasts where they are at hand.

    Raises TooLarge where the network has more than 1500 contrasts.
    """
    question = question or Question()
    if not len(solved.unknowns.priors) or solved.solution.degrees_of_freedom <= 0:
        return Audit(AuditClasses.empty(), _setups(solved, None, None, []), question, _nothing(solved))
    c = contrasts(solved) if of is None else of
    weighed, declared = weigh(solved, c, c.grams(), question)
    reason = "" if weighed else _nothing(solved)
    setups = _setups(solved, c, declared, weighed)
    return Audit(_classes(solved, weighed, question), setups, question, reason)


def _nothing(solved: Solved) -> str:
    if solved.settings.correlation == "independent":
        return "under the independent rule heights are no unknowns: nothing to audit"
    if solved.solution.degrees_of_freedom <= 0:
        return "nothing is redundant"
    return "no setup has a height of its own sigma"


def _classes(solved: Solved, weighed: list[Weighed], question: Question) -> AuditClasses:
    names = solved.network.setups.setup
    verdicts = [w.verdict(question) for w in weighed]
    says = {"fixed": ("fixed",), "measured": ("graduated", "taped", "slant")}
    return AuditClasses(
        group=as_objects([w.group.label for w in weighed]),
        support=as_objects([w.group.owner for w in weighed]),
        role=as_objects([w.group.role for w in weighed]),
        height_kind=as_objects([w.group.kind for w in weighed]),
        setups=np.array([len(w.setups) for w in weighed], dtype=np.int64),
        sigma_declared=np.array([w.group.sigma for w in weighed], dtype=float),
        sigma_fixed=np.array([w.fixed for w in weighed], dtype=float),
        sigma_measured=np.array([w.measured for w in weighed], dtype=float),
        evidence=np.array([w.evidence for w in weighed], dtype=float),
        ceiling=np.array([w.ceiling for w in weighed], dtype=float),
        profiled=as_objects([w.profiled for w in weighed]),
        set_aside=as_objects([tuple(str(names[i]) for i in w.setups[w.aside]) for w in weighed]),
        verdict=as_objects([v for v, _ in verdicts]),
        contradicts=np.array(
            [
                v != "cannot tell" and w.group.kind != "undeclared" and w.group.kind not in says[v]
                for w, (v, _) in zip(weighed, verdicts, strict=True)
            ],
            dtype=bool,
        ),
        reason=as_objects([r for _, r in verdicts]),
    )


def _setups(solved: Solved, c: Contrasts | None, declared: Fit | None, weighed: list[Weighed]) -> AuditSetups:
    """Every setup against the rest of the network, and its own two likelihoods."""
    u, n = solved.unknowns, len(solved.network.setups)
    out = {k: np.full(n, np.nan) for k in ("error", "sigma", "w", "mdb", "rho", "evidence", "ceiling")}
    rival, verdict = [""] * n, ["held" if sigma == 0.0 else "cannot tell" for sigma in u.height_sigma]
    group = np.full(n, -1)
    if len(u.priors):
        seen = _against_the_rest(solved, c, declared, weighed)
        prior = np.full(u.n + 1, -1)
        prior[u.priors.place] = np.arange(len(u.priors))
        own = prior[u.effects[:, 2]]
        has = own >= 0
        for name, values in seen.numbers.items():
            out[name][has] = values[own[has]]
        for i in np.flatnonzero(has):
            rival[i] = seen.rivals[own[i]]
        for k, w in enumerate(weighed):
            where = {int(p): j for j, p in enumerate(w.priors)}
            for i in np.flatnonzero(has):
                j = where.get(int(own[i]))
                if j is not None:
                    group[i] = k
                    out["evidence"][i], out["ceiling"][i] = w.own_evidence[j], w.own_ceiling[j]
                    verdict[i] = w.own_verdict[j]
    return AuditSetups(
        setup=solved.network.setups.setup,
        group=group,
        height_error=out["error"],
        sigma=out["sigma"],
        statistic=out["w"],
        minimal_detectable=out["mdb"],
        rival=as_objects(rival),
        correlation=out["rho"],
        evidence=out["evidence"],
        ceiling=out["ceiling"],
        verdict=as_objects(verdict),
    )


@dataclass(frozen=True)
class _Seen:
    numbers: dict[str, Floats]  # in the order of priors, NaN where not of a height
    rivals: list[str]


def _against_the_rest(
    solved: Solved, c: Contrasts | None, declared: Fit | None, weighed: list[Weighed]
) -> _Seen:
    """At the declared sigmas, the heights that fit neither being left free.

    With s and t of `without_own`, in units of the declared sigma: height error σt/s, its sigma σ/√s, w = t/√(s(1 + s)),
    smallest detectable δ0·σ√(1 + 1/s). The rival is the pseudo-observation of the largest |ρ|, ρ_ij = e_iᵀS⁻¹e_j / √(x_i x_j).
    Without contrasts x and b come from the adjustment's own residuals, and no rival is told.
    """
    p = solved.unknowns.priors
    height = np.flatnonzero((p.source == "effect") & (p.axis == 2))
    rivals, rho = [""] * len(p), np.full(len(p), np.nan)
    if c is None or declared is None:
        x, b = solved.prior_reliability.redundancy, -solved.solution.rows[-1].misclosure
        s, t = without_own(x, b, np.ones(len(p)))
    else:
        rows = np.flatnonzero(c.prior >= 0)
        E = np.empty((len(p), c.loadings.shape[1]))
        E[c.prior[rows]] = c.loadings[rows]
        half = E @ declared.inverse
        x, b = np.einsum("kf,kf->k", half, E), half @ c.y
        own = np.ones(len(p))
        for w in weighed:
            own[w.priors[w.aside]] = (FREE_SIGMA / p.sigma[w.priors[w.aside]]) ** 2
        s, t = without_own(x, b, own)
        # beside a height set aside its twin is seen by little more than that: a rival all the same
        root = np.where(x > SHADOW, np.sqrt(np.maximum(x, 1e-30)), np.inf)
        like = (half[height] @ E.T) / root[height, None] / root
        like[np.arange(len(height)), height] = 0.0
        nearest = np.argmax(np.abs(like), axis=1) if len(height) else np.zeros(0, dtype=np.int64)
        for i, (h, j) in enumerate(zip(height.tolist(), nearest.tolist(), strict=True)):
            if like[i, j] != 0.0:
                rho[h], rivals[h] = like[i, j], _name(solved, j)
    checked = clear(s, p.sigma, any(bool(w.aside.any()) for w in weighed))
    safe = np.where(checked, s, 1.0)
    told = {
        "error": np.where(checked, p.sigma * t / safe, np.nan),
        "sigma": np.where(checked, p.sigma / np.sqrt(safe), np.inf),
        "w": np.where(checked, t / np.sqrt(safe * (1.0 + safe)), np.nan),
        "mdb": np.where(checked, solved.delta0 * p.sigma * np.sqrt(1.0 + 1.0 / safe), np.inf),
        "rho": rho,
    }
    heights = np.isin(np.arange(len(p)), height)
    return _Seen({k: np.where(heights, v, np.nan) for k, v in told.items()}, rivals)


def _name(solved: Solved, prior: int) -> str:
    """`T4 height`, `S2 centring east`, `P1 control north`, `refraction`."""
    p = solved.unknowns.priors
    axis = AXES[int(p.axis[prior])]
    if p.source[prior] == "effect":
        setup = solved.network.setups.setup[int(p.setup[prior])]
        return f"{setup} height" if axis == "height" else f"{setup} centring {axis}"
    if p.source[prior] == "control":
        return f"{solved.network.marks.mark[int(p.mark[prior])]} control {axis}"
    return str(p.id[prior])


def audited(
    solved: Solved, question: Question | None = None, most: int = MOST_ASKED
) -> tuple[Components, Audit]:
    """Variance components and audit of one solved network, which share their contrasts.

    Beyond `most` contrasts the components are estimated all the same and the classes are left unasked, which the audit says:
    its cost grows with their cube. `audit` alone goes up to 1500.
    """
    if solved.solution.degrees_of_freedom <= 0:
        return components(solved), audit(solved, question)
    try:
        shared = contrasts(solved, most)
    except TooLarge as large:
        untold = _setups(solved, None, None, [])
        parts = of_many(solved) if large.count > DENSE else components(solved)
        return parts, Audit(AuditClasses.empty(), untold, question or Question(), f"not asked: {large}")
    return components(solved, shared), audit(solved, question, shared)

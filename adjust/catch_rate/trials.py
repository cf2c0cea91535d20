"""One trial: a day invented, spoiled or not, adjusted and judged. And the list of all that are to be run.

Trial (row, run) draws from its own branch of the seed, so its outcome depends neither on the others nor on who runs it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

import numpy as np

from ..adjustment import adjust
from ..judge.diagnose import judge
from ..judge.finding import Finding
from ..judged import unsettled
from ..results import Adjustment
from ..trouble import NotConverged, Undetermined
from .ground import Ground
from .planted import Amount, Plant, Planted
from .plants import PLANTS

Verdict = Literal["first", "rival", "wrong", "missed", "not adjusted", "nothing to spoil"]


@dataclass(frozen=True)
class Task:
    """Trial `run` of row `row`: −1 are days without a mistake."""

    row: int
    run: int


@dataclass(frozen=True)
class Kind:
    """One row of the table: a mistake at one size. `number` says which, whatever else is asked for."""

    plant: Plant
    amount: Amount
    number: int


@dataclass(frozen=True)
class Caught:
    """What came of a day with a mistake.

    verdict  first: the right name and class of cause stand first; rival: among the rivals or in a later finding;
             wrong: there are findings, and none holds it; missed: no finding;
             not adjusted: it can't be, and no cause is found for that
    shown    the adjustment is flagged or has a finding: somebody would look
    sure     the first finding claims to be told from every rival
    """

    verdict: Verdict
    shown: bool = False
    sure: bool = False
    name: str = ""
    size: float = 0.0


@dataclass(frozen=True)
class Clean:
    """What came of a day without a mistake."""

    adjusted: bool
    passed: bool = False  # the global test
    flagged: bool = False  # anything at all
    found: bool = False  # a finding
    readings: int = 0
    readings_flagged: int = 0
    ellipses: int = 0
    ellipses_hold: int = 0
    heights: int = 0
    heights_hold: int = 0


Outcome = Caught | Clean


def kinds(words: Sequence[str] = ()) -> tuple[Kind, ...]:
    """All rows of the table; with `words` those whose name holds one of them."""
    rows = [(plant, amount) for plant in PLANTS for amount in plant.amounts]
    return tuple(
        Kind(plant, amount, number)
        for number, (plant, amount) in enumerate(rows)
        if not words or any(w.lower() in plant.name for w in words)
    )


def tasks(rows: Sequence[Kind], runs: int) -> list[Task]:
    """The clean days, then every row; run by run, so that a table broken off has something in every row."""
    clean = [Task(-1, run) for run in range(runs)]
    return clean + [Task(k, run) for run in range(runs) for k in range(len(rows))]


def trial(ground: Ground, rows: Sequence[Kind], seed: int, task: Task) -> Outcome:
    """Run one. Whatever can't be adjusted is an outcome, not an error."""
    kind = rows[task.row] if task.row >= 0 else None
    branch = (0, task.run) if kind is None else (1 + kind.number, task.run)
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=branch))
    if kind is None:
        return _clean(ground, rng)
    planted = kind.plant.plant(ground, kind.amount, rng)
    if planted is None:
        return Caught("nothing to spoil")
    return _caught(ground, planted)


def _caught(ground: Ground, planted: Planted) -> Caught:
    name = planted.names[0]
    try:
        a = adjust(planted.network, ground.settings)
    except Undetermined:
        return Caught("not adjusted", True, False, name, planted.size)
    except NotConverged as trouble:
        findings = unsettled(trouble, ground.written)
        if not findings:
            return Caught("not adjusted", True, False, name, planted.size)
        shown = True
    else:
        findings = _judged(a, ground)
        shown = a.flagged or bool(findings)
    sure = bool(findings) and findings[0].told
    return Caught(verdict(findings, planted), shown, sure, name, planted.size)


def verdict(findings: Sequence[Finding], planted: Planted) -> Verdict:
    """Where the right answer stands among the findings."""
    if not findings:
        return "missed"
    if planted.explained_by(findings[0].first):
        return "first"
    if any(planted.explained_by(e) for f in findings for e in (f.first, *f.rivals)):
        return "rival"
    return "wrong"


def _judged(a: Adjustment, ground: Ground) -> tuple[Finding, ...]:
    assert a.solved is not None  # `adjust` keeps it
    return judge(a.solved, ground.written)


def _clean(ground: Ground, rng: np.random.Generator) -> Clean:
    try:
        a = adjust(ground.day(rng), ground.settings)
    except (Undetermined, NotConverged):
        return Clean(False)
    o = a.observations
    tested = np.isfinite(o.standardized) & (o.kind != "effect")
    held, cases = ellipses_hold(a, ground)
    heights_held, heights = heights_hold(a, ground)
    return Clean(
        True,
        a.global_test.passed,
        a.flagged,
        bool(_judged(a, ground)),
        int(tested.sum()),
        int((o.flagged & tested).sum()),
        cases,
        held,
        heights,
        heights_held,
    )


def ellipses_hold(a: Adjustment, ground: Ground) -> tuple[int, int]:
    """In how many marks the ellipse holds the truth, dᵀQ⁻¹d ≤ f², and how many have an ellipse."""
    d = np.column_stack([a.marks.east, a.marks.north]) - ground.truth[:, :2]
    Q = a.marks.covariance[:, :2, :2]
    size = np.linalg.det(np.nan_to_num(Q))
    able = np.isfinite(d).all(axis=1) & (size > 1e-30)  # m⁴: a held mark has none
    inside = np.einsum("ni,ni->n", d[able], np.linalg.solve(Q[able], d[able][:, :, None])[:, :, 0])
    return int((inside <= a.ellipse_factor**2).sum()), int(able.sum())


def heights_hold(a: Adjustment, ground: Ground) -> tuple[int, int]:
    """In how many marks height ± z·σ holds the truth, and how many have one."""
    d, sigma = a.marks.height - ground.truth[:, 2], a.marks.sigma_height
    able = np.isfinite(d) & (np.nan_to_num(sigma) > 1e-9)  # m: a held height has none
    z = NormalDist().inv_cdf(0.5 + 0.5 * a.settings.confidence)
    return int((np.abs(d[able]) <= z * sigma[able]).sum()), int(able.sum())

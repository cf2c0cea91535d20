"""An adjustment with its judgement: what went wrong, what the sigmas really were, and which heights were measured."""

from __future__ import annotations

from dataclasses import replace

from .judge.components import components
from .judge.diagnose import judge, judge_unsettled
from .judge.finding import Finding
from .judge.written import Written
from .results import Adjustment
from .trouble import NotConverged


def judged(adjustment: Adjustment, written: Written | None = None, *, heights: bool = True) -> Adjustment:
    """A copy with findings and variance components, and with the audit of heights unless `heights` is False.

    `written` tells in which units the book was kept, for slips of the pen. Costs about as much as two adjustments, the
    audit of heights about two more. Raises ValueError for an adjustment that did not come from `adjust`.
    """
    solved = adjustment.solved
    if solved is None:
        raise ValueError("this adjustment carries no solution to judge")
    findings = judge(solved, written)
    if not heights:
        return replace(adjustment, findings=findings, components=components(solved))
    from .judge.audit import audited  # here: numbers alone need not wait for it

    parts, audit = audited(solved)
    return replace(adjustment, findings=findings, components=parts, audit=audit)


def unsettled(trouble: NotConverged, written: Written | None = None) -> tuple[Finding, ...]:
    """What would explain that an adjustment did not settle: exchanged names, a wrong face and the like; empty if nothing."""
    if trouble.evidence is None:
        return ()
    return judge_unsettled(*trouble.evidence, written)

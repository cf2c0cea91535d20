"""What the judgement says, as sections of the summary: findings, heights of setups, sigmas that the residuals contradict."""

from __future__ import annotations

import math
import shlex
from typing import TYPE_CHECKING

import numpy as np

from hubtack.io.findings import sentence
from hubtack.io.pages.words import Row, Section, Sign
from hubtack.io.writers.sheets import names

if TYPE_CHECKING:
    from hubtack.adjust.judge.audit import Audit, AuditClasses
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job
    from hubtack.io.units import Units

ALIKE = 0.99  # |ρ| from which the words say that two causes can't be told apart
PLENTY = 1000.0  # odds beyond which the figure says no more


def findings_section(a: Adjustment, job: Job, most: int, path: str = "JOB") -> Section:
    """At most so many findings as sentences, and the command that says more; `path` is the job as the user named it."""
    rows = [Row("flagged", (f"{f.rank}.", sentence(f, job))) for f in a.findings[:most]]
    if rows:
        more = len(a.findings) - len(rows)
        name = shlex.quote(a.findings[0].first.name)
        words = f"Evidence and decision: hubtack diagnose {shlex.quote(path)} {name}"
        rows.append(Row("", (f"and {more} more. {words}" if more else words,)))
    title = "Findings" if any(f.told for f in a.findings) else "Findings (what the geometry leaves open)"
    return Section("findings", title, tuple(rows))


def heights_section(a: Adjustment, job: Job, most: int) -> Section:
    """One line a class of heights: what they behave like; then the setups that fit neither."""
    audit = a.audit
    if audit is None or not len(a.setups):
        return Section("heights", "", ())
    title = "Heights of setups: fixed, or measured?"
    if not len(audit.classes):
        words = (f"Not asked: {audit.reason.removeprefix('not asked: ')}.",) if audit.reason else ()
        return Section("heights", title, tuple(Row("", (w,)) for w in words))
    rows = [Row(class_sign(audit.classes, g), (class_words(audit, g),)) for g in range(len(audit.classes))]
    odd = np.flatnonzero((audit.setups.verdict == "fits neither") & np.isfinite(audit.setups.height_error))
    told = {e.name for f in a.findings for e in (f.first, *f.rivals)}
    rows += [Row("watch", (neither_words(audit, i, job.units, told),)) for i in odd[:most].tolist()]
    return Section("heights", title, tuple(rows), more=max(0, len(odd) - most))


def class_sign(c: AuditClasses, g: int) -> Sign:
    """A class that behaves as declared, as something else, or as can't be told."""
    if c.verdict[g] == "cannot tell":
        return ""
    return "watch" if c.contradicts[g] else "ok"


def class_name(c: AuditClasses, g: int) -> str:
    """`low-stand, 8 targets`."""
    count = int(c.setups[g])
    return f"{c.support[g]}, {count} {role_words(str(c.role[g]), count)}"


def role_words(role: str, count: int) -> str:
    """What stood on a height: instruments, targets, or bases that both used."""
    return f"{role if role in ('instrument', 'target') else 'height base'}{'' if count == 1 else 's'}"


def class_words(audit: Audit, g: int) -> str:
    """`low-stand, 8 targets, declared fixed: behaves like fixed, 38 : 1`."""
    c = audit.classes
    kind = str(c.height_kind[g])
    declared = "no kind declared" if kind == "undeclared" else f"declared {kind}"
    return f"{class_name(c, g)}, {declared}: {class_verdict(c, g)}"


def class_verdict(c: AuditClasses, g: int) -> str:
    """What the heights of a class behave like, how surely, and where it can't be told why not."""
    verdict, evidence = str(c.verdict[g]), float(c.evidence[g])
    if verdict != "cannot tell":
        return f"{'but ' if c.contradicts[g] else ''}behaves like {verdict}, {odds(evidence)}"
    reason, ceiling = str(c.reason[g]), float(c.ceiling[g])
    if ceiling < math.log(1.05):
        return "can't tell: nothing in this network sees these heights"
    if reason.startswith("the geometry"):
        return f"can't tell (at best {odds(ceiling)})"
    if reason.startswith("both"):
        return f"can't tell ({odds_for(evidence)})"
    if reason.startswith("the rest"):
        return "can't tell, for the rest of the network does not fit"
    return f"can't tell: {reason}"


def neither_words(audit: Audit, row: int, units: Units, told: set[str]) -> str:
    """A setup whose height fits neither a fixed nor a measured one; short where a finding tells it already."""
    s = audit.setups
    error = float(s.height_error[row])
    size = units.show_small_length(abs(error), 1)
    words = f"{s.setup[row]} fits neither: its height looks {size} too {'low' if error > 0.0 else 'high'}"
    if str(s.setup[row]) in told:
        return f"{words} (see the findings)"
    if abs(float(s.correlation[row])) > ALIKE:
        words += f", which can't be told from {s.rival[row]}"
    return words


def components_section(a: Adjustment, job: Job) -> Section:
    """Only the declared sigmas that the residuals contradict; where there are findings, by name alone.

    A mistake makes the sigmas around it look too small, and a sigma too small makes mistakes of sound readings.
    """
    c = a.components
    title = "Sigmas that the residuals contradict"
    if c is None:
        return Section("components", title, ())
    odd = np.flatnonzero((c.verdict == "too optimistic") | (c.verdict == "too pessimistic")).tolist()
    if a.findings and odd:
        words = f"{names(c.group[odd], 4)}: perhaps because of the findings. Settle those first."
        return Section("components", title, (Row("", (words,)),))
    rows = []
    for i in odd:
        angle = c.quantity[i] == "angle"
        show = job.units.show_small_angle if angle else job.units.show_small_length
        told, estimated, low, high = (
            show(float(v), 2) for v in (c.sigma_declared[i], c.sigma_estimated[i], c.lower[i], c.upper[i])
        )
        note = f" ({c.reason[i]})" if c.reason[i] else ""
        rows.append(
            Row(
                "watch",
                (
                    f"{c.group[i]}: {told} declared, {estimated} found ({low} to {high}): {c.verdict[i]}{note}",
                ),
            )
        )
    return Section("components", title, tuple(rows))


def odds(evidence: float) -> str:
    """Natural logarithm of a likelihood ratio, in words: `38 : 1`."""
    if not math.isfinite(evidence):
        return ""
    if abs(evidence) > math.log(PLENTY):
        return f"over {PLENTY:.0f} : 1"
    ratio = math.exp(abs(evidence))
    return f"{ratio:.0f} : 1" if ratio >= 10.0 else f"{ratio:.1f} : 1"


def odds_for(evidence: float) -> str:
    """The same with what it speaks for: `38 : 1 for fixed`."""
    words = odds(evidence)
    return words and f"{words} for {'fixed' if evidence > 0.0 else 'measured'}"

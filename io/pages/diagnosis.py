"""A finding at length: the evidence reading by reading, the choices, what each does, and the decisions to accept."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.io.accept import block
from hubtack.io.findings import apart_text, claim, place, record, sentence
from hubtack.io.pages.choices import (
    Choice,
    Outcome,
    after_it,
    choices,
    decided,
    outcome,
    put_right,
    readings_about,
)
from hubtack.io.pages.verdict import readings_of
from hubtack.io.pages.words import Row, Section, Sign, joined
from hubtack.io.writers.sheets import Show, at_target, plain

if TYPE_CHECKING:
    from hubtack.adjust.judge.finding import Finding
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

SHOWN = 12  # readings of the evidence
CHOICES = 4  # choices on a terminal


@dataclass(frozen=True)
class Diagnosis:
    """One finding with its choices, and the network after each (None where a choice decides nothing)."""

    finding: Finding
    choices: tuple[Choice, ...]
    outcomes: tuple[Outcome | None, ...]
    after: Adjustment | None  # with the cause put right, for the residuals
    how: str  # what `after` rests on


def diagnosis(a: Adjustment, job: Job, finding: Finding) -> Diagnosis:
    """Adjust once for every choice."""
    made = choices(a, job, finding)
    outcomes = tuple(outcome(a, decided(a.network, c.decisions)) if c.decisions else None for c in made)
    right = put_right(a.network, finding.first)
    if right is not None:
        return Diagnosis(finding, made, outcomes, outcome(a, right).adjustment, "with that size put right")
    first = outcomes[0]
    left = bool(made[0].decisions) and "leave_out" in made[0].decisions[0]
    how = "once left out" if left else "once corrected"
    after = first.adjustment if first and not first.freed else None
    return Diagnosis(finding, made, outcomes, after, how)


def find(a: Adjustment, name: str) -> Finding | None:
    """The finding of that name; else that rank; else the one that has it among its rivals."""
    for f in a.findings:
        if f.first.name == name:
            return f
    for f in a.findings:
        if str(f.rank) == name:
            return f
    return next((f for f in a.findings if any(r.name == name for r in f.rivals)), None)


def short_sections(a: Adjustment, job: Job, path: str) -> tuple[Section, ...]:
    """All findings, each as one sentence with what it would decide."""
    import shlex

    rows = []
    for f in a.findings:
        rows.append(Row("flagged", (f"{f.rank}.", sentence(f, job))))
        rows.append(
            Row("", (f"At length: hubtack diagnose {shlex.quote(path)} {shlex.quote(f.first.name)}",))
        )
    return (Section("findings", "Findings", tuple(rows)),)


def long_sections(d: Diagnosis, a: Adjustment, job: Job) -> tuple[Section, ...]:
    """One finding, for a terminal."""
    f = d.finding
    sections = (
        Section("findings", f"Finding {f.rank} of {len(a.findings)}", _claims(f, job)),
        _evidence(d, a, job),
        _choices(d, a, job),
        _moves(d, job),
        _apart(f, job),
        *(_block(c) for c in d.choices[:CHOICES] if c.decisions),
    )
    return tuple(s for s in sections if s.rows)


def document(d: Diagnosis, a: Adjustment, job: Job) -> dict[str, Any]:
    """One finding at length, for programs: SI and radian, null where undefined."""
    rows = readings_about(a, d.finding.first)
    o = a.observations
    residual, w = (np.full(len(rows), np.nan),) * 2 if d.after is None else after_it(a, rows, d.after)
    return record(d.finding, job) | {
        "after": d.how if d.after is not None else None,
        "evidence": [
            {
                "id": str(o.id[i]),
                "kind": str(o.kind[i]),
                "from": str(o.start[i]),
                "to": str(o.end[i]),
                "residual": _number(o.residual[i]),
                "standardized": _number(o.standardized[i]),
                "residual_after": _number(residual[k]),
                "standardized_after": _number(w[k]),
            }
            for k, i in enumerate(rows.tolist())
        ],
        "choices": [
            choice_record(c) | _outcome_record(n) for c, n in zip(d.choices, d.outcomes, strict=True)
        ],
    }


def choice_record(c: Choice) -> dict[str, Any]:
    """A choice without its outcome."""
    return {
        "choice": c.number,
        "what": c.cause.what,
        "name": c.cause.name,
        "cause": c.cause.cause,
        "decisions": list(c.decisions),
        "toml": "\n\n".join(block(d) for d in c.decisions),
    }


def effect_words(a: Adjustment, after: Adjustment) -> str:
    """`variance factor 422.41 → 1.04, flags 37 → 0`."""
    was, now = a.global_test.variance_factor, after.global_test.variance_factor
    return f"variance factor {was:.2f} → {plain(now, 2) or 'none'}, flags {flags(a)} → {flags(after)}"


def flags(a: Adjustment) -> int:
    """Flagged readings, setups and control components."""
    readings = a.observations.flagged[readings_of(a)].sum()
    return int(readings + a.setups.flagged.sum() + a.control.flagged.sum())


def test_words(f: Finding) -> str:
    """The test that a finding has failed."""
    first = f.first
    freedoms = f"{first.freedoms} degree{'' if first.freedoms == 1 else 's'} of freedom"
    chance = f"{f.probability:.1g}" if f.probability > 1e-12 else "below 1e-12"
    return (
        f"Statistic {first.statistic:.1f} with {freedoms}, critical {f.critical:.1f} with {f.tried} causes tried; "
        f"by chance: probability {chance}."
    )


def _claims(f: Finding, job: Job) -> tuple[Row, ...]:
    first = f.first
    rows = [Row("flagged", (f"{place(first, job)}: {claim(first, job)}.",)), Row("", (test_words(f),))]
    if not f.told:
        rivals = "it from the rivals below" if f.rivals else "whose name is wrong with so few known marks"
        words = f"The geometry can't tell {rivals}: to accept one takes knowledge from outside."
        rows.append(Row("watch", (words,)))
    elif not f.rivals:
        rows.append(Row("", ("No other cause explains it as well.",)))
    else:
        rows.append(Row("", ("The rivals below are not excluded, but less likely.",)))
    return tuple(rows)


def _evidence(d: Diagnosis, a: Adjustment, job: Job) -> Section:
    """The readings that the cause would spoil, before and after."""
    show, o = Show(a, job.units), a.observations
    rows = readings_about(a, d.finding.first)
    if not len(rows):
        return Section("evidence", "", ())
    residual, w = (np.zeros(len(rows)),) * 2 if d.after is None else after_it(a, rows, d.after)
    far = at_target(a, o)
    made = []
    for k, i in enumerate(rows[:SHOWN].tolist()):
        start, end = int(o.start_mark[i]), int(o.end_mark[i])
        pair = f"{a.marks.mark[start]} → {a.marks.mark[end]}" if start >= 0 and end >= 0 else ""
        before = (
            str(o.id[i]),
            pair,
            show.small(o.residual[i] * far[i], 1),
            plain(float(o.standardized[i]), 1),
        )
        after = (show.small(residual[k] * far[i], 1), plain(float(w[k]), 1))
        made.append(Row("flagged" if o.flagged[i] else "ok", before if d.after is None else before + after))
    unit = show.small_length_name
    title = "Evidence: residuals at the target, as adjusted" + (f" and {d.how}" if d.after else "")
    headings = ("reading", "from → to", f"residual [{unit}]", "w", f"after [{unit}]", "w after")
    most = 4 if d.after is None else 6
    return Section("evidence", title, tuple(made), headings[:most], max(0, len(rows) - SHOWN))


def _choices(d: Diagnosis, a: Adjustment, job: Job) -> Section:
    rows = []
    for c, n in list(zip(d.choices, d.outcomes, strict=True))[:CHOICES]:
        e = c.cause
        parts = [f"{c.number}  {place(e, job)}: {claim(e, job)}; statistic {e.statistic:.1f}"]
        if e is not d.finding.first and abs(e.correlation) < 0.9995:
            parts.append(f", correlation {e.correlation:.2f}")
        if n is None:
            parts.append(". No decision of job.toml would put it right")
        elif n.adjustment is None:
            parts.append(f". Then nothing could be adjusted: {n.trouble.rstrip('.')}")
        elif n.freed:
            parts.append(f". Then nothing holds the {joined(n.freed)} any more")
        else:
            parts.append(f". Then {effect_words(a, n.adjustment)}")
        settled = n is not None and n.adjustment is not None and not n.freed and not n.adjustment.flagged
        # A tick would speak for one of several that nothing tells apart.
        sign: Sign = "watch" if not settled else "ok" if d.finding.told else ""
        rows.append(Row(sign, ("".join(parts) + ".",)))
    more = len(d.choices) - len(rows) + d.finding.rivals_not_shown
    return Section("choices", "Choices", tuple(rows), more=more)


def _moves(d: Diagnosis, job: Job) -> Section:
    rows = []
    for c, n in list(zip(d.choices, d.outcomes, strict=True))[:CHOICES]:
        for name, *move in n.moved if n is not None else ():
            cells = (plain(job.units.small_length_of(float(v)), 1) for v in move)
            rows.append(Row("", (c.number, name, *cells)))
    unit = job.units.small_length_name
    headings = ("choice", "mark", f"east [{unit}]", f"north [{unit}]", f"height [{unit}]")
    return Section("moves", "What each does to the coordinates: marks that move most", tuple(rows), headings)


def _apart(f: Finding, job: Job) -> Section:
    if f.apart is None:
        return Section("apart", "", ())
    words = apart_text(f.apart, job.units)
    return Section("apart", "To tell them apart", (Row("", (f"{words[0].upper()}{words[1:]}.",)),))


def _block(c: Choice) -> Section:
    lines = [line for d in c.decisions for line in block(d).split("\n")]
    return Section(
        f"decision-{c.number}", f"Decision, --accept {c.number}", tuple(Row("", (x,)) for x in lines)
    )


def _outcome_record(n: Outcome | None) -> dict[str, Any]:
    if n is None:
        return {
            "adjusts": None,
            "trouble": "",
            "freed": [],
            "variance_factor": None,
            "flagged": None,
            "moved": [],
        }
    a = n.adjustment
    return {
        "adjusts": a is not None,
        "trouble": n.trouble,
        "freed": list(n.freed),
        "variance_factor": None if a is None else _number(a.global_test.variance_factor),
        "flagged": None if a is None else a.flagged,
        "moved": [{"mark": m, "east": e, "north": north, "height": h} for m, e, north, h in n.moved],
    }


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None

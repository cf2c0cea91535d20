"""The judgement as tables of the report page: classes of heights, heights of setups, variance components, causes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hubtack.io.findings import claim, place
from hubtack.io.numerals import fixed
from hubtack.io.pages.judgement import class_name, class_verdict, odds, odds_for
from hubtack.io.writers.sheets import Columns, Heading, Sheet, Show, names, percent, plain

if TYPE_CHECKING:
    from hubtack.adjust.judge.finding import Explanation
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job
    from hubtack.io.pages.choices import Choice


def causes_sheet(made: tuple[Choice, ...], job: Job) -> Sheet:
    """The cause put first and its rivals."""
    headings = (
        Heading("choice", number=False),
        Heading("where", number=False),
        Heading("cause", number=False),
        Heading("statistic"),
        Heading("degrees of freedom"),
        Heading("correlation with the first"),
        Heading("decision", number=False),
    )
    return Sheet("Causes", headings, tuple(_cause(c, c.cause, job) for c in made))


def _cause(c: Choice, e: Explanation, job: Job) -> tuple[str, ...]:
    decides = "; ".join(
        f"leave out {d['leave_out']}" if "leave_out" in d else f"{d['correct']} becomes {d['value']}"
        for d in c.decisions
    )
    return (
        c.number,
        place(e, job),
        claim(e, job),
        plain(e.statistic, 1),
        str(e.freedoms),
        plain(e.correlation, 3),
        decides or "none in job.toml",
    )


def classes_sheet(a: Adjustment, job: Job) -> Sheet:
    """What each class of heights behaves like."""
    headings = (
        Heading("class", number=False),
        Heading("declared", number=False),
        Heading("sigma declared", job.units.small_length_name),
        Heading("tried as fixed", job.units.small_length_name),
        Heading("tried as measured", job.units.small_length_name),
        Heading("finding", number=False),
        Heading("at best", number=False),
        Heading("left open meanwhile", number=False),
        Heading("set aside", number=False),
    )
    if a.audit is None:
        return Sheet("Classes of heights", headings, ())
    c, show = a.audit.classes, Show(a, job.units)
    rows = tuple(
        (
            class_name(c, g),
            str(c.height_kind[g]),
            show.small(c.sigma_declared[g]),
            show.small(c.sigma_fixed[g]),
            show.small(c.sigma_measured[g]),
            class_verdict(c, g),
            odds(float(c.ceiling[g])),
            names(c.profiled[g]),
            names(c.set_aside[g], 8),
        )
        for g in range(len(c))
    )
    flagged = frozenset(np.flatnonzero(c.contradicts).tolist())
    note = (
        "Likelihood of the sigma of a fixed height against that of a measured one, the other sigmas left open. Below "
        f"{a.audit.question.odds:.0f} : 1 nothing is said. At best: what this geometry could show were every height perfect."
    )
    return Sheet("Classes of heights", headings, rows, flagged, note, "watch")


def audit_sheet(a: Adjustment, job: Job) -> Sheet:
    """What the rest of the network says of every height."""
    show = Show(a, job.units)
    unit = show.small_length_name
    headings = (
        Heading("setup", number=False),
        Heading("class", number=False),
        Heading("height error", unit),
        Heading("sigma of it", unit),
        Heading("statistic"),
        Heading("smallest wrong height found", unit, short="smallest found"),
        Heading("behaves like", number=False),
        Heading("odds", number=False),
        Heading("at best", number=False),
        Heading("strongest rival", number=False),
        Heading("correlation"),
    )
    title = "Heights one by one"
    if a.audit is None:
        return Sheet(title, headings, ())
    s, c = a.audit.setups, a.audit.classes
    told = np.flatnonzero((s.group >= 0) | np.isfinite(s.height_error))
    classes = [f"{support}, {role}" for support, role in zip(c.support, c.role, strict=True)]
    columns = [
        [str(n) for n in s.setup[told]],
        [classes[g] if g >= 0 else "" for g in s.group[told].tolist()],
        show.smalls(s.height_error[told]),
        show.smalls(s.sigma[told]),
        fixed(s.statistic[told], 2),
        show.smalls(s.minimal_detectable[told]),
        [str(v) for v in s.verdict[told]],
        [odds_for(v) for v in s.evidence[told].tolist()],
        [odds(v) for v in s.ceiling[told].tolist()],
        [str(r) for r in s.rival[told]],
        fixed(s.correlation[told], 3),
    ]
    flagged = frozenset(np.flatnonzero(np.abs(np.nan_to_num(s.statistic[told])) > a.critical).tolist())
    note = (
        "Height error: true minus entered, as the rest of the network sees it, the setup's own sigma left out. The "
        "strongest rival is the other effect or control coordinate that looks most like it; a correlation near 1 or -1 "
        "means that the two can't be told apart."
    )
    return Sheet(title, headings, Columns(columns), flagged, note)


def components_sheet(a: Adjustment, job: Job) -> Sheet:
    """Declared sigmas against what the residuals say of them."""
    level = percent(a.settings.confidence)
    headings = (
        Heading("group", number=False),
        Heading("unit", number=False),
        Heading("sigma declared"),
        Heading("sigma found"),
        Heading(f"lower end {level}", short="from"),
        Heading(f"upper end {level}", short="to"),
        Heading("redundancy"),
        Heading("degrees of freedom"),
        Heading("the declared sigma is", number=False),
        Heading("remark", number=False),
    )
    title = "Sigmas declared and found"
    c = a.components
    if c is None:
        return Sheet(title, headings, ())
    units = job.units
    rows, odd = [], set()
    for i in range(len(c)):
        angle = c.quantity[i] == "angle"
        small = units.small_angle_of if angle else units.small_length_of
        four = (c.sigma_declared[i], c.sigma_estimated[i], c.lower[i], c.upper[i])
        if str(c.verdict[i]).startswith("too"):
            odd.add(i)
        rows.append(
            (
                str(c.group[i]),
                units.small_angle_name if angle else units.small_length_name,
                *(plain(small(float(v)), 2) for v in four),
                plain(float(c.redundancy[i]), 1),
                plain(float(c.degrees[i]), 1),
                str(c.verdict[i]),
                str(c.reason[i]),
            )
        )
    note = f"Restricted maximum likelihood of all groups together; interval at {level}. Nothing is rescaled by it."
    return Sheet(title, headings, tuple(rows), frozenset(odd), note, "watch")

"""report.html: one page that needs no network and, to be read and printed, no script. Verdict, suspects, then numbers."""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from hubtack.io.about import version
from hubtack.io.accept import block
from hubtack.io.findings import sentence
from hubtack.io.pages.choices import choices
from hubtack.io.pages.closures import NOTE, closures_section
from hubtack.io.pages.decision_effects import decisions_sheet, effects
from hubtack.io.pages.diagnosis import test_words
from hubtack.io.pages.embed import TEMPLATES, css, json_text, policy, script, visible
from hubtack.io.pages.judgement_sheets import audit_sheet, causes_sheet, classes_sheet, components_sheet
from hubtack.io.pages.reductions_sheet import reductions_sheet
from hubtack.io.pages.report_explained import Explained
from hubtack.io.pages.report_figures import key_figures, settings_rows
from hubtack.io.pages.report_grid import Grid, grid, made
from hubtack.io.pages.report_residuals import residuals_grid
from hubtack.io.pages.report_tables import constants_grid, coordinates_grid, relative_grid, setups_grid
from hubtack.io.pages.sigmas_sheets import instruments_sheet, reduced_sheet, supports_sheet
from hubtack.io.pages.summary import summary
from hubtack.io.pages.verdict import headline
from hubtack.io.pictures.decisions_figure import decisions_drawing
from hubtack.io.pictures.gallery import FIGURES, drawings
from hubtack.io.pictures.livemap import map_data
from hubtack.io.pictures.netmap import network_drawing
from hubtack.io.pictures.svgmap import style, svg
from hubtack.io.writers.sheets import Heading

if TYPE_CHECKING:
    from hubtack.adjust.judge.finding import Finding
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job
    from hubtack.io.pages.decision_effects import Effect
    from hubtack.io.pages.words import Row, Section

SIGNS = {"ok": ("✓", "fits"), "flagged": ("✗", "flagged"), "watch": ("!", "watch"), "": ("", "")}
SUSPECTS = ("setups", "sights", "components")  # sections of the summary that say what to look at
_CLOSURES = 300  # of one page


def report_page(adjustment: Adjustment, job: Job) -> str:
    """The page as text. User's words are escaped; nothing in it depends on the clock or on where the job lies."""
    from markupsafe import Markup

    sign, words = headline(adjustment)
    told = {s.key: s for s in summary(adjustment, job, most=8 if sign == "flagged" else 3)}
    told |= {s.key: s for s in summary(adjustment, job, most=40) if s.key in ("control", "unchecked")}
    findings = [_finding(f, adjustment, job) for f in adjustment.findings]
    heights_grids = _heights(adjustment, job) if "heights" in told else []
    numbers = _numbers(adjustment, job)
    sigmas = _sigmas(adjustment, job)
    done = effects(adjustment, job)
    decisions = grid(decisions_sheet(adjustment, job, done), "decisions") if done else None
    every = [*(f["causes"] for f in findings), *heights_grids, *numbers, *sigmas]
    every += [decisions] if decisions else []
    live = map_data(adjustment, job)
    explained = Explained(adjustment, job)
    data = {"grids": {g.key: g.data() for g in every}, "map": live, "explained": explained.data()}
    code = script()
    rules = css() + style() + "".join(g.rules() for g in every)
    drawing = network_drawing(adjustment, job)
    pictures = _pictures(adjustment, job, done)
    suspects = [told[k] for k in SUSPECTS if k in told]
    map_title = "Heights" if live and live["profile"] else "Map"
    title = "Look at these first" if sign == "flagged" else "What fits least"
    return _render(
        job=job,
        sign=SIGNS[sign][0],
        level=sign,
        verdict=words,
        figures=key_figures(adjustment, job),
        signs=SIGNS,
        rests=_without_first(told["verdict"]),
        datum=told.get("datum"),
        blanks=told.get("blanks"),
        findings=findings,
        suspects=suspects,
        suspects_title=title,
        map=Markup(svg(drawing, f"Map of {visible(job.name)}", drawing.words)),
        map_title=map_title,
        control=told.get("control"),
        on_grid=told.get("grid"),
        heights=told.get("heights"),
        heights_picture=pictures.get("heights"),
        heights_grids=heights_grids,
        unchecked=told.get("unchecked"),
        weakest=told.get("weakest"),
        ratio=f"{adjustment.settings.unchecked_ratio:g}",
        grids=numbers,
        explained=explained,
        explain_command=f"hubtack explain {_job_name(job)} READING",
        pictures=[p for name, p in pictures.items() if name not in ("heights", "decisions")],
        decisions=decisions,
        decisions_picture=pictures.get("decisions"),
        sigmas=sigmas,
        remarks=[*adjustment.remarks, *job.remarks],
        settings=settings_rows(adjustment, job),
        contents=_contents(
            told, bool(findings), sign == "flagged", title if suspects else "", map_title, numbers
        ),
        version=version(),
        command=f"hubtack adjust {_job_name(job)}",
        data=Markup(json_text(data)),
        script=Markup(code),
        css=Markup(rules),
        policy=policy(code, rules),
    )


def _render(**values: Any) -> str:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, finalize=lambda v: visible(v) if type(v) is str else v,
    )  # fmt: skip
    environment.tests["fills"] = lambda words, headings: len(words) == len(headings)
    return environment.get_template("page.html").render(numeric=_numeric, **values)


def _numeric(rows: list[Row]) -> set[int]:
    """Columns of rows of words in which nothing but numbers stands."""
    columns = enumerate(zip(*(r.words for r in rows), strict=True))
    return {k for k, cells in columns if all(re.fullmatch(r"[+-]?[\d.]*", c) for c in cells)}


def _contents(
    told: dict[str, Section],
    findings: bool,
    flagged: bool,
    suspects: str,
    map_title: str,
    numbers: list[Grid],
) -> list[tuple[str, str]]:
    """Anchors and titles, in the order of the page: where all fits the map stands before what fits least."""
    places = [*([("suspects", suspects)] if suspects else []), ("map", map_title)]
    if not flagged:
        places.reverse()
    return [
        ("verdict", "Verdict"),
        *([("findings", "Findings")] if findings else []),
        *places,
        *([("control", "Control fit")] if "control" in told else []),
        *([("on-grid", "Grid and scale")] if "grid" in told else []),
        *([("heights", "Heights of setups")] if "heights" in told else []),
        ("weak", "Unchecked and weak marks"),
        *((g.key, g.title) for g in numbers),
        ("decisions", "Decisions"),
        ("settings", "Settings and sigmas"),
        ("trail", "Files and how to repeat it"),
        ("cautions", "Cautions"),
        ("signatures", "Signatures"),
    ]


def _job_name(job: Job) -> str:
    return shlex.quote(job.folder.resolve().name or "JOB")


def _finding(f: Finding, a: Adjustment, job: Job) -> dict[str, Any]:
    """One finding for the page: its sentence, its causes, and the decisions ready to copy."""
    tried = choices(a, job, f)
    return {
        "rank": f.rank,
        "told": f.told,
        "sentence": sentence(f, job),
        "test": test_words(f),
        "causes": grid(causes_sheet(tried, job), f"causes-{f.rank}"),
        "more": f.rivals_not_shown,
        "decisions": [(c.number, "\n\n".join(block(d) for d in c.decisions)) for c in tried if c.decisions],
        "command": f"hubtack diagnose {_job_name(job)} {shlex.quote(f.first.name)}",
    }


def _heights(a: Adjustment, job: Job) -> list[Grid]:
    sheets = (("height-classes", classes_sheet(a, job)), ("height-setups", audit_sheet(a, job)))
    return [grid(sheet, key) for key, sheet in sheets if sheet.rows]


def _numbers(a: Adjustment, job: Job) -> list[Grid]:
    """Coordinates, pairs, setups, residuals, closures, reductions: those that have rows."""
    every = [
        coordinates_grid(a, job),
        relative_grid(a, job),
        setups_grid(a, job),
        residuals_grid(a, job),
        _closures(a, job),
        grid(reductions_sheet(a, job), "reductions"),
        constants_grid(a, job),
        *_on_earth(a, job),
    ]
    return [g for g in every if g.count]


def _on_earth(a: Adjustment, job: Job) -> list[Grid]:
    """Lines and places; nothing in a plane."""
    if a.settings.frame != "earth":
        return []
    from hubtack.io.writers import geodetic, lines

    sheets = (("lines", lines.sheet(a, job)), ("places", geodetic.sheet(a, job)))
    return [grid(sheet, key) for key, sheet in sheets if sheet is not None]


def _sigmas(a: Adjustment, job: Job) -> list[Grid]:
    sheets = (
        ("sigmas-instruments", instruments_sheet(a, job)),
        ("sigmas-supports", supports_sheet(a, job)),
        ("sigmas-reduced", reduced_sheet(a, job)),
        ("sigmas-found", components_sheet(a, job)),
    )
    return [grid(sheet, key) for key, sheet in sheets if sheet.rows]


def _closures(a: Adjustment, job: Job) -> Grid:
    s = closures_section(a, job, most=_CLOSURES)
    headings = tuple(Heading(h, number=h in ("by", "sigma", "limit", "1 : n")) for h in s.headings)
    columns = [list(c) for c in zip(*(r.words for r in s.rows), strict=True)] or [[] for _ in headings]
    flagged = frozenset(i for i, r in enumerate(s.rows) if r.sign == "flagged")
    note = NOTE + (f" {s.more} more loops are not listed." if s.more else "")
    return made("closures", s.title, headings, columns, flagged, note)


def _pictures(a: Adjustment, job: Job, done: Sequence[Effect]) -> dict[str, dict[str, Any]]:
    """The figures but for the map, each with its words; that of decisions draws the effects `done`."""
    from markupsafe import Markup

    names = tuple(n for n in FIGURES if n not in ("network", "decisions"))
    made = list(drawings(a, job, names))
    decided = decisions_drawing(a, job, done) if any(e.without is not None for e in done) else None
    made += [("decisions", decided)] if decided else []
    return {n: {"words": d.words, "svg": Markup(svg(d, d.title, d.words, n))} for n, d in made}


def _without_first(section: Section) -> Section:
    from dataclasses import replace

    return replace(section, rows=section.rows[1:])

"""report.html: one page that needs neither network nor script. SECTIONS of numbers are the sheets of the
writers."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hubtack.io.about import version
from hubtack.io.accept import block
from hubtack.io.findings import sentence
from hubtack.io.pages.choices import choices
from hubtack.io.pages.diagnosis import test_words
from hubtack.io.pages.judgement_sheets import audit_sheet, causes_sheet, classes_sheet, components_sheet
from hubtack.io.pages.summary import summary
from hubtack.io.pages.verdict import headline
from hubtack.io.pictures.netmap import network_drawing
from hubtack.io.pictures.svgmap import style, svg
from hubtack.io.writers import coordinates, residuals, setups
from hubtack.io.writers.sheets import Heading, Sheet, Show, one_dimensional_factor, percent, plain

if TYPE_CHECKING:
    from hubtack.adjust.judge.finding import Finding
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

_TEMPLATE = Path(__file__).parents[1] / "templates" / "report.html"
_MOST_ROWS = 1000  # of one table: the CSV files hold them all
_IN_PAGE = {
    "Coordinates": (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 13),
    "Observations": (0, 1, 2, 3, 7, 9, 10, 13, 14, 16, 17),
    "Setups": (0, 1, 2, 3, 4, 5, 8, 9, 10, 11, 12, 14, 21),
}


_OWN_SECTIONS = (
    "decisions",
    "remarks",
    "findings",
    "heights",
)  # of the summary: the page tells them elsewhere


def report_page(adjustment: Adjustment, job: Job, heights: bytes = b"") -> str:
    """The page as text; `heights` is heights.png, empty where there is none. User's words are escaped; nothing in it
    depends on the clock or on where the job lies."""
    from base64 import b64encode

    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string(_TEMPLATE.read_text(encoding="utf-8"))
    sign, words = headline(adjustment)
    told = summary(adjustment, job, most=8)
    drawing = network_drawing(adjustment, job)
    return template.render(
        job=job,
        sign={"ok": "✓", "flagged": "✗", "watch": "!"}.get(sign, ""),
        level=sign,
        verdict=words,
        sections=[s for s in told if s.key not in _OWN_SECTIONS],
        findings=[_finding(f, adjustment, job) for f in adjustment.findings],
        heights=next((s for s in told if s.key == "heights"), None),
        heights_picture=b64encode(heights).decode("ascii"),
        heights_sheets=[_shortened(make(adjustment, job)) for make in (classes_sheet, audit_sheet)],
        signs={"ok": ("✓", "fits"), "flagged": ("✗", "flagged"), "watch": ("!", "watch"), "": ("", "")},
        map=Markup(svg(drawing, f"Map of {job.name}", _in_words(adjustment))),
        map_style=Markup(style()),
        sheets=[_shortened(make(adjustment, job)) for make in SECTIONS],
        remarks=[*adjustment.remarks, *job.remarks],
        settings=_settings(adjustment, job),
        version=version(),
        command=f"hubtack adjust {_job_name(job)}",
    )


def _job_name(job: Job) -> str:
    return shlex.quote(job.folder.resolve().name or "JOB")


def _finding(f: Finding, a: Adjustment, job: Job) -> dict[str, Any]:
    """One finding for the page: its sentence, its causes, and the decisions ready to copy."""
    made = choices(a, job, f)
    return {
        "rank": f.rank,
        "told": f.told,
        "sentence": sentence(f, job),
        "test": test_words(f),
        "causes": causes_sheet(made, job),
        "more": f.rivals_not_shown,
        "decisions": [(c.number, "\n\n".join(block(d) for d in c.decisions)) for c in made if c.decisions],
        "command": f"hubtack diagnose {_job_name(job)} {shlex.quote(f.first.name)}",
    }


def relative_sheet(adjustment: Adjustment, job: Job) -> Sheet:
    """Relative precision of the pairs that a sight joins, and of those the user names."""
    r, show, level = adjustment.relative, Show(adjustment, job.units), percent(adjustment.settings.confidence)
    small = show.small_length_name
    ellipse = f"axis of the relative ellipse (2D {level}: {adjustment.ellipse_factor:.4f} sigma)"
    headings = (
        Heading("from", number=False),
        Heading("to", number=False),
        Heading("horizontal distance", job.units.length_name),
        Heading("sigma distance (1D: 1 sigma)", small, short="sigma distance"),
        Heading(f"semi-major {ellipse}", small, short=f"semi-major axis {level}"),
        Heading(f"semi-minor {ellipse}", small, short=f"semi-minor axis {level}"),
        Heading("azimuth of the semi-major axis", show.bearing_name, short="azimuth"),
        Heading("sigma height difference (1D: 1 sigma)", small, short="sigma height difference"),
    )
    rows = tuple(
        (
            str(r.start[i]),
            str(r.end[i]),
            show.length(r.distance[i]),
            show.small(r.sigma_distance[i]),
            show.small(r.semi_major[i]),
            show.small(r.semi_minor[i]),
            show.bearing(r.ellipse_azimuth[i]),
            show.small(r.sigma_height[i]),
        )
        for i in range(len(r))
    )
    note = (
        f"Sigmas: one dimension, 1 sigma. Relative ellipse: two dimensions, {level}, "
        f"{adjustment.ellipse_factor:.4f} sigma."
    )
    return Sheet("Relative precision of neighbours", headings, rows, note=note)


def constants_sheet(adjustment: Adjustment, job: Job) -> Sheet:
    """Refraction, EDM zero and scale, collimation, index: what was assumed and what came out."""
    c, show = adjustment.constants, Show(adjustment, job.units)
    rows = []
    for i in range(len(c)):
        values = (c.prior[i], c.prior_sigma[i], c.value[i], c.sigma[i])
        if c.quantity[i] == "length":
            cells, unit = [show.small(v) for v in values], show.small_length_name
        elif c.quantity[i] == "angle":
            cells, unit = [show.small_turn(v) for v in values], show.small_angle_name
        elif str(c.name[i]).endswith("scale"):
            cells, unit = [plain(1e6 * v, 2) for v in values], "ppm"
        else:
            cells, unit = [plain(v, 4) for v in values], ""
        rows.append((str(c.name[i]), *cells, unit))
    headings = (
        Heading("constant", number=False),
        Heading("prior"),
        Heading("sigma of the prior (1 sigma)"),
        Heading("estimate"),
        Heading("sigma of the estimate (1 sigma)"),
        Heading("unit", number=False),
    )
    return Sheet("Constants estimated", headings, tuple(rows))


SECTIONS = (
    coordinates.sheet,
    setups.sheet,
    residuals.sheet,
    components_sheet,
    relative_sheet,
    constants_sheet,
)


def _shortened(sheet: Sheet) -> Sheet:
    """The columns and rows that a page bears: flagged rows first where not all find room."""
    columns = _IN_PAGE.get(sheet.title, tuple(range(len(sheet.headings))))
    order = list(range(len(sheet.rows)))
    note = sheet.note
    if len(order) > _MOST_ROWS:
        order = sorted(sorted(order, key=lambda i: i not in sheet.flagged)[:_MOST_ROWS])
        note += (
            f" Shown are {_MOST_ROWS} of {len(sheet.rows)} rows, flagged ones first; the CSV file holds all."
        )
    if len(columns) < len(sheet.headings):
        note += " The CSV file has more columns."
    return Sheet(
        sheet.title,
        tuple(sheet.headings[c] for c in columns),
        tuple(tuple(sheet.rows[i][c] for c in columns) for i in order),
        frozenset(k for k, i in enumerate(order) if i in sheet.flagged),
        note.strip(),
        sheet.band,
    )


def _settings(a: Adjustment, job: Job) -> list[tuple[str, str]]:
    s, units = a.settings, job.units
    level = f"{units.show_length(a.reference_height, 3)} {units.length_name}"
    told = "" if s.reference_height is not None else " (mean of the control heights, or 0)"
    shared = {
        "shared": "shared: an error of centring or height is common to all sights of its setup",
        "independent": "independent: errors of centring and height go into each reading's own sigma",
    }
    return [
        (
            "Frame",
            f"plane, sphere of radius {s.radius / 1000.0:.0f} km unrolled at reference height {level}{told}",
        ),
        ("Scale factor (grid / ground)", f"{s.scale_factor:.8g}"),
        (
            "Refraction coefficient",
            f"{s.refraction:g}" + (f", sigma {s.refraction_sigma:g}" if s.refraction_sigma else ", held"),
        ),
        ("Setup effects", shared[s.correlation]),
        ("Confidence of ellipses and global test", percent(s.confidence)),
        ("Factor of the ellipses (2D)", f"{a.ellipse_factor:.4f}"),
        ("Factor of single values (1D)", f"{one_dimensional_factor(s.confidence):.4f}"),
        ("Variance factor", "a priori 1; sigmas are not rescaled by the estimated one"),
        (
            "Alpha of one test",
            f"{s.alpha:g}; critical |w| {a.critical:.4f}, centring (2D) {a.critical_centring:.4f}",
        ),
        ("Power of smallest detectable biases", f"{s.power:g}"),
        ("Unchecked", f"an undetectable mistake may move the mark by more than {s.unchecked_ratio:g} sigma"),
        ("Units", f"lengths {units.length_name}, angles {units.angle_name}"),
    ]


def _in_words(a: Adjustment) -> str:
    """What the map shows, for readers who don't see it."""
    flagged = int(a.observations.flagged.sum())
    return (
        f"{len(a.marks)} marks with their error ellipses, joined by the sights between them; "
        f"{flagged} flagged readings are dashed. All numbers are in the tables below."
    )

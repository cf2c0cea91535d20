"""Closures of loops, and of traverses and levelled lines between control marks, each beside what it may be."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.checks.closures import closures
from hubtack.io.pages.words import Row, Section, Sign
from hubtack.io.writers.sheets import plain

if TYPE_CHECKING:
    from hubtack.adjust.checks.check import Check
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

_WHAT = {
    "closure of angles": ("loop", "angles"),
    "closure of position": ("loop", "position"),
    "closure of heights": ("loop", "heights"),
    "line between heights": ("between control", "heights"),
    "traverse, angles": ("between control", "angles"),
    "traverse, position": ("between control", "position"),
    "traverse, distance": ("between control", "distance"),
}
NOTE = (
    "Closures come from the readings alone, without the adjustment. Sigma: from the readings and from every setup once, so that "
    "a base that stood through an exchange cancels. A closure is flagged where it exceeds its limit."
)


def closures_section(adjustment: Adjustment, job: Job, most: int = 60) -> Section:
    """One row a closure: what closes, over which marks, by how much, its sigma, its limit, 1 : n, verdict.

    What fails stands first, then the rest in their own order; empty where nothing closes. Key `closures`. Raw readings as
    decisions have left them; costs a fraction of an adjustment, also on thousands of marks (the 300 shortest loops are
    closed, the rest counted in `more`). NOTE says what the columns mean.
    """
    m = adjustment.marks
    where = np.column_stack([m.east, m.north, m.height])
    found, passed_over = closures(adjustment.network, adjustment.settings, coordinates=where)
    order = sorted(range(len(found)), key=lambda i: (not found[i].flagged, i))
    rows = tuple(_row(found[i], job) for i in order[:most])
    headings = ("closes", "what", "over", "by", "sigma", "limit", "1 : n", "verdict")
    more = max(0, len(found) - most) + passed_over
    return Section("closures", "Closures, each with what it may be", rows, headings, more)


def _row(c: Check, job: Job) -> Row:
    closes, what = _WHAT[c.kind]
    n = c.about.get("ratio_to_perimeter")
    ratio = f"{n:,.0f}".replace(",", " ") if isinstance(n, float) and math.isfinite(n) else ""
    sign: Sign = "flagged" if c.flagged else "ok"
    by, sigma, limit = (_size(v, c, job) for v in (c.found, c.sigma, c.critical * c.sigma))
    return Row(sign, (closes, what, _over(c), by, sigma, limit, ratio, "flagged" if c.flagged else "fits"))


def _over(c: Check) -> str:
    """The marks in their order; a loop comes back to its first."""
    marks = (*c.names, c.names[0]) if c.kind.startswith("closure") else c.names
    if len(marks) > 9:
        marks = (*marks[:4], f"… {len(marks) - 8} more …", *marks[-4:])
    return " – ".join(marks)


def _size(value: float, c: Check, job: Job) -> str:
    if c.quantity == "angle":
        return f"{plain(job.units.small_angle_of(value), 1)} {job.units.small_angle_name}"
    return job.units.show_small_length(value)

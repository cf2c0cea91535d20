"""Tables of numbers that only the report page has: pairs against their tolerance, estimated constants, reductions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats
from hubtack.io.numerals import fixed
from hubtack.io.pages.report_grid import Grid, grid, made
from hubtack.io.writers import coordinates, setups
from hubtack.io.writers.sheets import Heading, Sheet, Show, percent, plain

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

# Columns of the writers' sheets that the page shows, in its order: what decides stands first.
_COORDINATES = (0, 1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11, 12)
_SETUPS = (0, 21, 2, 1, 3, 5, 8, 9, 10, 11, 12, 14, 22)


def coordinates_grid(a: Adjustment, job: Job) -> Grid:
    """Marks with their 95 % figures first."""
    rows = np.arange(len(a.marks))
    return grid(coordinates.sheet(a, job), "coordinates", _COORDINATES, (rows,))


def setups_grid(a: Adjustment, job: Job) -> Grid:
    """Setups with what the tests say of them first."""
    return grid(setups.sheet(a, job), "setups", _SETUPS, (a.network.setups.mark,))


def relative_grid(a: Adjustment, job: Job) -> Grid:
    """Pairs of marks: relative ellipse against the tolerance of job.toml, where it states one."""
    r, show, level = a.relative, Show(a, job.units), percent(a.settings.confidence)
    small, tolerance = show.small_length_name, job.goals.get("tolerance", {}).get("relative")
    ellipse = f"axis of the relative ellipse (2D {level}: {a.ellipse_factor:.4f} sigma)"
    scale = job.units.small_length_of(1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        one_in = np.where(r.semi_major > 0.0, r.distance / r.semi_major, np.nan)
    headings = [
        Heading("from", number=False),
        Heading("to", number=False),
        Heading("horizontal distance", job.units.length_name),
        Heading(f"semi-major {ellipse}", small, short=f"semi-major axis {level}"),
        Heading("distance over semi-major axis", short="1 in"),
        Heading(f"semi-minor {ellipse}", small, short=f"semi-minor axis {level}"),
        Heading("azimuth of the semi-major axis", show.bearing_name, short="azimuth"),
        Heading("sigma distance (1D: 1 sigma)", small, short="sigma distance"),
        Heading("sigma height difference (1D: 1 sigma)", small, short="sigma height difference"),
    ]
    columns = [
        [str(n) for n in r.start],
        [str(n) for n in r.end],
        show.lengths(r.distance),
        fixed(r.semi_major * scale, 2),
        [f"{round(v, -2):.0f}" if np.isfinite(v) else "" for v in one_in.tolist()],
        fixed(r.semi_minor * scale, 2),
        [show.bearing(v) for v in r.ellipse_azimuth.tolist()],
        fixed(r.sigma_distance * scale, 2),
        fixed(r.sigma_height * scale, 2),
    ]
    note = f"Sigmas: one dimension, 1 sigma. Relative ellipse: two dimensions, {level}, {a.ellipse_factor:.4f} sigma. "
    missed: Flags = np.zeros(len(r), dtype=bool)
    if tolerance is None:
        note += (
            'No tolerance is stated: under [tolerance] of job.toml, relative = "5 mm + 20 ppm" would hold every pair against '
            "one."
        )
    else:
        allowed = tolerance[0] + tolerance[1] * r.distance
        missed = r.semi_major > allowed
        known = np.isfinite(r.semi_major)
        note += _told(allowed, missed, known, tolerance, job)
        headings[2:2] = [Heading("verdict", number=False)]
        headings[5:5] = [Heading("tolerance", small), Heading("of the tolerance", "%")]
        columns[2:2] = [["misses" if m else "meets" if k else "" for m, k in zip(missed, known, strict=True)]]
        columns[5:5] = [fixed(allowed * scale, 2), fixed(100.0 * r.semi_major / allowed, 0)]
    return made(
        "relative", "Relative accuracy of pairs", tuple(headings), columns, frozenset(np.flatnonzero(missed).tolist()), note,
        marks=(r.start_mark, r.end_mark),
    )  # fmt: skip


def _told(allowed: Floats, missed: Flags, known: Flags, tolerance: tuple[float, float], job: Job) -> str:
    words = f"{job.units.show_small_length(tolerance[0])} + {1e6 * tolerance[1]:g} ppm"
    met = int((known & ~missed).sum())
    return f"Stated tolerance of the semi-major axis: {words} of the distance. {met} of {int(known.sum())} pairs meet it."


CONSTANTS = {
    "zero": "EDM zero error",
    "scale": "scale error",
    "index": "vertical index",
    "constant": "prism constant beyond the stated one",
}


def constants_grid(adjustment: Adjustment, job: Job) -> Grid:
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
        owner, _, name = str(c.name[i]).rpartition(".")
        words = CONSTANTS.get(name, name.replace("_", " "))
        rows.append((f"{owner}: {words}" if owner else words, *cells, unit))
    headings = (
        Heading("constant", number=False),
        Heading("prior"),
        Heading("sigma of the prior (1 sigma)"),
        Heading("estimate"),
        Heading("sigma of the estimate (1 sigma)"),
        Heading("unit", number=False),
    )
    return grid(Sheet("Constants estimated", headings, tuple(rows)), "constants")

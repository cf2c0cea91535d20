"""coordinates.csv: the marks, their standard deviations and their error ellipses."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from .sheets import Heading, Sheet, Show, names, one_dimensional_factor, percent, write_csv

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write coordinates.csv into `folder`."""
    write_csv(sheet(adjustment, job), folder / "coordinates.csv")


def sheet(adjustment: Adjustment, job: Job) -> Sheet:
    """One row a mark; components that nothing reaches are blank."""
    show, m, settings = Show(adjustment, job.units), adjustment.marks, adjustment.settings
    length, small, level = job.units.length_name, show.small_length_name, percent(settings.confidence)
    factor = one_dimensional_factor(settings.confidence)
    ellipse = f"axis of the ellipse (2D {level}: {adjustment.ellipse_factor:.4f} sigma)"
    headings = (
        Heading("mark", number=False),
        Heading("east", length),
        Heading("north", length),
        Heading("height", length),
        Heading("sigma east (1D: 1 sigma)", small, short="sigma east"),
        Heading("sigma north (1D: 1 sigma)", small, short="sigma north"),
        Heading("sigma height (1D: 1 sigma)", small, short="sigma height"),
        Heading(f"semi-major {ellipse}", small, short=f"semi-major axis {level}"),
        Heading(f"semi-minor {ellipse}", small, short=f"semi-minor axis {level}"),
        Heading("azimuth of the semi-major axis", show.bearing_name, short="azimuth"),
        Heading(f"height (1D {level}: {factor:.3f} sigma)", small, short=f"height {level}"),
        Heading("control", number=False),
        Heading("checked", number=False),
        Heading("rests unchecked on", number=False),
    )
    blank = np.isnan(m.east) & np.isnan(m.height)
    note = (
        f"Sigmas: one dimension, 1 sigma. Ellipse: two dimensions, {level}, {adjustment.ellipse_factor:.4f} sigma. "
        f"Height {level}: one dimension, {factor:.3f} sigma. Held coordinates count as free of error."
    )
    rows = tuple(
        (
            str(m.mark[i]),
            show.length(m.east[i]),
            show.length(m.north[i]),
            show.length(m.height[i]),
            show.small(m.sigma_east[i]),
            show.small(m.sigma_north[i]),
            show.small(m.sigma_height[i]),
            show.small(m.semi_major[i]),
            show.small(m.semi_minor[i]),
            show.bearing(m.ellipse_azimuth[i]) if m.semi_major[i] > 0.0 else "",
            show.small(factor * m.sigma_height[i]),
            str(m.control[i]),
            "" if blank[i] else "unchecked" if m.unchecked[i] else "checked",
            (names(m.unchecked_by[i]) or "too few readings") if m.unchecked[i] else "",
        )
        for i in range(len(m))
    )
    return Sheet(
        "Coordinates", headings, rows, frozenset(np.flatnonzero(m.unchecked).tolist()), note, "watch"
    )

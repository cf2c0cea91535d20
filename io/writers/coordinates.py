"""coordinates.csv: the marks, their standard deviations and their error ellipses."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from .sheets import Columns, Heading, Sheet, Show, names, one_dimensional_factor, percent, write_csv

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
    bearings = [show.bearing(z) for z in m.ellipse_azimuth.tolist()]
    columns = [
        [str(n) for n in m.mark],
        *(show.lengths(v) for v in (m.east, m.north, m.height)),
        *(show.smalls(v) for v in (m.sigma_east, m.sigma_north, m.sigma_height, m.semi_major, m.semi_minor)),
        [b if a > 0.0 else "" for b, a in zip(bearings, m.semi_major.tolist(), strict=True)],
        show.smalls(factor * m.sigma_height),
        [str(c) for c in m.control],
        np.where(blank, "", np.where(m.unchecked, "unchecked", "checked")).tolist(),
        [
            (names(by) or "too few readings") if unchecked else ""
            for unchecked, by in zip(m.unchecked.tolist(), m.unchecked_by, strict=True)
        ],
    ]
    return Sheet(
        "Coordinates",
        headings,
        Columns(columns),
        frozenset(np.flatnonzero(m.unchecked).tolist()),
        note,
        "watch",
    )

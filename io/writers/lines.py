"""lines.csv: every sighted line on the grid, on the ground and on the ellipsoid, and what leads from one to the other."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from hubtack.adjust.outcome.lines import line_table

from .sheets import Heading, Sheet, Show, plain, write_csv

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

NOTE = (
    "Ground: horizontal, at the mean height of the two marks. Geodetic: on the ellipsoid. "
    "Grid = ground × combined factor = geodetic × scale of the line. "
    "Geodetic azimuth = grid bearing + convergence − (t − T)."
)


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write lines.csv into `folder`; nothing for a plane frame."""
    found = sheet(adjustment, job)
    if found is not None:
        write_csv(found, folder / "lines.csv")


def sheet(adjustment: Adjustment, job: Job) -> Sheet | None:
    """One row a pair of marks that a sight joins; None in a plane frame."""
    lines = line_table(adjustment)
    if lines is None:
        return None
    show, units = Show(adjustment, job.units), job.units
    length, angle, small = units.length_name, units.angle_name, units.small_angle_name
    headings = (
        Heading("from", number=False),
        Heading("to", number=False),
        Heading("grid distance", length, short="grid"),
        Heading("ground distance at the mean height", length, short="ground"),
        Heading("geodetic distance on the ellipsoid", length, short="geodetic"),
        Heading("combined factor grid / ground", short="combined"),
        Heading("combined factor less 1", "ppm", short="combined"),
        Heading("scale of the line grid / geodetic", short="scale"),
        Heading("point scale at the first mark", short="point scale"),
        Heading("point scale at the second mark", short="point scale"),
        Heading("elevation factor geodetic / ground", short="elevation"),
        Heading("grid bearing", angle),
        Heading("convergence at the first mark", small, short="convergence"),
        Heading("arc to chord t - T at the first mark", small, short="t - T"),
        Heading("arc to chord t - T at the second mark", small, short="t - T"),
        Heading("geodetic azimuth", angle),
    )
    rows = tuple(
        (
            str(lines.start[i]),
            str(lines.end[i]),
            show.length(lines.grid[i]),
            show.length(lines.ground[i]),
            show.length(lines.geodesic[i]),
            plain(lines.combined[i], 9),
            plain(1e6 * (lines.combined[i] - 1.0), 2),
            plain(lines.scale[i], 9),
            plain(lines.scale_start[i], 9),
            plain(lines.scale_end[i], 9),
            plain(lines.elevation[i], 9),
            units.show_azimuth(lines.bearing[i], 1),
            show.small_turn(lines.convergence[i], 1),
            show.small_turn(lines.arc_to_chord[i], 3),
            show.small_turn(lines.arc_to_chord_end[i], 3),
            units.show_azimuth(lines.azimuth[i], 1),
        )
        for i in range(len(lines))
    )
    return Sheet("Lines", headings, rows, note=NOTE)

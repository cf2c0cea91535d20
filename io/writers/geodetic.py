"""geodetic.csv: where the marks lie on the earth, latitude, longitude and X, Y, Z, and what the grid does there."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from hubtack.adjust.outcome.lines import place_table

from .sheets import Heading, Sheet, Show, plain, write_csv

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write geodetic.csv into `folder`; nothing for a plane frame."""
    found = sheet(adjustment, job)
    if found is not None:
        write_csv(found, folder / "geodetic.csv")


def sheet(adjustment: Adjustment, job: Job) -> Sheet | None:
    """One row a mark, in the datum of the job's system; None in a plane frame."""
    p = place_table(adjustment)
    if p is None:
        return None
    show, units = Show(adjustment, job.units), job.units
    length, angle, small = units.length_name, units.angle_name, units.small_angle_name
    headings = (
        Heading("mark", number=False),
        Heading("latitude", angle),
        Heading("longitude", angle),
        Heading("height over the ellipsoid", length, short="ellipsoidal height"),
        Heading("undulation", length),
        Heading("X", length),
        Heading("Y", length),
        Heading("Z", length),
        Heading("point scale"),
        Heading("convergence", small),
        Heading("combined factor less 1", "ppm", short="combined"),
        Heading("deflection north", small),
        Heading("deflection east", small),
    )
    rows = tuple(
        (
            str(p.mark[i]),
            units.show_angle(p.latitude[i], 5),
            units.show_angle(p.longitude[i], 5),
            show.length(p.ellipsoidal[i]),
            show.length(p.undulation[i]),
            *(show.length(v) for v in p.xyz[i]),
            plain(p.scale[i], 9),
            show.small_turn(p.convergence[i], 1),
            plain(1e6 * (p.combined[i] - 1.0), 2),
            show.small_turn(p.deflection_north[i], 2),
            show.small_turn(p.deflection_east[i], 2),
        )
        for i in range(len(p))
    )
    return Sheet("Places on the earth", headings, rows, note=f"Datum: that of {job.system}.")

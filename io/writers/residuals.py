"""residuals.csv: observations with its residual (adjusted − observed), its test, and what it could hide."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from .sheets import Heading, Sheet, Show, at_target, names, plain, write_csv

if TYPE_CHECKING:
    from hubtack.adjust.results import AdjustedObservations, Adjustment
    from hubtack.io.job import Job


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write residuals.csv into `folder`."""
    write_csv(sheet(adjustment, job), folder / "residuals.csv")


def sheet(adjustment: Adjustment, job: Job) -> Sheet:
    """One row an observation, then what decisions left out. Angles also in small lengths at their target."""
    show = Show(adjustment, job.units)
    small, turn, settings = show.small_length_name, show.small_angle_name, adjustment.settings
    bias = f"smallest bias found (alpha {settings.alpha:g}; power {settings.power:g})"
    headings = (
        Heading("observation", number=False),
        Heading("kind", number=False),
        Heading("from", number=False),
        Heading("to", number=False),
        Heading("from mark", number=False),
        Heading("to mark", number=False),
        Heading("round"),
        Heading("observed", f"{job.units.length_name} or {job.units.angle_name}"),
        Heading("adjusted", f"{job.units.length_name} or {job.units.angle_name}"),
        Heading("residual of an angle", turn, short="residual"),
        Heading("residual at the target", small),
        Heading("sigma of an angle (1D: 1 sigma)", turn),
        Heading("sigma at the target (1D: 1 sigma)", small),
        Heading("standardized residual", short="w"),
        Heading("redundancy number", short="redundancy"),
        Heading(f"{bias} of an angle", turn),
        Heading(f"{bias} at the target", small, short="smallest bias found"),
        Heading("verdict", number=False),
        Heading("rows", number=False),
    )
    used, gone = adjustment.observations, adjustment.left_out
    rows = _rows(adjustment, used, show, left_out=False) + _rows(adjustment, gone, show, left_out=True)
    flagged = frozenset(i for i in range(len(used)) if used.flagged[i])
    note = (
        "Residual: adjusted − observed, of angles also at their target. Smallest bias found: at the target, with alpha "
        f"{settings.alpha:g} and power {settings.power:g}; `none` where nothing checks the reading."
    )
    return Sheet("Observations", headings, tuple(rows), flagged, note)


def _rows(a: Adjustment, table: AdjustedObservations, show: Show, left_out: bool) -> list[tuple[str, ...]]:
    marks, far = a.marks.mark, at_target(a, table)
    out: list[tuple[str, ...]] = []
    for i in range(len(table)):
        angle = table.quantity[i] == "angle"
        start, end = int(table.start_mark[i]), int(table.end_mark[i])
        number = table.quantity[i] == "number"  # refraction, EDM scale: neither an angle nor a length
        value = _shown(show, str(table.kind[i]), str(table.quantity[i]))
        # The residual, its sigma and its smallest detectable bias, as an angle and as a length at the target.
        three = (table.residual[i], table.sigma[i], table.minimal_detectable_bias[i])
        as_angle = [show.small_turn(x) if angle else "" for x in three]
        as_length = [show.small(x * far[i]) if not number else "" for x in three]
        out.append(
            (
                str(table.id[i]),
                str(table.kind[i]),
                str(table.start[i]),
                str(table.end[i]),
                str(marks[start]) if start >= 0 else "",
                str(marks[end]) if end >= 0 else "",
                str(int(table.round[i])) if table.round[i] else "",
                value(table.observed[i]),
                value(table.adjusted[i]),
                as_angle[0],
                as_length[0],
                as_angle[1],
                as_length[1],
                plain(table.standardized[i], 2),
                plain(table.redundancy[i], 3),
                as_angle[2],
                as_length[2],
                "left out" if left_out else _verdict(table, i),
                names(table.rows[i]),
            )
        )
    return out


def _verdict(table: AdjustedObservations, row: int) -> str:
    if table.flagged[row]:
        return "flagged"
    return "fits" if math.isfinite(table.standardized[row]) else "unchecked"


def _shown(show: Show, kind: str, quantity: str) -> Callable[[float], str]:
    """How observed and adjusted values are written."""
    if quantity == "number":
        return show.number
    if quantity == "angle":
        return show.zenith if kind == "zenith" else show.azimuth
    return show.length

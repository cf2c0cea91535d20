"""residuals.csv: observations with its residual (adjusted − observed), its test, and what it could hide."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from .sheets import Heading, Sheet, Show, at_target, fixed, names, write_csv

if TYPE_CHECKING:
    from hubtack.adjust.ground.table import Flags, Floats
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
    """Column by column: a large job has many rows."""
    angle, length = table.quantity == "angle", table.quantity != "number"  # EDM scale: neither
    far = at_target(a, table)
    marks = np.append(a.marks.mark, "")
    both = []
    # The residual, its sigma and its smallest detectable bias, as an angle and as a length at the target.
    for values in (table.residual, table.sigma, table.minimal_detectable_bias):
        both.append(_where(angle, values * show.units.small_angle_of(1.0)))
        both.append(_where(length, values * far * show.units.small_length_of(1.0)))
    observed, adjusted = _values(table, show)
    if left_out:
        verdict = ["left out"] * len(table)
    else:
        tested = np.where(np.isfinite(table.standardized), "fits", "unchecked")
        verdict = np.where(table.flagged, "flagged", tested).tolist()
    return list(
        zip(
            map(str, table.id),
            map(str, table.kind),
            map(str, table.start),
            map(str, table.end),
            map(str, marks[np.maximum(table.start_mark, -1)]),
            map(str, marks[np.maximum(table.end_mark, -1)]),
            [str(r) if r else "" for r in table.round.tolist()],
            observed,
            adjusted,
            *both[:4],
            fixed(table.standardized, 2),
            fixed(table.redundancy, 3),
            *both[4:],
            verdict,
            map(names, table.rows),
            strict=True,
        )
    )


def _where(mask: Flags, values: Floats) -> list[str]:
    """The numbers that the mask chooses with two decimals, the others blank."""
    out = np.full(len(values), "", dtype=object)
    out[mask] = fixed(values[mask], 2)
    return list(out)


def _values(table: AdjustedObservations, show: Show) -> tuple[list[str], list[str]]:
    """Observed and adjusted values, each in the form of its kind."""
    out = np.empty((2, len(table)), dtype=object)
    azimuth = (table.quantity == "angle") & (table.kind != "zenith")
    for mask, text in (
        (azimuth, show.azimuth),
        ((table.quantity == "angle") & ~azimuth, show.zenith),
        (table.quantity == "length", show.length),
        (table.quantity == "number", show.number),
    ):
        for k, values in enumerate((table.observed[mask], table.adjusted[mask])):
            out[k, mask] = [text(v) for v in values.tolist()]
    return list(out[0]), list(out[1])

"""residuals.csv: observations with its residual (adjusted − observed), its test, and what it could hide."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hubtack.io.numerals import fixed

from .sheets import Columns, Heading, Sheet, Show, at_target, write_csv

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
    parts = (
        _columns(adjustment, used, show, left_out=False),
        _columns(adjustment, gone, show, left_out=True),
    )
    columns = [first + second for first, second in zip(*parts, strict=True)]
    flagged = frozenset(np.flatnonzero(used.flagged).tolist())
    note = (
        "Residual: adjusted − observed, of angles also at their target. Smallest bias found: at the target, with alpha "
        f"{settings.alpha:g} and power {settings.power:g}; `none` where nothing checks the reading."
    )
    return Sheet("Observations", headings, Columns(columns), flagged, note)


def _columns(a: Adjustment, table: AdjustedObservations, show: Show, left_out: bool) -> list[list[str]]:
    angle, length = table.quantity == "angle", table.quantity != "number"  # EDM scale: neither
    far = at_target(a, table)
    marks = np.append(a.marks.mark, "")
    both = []
    # The residual, its sigma and its smallest detectable bias, as an angle and as a length at the target.
    for values in (table.residual, table.sigma, table.minimal_detectable_bias):
        both.append(_where(angle, values * show.units.small_angle_of(1.0)))
        both.append(_where(length, values * far * show.units.small_length_of(1.0)))
    if left_out:
        verdict = ["left out"] * len(table)
    else:
        tested = np.where(np.isfinite(table.standardized), "fits", "unchecked")
        verdict = np.where(table.flagged, "flagged", tested).tolist()
    rounds = {r: str(r) if r else "" for r in np.unique(table.round).tolist()}
    return [
        [str(i) for i in table.id],
        [str(k) for k in table.kind],
        [str(n) for n in table.start],
        [str(n) for n in table.end],
        [str(m) for m in marks[np.maximum(table.start_mark, -1)]],
        [str(m) for m in marks[np.maximum(table.end_mark, -1)]],
        [rounds[r] for r in table.round.tolist()],
        values_of(table, table.observed, show),
        values_of(table, table.adjusted, show),
        *both[:4],
        fixed(table.standardized, 2),
        fixed(table.redundancy, 3),
        *both[4:],
        verdict,
        [", ".join(map(str, r)) for r in table.rows],
    ]


def _where(mask: Flags, values: Floats) -> list[str]:
    """The numbers that the mask chooses with two decimals, the others blank."""
    out = np.full(len(values), "", dtype=object)
    out[mask] = fixed(values[mask], 2)
    return list(out)


def values_of(table: AdjustedObservations, values: Floats, show: Show) -> list[str]:
    """Observed or adjusted values, each in the form of its kind."""
    angle, zenith = table.quantity == "angle", table.kind == "zenith"
    out = np.empty(len(table), dtype=object)
    for mask, texts in (
        (angle & ~zenith, show.azimuths),
        (angle & zenith, show.zeniths),
        (table.quantity == "length", show.lengths),
        (table.quantity == "number", show.numbers),
    ):
        out[mask] = texts(values[mask])
    return list(out)

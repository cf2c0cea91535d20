"""The residuals of the report page: one row a reading, in the job's units and in millimetres at the target side by side.

Made by column, not by row: of a large network there are tens of thousands. What setups, control and constants are adjusted by
stands in their own tables; residuals.csv has everything.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Flags, Ints, Names
from hubtack.adjust.model.reductions import as_objects, numbered
from hubtack.io.numerals import fixed
from hubtack.io.pages.report_grid import Grid, made
from hubtack.io.pages.verdict import readings_of
from hubtack.io.units import METRES
from hubtack.io.writers.residuals import values_of
from hubtack.io.writers.sheets import Heading, Show, at_target

if TYPE_CHECKING:
    from hubtack.adjust.results import AdjustedObservations, Adjustment
    from hubtack.io.job import Job


def residuals_grid(adjustment: Adjustment, job: Job) -> Grid:
    """Readings, then what decisions left out."""
    a, show, units = adjustment, Show(adjustment, job.units), job.units
    small, turn = show.small_length_name, show.small_angle_name
    feet = units.length != "m"
    alpha, power = a.settings.alpha, a.settings.power
    headings = (
        Heading("reading", number=False),
        Heading("verdict", number=False),
        Heading("w"),
        Heading("kind", number=False),
        Heading("from", number=False),
        Heading("to", number=False),
        Heading("round"),
        Heading("observed", f"{units.length_name} or {units.angle_name}"),
        Heading("residual of an angle", turn, short="residual"),
        *((Heading("residual at the target", small, short="at the target"),) if feet else ()),
        Heading("residual at the target", "mm", short="at the target"),
        Heading("sigma at the target", "mm", short="sigma"),
        Heading("redundancy number", short="redundancy"),
        Heading("smallest bias found, at the target", "mm", short="smallest bias found"),
    )
    o, gone = a.observations, a.left_out
    used = o.take(readings_of(a))
    parts = [_columns(a, t, show, feet, left) for t, left in ((used, False), (gone, True))]
    columns = [first + second for first, second in zip(*parts, strict=True)]
    ends = tuple(np.concatenate([getattr(t, e) for t in (used, gone)]) for e in ("start_mark", "end_mark"))
    flagged = frozenset(np.flatnonzero(used.flagged).tolist())
    note = (
        "Residual: adjusted − observed; of an angle as it was read, and of everything in millimetres at the target. w: "
        f"standardized residual, critical {a.critical:.3f}. Smallest bias found: with alpha {alpha:g} and power {power:g}; "
        "none where nothing checks the reading. The file residuals.csv has more columns, and the errors of setups."
    )
    return made("residuals", "Residuals", headings, columns, flagged, note, marks=ends)


def _columns(
    a: Adjustment, t: AdjustedObservations, show: Show, feet: bool, left_out: bool
) -> list[list[str]]:
    angle: Flags = t.quantity == "angle"
    far = np.where(t.quantity == "number", np.nan, at_target(a, t))
    at = [v * far * 1e3 for v in (t.residual, t.sigma, t.minimal_detectable_bias)]  # mm
    factor = show.units.small_angle_of(1.0)
    as_angle = np.where(angle, t.residual * factor, np.nan)
    several = bool((a.observations.round > 1).any())  # one round for all needs no column
    ids, kinds = ([str(w) for w in words] for words in (t.id, t.kind))
    tails = {k: f".{k}" for k in set(kinds)}
    return [
        ids,
        ["left out"] * len(t) if left_out else _verdicts(t),
        fixed(t.standardized, 2),
        # a sight's id says it already; blank for all, the column is left out
        ["" if i.endswith(tails[k]) else k for i, k in zip(ids, kinds, strict=True)],
        _ends(a, t.start, t.start_mark, t.start_setup),
        _ends(a, t.end, t.end_mark, t.end_setup),
        [str(r) if r and several else "" for r in t.round.tolist()],
        values_of(t, t.observed, show),
        fixed(as_angle, 2),
        *([fixed(at[0] / METRES[show.units.length], 2)] if feet else []),
        fixed(at[0], 2),
        fixed(at[1], 2),
        fixed(t.redundancy, 3),
        fixed(at[2], 2),
    ]


def _verdicts(t: AdjustedObservations) -> list[str]:
    words = np.where(t.flagged, "flagged", np.where(np.isfinite(t.standardized), "fits", "unchecked"))
    found: list[str] = words.tolist()
    return found


def _ends(a: Adjustment, names: Names, mark: Ints, setup: Ints) -> list[str]:
    """`A2 (I03)`: the mark, and the setup on it where there is one; each setup is put into words once."""
    marks = np.append(a.marks.mark, "")[mark]
    words = np.where(mark >= 0, marks, names)
    on = np.flatnonzero((setup >= 0) & (mark >= 0))
    first, number = numbered(setup[on])
    told = [f"{marks[i]} ({names[i]})" for i in on[first].tolist()]
    words[on] = as_objects(told)[number]
    return [str(w) for w in words]

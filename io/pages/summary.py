"""The verdict and what follows from it, as rows of words. The terminal and the report page both print these.

Order: verdict, findings, heights, contradicted sigmas, control fit, worst setups, worst sights, unchecked marks,
weakest marks, decisions, datum, blanks, remarks. Lengths in the job's units, small ones in millimetres (or
thousandths of a foot).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats, Ints
from hubtack.io.pages.judgement import components_section, findings_section, heights_section
from hubtack.io.pages.orientation import orientation_section
from hubtack.io.pages.verdict import readings_of, strength_of, verdict_section
from hubtack.io.pages.words import Row, Section, joined
from hubtack.io.writers.sheets import Show, at_target, names, one_dimensional_factor, percent, plain

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

_ANGLES = ("direction", "zenith", "azimuth", "angle")
_FREEDOMS = {"east": "east", "north": "north", "rotation": "azimuth", "height": "height", "scale": "scale"}


def summary(adjustment: Adjustment, job: Job, most: int = 3, path: str = "JOB") -> tuple[Section, ...]:
    """All sections that have something to say; lists are cut after `most` rows (what is flagged: after
    twice as many).

    Where there are findings the lists of worst setups and readings are shorter: one mistake makes its neighbours
    look wrong. `path` is the job as the user named it, for commands to copy.
    """
    show = Show(adjustment, job.units)
    worst = max(1, most // 3) if adjustment.findings else most
    sections = (
        verdict_section(adjustment),
        findings_section(adjustment, job, most, path),
        heights_section(adjustment, job, most),
        components_section(adjustment, job),
        _control(adjustment, show, worst),
        _setups(adjustment, job, show, worst),
        _sights(adjustment, show, worst),
        _unchecked(adjustment, most),
        _weakest(adjustment, job, min(most, 2)),
        orientation_section(adjustment, job),
        _decisions(job, most),
        _grid(adjustment, job),
        _datum(adjustment, show),
        _blanks(adjustment, most),
        _remarks(adjustment, job, most),
    )
    return tuple(s for s in sections if s.rows)


def _grid(a: Adjustment, job: Job) -> Section:
    """What the grid does, where the job states one or a scale."""
    if job.site is None and a.settings.scale_factor == 1.0:
        return Section("grid", "Grid and scale", ())
    from hubtack.io.pages.grid import grid_section

    return grid_section(a, job)


def _control(a: Adjustment, show: Show, most: int) -> Section:
    c = a.control
    order = _worst_first(c.standardized, c.flagged)
    rows = tuple(
        Row(
            "flagged" if c.flagged[i] else "ok",
            (
                str(c.mark[i]),
                f"{c.component[i]} {'held' if c.held[i] else 'weighted'}",
                f"{_signed(show.small(c.misfit[i]))}",
                show.small(c.sigma[i]),
                plain(c.standardized[i], 1),
                "flagged" if c.flagged[i] else "fits",
            ),
        )
        for i in order
    )
    untold = int((~np.isfinite(c.standardized)).sum())
    headings = ("mark", "component", f"misfit [{show.small_length_name}]", "sigma", "w", "verdict")
    section = _cut(
        "control",
        "Control: given minus what the other control and the readings predict",
        rows,
        headings,
        most,
    )
    if not untold:
        return section
    words = f"{untold} of {len(c)} control components can't be checked: nothing else predicts them."
    if not rows:
        return Section("control", "Control", (Row("watch", (words,)),))
    return Section(
        section.key, section.title, (*section.rows, Row("watch", (words,))), headings, section.more
    )


def _setups(a: Adjustment, job: Job, show: Show, most: int) -> Section:
    s = a.setups
    height = np.abs(np.nan_to_num(s.standardized_height)) / a.critical
    centring = np.nan_to_num(s.standardized_centring) / a.critical_centring
    worst = strength_of(a)
    order = _worst_first(np.where(worst > 0.0, worst, np.nan), s.flagged)
    shown = _shown(s.flagged[order], most)
    rows = []
    for i in order[:shown]:
        by_height = height[i] >= centring[i]
        # The adjusted effect is drawn towards 0 by its prior; the mistake behind it is that over the redundancy.
        # Of a centring error, of two components, the adjusted effect is only the least that it can be.
        with np.errstate(divide="ignore", invalid="ignore"):
            mistake = float(s.height_error[i] / s.redundancy_height[i])
        size = mistake if by_height else math.hypot(s.centring_east[i], s.centring_north[i])
        entered = a.network.setups.height[i]
        what = f"height {job.units.show_length(entered, 3)}" if by_height else "centring"
        if by_height:
            words = f"{show.small(abs(size), 1)} {'too low' if size > 0 else 'too high'}"
        else:
            words = f"{show.small(size, 1)} off, or more"
        statistic = abs(s.standardized_height[i]) if by_height else s.standardized_centring[i]
        rows.append(
            Row(
                "flagged" if s.flagged[i] else "ok",
                (
                    str(s.setup[i]),
                    str(a.marks.mark[a.network.setups.mark[i]]),
                    what,
                    words,
                    plain(float(statistic), 1),
                    "flagged" if s.flagged[i] else "fits",
                    job.place("setups", i),
                ),
            )
        )
    headings = ("setup", "mark", "what", f"looks [{show.small_length_name}]", "w", "verdict", "row")
    title = "Worst setups (error made once, when the device was set down)"
    return Section("setups", title, tuple(rows), headings, len(order) - shown)


def _sights(a: Adjustment, show: Show, most: int) -> Section:
    o = a.observations
    far = at_target(a, o)
    keep = readings_of(a)
    order = keep[_worst_first(o.standardized[keep], o.flagged[keep])]
    shown = _shown(o.flagged[order], most)
    rows = []
    for i in order[:shown]:
        start, end = int(o.start_mark[i]), int(o.end_mark[i])
        turn = (
            f" = {show.small_turn(o.residual[i], 1)} {show.small_angle_name}"
            if o.quantity[i] == "angle"
            else ""
        )
        rows.append(
            Row(
                "flagged" if o.flagged[i] else "ok",
                (
                    str(o.id[i]),
                    f"{a.marks.mark[start]} → {a.marks.mark[end]}" if start >= 0 and end >= 0 else "",
                    f"{_signed(show.small(o.residual[i] * far[i], 1))}{turn}",
                    plain(o.standardized[i], 1),
                    "flagged" if o.flagged[i] else "fits",
                ),
            )
        )
    headings = ("reading", "from → to", f"residual [{show.small_length_name}]", "w", "verdict")
    title = "Worst readings (residual: adjusted − observed, at the target)"
    return Section("sights", title, tuple(rows), headings, len(order) - shown)


def _unchecked(a: Adjustment, most: int) -> Section:
    m = a.marks
    rows = tuple(
        Row(
            "watch", (f"{m.mark[i]} rests unchecked on {names(m.unchecked_by[i], 4) or 'too few readings'}.",)
        )
        for i in np.flatnonzero(m.unchecked)
    )
    return _cut("unchecked", "Unchecked marks (a mistake there would go unseen)", rows, (), most)


def _weakest(a: Adjustment, job: Job, most: int) -> Section:
    m, level = a.marks, percent(a.settings.confidence)
    factor = one_dimensional_factor(a.settings.confidence)
    small, rows = job.units.show_small_length, []
    if np.isfinite(m.semi_major).any():
        order = np.argsort(-np.nan_to_num(m.semi_major), kind="stable")[:most]
        parts = [f"{m.mark[i]} {small(float(m.semi_major[i]))}" for i in order if m.semi_major[i] > 0.0]
        if parts:
            size = f"semi-major axis (2D {level}, {a.ellipse_factor:.3f} sigma)"
            words = f"plane, {size}: {', '.join(parts)}"
            rows.append(Row("", (words,)))
    if np.isfinite(m.sigma_height).any():
        order = np.argsort(-np.nan_to_num(m.sigma_height), kind="stable")[:most]
        parts = [
            f"{m.mark[i]} {small(float(factor * m.sigma_height[i]))}"
            for i in order
            if m.sigma_height[i] > 0.0
        ]
        if parts:
            words = f"height (1D {level}, {factor:.3f} sigma): {', '.join(parts)}"
            rows.append(Row("", (words,)))
    return Section("weakest", "Weakest marks", tuple(rows))


def _decisions(job: Job, most: int) -> Section:
    rows = []
    for d in job.decisions:
        if d.action == "leave_out":
            words = f"Left out {d.what}"
        else:
            words = f"Corrected {d.what} to {d.value}" + (f" (was {d.before})" if d.before else "")
        rows.append(Row("", (f"{words}: {d.reason} ({d.by}; {d.place})",)))
    return _cut("decisions", "Decisions applied", tuple(rows), (), most)


def _datum(a: Adjustment, show: Show) -> Section:
    rows = []
    held: dict[str, list[str]] = {"held": [], "weighted": []}
    for mark, control in zip(a.marks.mark, a.marks.control, strict=True):
        for word in str(control).split():
            kind, _, dimension = word.partition("-")
            if kind in held:
                held[kind].append(f"{mark} ({dimension})" if dimension else str(mark))
    parts = [f"{kind} {names(marks, 6)}" for kind, marks in held.items() if marks]
    if parts:
        rows.append(Row("", (f"Control: {'; '.join(parts)}.",)))
    if a.datum:
        freedoms = joined([_FREEDOMS.get(f, f) for f in a.datum])
        over = "all marks" if len(a.datum_marks) == len(a.marks) else names(a.datum_marks, 6)
        rows.append(Row("", (f"Free in {freedoms}: fixed by inner constraints over {over or 'all marks'}.",)))
    if a.settings.frame == "plane" and np.isfinite(a.marks.height).any() and len(a.setups):
        level = f"{show.units.show_length(a.reference_height, 3)} {show.units.length_name}"
        rows.append(Row("", (f"Plane frame unrolled at reference height {level}.",)))
    return Section("datum", "Datum", tuple(rows))


def _blanks(a: Adjustment, most: int) -> Section:
    m = a.marks
    missing: dict[str, list[str]] = {}
    for i in range(len(m)):
        values = (("east", m.east[i]), ("north", m.north[i]), ("height", m.height[i]))
        blank = [word for word, value in values if math.isnan(value)]
        if blank:
            missing.setdefault(joined(blank), []).append(str(m.mark[i]))
    rows = []
    for what, marks in missing.items():
        who = "all marks" if len(marks) == len(m) else names(marks, 6)
        them = "it" if len(marks) == 1 and " " not in what else "them"
        rows.append(Row("", (f"No {what} for {who}: no reading reaches {them}.",)))
    return _cut("blanks", "Left blank", tuple(rows), (), most)


def _remarks(a: Adjustment, job: Job, most: int) -> Section:
    remarks = (*a.remarks, *job.remarks)
    rows = tuple(Row("", (f"{t.text} {t.wanted} ({t.code})".replace("  ", " "),)) for t in remarks)
    return _cut("remarks", "Remarks", rows, (), most)


def _cut(key: str, title: str, rows: tuple[Row, ...], headings: tuple[str, ...], most: int) -> Section:
    """What is flagged goes first and may take twice the room; the rest of the room shows the worst that
    fit."""
    shown = _shown([r.sign == "flagged" for r in rows], most)
    return Section(key, title, rows[:shown], headings, len(rows) - shown)


def _shown(flagged: Sequence[bool] | Flags, most: int) -> int:
    """How many rows find room."""
    return min(len(flagged), max(most, min(sum(map(bool, flagged)), 2 * most)))


def _worst_first(statistic: Floats, flagged: Flags) -> Ints:
    """Rows by falling |statistic|, flagged ones before others; rows without a statistic left away unless
    flagged."""
    size = np.abs(np.nan_to_num(statistic, posinf=np.inf))
    order = np.lexsort((np.arange(len(size)), -size, ~flagged))
    chosen: Ints = order[(np.isfinite(statistic) | flagged)[order]]
    return chosen


def _signed(text: str) -> str:
    return text if text.startswith("-") or not text.strip("0.") else f"+{text}"

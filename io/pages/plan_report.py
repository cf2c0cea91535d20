"""A plan in words: what is predicted, what nothing checks, where the error comes from, what would help. Rows for the terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.planning.goals import beyond, figures, heights, new_marks
from hubtack.adjust.planning.separate import ALIKE, separability
from hubtack.io.pages.orientation import orientation_section
from hubtack.io.pages.plan_choices import budget_section, changes_section, equipment_section
from hubtack.io.pages.words import Row, Section, Sign
from hubtack.io.writers.sheets import Show, at_target, names, percent

if TYPE_CHECKING:
    from hubtack.adjust.planning.budget import Budget
    from hubtack.adjust.planning.changes import Change
    from hubtack.adjust.planning.equipment import Equipment
    from hubtack.adjust.planning.goals import Tolerance
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job


def plan_sections(
    a: Adjustment,
    job: Job,
    tolerance: Tolerance,
    budget: Budget | None,
    changes: Sequence[Change] | None,
    equipment: Sequence[Equipment] = (),
    most: int = 5,
) -> tuple[Section, ...]:
    """All sections that have something to say."""
    show = Show(a, job.units)
    sections = (
        _verdict(a, show, tolerance),
        _marks(a, show, tolerance, most),
        _relative(a, show, tolerance, most),
        _mistakes(a, show),
        _unchecked(a, most),
        orientation_section(a, job),
        budget_section(a, budget),
        equipment_section(equipment, show, tolerance),
        changes_section(a, changes, show, tolerance, most + 3)
        if changes is not None
        else Section("changes", "", ()),
        Section(
            "remarks",
            "Remarks",
            tuple(Row("", (f"{t.text} {t.wanted} ({t.code})".replace("  ", " "),)) for t in a.remarks),
        ),
    )
    return tuple(s for s in sections if s.rows)


def headline(a: Adjustment, tolerance: Tolerance, show: Show) -> tuple[Sign, str]:
    """The sign of the whole and the verdict in a sentence."""
    position, height, pairs = beyond(a, tolerance)
    unchecked = int(a.marks.unchecked.sum())
    loose = f"{unchecked} mark{'s' * (unchecked != 1)} would stay unchecked"
    if not tolerance:
        return (
            ("watch", f"PREDICTED, and {loose}.")
            if unchecked
            else ("ok", "PREDICTED, and every mark is checked.")
        )
    missed = []
    if position.any():
        missed.append(f"{int(position.sum())} in position")
    if height.any():
        missed.append(f"{int(height.sum())} in height")
    if pairs.any():
        missed.append(f"{int(pairs.sum())} pair{'s' * (int(pairs.sum()) != 1)}")
    if missed:
        return "flagged", f"MISSES the tolerance: {', '.join(missed)}." + (
            f" And {loose}." if unchecked else ""
        )
    return (
        ("watch", f"MEETS the tolerance, but {loose}.")
        if unchecked
        else ("ok", "MEETS the tolerance, and every mark is checked.")
    )


def _verdict(a: Adjustment, show: Show, tolerance: Tolerance) -> Section:
    f = figures(a)
    level = percent(a.settings.confidence)
    rows = [Row(headline(a, tolerance, show)[0], (headline(a, tolerance, show)[1],))]
    if f.position_mark >= 0:
        rows.append(
            Row(
                "",
                (
                    f"Worst position: {a.marks.mark[f.position_mark]}, semi-major axis {_length(show, f.position)} ({level}).",
                ),
            )
        )
    if f.height_mark >= 0:
        rows.append(
            Row(
                "",
                (f"Worst height: {a.marks.mark[f.height_mark]}, {level} within ±{_length(show, f.height)}.",),
            )
        )
    asked = []
    if tolerance.position is not None:
        asked.append(f"position {_length(show, tolerance.position)}")
    if tolerance.height is not None:
        asked.append(f"height ±{_length(show, tolerance.height)}")
    if tolerance.relative is not None:
        constant, ratio = tolerance.relative
        asked.append(f"between marks {_length(show, constant)} + {ratio * 1e6:g} ppm")
    if asked:
        rows.append(Row("", (f"Tolerance at {level}: {', '.join(asked)}.",)))
    if tolerance.height is not None and f.height_mark < 0:
        rows.append(Row("watch", ("No height is planned: the tolerance of heights says nothing here.",)))
    kinds = a.observations.kind
    readings = int(((kinds != "effect") & (kinds != "control") & (kinds != "constant")).sum())
    rows.append(
        Row(
            "",
            (
                f"{len(a.marks)} marks, {readings} planned readings, {len(a.setups)} setups; "
                f"{a.degrees_of_freedom} degree{'s' * (a.degrees_of_freedom != 1)} of freedom. No reading was used.",
            ),
        )
    )
    return Section("verdict", "Verdict", tuple(rows))


def _marks(a: Adjustment, show: Show, tolerance: Tolerance, most: int) -> Section:
    m, high = a.marks, heights(a)
    position, height, _ = beyond(a, tolerance)
    new = new_marks(a) & (np.isfinite(m.semi_major) | np.isfinite(high))
    size = np.nan_to_num(m.semi_major)
    order = sorted(
        np.flatnonzero(new).tolist(),
        key=lambda i: (not (position[i] or height[i]), -max(float(size[i]), float(np.nan_to_num(high[i])))),
    )
    rows = []
    for i in order[:most]:
        missed = " and ".join(w for w, f in (("position", position[i]), ("height", height[i])) if f)
        met = ("both beyond" if position[i] and height[i] else f"{missed} beyond") if missed else "meets"
        words = met if tolerance else "unchecked" if m.unchecked[i] else ""
        rows.append(
            Row(
                "flagged" if missed else "watch" if m.unchecked[i] else "ok",
                (
                    str(m.mark[i]),
                    show.small(m.semi_major[i], 1),
                    show.small(m.semi_minor[i], 1),
                    show.bearing(m.ellipse_azimuth[i]),
                    show.small(high[i], 1),
                    words,
                ),
            )
        )
    unit = show.small_length_name
    headings = (
        "mark",
        f"semi-major [{unit}]",
        "semi-minor",
        f"azimuth [{show.bearing_name}]",
        "height ±",
        "",
    )
    what = "new marks" if any(not c for c in m.control) else "marks"
    title = f"Predicted {what}, worst first ({percent(a.settings.confidence)})"
    return Section("marks", title, tuple(rows), headings, max(0, len(order) - most))


def _relative(a: Adjustment, show: Show, tolerance: Tolerance, most: int) -> Section:
    r = a.relative
    _, _, pairs = beyond(a, tolerance)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = r.semi_major / r.distance
    order = [
        i
        for i in np.argsort(-np.nan_to_num(ratio)).tolist()
        if np.isfinite(ratio[i]) and r.semi_major[i] > 0.0
    ]
    order.sort(key=lambda i: not pairs[i])
    rows = [
        Row(
            "flagged" if pairs[i] else "ok",
            (
                f"{r.start[i]} → {r.end[i]}",
                show.units.show_length(r.distance[i], 1),
                show.small(r.semi_major[i], 1),
                f"1 : {_round(1.0 / ratio[i])}",
                ("beyond" if pairs[i] else "meets") if tolerance.relative is not None else "",
            ),
        )
        for i in order[: max(3, most - 2)]
    ]
    headings = (
        "from → to",
        f"distance [{show.units.length_name}]",
        f"semi-major [{show.small_length_name}]",
        "ratio",
        "",
    )
    title = f"Relative accuracy of sighted pairs, worst ratio first ({percent(a.settings.confidence)})"
    return Section("relative", title, tuple(rows), headings, max(0, len(order) - len(rows)))


def _mistakes(a: Adjustment, show: Show) -> Section:
    """The smallest mistakes that would show: by kind of reading, and heights of setups."""
    o, s = a.observations, a.setups
    power = f"{100 * a.settings.power:g} %"
    rows: list[Row] = []
    size = o.minimal_detectable_bias * at_target(a, o)
    for kind in ("direction", "zenith", "distance", "horizontal", "rise", "azimuth", "angle", "vector"):
        mine = np.flatnonzero((o.kind == kind) & ~np.isnan(size))
        if not len(mine):
            continue
        finite = size[mine][np.isfinite(size[mine])]
        blind = len(mine) - len(finite)
        middle = show.small(float(np.median(finite)), 1) if len(finite) else "none"
        worst = show.small(float(finite.max()), 1) if len(finite) else "none"
        rows.append(
            Row(
                "watch" if blind else "ok",
                (kind, middle, worst, f"{blind} of {len(mine)}"),
            )
        )
    for label, values in (
        ("height of a setup", s.minimal_detectable_height),
        ("centring of a setup", s.minimal_detectable_centring),
    ):
        there = values[~np.isnan(values)]
        if not len(there):
            continue
        finite = there[np.isfinite(there)]
        blind = len(there) - len(finite)
        middle = show.small(float(np.median(finite)), 1) if len(finite) else "none"
        worst = show.small(float(finite.max()), 1) if len(finite) else "none"
        rows.append(Row("watch" if blind else "ok", (label, middle, worst, f"{blind} of {len(there)}")))
    apart = separability(a.solved) if a.solved is not None else None
    if apart is not None and len(apart.setup):
        seen = np.isfinite(s.minimal_detectable_height[apart.setup])
        alike = int(((apart.correlation > ALIKE) & seen).sum())
        if alike:
            rows.append(
                Row(
                    "watch",
                    (
                        f"Of {int(seen.sum())} setups whose wrong height would show, {alike} could not be told from "
                        "another setup: the mistake would be seen, and not found.",
                    ),
                )
            )
    headings = ("mistake in", f"typical [{show.small_length_name}]", "largest", "never seen")
    return Section(
        "mistakes",
        f"Smallest mistakes that would show (with {power} probability), at the target",
        tuple(rows),
        headings,
    )


def _unchecked(a: Adjustment, most: int) -> Section:
    rows = [
        Row(
            "watch",
            (f"{a.marks.mark[i]}: a mistake in {names(a.marks.unchecked_by[i], 4)} would move it unseen.",),
        )
        for i in np.flatnonzero(a.marks.unchecked).tolist()
    ]
    return Section("unchecked", "Would stay unchecked", tuple(rows[:most]), (), max(0, len(rows) - most))


def _length(show: Show, metres: float) -> str:
    return show.units.show_small_length(metres)


def _round(value: float) -> str:
    """Two significant digits, in thousands parted by a blank: 26 000."""
    if not math.isfinite(value) or value <= 0.0:
        return ""
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return f"{round(value / step) * step:,.0f}".replace(",", " ")

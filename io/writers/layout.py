"""layout_marks.csv and layout_checks.csv: what a layout crew may start from, and what to tape before it does.

layout_marks.csv, one row a mark, in the order of marks.csv. `position` and `elevation` say what it is good for:
    use          determined, and checked by other readings
    do not use   determined, but nothing checks it, or a test rejects a setup on it or its control
    none         not determined
`note` says why not, and names flagged readings at a mark that may be used all the same.
A mark that rests on one undetectable blunder looks as good as any other in a list of coordinates; therefore the word.

layout_checks.csv, inverses between marks whose position may be used, each to its nearest neighbours: the horizontal
distance on the grid (from coordinates), on the ground at the mean height of the two (what a tape held level shows), the
slope distance from mark to mark, the height difference, the azimuth, and by how much a good tape may differ: factor
times the standard deviation of the distance from the adjustment alone, the taping's own to be added. In networks of
thousands of marks it is blank for pairs that no observation joins.

    ground = grid / scale factor · (R + h)/(R + h0), h the mean of the two heights, h0 the reference height
    slope = hypot(2·√((R + hA)(R + hB))·sin(θ/2), rise), θ = grid / scale factor / (R + h0)     (cosine rule)
In the earth frame they are those of lines.csv, and the straight line between the marks.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats, Ints
from hubtack.adjust.outcome.lines import lines_between, place_table

from .places import placed
from .sheets import Heading, Sheet, Show, names, one_dimensional_factor, percent, write_csv

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

MARKS, CHECKS = "layout_marks.csv", "layout_checks.csv"
NEIGHBOURS = 3  # a mark moved by itself shows in distances from three directions: common practice, no source


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write layout_marks.csv and layout_checks.csv into `folder`."""
    write_csv(marks_sheet(adjustment, job), folder / MARKS)
    write_csv(checks_sheet(adjustment, job), folder / CHECKS)


def rejected(adjustment: Adjustment) -> tuple[Flags, Flags]:
    """Marks (n_marks,) whose position, and whose height, a test speaks against: a flagged setup on it (by its centring
    or its height) or flagged control."""
    a = adjustment
    plan, height = np.zeros(len(a.marks), dtype=bool), np.zeros(len(a.marks), dtype=bool)
    on = a.network.setups.mark
    tall = np.abs(np.nan_to_num(a.setups.standardized_height)) > a.critical
    off = np.nan_to_num(a.setups.standardized_centring) > a.critical_centring
    height[on[a.setups.flagged & tall]] = True
    plan[on[a.setups.flagged & off]] = True
    rows = {str(n): i for i, n in enumerate(a.marks.mark)}
    for k in np.flatnonzero(a.control.flagged).tolist():
        (height if a.control.component[k] == "height" else plan)[rows[str(a.control.mark[k])]] = True
    return plan, height


def usable(adjustment: Adjustment) -> tuple[Flags, Flags]:
    """Marks (n_marks,) whose position, and whose height, may be used: determined, checked, not rejected."""
    m = adjustment.marks
    plan, height = rejected(adjustment)
    has_plan = np.isfinite(m.east) & np.isfinite(m.north)
    return has_plan & ~m.unchecked & ~plan, np.isfinite(m.height) & ~m.unchecked & ~height


def reasons(adjustment: Adjustment) -> list[str]:
    """For each mark why it is not to be used; blank where nothing speaks against it."""
    m = adjustment.marks
    plan, height = rejected(adjustment)
    out = []
    for row in range(len(m)):
        parts = []
        if m.unchecked[row]:
            parts.append(f"unchecked: rests on {names(m.unchecked_by[row], 4) or 'too few readings'}")
        for word, mask in (("position", plan), ("height", height)):
            if mask[row]:
                parts.append(f"{word}: a test rejects a setup or the control here")
        out.append("; ".join(parts))
    return out


def cautions(adjustment: Adjustment) -> list[str]:
    """For each mark what does not forbid its use and should be known: flagged readings at it, a failed global test.

    One reading in a thousand is flagged though nothing is wrong (alpha), so a flag alone condemns no mark.
    """
    a, o = adjustment, adjustment.observations
    at: list[list[str]] = [[] for _ in range(len(a.marks))]
    for k in np.flatnonzero(o.flagged & (o.kind != "effect") & (o.kind != "control")).tolist():
        for mark in {int(o.start_mark[k]), int(o.end_mark[k])} - {-1}:
            at[mark].append(str(o.id[k]))
    failed = [] if a.global_test.passed else ["the global test fails: sigmas may be too small"]
    return ["; ".join([*([f"flagged here: {names(ids, 4)}"] if ids else []), *failed]) for ids in at]


def marks_sheet(adjustment: Adjustment, job: Job) -> Sheet:
    """The marks with what each may be used for."""
    a, m, show = adjustment, adjustment.marks, Show(adjustment, job.units)
    length, small, level = job.units.length_name, show.small_length_name, percent(a.settings.confidence)
    factor = one_dimensional_factor(a.settings.confidence)
    headings = (
        Heading("mark", number=False),
        Heading("east", length),
        Heading("north", length),
        Heading("height", length),
        Heading("position", number=False),
        Heading("elevation", number=False),
        Heading(f"semi-major axis of the ellipse (2D {level}: {a.ellipse_factor:.4f} sigma)", small),
        Heading(f"height (1D {level}: {factor:.3f} sigma)", small),
        Heading("control", number=False),
        Heading("stands on", number=False),
        Heading("note", number=False),
    )
    (plan, height), why, known = usable(a), reasons(a), cautions(a)
    texts = job.texts.get("marks", {}).get("note", ())
    rows = []
    for i in range(len(m)):
        has_plan, has_height = bool(np.isfinite(m.east[i])), bool(np.isfinite(m.height[i]))
        rows.append(
            (
                str(m.mark[i]),
                show.length(m.east[i]),
                show.length(m.north[i]),
                show.length(m.height[i]),
                _word(has_plan, bool(plan[i])),
                _word(has_height, bool(height[i])),
                show.small(m.semi_major[i]),
                show.small(factor * m.sigma_height[i]),
                str(m.control[i]),
                texts[i] if i < len(texts) else "",
                "; ".join(filter(None, (why[i], known[i]))),
            )
        )
    bad = frozenset(i for i, row in enumerate(rows) if "do not use" in row[4:6])
    return Sheet("Layout marks", headings, tuple(rows), bad, band="watch")


def _word(determined: bool, good: bool) -> str:
    return "use" if good else "do not use" if determined else "none"


def checks_sheet(adjustment: Adjustment, job: Job) -> Sheet:
    """Inverses to tape before layout starts."""
    a, m, show = adjustment, adjustment.marks, Show(adjustment, job.units)
    length, small, level = job.units.length_name, show.small_length_name, percent(a.settings.confidence)
    factor = one_dimensional_factor(a.settings.confidence)
    headings = (
        Heading("from", number=False),
        Heading("to", number=False),
        Heading("distance on the grid", length),
        Heading("distance on the ground, level", length),
        Heading("slope distance, mark to mark", length),
        Heading("height difference", length),
        Heading("azimuth", job.units.angle_name),
        Heading(f"distance good to (1D {level}: {factor:.3f} sigma)", small),
        Heading("taped", length),
        Heading("difference", small),
    )
    chosen = pairs(a)
    sigmas = _sigmas(a, chosen)
    on_earth = _on_earth(a, chosen)
    rows = []
    for (i, j), sigma in zip(chosen.tolist(), sigmas.tolist(), strict=True):
        grid, ground, slope, rise = on_earth.get((i, j)) or inverse(a, i, j)
        azimuth = math.atan2(m.east[j] - m.east[i], m.north[j] - m.north[i]) if grid > 0.0 else math.nan
        rows.append(
            (
                str(m.mark[i]),
                str(m.mark[j]),
                show.length(grid),
                show.length(ground),
                show.length(slope),
                show.length(rise),
                show.azimuth(azimuth),
                show.small(factor * sigma),
                "",
                "",
            )
        )
    return Sheet("Layout checks", headings, tuple(rows))


def _sigmas(a: Adjustment, chosen: Ints) -> Floats:
    """Standard deviations of the distances of pairs (n, 2), m: from the joint covariance of all marks.

    Where that is not to be had (too many marks) from the table of pairs that observations join; else NaN.
    """
    from hubtack.adjust.outcome.joint import TooLarge, mark_covariance

    m, known = a.marks, a.relative
    table = zip(
        known.start_mark.tolist(), known.end_mark.tolist(), known.sigma_distance.tolist(), strict=True
    )
    joined = {frozenset((i, j)): float(s) for i, j, s in table}
    sigmas = np.array([joined.get(frozenset(pair), math.nan) for pair in chosen.tolist()], dtype=float)
    try:
        joint = mark_covariance(a)
    except TooLarge:
        joint = None
    if joint is None or not len(chosen):
        return sigmas
    place = np.full((len(m), 3), -1)
    place[joint.mark, joint.axis] = np.arange(len(joint.mark))
    for k, (i, j) in enumerate(chosen.tolist()):
        step = np.array([m.east[j] - m.east[i], m.north[j] - m.north[i]])
        if step.any():
            gradient = np.concatenate([-step, step]) / np.hypot(*step)
            at = np.concatenate([place[i, :2], place[j, :2]])
            sigmas[k] = math.sqrt(max(float(gradient @ joint.covariance[np.ix_(at, at)] @ gradient), 0.0))
    return sigmas


def inverse(adjustment: Adjustment, i: int, j: int) -> tuple[float, float, float, float]:
    """Grid distance, ground distance, slope distance and rise from mark i to mark j, m; NaN without heights."""
    m, s, h0 = adjustment.marks, adjustment.settings, adjustment.reference_height
    grid = math.hypot(m.east[j] - m.east[i], m.north[j] - m.north[i])
    theta = grid / s.scale_factor / (s.radius + h0)
    mean, rise = 0.5 * float(m.height[i] + m.height[j]), float(m.height[j] - m.height[i])
    ground = theta * (s.radius + mean)
    chord = 2.0 * math.sqrt((s.radius + m.height[i]) * (s.radius + m.height[j])) * math.sin(0.5 * theta)
    return grid, ground, math.hypot(chord, rise), rise


def _on_earth(a: Adjustment, chosen: Ints) -> dict[tuple[int, int], tuple[float, float, float, float]]:
    """The same in the earth frame, by pair: the slope is the straight line between the marks. Empty for a plane."""
    lines, places = lines_between(a, chosen), place_table(a)
    if lines is None or places is None:
        return {}
    slope = np.linalg.norm(places.xyz[lines.end_mark] - places.xyz[lines.start_mark], axis=1)
    rise = a.marks.height[lines.end_mark] - a.marks.height[lines.start_mark]
    ends = zip(lines.start_mark.tolist(), lines.end_mark.tolist(), strict=True)
    known = np.isfinite(rise)  # a mark without a height was taken at the height of the control
    ground, slope = np.where(known, lines.ground, np.nan), np.where(known, slope, np.nan)
    figures = zip(lines.grid.tolist(), ground.tolist(), slope.tolist(), rise.tolist(), strict=True)
    return dict(zip(ends, figures, strict=True))


def pairs(adjustment: Adjustment) -> Ints:
    """Pairs of rows (n, 2) of usable marks: each with its nearest neighbours, none twice, in the order of marks."""
    rows = placed(adjustment)
    rows = rows[usable(adjustment)[0][rows]]
    plan: Floats = np.column_stack([adjustment.marks.east[rows], adjustment.marks.north[rows]])
    if len(rows) < 2:
        return np.zeros((0, 2), dtype=np.int64)
    near = _nearest(plan, min(NEIGHBOURS, len(rows) - 1))
    found = {(min(i, j), max(i, j)) for i, others in enumerate(near.tolist()) for j in others}
    return rows[np.array(sorted(found), dtype=np.int64)]


def _nearest(plan: Floats, count: int) -> Ints:
    """Rows of the nearest others, (n, count); ties by order."""
    out = np.empty((len(plan), count), dtype=np.int64)
    for i, point in enumerate(plan):
        away = np.hypot(*(plan - point).T)
        away[i] = np.inf
        out[i] = np.argsort(away, kind="stable")[:count]
    return out

"""Before and after: what each decision moved, mark by mark, beside what the marks are good for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Floats, Ints
from hubtack.io.pages.decision_effects import Effect, effects
from hubtack.io.pictures.drawing import Area, Drawing, Line, Style, Text, shortened
from hubtack.io.pictures.plot import HEAD, LEFT, RIGHT, WIDTH, Axes, head, number, ticks
from hubtack.io.writers.sheets import one_dimensional_factor, percent, plain

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

MOST_DECISIONS, MOST_MARKS = 12, 6
ROW, TOP, GAP = 13.0, 32.0, 16.0  # points: one mark, the words above a decision, between decisions
_SPLIT = (150.0, 400.0, 440.0, WIDTH - RIGHT)  # where the plots of positions and of heights begin and end


def decisions_drawing(a: Adjustment, job: Job, found: Sequence[Effect] | None = None) -> Drawing | None:
    """One block a decision: how far it moved the marks that it moved most, in position and in height; None without decisions.

    Thin dashed lines: the 95 % figures of the marks as adjusted now. `found` are the effects where they are at hand: making them
    costs one adjustment a decision.
    """
    if not job.decisions:
        return None
    found = effects(a, job) if found is None else found
    blocks = [_block(a, e) for e in found[:MOST_DECISIONS]]
    rows = sum(max(1, len(order)) for order, _ in blocks)
    height = HEAD + 34.0 + len(blocks) * (TOP + GAP) + rows * ROW + 34.0
    drawing = Drawing(WIDTH, height, f"{job.name}: what the decisions moved")
    head(
        drawing,
        f"{job.name}: what each decision moved",
        "Coordinates with the decision against those without it, the others standing.",
    )
    small = job.units.small_length_of
    shifts = np.concatenate([np.zeros((1, 2)), *(_shifts(move[order]) for order, move in blocks)])
    shown = np.unique(np.concatenate([np.zeros(0, dtype=np.int64), *(order for order, _ in blocks)]))
    factor = one_dimensional_factor(a.settings.confidence)
    reach = []
    for k, good in enumerate((a.marks.semi_major[shown], factor * a.marks.sigma_height[shown])):
        largest = float(
            np.nanmax(np.abs(shifts[:, k]))
        )  # room for figures, and for what marks are good for where that fits
        reach.append(
            max(
                1.2 * small(largest),
                small(min(1.1 * float(np.nanmax(good, initial=0.0)), 5.0 * largest)),
                0.1,
            )
        )
    y = height - HEAD - 4.0
    _scale(drawing, a, job, reach, y, height)
    y -= 24.0
    for k, (e, (order, move)) in enumerate(zip(found[:MOST_DECISIONS], blocks, strict=True)):
        y -= TOP
        _words(drawing, a, job, e, k, y)
        if not len(order):
            drawing.texts.append(Text(LEFT - 32.0, y - ROW / 2, f"{e.reason or 'no coordinate moves'}.", 8.0))
            y -= ROW
        for i in order.tolist():
            y -= ROW
            _mark(drawing, a, job, i, move[i], reach, y + ROW / 2)
        y -= GAP
    level = percent(a.settings.confidence)
    more = len(found) - len(blocks)
    about = f"bars: the {MOST_MARKS} marks that move most; dashed: {level} figure of that mark as adjusted now, where it fits"
    drawing.texts.append(Text(LEFT - 32.0, 12.0, about + (f"; {more} more decisions" if more else ""), 7.5))
    drawing.words = drawing.words.strip()
    return drawing


def _block(a: Adjustment, e: Effect) -> tuple[Ints, Floats]:
    """Marks that a decision moves most, and the moves of all."""
    size = np.linalg.norm(np.nan_to_num(e.moved), axis=1)
    order = np.argsort(-size, kind="stable")[:MOST_MARKS]
    return order[size[order] > 5e-6], e.moved


def _shifts(move: Floats) -> Floats:
    """Length in the plane and signed height, (n, 2) m."""
    return np.column_stack([np.hypot(move[:, 0], move[:, 1]), move[:, 2]])


def _axes(reach: list[float], y: float) -> tuple[Axes, Axes]:
    """The two plots of one row of marks."""
    x1, x2, x3, x4 = _SPLIT
    plan = Axes(x1, y - 4.0, x2, y + 4.0, 0.0, reach[0], 0.0, 1.0)
    return plan, Axes(x3, y - 4.0, x4, y + 4.0, -reach[1], reach[1], 0.0, 1.0)


def _scale(drawing: Drawing, a: Adjustment, job: Job, reach: list[float], y: float, height: float) -> None:
    """Headings and the grid over all blocks."""
    unit = job.units.small_length_name
    for axes, what in zip(_axes(reach, y), (f"position, {unit}", f"height, {unit} (up is +)"), strict=True):
        drawing.texts.append(Text((axes.x1 + axes.x2) / 2, y - 2.0, what, 8.5, "middle", bold=True))
        values = ticks(axes.left, axes.right, 5)
        step = values[1] - values[0] if len(values) > 1 else 1.0
        for v in values:
            style: Style = "axis" if abs(v) < 1e-9 else "grid"
            drawing.lines.append(Line(axes.x(v), 30.0, axes.x(v), y - 24.0, style))
            drawing.texts.append(Text(axes.x(v), y - 16.0, number(v, step), 7.5, "middle"))


def _words(drawing: Drawing, a: Adjustment, job: Job, e: Effect, k: int, y: float) -> None:
    """What was decided, and what it does to the whole."""
    if k < len(job.decisions):
        d = job.decisions[k]
        what = f"{d.what}: {d.before} → {d.value}" if d.action == "correct" else f"left out: {d.what}"
        reason = f" ({d.reason})" if d.reason else ""
    else:
        what, reason = "all of them together", ""
    drawing.texts.append(
        Text(LEFT - 32.0, y + 14.0, shortened(f"{k + 1}. {what}{reason}", 105), 8.5, bold=True, halo=True)
    )
    if e.without is None:
        drawing.words += f" {what}: {e.reason}."
        return
    was, now = (plain(x.global_test.variance_factor, 2) or "none" for x in (e.without, a))
    drawing.texts.append(Text(LEFT - 32.0, y + 3.0, f"variance factor {was} → {now}", 8.0, halo=True))
    size = np.linalg.norm(np.nan_to_num(e.moved), axis=1)
    worst = int(size.argmax()) if len(size) else 0
    most = (
        f"{a.marks.mark[worst]} by {job.units.show_small_length(float(size[worst]))}"
        if size.any()
        else "nothing"
    )
    drawing.words += f" {what}: moves {most} at most, variance factor {was} to {now}."


def _mark(
    drawing: Drawing, a: Adjustment, job: Job, i: int, move: Floats, reach: list[float], y: float
) -> None:
    """Name, bars with their figures, and what the mark is good for."""
    small, m = job.units.small_length_of, a.marks
    drawing.texts.append(Text(LEFT - 14.0, y, shortened(str(m.mark[i]), 16), 8.0))
    plan, up = _axes(reach, y)
    good = (float(m.semi_major[i]), one_dimensional_factor(a.settings.confidence) * float(m.sigma_height[i]))
    for axes, value, limit in zip((plan, up), _shifts(move[None])[0].tolist(), good, strict=True):
        if not np.isfinite(value):
            continue
        v, half = small(value), small(limit)
        zero, end = axes.x(0.0), axes.x(v)
        left, right = min(zero, end), max(zero, end)
        if right - left > 0.05:
            drawing.areas.append(Area(((left, axes.y1), (right, axes.y1), (right, axes.y2), (left, axes.y2))))
        for at in (half, -half) if axes is up else (half,):
            if np.isfinite(at) and axes.left < at < axes.right and half > 0.0:
                drawing.lines.append(Line(axes.x(at), y - 5.5, axes.x(at), y + 5.5, "limit"))
        text = plain(v, 1) if v <= 0.0 or axes is plan else f"+{plain(v, 1)}"
        side = 3.0 if v >= 0.0 else -3.0
        drawing.texts.append(
            Text(end + side, y, text.replace("-", "−"), 7.5, "start" if v >= 0.0 else "end", halo=True)
        )

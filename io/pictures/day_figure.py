"""Orientation, collimation and index through the day: what the instrument did between the first sight and the last.

From the raw readings of both faces and from the orientations of the rounds; setups in the order of their first sight.
"""

from __future__ import annotations

import math
import re
from itertools import chain, islice
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.checks.faces import half_differences, pairs
from hubtack.adjust.ground.table import Floats, Ints, rows_by
from hubtack.adjust.model.reductions import numbered, packed, wrap
from hubtack.io.pictures.drawing import Drawing, Line, Symbol, Text, shortened, text_width
from hubtack.io.pictures.plot import (
    HEAD,
    LEFT,
    RIGHT,
    WIDTH,
    Axes,
    draw_axes,
    head,
    reach,
    scatter,
    ticks,
    whisker,
)
from hubtack.io.units import RADIANS
from hubtack.io.writers.sheets import plain

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

FACTOR = 1.959963985
MARKED = 60  # setups that a plot has room for
TURNED = math.radians(0.1)  # a circle that differs more between rounds was turned on purpose
_CLOCK = re.compile(r"(?:(\d{4})-(\d\d)-(\d\d)[T ])?(\d{1,2}):(\d\d)(?::(\d\d(?:\.\d*)?))?")


def day_drawing(a: Adjustment, job: Job) -> Drawing | None:
    """Up to three plots over the same axis of time; None where there are neither face pairs nor several rounds."""
    s = a.network.sights
    at, clock = sight_times(job, len(s))
    one, two = pairs(a.network)
    half, index = half_differences(a.network, one, two)
    zenith = np.where(np.isnan(s.zenith[one]), 0.5 * np.pi, s.zenith[one])
    plots = [
        _orientations(a, at),
        _directions(a, at),
        ("collimation, from face pairs", at[one], half * np.sin(zenith), s.start[one], None),
        ("vertical index, from face pairs", at[one], index, s.start[one], None),
    ]
    plots = [p for p in plots if np.isfinite(p[2]).sum() >= 2]
    if not plots:
        return None
    spans = _spans(a, at)
    left, right = min(v for v, _ in spans.values()), max(v for _, v in spans.values())
    pad = 0.02 * (right - left) or 1.0
    tall, gap = 120.0, 40.0
    drawing = Drawing(WIDTH, HEAD + (tall + gap) * len(plots) + 34.0, f"{job.name}: through the day")
    below = "A drift within a setup: its tripod turned. A step from setup to setup: the instrument warmed up or was knocked."
    head(drawing, f"{job.name}: orientation, collimation and index through the day", below)
    unit, small = job.units.small_angle_name, job.units.small_angle_of
    for k, (title, x, radians, setup, sigma) in enumerate(plots):
        y1 = drawing.height - HEAD - 26.0 - tall - k * (tall + gap)
        v = radians / RADIANS[unit]
        middle = 0.0 if sigma is not None else float(np.nanmedian(v))
        limit = reach(v - middle, small(1e-6))
        axes = Axes(
            LEFT, y1, WIDTH - RIGHT, y1 + tall, left - pad, right + pad, middle - limit, middle + limit
        )
        last = k == len(plots) - 1
        draw_axes(drawing, axes, ("time of day" if clock else "sights, in the order of the book") if last else "",
                  unit, x_ticks=not clock)  # fmt: skip
        if clock:
            _hours(drawing, axes)
        _setups(drawing, axes, a, spans, names=k == 0)
        odd = np.zeros(len(v), dtype=bool)
        if sigma is None:
            scatter(drawing, axes, x, v, odd, lambda row: "")
            words = _means(drawing, axes, x, v, setup) if "pairs" in title else f"{len(v)} of them"
        else:
            half_bars = FACTOR * sigma / RADIANS[unit]
            for t, value, bar in zip(x.tolist(), v.tolist(), half_bars.tolist(), strict=True):
                whisker(drawing, axes, t, value - bar, value + bar)
                if axes.inside(t, value):
                    drawing.symbols.append(Symbol(axes.x(t), axes.y(value), "circle", 4.5))
            words = f"largest {plain(float(np.nanmax(np.abs(v))), 1)} {unit}"
        drawing.texts.append(Text(LEFT, y1 + tall + (21.0 if k == 0 else 9.0), title, 9.0, bold=True))
        drawing.words += f"{title}: {words}; "
    about = "dots: one reading, or one pair of faces; thick bars: mean of a setup with its 95 % interval"
    if plots[0][4] is not None:
        about += "; rings: orientation of a round against the mean of its setup's rounds, 95 % interval"
    if every(len(spans)) > 1:
        about += f"; marked is one setup in {every(len(spans))}"
    drawing.texts.append(Text(LEFT - 32.0, 12.0, about, 7.5))
    drawing.words = f"Through the day. {drawing.words.rstrip('; ')}."
    return drawing


def sight_times(job: Job, count: int) -> tuple[Floats, bool]:
    """Time of every row of sights in hours, and True; where not all rows tell one, their order and False.

    `08:30`, `08:30:08` or an ISO date before it. Times of several days without dates, or a clock that is set back, can't be told
    from this: rows then lie where their clock says.
    """
    texts = job.texts.get("sights", {}).get("time", ())
    order: Floats = np.arange(1.0, count + 1.0)
    if len(texts) != count or not count:
        return order, False
    hours = np.empty(count)
    for i, text in enumerate(texts):
        match = _CLOCK.match(text.strip())
        if match is None:
            return order, False
        year, month, day, hour, minute, second = match.groups()
        hours[i] = int(hour) + int(minute) / 60.0 + float(second or 0.0) / 3600.0
        if year:
            from datetime import date

            try:
                hours[i] += 24.0 * date(int(year), int(month), int(day)).toordinal()
            except ValueError:
                return order, False
    hours -= 24.0 * math.floor(float(hours.min()) / 24.0)
    return (hours, True) if float(np.ptp(hours)) > 0.0 else (order, False)


def _orientations(a: Adjustment, at: Floats) -> tuple[str, Floats, Floats, Ints, Floats | None]:
    """Orientation of each round less the mean of its setup's rounds, where there are several and the circle was left alone."""
    o, s = a.orientations, a.network.sights
    x, v, sigma, setup = [], [], [], []
    used = np.flatnonzero(s.used)
    first, number = numbered(packed(s.start[used], s.round[used]))
    keys = list(zip(s.start[used[first]].tolist(), s.round[used[first]].tolist(), strict=True))
    sighted = {keys[k]: used[mine] for k, mine in rows_by(number).items()}
    for row, mine in rows_by(o.setup_row).items():
        turn = wrap(o.value[mine] - o.value[mine[0]])
        if len(mine) < 2 or float(np.abs(turn).max()) > TURNED:
            continue
        for i, value in zip(mine.tolist(), (turn - turn.mean()).tolist(), strict=True):
            sights = sighted.get((row, int(o.round[i])))
            x.append(math.nan if sights is None else float(at[sights].mean()))
            v.append(value)
            sigma.append(float(o.sigma[i]))
            setup.append(row)
    title = "orientation of the rounds of a setup"
    return title, np.array(x), np.array(v), np.array(setup, dtype=np.int64), np.array(sigma)


def _directions(a: Adjustment, at: Floats) -> tuple[str, Floats, Floats, Ints, Floats | None]:
    """Adjusted − read of every single circle reading, about the mean of its face of its round: a circle that turns shows as a
    slope within a setup, where means of both faces, read out and back, hide it."""
    o, s = a.observations, a.network.sights
    row_of = {str(name): i for i, name in enumerate(s.id)}
    of = np.flatnonzero(o.kind == "direction")
    read_in = o.rows[of].tolist()
    rows = np.array([row_of.get(r, -1) for r in chain.from_iterable(read_in)], dtype=np.int64)
    of = np.repeat(of, [len(r) for r in read_in])[rows >= 0]
    rows = rows[rows >= 0]
    read = s.circle[rows] - np.where(s.face[rows] == 2, np.pi, 0.0)
    v = wrap(o.adjusted[of] - read)
    _, group = numbered(packed(s.start[rows], s.round[rows], s.face[rows]))
    mean = np.bincount(group, v) / np.maximum(np.bincount(group), 1) if len(v) else v
    return (
        "directions, single readings about the mean of their face",
        at[rows],
        v - mean[group],
        s.start[rows],
        None,
    )


def _spans(a: Adjustment, at: Floats) -> dict[int, tuple[float, float]]:
    """From when to when each instrument setup was sighted from, in the order of the first sight."""
    s = a.network.sights
    found = {}
    for row, mine in rows_by(s.start).items():
        found[row] = (float(at[mine].min()), float(at[mine].max()))
    return dict(sorted(found.items(), key=lambda item: item[1]))


def _setups(
    drawing: Drawing, axes: Axes, a: Adjustment, spans: dict[int, tuple[float, float]], names: bool
) -> None:
    """A thin line where each setup begins, and its name above the first plot where there is room."""
    free = -math.inf
    for row, (start, _) in islice(spans.items(), 0, None, every(len(spans))):
        x = axes.x(start)
        drawing.lines.append(Line(x, axes.y1, x, axes.y2, "limit"))
        words = shortened(str(a.network.setups.setup[row]), 10)
        if names and x >= free and x + text_width(words, 7.5) < WIDTH:
            drawing.texts.append(Text(x, axes.y2 + 7.0, words, 7.5))
            free = x + text_width(words, 7.5) + 5.0


def every(setups: int) -> int:
    """Every so many-th setup is marked: a plot bears MARKED of them."""
    return max(1, math.ceil(setups / MARKED))


def _means(drawing: Drawing, axes: Axes, x: Floats, v: Floats, setup: Ints) -> str:
    """The mean of each setup with the interval that the scatter of all pairs about their means gives it."""
    told = np.flatnonzero(np.isfinite(v))
    groups = [told[mine] for mine in rows_by(setup[told]).values()]
    freedom = sum(len(g) - 1 for g in groups)
    within = (
        math.sqrt(sum(float(((v[g] - v[g].mean()) ** 2).sum()) for g in groups) / freedom)
        if freedom
        else math.nan
    )
    means = []
    shown = every(len(groups))
    for k, g in enumerate(groups):
        mean, half = float(v[g].mean()), FACTOR * within / math.sqrt(len(g))
        means.append(mean)
        if k % shown == 0 and math.isfinite(half) and axes.low <= mean <= axes.high:
            whisker(drawing, axes, float(x[g].mean()), mean - half, mean + half, "bar")
    return f"{len(told)} pairs, means of setups from {plain(min(means), 1)} to {plain(max(means), 1)}"


def _hours(drawing: Drawing, axes: Axes) -> None:
    """Ticks at round times of day."""
    span = axes.right - axes.left
    step = next((s for s in (1 / 60, 5 / 60, 0.25, 0.5, 1.0, 2.0, 4.0, 12.0) if span / s <= 9.0), 24.0)
    values = [k * step for k in range(math.ceil(axes.left / step), math.floor(axes.right / step) + 1)]
    if span > 216.0:
        values = ticks(axes.left, axes.right, 8)
    for v in values:
        x, minutes = axes.x(v), round(v * 60.0)
        days, rest = divmod(minutes, 1440)
        words = f"{rest // 60:02d}:{rest % 60:02d}" + (f" +{days} d" if days else "")
        drawing.lines.append(Line(x, axes.y1, x, axes.y2, "grid"))
        drawing.texts.append(Text(x, axes.y1 - 8.0, words, 7.5, "middle"))

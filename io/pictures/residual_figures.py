"""Residuals as pictures: against the normal distribution, by distance, and by zenith angle."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Floats, Ints, Names
from hubtack.io.pages.verdict import readings_of
from hubtack.io.pictures.drawing import Anchor, Drawing, Line, Symbol, Text
from hubtack.io.pictures.plot import (
    HEAD,
    LEFT,
    RIGHT,
    WIDTH,
    Axes,
    bars,
    draw_axes,
    head,
    polyline,
    reach,
    scatter,
    thinned,
    whisker,
)
from hubtack.io.units import METRES, RADIANS
from hubtack.io.writers.sheets import plain

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

LEAST = 8  # readings of one kind that make a picture worth looking at
BIN = 0.5  # width of a column, in standard deviations
EDGE = 4.0  # the plot ends there; what lies beyond is counted
FACTOR = 1.959963985
_NAMES = {
    "direction": "directions",
    "zenith": "zenith angles",
    "distance": "slope distances",
    "horizontal": "horizontal distances",
    "rise": "rises",
    "azimuth": "azimuths",
    "angle": "angles",
}


def normal_drawing(a: Adjustment, job: Job) -> Drawing | None:
    """Standardized residuals, kind by kind, as columns under the curve that the normal distribution expects.

    None where no kind has readings enough that something checks. A histogram, not a probability plot: its shape is read
    without training, and what matters, the tails, is marked and counted.
    """
    o = a.observations
    groups = {kind: rows[np.isfinite(o.standardized[rows])] for kind, rows in _kinds(a).items()}
    groups = {kind: rows for kind, rows in groups.items() if len(rows) >= LEAST}
    if not groups:
        return None
    across = min(3, len(groups))
    down = math.ceil(len(groups) / across)
    room = (WIDTH - LEFT - RIGHT - 46.0 * (across - 1)) / across
    tall, step = 170.0, 170.0 + 74.0
    drawing = Drawing(WIDTH, HEAD + step * down + 22.0, f"{job.name}: standardized residuals")
    head(drawing, f"{job.name}: standardized residuals against the normal distribution",
         "Columns: how many residuals w fall there. Curve: how many would, were the sigmas right and nothing wrong.")  # fmt: skip
    edges: Floats = np.arange(-EDGE, EDGE + BIN / 2, BIN)
    middle: Floats = np.linspace(-EDGE, EDGE, 81)
    said = []
    for k, (kind, rows) in enumerate(groups.items()):
        w = o.standardized[rows]
        counts = np.histogram(w, edges)[0].astype(np.float64)
        expected = len(w) * BIN * np.exp(-0.5 * middle**2) / math.sqrt(2.0 * math.pi)
        x1 = LEFT + (k % across) * (room + 46.0)
        y1 = drawing.height - HEAD - 34.0 - tall - (k // across) * step
        top = 1.12 * max(float(counts.max()), float(expected.max()))
        axes = Axes(x1, y1, x1 + room, y1 + tall, -EDGE, EDGE, 0.0, top)
        bars(drawing, axes, edges, counts)
        draw_axes(drawing, axes, "standardized residual w", "readings" if k % across == 0 else "", zero=False)
        polyline(drawing, axes, middle, expected, "curve")
        for limit in (-a.critical, a.critical):
            if abs(limit) < EDGE:
                drawing.lines.append(Line(axes.x(limit), y1, axes.x(limit), y1 + tall, "limit"))
        spread = float(np.sqrt(np.mean(w**2)))
        within = FACTOR / math.sqrt(
            2.0 * len(w)
        )  # of the root mean square of n normal values, to first order
        words = f"spread {spread:.2f}, expected 1.00 ± {within:.2f}"
        drawing.texts += [
            Text(x1, y1 + tall + 22.0, f"{_NAMES.get(kind, kind)}: {len(w)}", 9.0, bold=True),
            Text(x1, y1 + tall + 10.0, words, 8.0),
        ]
        beyond = _beyond(drawing, axes, w)
        flagged = int(o.flagged[rows].sum())
        said.append(f"{_NAMES.get(kind, kind)}: {len(w)}, {words}, {flagged} flagged")
        drawing.words += f"{said[-1]}{beyond}; "
    drawing.texts.append(
        Text(LEFT - 32.0, 12.0, f"dashed: critical value {a.critical:.2f} at alpha {a.settings.alpha:g}; "
             "spread: root mean square, with its 95 % interval for independent residuals", 7.5)
    )  # fmt: skip
    drawing.words = (
        f"Histograms of the standardized residuals under the normal curve. {drawing.words.rstrip('; ')}."
    )
    return drawing


def _beyond(drawing: Drawing, axes: Axes, w: Floats) -> str:
    """How many lie beyond either edge, written there."""
    words = ""
    for side, count in ((-1.0, int((w < -EDGE).sum())), (1.0, int((w >= EDGE).sum()))):
        if count:  # in the corner, where no column and no curve reaches
            x = axes.x(side * EDGE)
            drawing.symbols.append(Symbol(x - side * 6.0, axes.y2 - 9.0, "flag", 5.5, f"{count} beyond"))
            anchor: Anchor = "end" if side > 0 else "start"
            drawing.texts.append(
                Text(x - side * 13.0, axes.y2 - 9.0, f"{count} beyond", 7.5, anchor, halo=True)
            )
            words += f", {count} beyond {'+' if side > 0 else '−'}{EDGE:g}"
    return words


def distance_drawing(a: Adjustment, job: Job) -> Drawing | None:
    """Residuals by the distance between their marks, kind by kind; None where there are too few.

    A zero error lifts all distances alike, a scale error tilts them; centring that is larger than stated spreads the angles of
    short sights.
    """
    m, o = a.marks, a.observations
    rise = np.nan_to_num(m.height[o.end_mark] - m.height[o.start_mark])
    far = np.hypot(np.hypot(*(m.east[o.end_mark] - m.east[o.start_mark],
                              m.north[o.end_mark] - m.north[o.start_mark])), rise)  # fmt: skip
    far = np.where((o.start_mark >= 0) & (o.end_mark >= 0), far, np.nan)
    far = far / METRES[job.units.length]
    what = "Distances on one side, or tilted: a constant is wrong. Angles that spread on short sights: centring is worse."
    return _stack(a, job, far, f"distance, {job.units.length_name}", "residuals by distance", what)


def zenith_drawing(a: Adjustment, job: Job) -> Drawing | None:
    """Residuals by zenith angle, kind by kind; None where no zenith angles were read.

    A tilted trunnion axis turns directions of steep sights, an index error shifts all zenith angles.
    """
    o = a.observations
    rows = np.flatnonzero(o.kind == "zenith")
    of_pair = {
        (s, e): z
        for s, e, z in zip(
            o.start_setup[rows].tolist(), o.end_setup[rows].tolist(), o.adjusted[rows].tolist(), strict=True
        )
    }
    ends = zip(o.start_setup.tolist(), o.end_setup.tolist(), strict=True)
    radians = np.array([of_pair.get(pair, math.nan) for pair in ends])
    gon = job.units.angle == "gon"
    steep = radians / math.pi * (200.0 if gon else 180.0)
    what = (
        "Directions that tilt with steepness, zenith angles on one side: the instrument is out of adjustment."
    )
    return _stack(
        a, job, steep, f"zenith angle, {'gon' if gon else 'degrees'}", "residuals by zenith angle", what
    )


def _stack(a: Adjustment, job: Job, x: Floats, across: str, title: str, what: str) -> Drawing | None:
    """One plot a kind, one above the other over a common axis; means of equally many neighbours with 95 % bars."""
    o, units = a.observations, job.units
    groups = {
        kind: rows[np.isfinite(x[rows]) & np.isfinite(o.residual[rows])] for kind, rows in _kinds(a).items()
    }
    groups = {kind: rows for kind, rows in groups.items() if len(rows) >= LEAST}
    if not groups:
        return None
    every = np.concatenate(list(groups.values()))
    left, right = float(x[every].min()), float(x[every].max())
    pad = 0.03 * (right - left) or max(0.05 * abs(left), 0.5)
    left, right = left - pad, right + pad
    tall, gap = 128.0, 30.0
    drawing = Drawing(WIDTH, HEAD + (tall + gap) * len(groups) + 44.0, f"{job.name}: {title}")
    head(drawing, f"{job.name}: {title}", what)
    left_out = 0
    for k, (kind, rows) in enumerate(groups.items()):
        angle = str(o.quantity[rows[0]]) == "angle"
        v = o.residual[rows]
        v = v / RADIANS[units.small_angle_name] if angle else v / METRES[units.length] * 1000.0
        unit = units.small_angle_name if angle else units.small_length_name
        y1 = drawing.height - HEAD - 16.0 - tall - k * (tall + gap)
        limit = reach(v, 1e-3)
        axes = Axes(LEFT, y1, WIDTH - RIGHT, y1 + tall, left, right, -limit, limit)
        last = k == len(groups) - 1
        draw_axes(drawing, axes, across if last else "", f"residual, {unit}")
        scatter(
            drawing,
            axes,
            x[rows],
            v,
            o.flagged[rows],
            partial(_reading, o.id[rows]),
        )
        words = _means(drawing, axes, x[rows], v)
        left_out += int((~thinned(o.flagged[rows])).sum())
        drawing.texts.append(
            Text(LEFT, y1 + tall + 9.0, f"{_NAMES.get(kind, kind)}: {len(rows)}", 9.0, bold=True)
        )
        drawing.words += (
            f"{_NAMES.get(kind, kind)}: {len(rows)}, mean {plain(float(v.mean()), 2)} {unit}{words}; "
        )
    about = "bar: mean of equally many neighbours with its 95 % interval; diamond: flagged; triangle: beyond the plot"
    if left_out:
        about += f"; {left_out} unflagged readings are not drawn for want of room, but counted in the means"
    drawing.texts.append(Text(LEFT - 32.0, 12.0, about, 7.5))
    drawing.words = f"{title.capitalize()}. {drawing.words.rstrip('; ')}."
    return drawing


def _reading(ids: Names, row: int) -> str:
    """`22` for 22.direction; a reduced row by its whole id."""
    name = str(ids[row])
    return name.rpartition(".")[0] or name


def _means(drawing: Drawing, axes: Axes, x: Floats, v: Floats) -> str:
    """Means of equally many neighbours in x, each with the 95 % interval that its own scatter gives."""
    n = len(x)
    parts = min(8, n // 12)
    if parts < 2:
        return ""
    off = 0
    for part in np.array_split(np.argsort(x, kind="stable"), parts):
        mean, half = float(v[part].mean()), FACTOR * float(v[part].std(ddof=1)) / math.sqrt(len(part))
        whisker(drawing, axes, float(x[part].mean()), mean - half, mean + half, "bar")
        off += abs(mean) > half
    return f", {off} of {parts} means beyond their 95 % interval"


def _kinds(a: Adjustment) -> dict[str, Ints]:
    """Rows of the readings of each kind, in the order in which kinds stand."""
    o, found = a.observations, {}
    rows = readings_of(a)
    for kind in dict.fromkeys(str(k) for k in o.kind[rows]):
        found[kind] = rows[o.kind[rows] == kind]
    return found

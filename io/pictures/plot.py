"""A plot on a drawing: axes with round ticks, dots that stay inside, and what lies beyond shown at the edge."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats
from hubtack.io.pictures.drawing import (
    Area,
    Dots,
    Drawing,
    Line,
    Shape,
    Style,
    Symbol,
    Text,
    nice,
    text_width,
)

Amount = TypeVar("Amount", float, Floats)
WIDTH = 720.0
LEFT, RIGHT, HEAD = 54.0, 18.0, 52.0  # room for the labels of the axis, at the right, and for the title


@dataclass(frozen=True)
class Axes:
    """A rectangle of the page (x1, y1, x2, y2) and what its edges stand for."""

    x1: float
    y1: float
    x2: float
    y2: float
    left: float
    right: float
    low: float
    high: float

    def x(self, value: Amount) -> Amount:
        """Where a value, or each of some, stands across the page."""
        return self.x1 + (value - self.left) / (self.right - self.left) * (self.x2 - self.x1)

    def y(self, value: Amount) -> Amount:
        """Where a value, or each of some, stands up the page."""
        return self.y1 + (value - self.low) / (self.high - self.low) * (self.y2 - self.y1)

    def inside(self, x: float, y: float) -> bool:
        """Whether a point of the plot lies within it."""
        return self.left <= x <= self.right and self.low <= y <= self.high


def head(drawing: Drawing, title: str, below: str) -> None:
    """Title, and in a line below what is to be seen."""
    drawing.texts.append(Text(LEFT - 32.0, drawing.height - 18.0, title, 12.0, bold=True))
    drawing.texts.append(Text(LEFT - 32.0, drawing.height - 35.0, below, 8.5))


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round values within low … high, at most so many; 0 among them if it lies there."""
    if not high > low:
        return [low]
    step = nice((high - low) / most)
    while (high - low) / step > most:
        step = _next(step)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def number(value: float, step: float) -> str:
    """A tick's figure with as many places as its step needs; never a minus zero."""
    places = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0.0 else 0
    text = f"{value:.{places}f}"
    return text.replace("-", "−") if text.strip("-0.") else text.lstrip("-")


def draw_axes(
    drawing: Drawing, axes: Axes, across: str, up: str, zero: bool = True, x_ticks: bool = True
) -> None:
    """Frame, grid, figures and the words of both axes; the line of zero heavier where `zero`."""
    a = axes
    for values, flat in ((ticks(a.low, a.high, 5), True), (ticks(a.left, a.right, 8), False)):
        step = values[1] - values[0] if len(values) > 1 else 1.0
        for v in values if flat or x_ticks else ():
            style: Style = "axis" if flat and zero and abs(v) < 1e-9 * max(step, 1e-9) else "grid"
            at = a.y(v) if flat else a.x(v)
            ends = (a.x1, at, a.x2, at) if flat else (at, a.y1, at, a.y2)
            drawing.lines.append(Line(*ends, style))
            place = (a.x1 - 5.0, at) if flat else (at, a.y1 - 8.0)
            drawing.texts.append(Text(*place, number(v, step), 7.5, "end" if flat else "middle"))
    corners = ((a.x1, a.y1), (a.x2, a.y1), (a.x2, a.y2), (a.x1, a.y2))
    for (x1, y1), (x2, y2) in zip(corners, corners[1:] + corners[:1], strict=True):
        drawing.lines.append(Line(x1, y1, x2, y2, "frame"))
    if across:
        drawing.texts.append(Text((a.x1 + a.x2) / 2, a.y1 - 21.0, across, 8.0, "middle"))
    drawing.texts.append(Text(a.x1 - 40.0, (a.y1 + a.y2) / 2, up, 8.0, "middle", turn=90.0))


def scatter(
    drawing: Drawing, axes: Axes, x: Floats, y: Floats, odd: Flags, name: Callable[[int], str]
) -> None:
    """Dots; odd ones as marked diamonds with their names; what lies above or below the plot as arrows at its edge.

    Of more than a page bears, all odd ones are drawn and of the others every so many-th (see `thinned`). `name` tells the name
    of a row.
    """
    rows = np.flatnonzero(thinned(odd) & np.isfinite(x) & np.isfinite(y))
    size = 3.4 if len(x) < 400 else 2.4 if len(x) < 2000 else 1.6
    across, up = axes.x(x[rows]), axes.y(np.clip(y[rows], axes.low, axes.high))
    above, below = y[rows] > axes.high, y[rows] < axes.low
    plain = ~(above | below | odd[rows])
    drawing.dots.append(Dots(across[plain], up[plain], size))
    taken: list[tuple[float, float, float]] = []
    for k in np.flatnonzero(~plain).tolist():
        place, called = (float(across[k]), float(up[k])), name(int(rows[k]))
        if above[k] or below[k]:
            shape: Shape = "open-triangle" if above[k] else "open-down"
            drawing.symbols.append(
                Symbol(place[0], place[1] + (-4.0 if above[k] else 4.0), shape, 6.0, called)
            )
        else:
            drawing.symbols.append(Symbol(*place, "flag", 4.6, called))
        if odd[rows[k]]:
            _name(drawing, axes, place, called, taken)


def _name(
    drawing: Drawing,
    axes: Axes,
    place: tuple[float, float],
    name: str,
    taken: list[tuple[float, float, float]],
) -> None:
    """The name of an odd one beside it, unless another stands there already."""
    long = text_width(name, 7.5)
    y = min(max(place[1], axes.y1 + 5.0), axes.y2 - 5.0)
    for x, at in (
        (place[0] + 6.0, y),
        (place[0] - 6.0 - long, y),
        (place[0] + 4.0, y + 7.5),
        (place[0] + 4.0, y - 7.5),
    ):
        free = all(x > right + 2.0 or x + long < left - 2.0 or abs(at - v) > 8.0 for left, right, v in taken)
        if free and axes.x1 < x and x + long < axes.x2 and axes.y1 < at < axes.y2:
            taken.append((x, x + long, at))
            drawing.texts.append(Text(x, at, name, 7.5, halo=True))
            return


def thinned(odd: Flags, most: int = 4000) -> Flags:
    """Which of many points are drawn: the odd ones, and evenly so many of the rest."""
    keep = np.ones(len(odd), dtype=bool)
    rest = np.flatnonzero(~odd)
    if len(rest) > most:
        keep[rest] = False
        keep[rest[np.unique(np.linspace(0, len(rest) - 1, most).astype(np.int64))]] = True
    return keep


def bars(drawing: Drawing, axes: Axes, edges: Floats, counts: Floats) -> None:
    """Columns from the floor of the plot."""
    for left, right, count in zip(edges[:-1].tolist(), edges[1:].tolist(), counts.tolist(), strict=True):
        if count > 0:
            x1, x2, top = axes.x(left), axes.x(right), axes.y(min(count, axes.high))
            drawing.areas.append(Area(((x1, axes.y1), (x2, axes.y1), (x2, top), (x1, top))))


def polyline(drawing: Drawing, axes: Axes, x: Floats, y: Floats, style: Style) -> None:
    """A line through points, cut where it leaves the plot."""
    places = [
        (axes.x(u), axes.y(v)) if axes.inside(u, v) else None
        for u, v in zip(x.tolist(), y.tolist(), strict=True)
    ]
    for a, b in pairwise(places):
        if a is not None and b is not None:
            drawing.lines.append(Line(*a, *b, style))


def whisker(drawing: Drawing, axes: Axes, x: float, low: float, high: float, style: Style = "axis") -> None:
    """A bar from low to high with short ends, cut at the edges of the plot."""
    at, y1, y2 = axes.x(x), axes.y(max(low, axes.low)), axes.y(min(high, axes.high))
    if y2 < y1:
        return
    drawing.lines.append(Line(at, y1, at, y2, style))
    for end, inside in ((y1, low >= axes.low), (y2, high <= axes.high)):
        if inside:
            drawing.lines.append(Line(at - 3.0, end, at + 3.0, end, style))


def reach(values: Floats, least: float) -> float:
    """Half the height of a plot about zero: nearly all values fit, one blunder does not flatten the rest."""
    size = np.abs(values[np.isfinite(values)])
    if not len(size):
        return least
    usual = min(float(np.quantile(size, 0.98)) * 1.25, 7.0 * float(np.median(size)) + 1e-300)
    largest = 1.08 * float(size.max())
    return max(largest if largest < 1.8 * usual else usual, least)


def _next(step: float) -> float:
    """The next of 1, 2, 5 × 10ⁿ."""
    power = 10.0 ** math.floor(math.log10(step) + 1e-9)
    first = round(step / power)
    return {1: 2.0, 2: 5.0, 5: 10.0}[first] * power

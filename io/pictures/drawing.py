"""A drawing as a list of shapes on a page, in points, y upwards. Two pens draw it: figures (PNG) and svgmap (SVG)."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats

Anchor = Literal["start", "middle", "end"]
Shape = Literal[
    "triangle", "open-triangle", "circle", "square", "down", "diamond", "cross", "stick", "ring",
    "dot", "flag", "open-down",
]  # fmt: skip
Style = Literal[
    "sight", "flagged", "ellipse", "axis", "frame", "bar", "grid", "leader", "curve", "limit", "area", "band"
]

# Stroke, width in points, dashes, fill. The colours stay apart for colour-blind readers, the dashes in print.
STYLES: dict[Style, tuple[str, float, tuple[float, float] | None, str | None]] = {
    "sight": ("#9a9a9a", 0.5, None, None),
    "flagged": ("#c0392b", 1.8, (5.0, 2.5), None),
    "ellipse": ("#0072b2", 1.0, None, "#cfe6f5"),
    "axis": ("#222222", 1.0, None, None),
    "frame": ("#bbbbbb", 0.6, None, None),
    "bar": ("#222222", 2.2, None, None),
    "grid": ("#dddddd", 0.5, None, None),
    "leader": ("#555555", 0.4, None, None),
    "curve": ("#d55e00", 1.6, None, None),
    "limit": ("#555555", 0.8, (3.0, 2.5), None),
    "area": ("#0072b2", 0.7, None, "#cfe6f5"),
    "band": ("#a8b4be", 0.5, None, "#e6ecf1"),
}
Box = tuple[float, float, float, float]  # x1, y1, x2, y2
_HALF = 5.0  # half the width of the symbol of a mark
_HAIR = 1e-6  # points: what touches a box counts as near it
# Widths of letters in sizes of the type, for a plain sans serif: enough to keep names apart (measured in tests).
_NARROW, _WIDE = frozenset("iIjl.,:;'|!-()[] ftr/"), frozenset("MWmw@%—…")


@dataclass(frozen=True)
class Line:
    """A straight line."""

    x1: float
    y1: float
    x2: float
    y2: float
    style: Style


@dataclass(frozen=True)
class Ellipse:
    """Semi-axes in points; `turn` is the angle of the first axis, counter-clockwise from x, rad."""

    x: float
    y: float
    first: float
    second: float
    turn: float
    name: str = ""


@dataclass(frozen=True)
class Symbol:
    """A mark or a device; `size` is its width in points."""

    x: float
    y: float
    shape: Shape
    size: float
    name: str = ""
    stood: str = ""  # kind of support, where it is one


@dataclass(frozen=True)
class Dots:
    """Plain dots of one size without names, which may be thousands: x, y (n,), width in points."""

    x: Floats
    y: Floats
    size: float


@dataclass(frozen=True)
class Text:
    """One line of text; y is the middle of its letters. `turn` (degrees, counter-clockwise) is about its anchor."""

    x: float
    y: float
    words: str
    size: float = 8.0
    anchor: Anchor = "start"
    bold: bool = False
    halo: bool = False
    turn: float = 0.0


@dataclass(frozen=True)
class Area:
    """A closed outline with its inside."""

    corners: tuple[tuple[float, float], ...]
    style: Style = "area"


@dataclass
class Drawing:
    """The page and what stands on it. Drawn in the order areas, lines, ellipses, symbols, dots, texts.

    `words` says in a sentence or two what is seen, for readers who don't see it.
    """

    width: float
    height: float
    title: str
    lines: list[Line] = field(default_factory=list)
    ellipses: list[Ellipse] = field(default_factory=list)
    symbols: list[Symbol] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)
    areas: list[Area] = field(default_factory=list)
    dots: list[Dots] = field(default_factory=list)
    words: str = ""


def text_width(words: str, size: float) -> float:
    """Estimated width of a text in points: no font is at hand where a page is made."""
    letters = (0.36 if c in _NARROW else 0.9 if c in _WIDE else 0.7 if c.isupper() else 0.61 for c in words)
    return size * sum(letters)


def shortened(words: str, most: int = 18) -> str:
    """A name cut to a length that a map can bear."""
    return words if len(words) <= most else words[: most - 1] + "…"


def nice(value: float) -> float:
    """The largest of 1, 2, 5 × 10ⁿ that is not above a positive value."""
    power = 10.0 ** math.floor(math.log10(value) + 1e-12)
    return power * next(m for m in (5.0, 2.0, 1.0) if m * power <= value * (1.0 + 1e-9))


def place_names(
    points: Floats, sizes: Floats, reach: Floats, segments: Floats, page: tuple[float, float, float, float]
) -> list[tuple[float, float] | None]:
    """Where the names of points (n, 2) go: the left end and the middle of each, or None where there is no
    room.

    `sizes` (n, 2) are the widths and heights of the names, `reach` (n, 2) half the width and height of what
    is drawn at each point. A name tries eight places around that, then eight close to the bare point, then
    eight further out. It must cover no point and no name already placed, and stay on the page (x1, y1, x2,
    y2); of what is left it takes the place where the fewest segments (n, 4) and drawn things are crossed.
    Points in a crowd choose first, since the others find room anywhere.
    """
    if not len(points):
        return []
    away = np.hypot(points[:, None, 0] - points[None, :, 0], points[:, None, 1] - points[None, :, 1])
    crowd = np.sum(away < 60.0, axis=1)
    count = len(points)
    taken = np.empty((2 * count, 4))  # points, then the names as they find their places
    taken[:count] = np.hstack([points - _HALF, points + _HALF])
    drawn = np.hstack([points - reach, points + reach])
    crossings = _Segments(segments).crossing
    places: list[tuple[float, float] | None] = [None] * len(points)
    for i in np.lexsort((np.arange(len(points)), -crowd)):
        best: tuple[float, Box] | None = None
        for ring, gap in enumerate((reach[i] + 2.5, np.full(2, _HALF + 2.0), reach[i] + 14.0)):
            boxes = _around(points[i], sizes[i], gap)
            free: Flags = ~np.any(_overlapping(np.array(boxes), taken[:count]), axis=1)
            for order, box in enumerate(boxes):
                if box[0] < page[0] or box[1] < page[1] or box[2] > page[2] or box[3] > page[3]:
                    continue
                if not free[order]:
                    continue
                covered = int(_overlapping(np.array([box]), drawn).sum())
                cost = crossings(box) + 0.7 * covered + 0.05 * order + 0.4 * ring
                if best is None or cost < best[0]:
                    best = (cost, box)
            if best is not None and best[0] < 0.4:
                break
        if best is not None:
            box = best[1]
            taken[count] = box
            count += 1
            places[i] = (box[0], (box[1] + box[3]) / 2)
    return places


def leader(x: float, y: float, place: tuple[float, float], width: float) -> Line | None:
    """A thin line from a point to its name, where the name stands too far off to be taken for its own."""
    end_x = min(max(x, place[0]), place[0] + width)
    return Line(x, y, end_x, place[1], "leader") if math.hypot(end_x - x, place[1] - y) > 17.0 else None


def _around(point: Floats, size: Floats, gap: Floats) -> list[Box]:
    (x, y), (w, h), (a, b) = point.tolist(), size.tolist(), gap.tolist()
    c, d = 0.75 * a, 0.75 * b
    lower_left = (
        (x + a, y - h / 2),
        (x + c, y + d),
        (x + c, y - d - h),
        (x - a - w, y - h / 2),
        (x - c - w, y + d),
        (x - c - w, y - d - h),
        (x - w / 2, y + b),
        (x - w / 2, y - b - h),
    )
    return [(left, low, left + w, low + h) for left, low in lower_left]


def _overlapping(boxes: Floats, others: Floats) -> Flags:
    """Which of some boxes (m, 4) lie over which others (n, 4): (m, n)."""
    x1, y1, x2, y2 = (c[:, None] for c in boxes.T)
    found: Flags = (others[:, 2] >= x1) & (others[:, 0] <= x2) & (others[:, 3] >= y1) & (others[:, 1] <= y2)
    return found


class _Segments:
    """Segments (n, 4) that are asked again and again how many of them pass through a box."""

    def __init__(self, segments: Floats) -> None:
        ends = segments.reshape(-1, 4)
        self._start, step = ends[:, :2], ends[:, 2:] - ends[:, :2]
        self._step = np.where(step == 0.0, 1e-9, step)
        ends = np.hstack([self._start, self._start + self._step])
        around = np.minimum(ends[:, :2], ends[:, 2:]) - _HAIR, np.maximum(ends[:, :2], ends[:, 2:]) + _HAIR
        self._around: Floats = np.hstack(around)

    def crossing(self, box: Box) -> float:
        """Clipped against the box, all that come near it at once (slabs in x and y)."""
        near = np.flatnonzero(_overlapping(np.array([box]), self._around)[0])
        if not len(near):
            return 0.0
        start, step = self._start[near], self._step[near]
        a, b = (np.array(box[:2]) - start) / step, (np.array(box[2:]) - start) / step
        enter, leave = np.minimum(a, b).max(axis=1), np.maximum(a, b).min(axis=1)
        return float(np.sum((enter < leave) & (leave > 0.0) & (enter < 1.0)))

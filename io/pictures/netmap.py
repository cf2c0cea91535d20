"""The network as a drawing: a map where marks have positions, a profile of heights where they have none."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Floats, Ints
from hubtack.io.once import once
from hubtack.io.pages.verdict import headline
from hubtack.io.pictures.drawing import (
    Drawing,
    Ellipse,
    Line,
    Shape,
    Style,
    Symbol,
    Text,
    leader,
    nice,
    place_names,
    shortened,
    text_width,
)
from hubtack.io.writers.sheets import names, one_dimensional_factor, percent

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job
    from hubtack.io.units import Units

WIDTH = 720.0
_MARGIN, _HEAD, _FOOT = 22.0, 46.0, 92.0
_MOST_NAMES = 500  # names that a page can bear
_CROWDED = 45  # marks beyond which the map has no room for what stood on them
_SUPPORTS: dict[str, Shape] = {
    "tribrach": "down",
    "stand": "square",
    "pole": "stick",
    "bolt": "diamond",
    "adhesive": "cross",
}


@dataclass(frozen=True)
class _Frame:
    """The part of the page that the map fills: x1, y1, x2, y2."""

    x1: float
    y1: float
    x2: float
    y2: float


@once
def network_drawing(adjustment: Adjustment, job: Job) -> Drawing:
    """A map with ellipses; a profile with bars for networks of heights only; a note where there is
    neither."""
    m = adjustment.marks
    flat = bool((np.isfinite(m.east) & np.isfinite(m.north)).any())
    drawing = _map(adjustment, job) if flat else _profile(adjustment, job)
    flagged = int(adjustment.observations.flagged.sum())
    drawing.words = (
        f"{len(m)} marks with their {'error ellipses' if flat else 'heights'}, joined by the readings between them; "
        f"flagged readings are dashed: {flagged}. All numbers stand in the tables."
    )
    return drawing


def _map(a: Adjustment, job: Job) -> Drawing:
    m = a.marks
    shown = np.flatnonzero(np.isfinite(m.east) & np.isfinite(m.north))
    # The middle is taken away first: grid coordinates are large and pixels small.
    east, north = m.east - np.mean(m.east[shown]), m.north - np.mean(m.north[shown])
    span_e, span_n = max(np.ptp(east[shown]), 1e-3), max(np.ptp(north[shown]), 1e-3)
    room = WIDTH - 2 * _MARGIN - 100.0
    height = float(np.clip(room * span_n / span_e + 70.0, 250.0, 620.0))
    scale = min(room / span_e, (height - 70.0) / span_n)  # points per metre
    drawing = Drawing(WIDTH, height + _HEAD + _FOOT, job.name)
    frame = _Frame(_MARGIN, _FOOT, WIDTH - _MARGIN, _FOOT + height)
    middle_e = (east[shown].max() + east[shown].min()) / 2
    middle_n = (north[shown].max() + north[shown].min()) / 2
    x = (frame.x1 + frame.x2) / 2 + (east - middle_e) * scale
    y = (frame.y1 + frame.y2) / 2 + (north - middle_n) * scale
    segments = _sights(a, x, y, drawing)
    exaggeration = _ellipses(a, shown, x, y, scale, drawing)
    undrawn = _marks(a, shown, x, y, segments, frame, drawing)
    _head(a, job, drawing)
    _north(frame, drawing)
    _scale_bar(frame.x1, 40.0, scale, 1.0, job.units, drawing)
    if exaggeration:
        _scale_bar(frame.x1, 14.0, scale * exaggeration, exaggeration, job.units, drawing)
    level = percent(a.settings.confidence)
    notes = [f"ellipses: 2D {level} ({a.ellipse_factor:.3f} sigma), drawn {exaggeration:.0f} times too large"]
    notes = notes if exaggeration else []
    if len(shown) < len(m):
        absent = names(m.mark[np.setdiff1d(np.arange(len(m)), shown)], 4)
        notes.append(f"not drawn, having no position: {absent}")
    if undrawn:
        notes.append(f"{undrawn} name{'s' * (undrawn > 1)} left out for want of room")
    _legend(a, drawing, notes, crowded=len(shown) > _CROWDED)
    return drawing


def _profile(a: Adjustment, job: Job) -> Drawing:
    m = a.marks
    shown = np.flatnonzero(np.isfinite(m.height))
    height_of_map = 330.0
    drawing = Drawing(WIDTH, height_of_map + _HEAD + _FOOT, job.name)
    frame = _Frame(_MARGIN + 44.0, _FOOT, WIDTH - _MARGIN, _FOOT + height_of_map)
    _head(a, job, drawing)
    if not len(shown):
        drawing.texts.append(
            Text(WIDTH / 2, (frame.y1 + frame.y2) / 2, "No mark has a position or a height.", 9.0, "middle")
        )
        return drawing
    low, high = float(m.height[shown].min()), float(m.height[shown].max())
    span = max(high - low, 1e-3)
    room = height_of_map - 90.0
    scale = room / span
    x, y = np.full(len(m), np.nan), np.full(len(m), np.nan)
    x[shown] = (
        frame.x1 + 40.0 + (frame.x2 - frame.x1 - 110.0) * np.arange(len(shown)) / max(len(shown) - 1, 1)
    )
    y[shown] = frame.y1 + 45.0 + (m.height[shown] - low) * scale
    units = job.units
    step = nice(units.length_of(span) / 3.0) / units.length_of(1.0)
    places = max(0, -math.floor(math.log10(units.length_of(step)) + 1e-9))
    for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1):
        at = frame.y1 + 45.0 + (k * step - low) * scale
        drawing.lines.append(Line(frame.x1, at, frame.x2, at, "grid"))
        drawing.texts.append(Text(frame.x1 - 4.0, at, units.show_length(k * step, places), 7.5, "end"))
    drawing.texts.append(Text(_MARGIN, frame.y2 - 16.0, f"height [{units.length_name}]", 8.0))
    segments = _sights(a, x, y, drawing)
    factor = one_dimensional_factor(a.settings.confidence)
    size = factor * np.nan_to_num(m.sigma_height[shown])
    exaggeration = _exaggeration(size, scale)
    bars: list[tuple[float, float, float, float]] = []
    for i, half in zip(shown, size * scale * exaggeration, strict=True):
        if half > 0.0:
            drawing.lines.append(Line(x[i], y[i] - half, x[i], y[i] + half, "bar"))
            bars.append((x[i], y[i] - half, x[i], y[i] + half))
            drawing.lines += [
                Line(x[i] - 3, y[i] + s * half, x[i] + 3, y[i] + s * half, "axis") for s in (-1, 1)
            ]
    segments = np.vstack([segments, np.array(bars).reshape(-1, 4)])
    undrawn = _marks(a, shown, x, y, segments, _Frame(_MARGIN, frame.y1, frame.x2, frame.y2), drawing)
    notes = [
        f"marks in the order of marks.csv; bars: height, 1D {percent(a.settings.confidence)} ({factor:.3f} sigma)"
    ]
    if exaggeration:
        notes[0] += f", drawn {exaggeration:.0f} times too large"
        _scale_bar(_MARGIN, 14.0, scale * exaggeration, exaggeration, units, drawing)
    if undrawn:
        notes.append(f"{undrawn} name{'s' * (undrawn > 1)} left out for want of room")
    _legend(a, drawing, notes, crowded=True)
    return drawing


def _sights(a: Adjustment, x: Floats, y: Floats, drawing: Drawing) -> Floats:
    """One line a pair of marks that an observation joins, flagged ones apart. Returns the lines as (n, 4)."""
    o, n = a.observations, len(x)
    start, end = np.minimum(o.start_mark, o.end_mark), np.maximum(o.start_mark, o.end_mark)
    joins = np.flatnonzero((start >= 0) & (start != end) & np.isfinite(x[start]) & np.isfinite(x[end]))
    pairs, number = np.unique(start[joins] * n + end[joins], return_inverse=True)
    flagged = np.bincount(number.reshape(-1), o.flagged[joins], minlength=len(pairs)) > 0
    a_, b_ = pairs // n, pairs % n
    segments: Floats = np.column_stack([x[a_], y[a_], x[b_], y[b_]])
    styles: tuple[Style, Style] = ("sight", "flagged")
    drawing.lines += [
        Line(x1, y1, x2, y2, styles[wrong])
        for (x1, y1, x2, y2), wrong in zip(segments.tolist(), flagged.tolist(), strict=True)
    ]
    return segments


def _exaggeration(sizes: Floats, scale: float, room: float = 23.0) -> float:
    """A round factor at which the median of the sizes (m) is drawn some 10 points large, the largest below
    60.

    `room` is the usual distance between neighbours, in points: ellipses in a crowd are kept smaller.
    """
    sizes = sizes[np.isfinite(sizes) & (sizes > 0.0)]
    if not len(sizes):
        return 0.0
    wanted = min(14.0, max(0.6 * room, 5.0))
    return nice(min(wanted / float(np.median(sizes)), 60.0 / float(sizes.max())) / scale)


def _room(x: Floats, y: Floats) -> float:
    """Median distance of a point to its nearest neighbour; of many points, of an evenly drawn sample."""
    if len(x) < 2:
        return 60.0
    chosen = np.unique(np.linspace(0, len(x) - 1, min(len(x), 400)).astype(np.int64))
    away = np.hypot(x[chosen, None] - x[None, :], y[chosen, None] - y[None, :])
    away[np.arange(len(chosen)), chosen] = np.inf
    return float(np.median(away.min(axis=1)))


def _ellipses(a: Adjustment, shown: Ints, x: Floats, y: Floats, scale: float, drawing: Drawing) -> float:
    m = a.marks
    exaggeration = _exaggeration(m.semi_major[shown], scale, _room(x[shown], y[shown]))
    for i in shown:
        if m.semi_major[i] > 0.0:
            first, second = (s * scale * exaggeration for s in (m.semi_major[i], m.semi_minor[i]))
            turn = math.pi / 2 - m.ellipse_azimuth[i]  # azimuths run clockwise from north
            drawing.ellipses.append(Ellipse(x[i], y[i], first, max(second, 0.2), turn, str(m.mark[i])))
    return exaggeration


def _marks(
    a: Adjustment, shown: Ints, x: Floats, y: Floats, segments: Floats, frame: _Frame, drawing: Drawing
) -> int:
    """Symbols and names; returns how many names found no room."""
    m = a.marks
    crowded = len(shown) > _CROWDED
    size = 8.5 if not crowded else 6.0 if len(shown) <= _MOST_NAMES else 3.0
    stood = _stood(a) if not crowded else {}
    told = dict.fromkeys(_flagged_marks(a), " !")
    instruments = set(a.network.setups.mark[a.network.setups.instrument].tolist())
    for i in shown:
        if int(i) in instruments and not crowded:
            drawing.symbols.append(Symbol(x[i], y[i], "ring", size + 5.0))
        drawing.symbols.append(Symbol(x[i], y[i], _kind(str(m.control[i])), size, str(m.mark[i])))
    named = _worth_a_name(a, shown, set(told))
    words = [
        shortened(str(m.mark[i])) + told.get(int(i), "") + (" ?" if m.unchecked[i] else "") for i in named
    ]
    type_size = 8.5 if not crowded else 6.5
    page = (frame.x1 - 12.0, frame.y1, frame.x2 + 12.0, frame.y2)
    kinds = [stood.get(int(i), ()) for i in named]
    sizes = np.array(
        [
            (max(text_width(w, type_size), 7.0 * len(k)), type_size + 1.0 + (7.0 if k else 0.0))
            for w, k in zip(words, kinds, strict=True)
        ]
    )
    points = np.column_stack([x[named], y[named]])
    places = place_names(
        points, sizes, _reach(drawing, points, 0.5 * size + (2.5 if not crowded else 1.0)), segments, page
    )
    for i, text, place, devices, (width, _) in zip(named, words, places, kinds, sizes, strict=True):
        if place is None:
            continue
        line = leader(x[i], y[i], place, width)
        drawing.lines += [line] if line else []
        drawing.texts.append(Text(place[0], place[1] + (3.5 if devices else 0.0), text, type_size, halo=True))
        for k, kind in enumerate(devices):
            drawing.symbols.append(
                Symbol(place[0] + 3.5 + 7.0 * k, place[1] - 4.5, _SUPPORTS[kind], 4.2, "", kind)
            )
    return len(shown) - len(named) + sum(p is None for p in places)


def _worth_a_name(a: Adjustment, shown: Ints, flagged: set[int]) -> Ints:
    """All marks; of more than a page has room for, those that are flagged, unchecked or control."""
    if len(shown) <= _MOST_NAMES:
        return shown
    control = np.array([bool(c) for c in a.marks.control])
    first = [i for i in shown if int(i) in flagged or a.marks.unchecked[i] or control[i]]
    return np.array(first[:_MOST_NAMES], dtype=np.int64)


def _reach(drawing: Drawing, points: Floats, least: float) -> Floats:
    """Half the width and height of what is drawn at each point: its symbol or its ellipse, whichever is
    larger."""
    reach = np.full(points.shape, least)
    row = {(float(p[0]), float(p[1])): k for k, p in enumerate(points)}
    for e in drawing.ellipses:
        k = row.get((float(e.x), float(e.y)))
        if k is None:
            continue
        c, s = math.cos(e.turn), math.sin(e.turn)
        half = (math.hypot(e.first * c, e.second * s), math.hypot(e.first * s, e.second * c))
        reach[k] = np.maximum(reach[k], np.minimum(half, 22.0))
    return reach


def _flagged_marks(a: Adjustment) -> set[int]:
    """Marks with a flagged setup on them, and flagged control."""
    marks = set(a.network.setups.mark[a.setups.flagged].tolist()) if len(a.setups) else set()
    wrong = {str(name) for name in a.control.mark[a.control.flagged]}
    return marks | {i for i, name in enumerate(a.marks.mark) if str(name) in wrong}


def _stood(a: Adjustment) -> dict[int, tuple[str, ...]]:
    """Kinds of support that stood on each mark, each once, in the order of the catalogue above."""
    setups, kinds = a.network.setups, a.network.supports.kind
    found: dict[int, set[str]] = {}
    for mark, support in zip(setups.mark.tolist(), setups.support.tolist(), strict=True):
        if 0 <= support < len(kinds):
            found.setdefault(mark, set()).add(str(kinds[support]))
    return {mark: tuple(k for k in _SUPPORTS if k in set_) for mark, set_ in found.items()}


def _kind(control: str) -> Shape:
    if "held" in control:
        return "triangle"
    return "open-triangle" if "weighted" in control else "circle"


def _head(a: Adjustment, job: Job, drawing: Drawing) -> None:
    drawing.texts.append(Text(_MARGIN, drawing.height - 18.0, shortened(job.name, 80), 13.0, bold=True))
    drawing.texts.append(Text(_MARGIN, drawing.height - 36.0, headline(a)[1], 9.0))


def _north(frame: _Frame, drawing: Drawing) -> None:
    x, y = frame.x2 - 4.0, frame.y2 + 6.0
    drawing.lines += [
        Line(x, y - 30.0, x, y, "axis"),
        Line(x - 4, y - 9, x, y, "axis"),
        Line(x + 4, y - 9, x, y, "axis"),
    ]
    drawing.texts.append(Text(x, y + 8.0, "N", 9.0, "middle", bold=True))


def _scale_bar(x: float, y: float, scale: float, exaggeration: float, units: Units, drawing: Drawing) -> None:
    """A bar of a round length below 110 points. `scale` is points per metre; beyond 1 the bar measures
    ellipses."""
    small = exaggeration > 1.0
    per_metre = units.small_length_of(1.0) if small else units.length_of(1.0)
    number = nice(110.0 / scale * per_metre)
    length = number / per_metre * scale
    drawing.lines.append(Line(x, y, x + length, y, "bar"))
    drawing.lines += [Line(e, y - 3.5, e, y + 3.5, "axis") for e in (x, x + length)]
    unit = units.small_length_name if small else units.length_name
    if unit.startswith("0.001 "):  # thousandths of a foot read better as feet
        number, unit = number / 1000.0, unit.removeprefix("0.001 ")
    what = ("bars" if not drawing.ellipses else "ellipses") if small else "distances"
    drawing.texts.append(Text(x + length + 7.0, y, f"{number:.10g} {unit} ({what})", 8.0))


def _legend(a: Adjustment, drawing: Drawing, notes: list[str], crowded: bool) -> None:
    """What the shapes and lines mean, only those that occur, then the notes."""
    control = [str(c) for c in a.marks.control]
    styles = {line.style for line in drawing.lines}
    stood = {k for kinds in _stood(a).values() for k in kinds} if not crowded else set()
    shapes: list[tuple[bool, Shape, float, str]] = [
        (any("held" in c for c in control), "triangle", 8.0, "held"),
        (any("weighted" in c and "held" not in c for c in control), "open-triangle", 8.0, "weighted"),
        (not all(control), "circle", 8.0, "new mark"),
        (bool(stood), "ring", 11.0, "instrument stood here"),
        *((kind in stood, shape, 4.2, kind) for kind, shape in _SUPPORTS.items()),
    ]
    lines: list[tuple[Style, str]] = [("sight", "measured"), ("flagged", "flagged reading")]
    words: list[tuple[bool, str]] = [
        (bool(_flagged_marks(a)), "! flagged setup or control"),
        (bool(a.marks.unchecked.any()), "? unchecked mark"),
    ]
    pen = _Pen(drawing, 300.0, _FOOT - 14.0)
    for there, shape, size, text in shapes:
        if there:
            x, y = pen.room(18.0, text)
            drawing.symbols.append(Symbol(x + 7.0, y, shape, size, "", text if text in _SUPPORTS else ""))
    for style, text in lines:
        if style in styles:
            x, y = pen.room(18.0, text)
            drawing.lines.append(Line(x, y, x + 14.0, y, style))
    for there, text in words:
        if there:
            pen.room(0.0, text)
    for note in notes:
        pen.new_line()
        pen.room(0.0, note)


@dataclass
class _Pen:
    """Writes entries of a legend one after the other and breaks the line where the page ends."""

    drawing: Drawing
    left: float
    y: float
    x: float = 0.0

    def room(self, before: float, text: str) -> tuple[float, float]:
        """Write `text` with so much room before it; returns where that room begins."""
        width = before + text_width(text, 8.0) + 8.0
        if self.x > 0.0 and self.left + self.x + width > WIDTH - _MARGIN:
            self.new_line()
        x = self.left + self.x
        self.drawing.texts.append(Text(x + before, self.y, text, 8.0))
        self.x += width
        return x, self.y

    def new_line(self) -> None:
        """Go to the start of the next line."""
        self.x, self.y = 0.0, self.y - 13.0

"""The picture is true to scale, its names are apart, and what it exaggerates it says."""

from __future__ import annotations

import dataclasses
import re
import struct
import zlib

import numpy as np
import pytest

from hubtack.io.pictures.drawing import nice, place_names, text_width
from hubtack.io.pictures.figures import network_picture
from hubtack.io.pictures.netmap import network_drawing
from hubtack.io.pictures.svgmap import svg
from hubtack.io.units import Units

from .made_up import levelling, made_up


def symbols(drawing, names):
    places = {s.name: (s.x, s.y) for s in drawing.symbols if s.name}
    return np.array([places[n] for n in names])


def scale_of(drawing, marks):
    """Points per metre in east and north, by regression of the page on the ground."""
    page = symbols(drawing, marks.mark)
    return np.polyfit(marks.east, page[:, 0], 1), np.polyfit(marks.north, page[:, 1], 1)


def bar(drawing, what):
    """Length of a scale bar on the page and the number beside it."""
    (label,) = [t for t in drawing.texts if t.words.endswith(f"({what})")]
    (line,) = [p for p in drawing.lines if p.style == "bar" and p.y1 == p.y2 == label.y]
    number, unit, _ = label.words.split()
    return line.x2 - line.x1, float(number), unit


@pytest.mark.parametrize("count", [2, 5, 30, 300])
def test_map_is_true_to_scale_and_upright(count):
    adjustment, job = made_up(count)
    drawing = network_drawing(adjustment, job)
    (east, _), (north, _) = scale_of(drawing, adjustment.marks)
    assert east == pytest.approx(north, rel=1e-6)
    assert east > 0.0
    page = symbols(drawing, adjustment.marks.mark)
    assert page.min() > 0.0
    assert page[:, 0].max() < drawing.width
    assert page[:, 1].max() < drawing.height
    for t in drawing.texts:
        assert -1.0 < t.x < drawing.width
        assert 4.0 < t.y < drawing.height


@pytest.mark.parametrize("units", [Units(), Units("ft", "gon")])
def test_scale_bars_measure_the_map_and_the_ellipses(units):
    adjustment, job = made_up(30, units=units)
    drawing, metres = network_drawing(adjustment, job), 1.0 if units.length == "m" else 0.3048
    (scale, _), _ = scale_of(drawing, adjustment.marks)
    length, number, unit = bar(drawing, "distances")
    assert unit == units.length
    assert length == pytest.approx(number * metres * scale)
    (note,) = [t.words for t in drawing.texts if "times too large" in t.words]
    exaggeration = float(re.search(r"drawn (\d+) times", note)[1])
    length, number, unit = bar(drawing, "ellipses")
    assert length == pytest.approx(number * {"mm": 1e-3, "ft": 0.3048}[unit] * scale * exaggeration)
    for e in drawing.ellipses:
        i = list(adjustment.marks.mark).index(e.name)
        assert e.first == pytest.approx(adjustment.marks.semi_major[i] * scale * exaggeration)


def test_ellipses_lie_as_their_covariance_says():
    adjustment, job = made_up(30)
    drawing = network_drawing(adjustment, job)
    assert len(drawing.ellipses) == len(adjustment.marks) - 1  # the first is held
    for e in drawing.ellipses:
        i = list(adjustment.marks.mark).index(e.name)
        axis = np.array([np.cos(e.turn), np.sin(e.turn)])  # east, north on the page
        covariance = adjustment.marks.covariance[i, :2, :2]
        largest = np.linalg.eigvalsh(covariance)[-1]
        assert axis @ covariance @ axis == pytest.approx(largest, rel=1e-9)


def boxes(drawing, names):
    found = [t for t in drawing.texts if t.halo and t.words.rstrip(" !?") in names]
    return [(t.x, t.y - t.size / 2, t.x + text_width(t.words, t.size), t.y + t.size / 2) for t in found]


@pytest.mark.parametrize("count", [5, 30, 300])
def test_names_lie_on_no_other_name_and_on_no_mark(count):
    adjustment, job = made_up(count)
    drawing = network_drawing(adjustment, job)
    names = {str(m)[:17] + "…" if len(str(m)) > 18 else str(m) for m in adjustment.marks.mark}
    rectangles = boxes(drawing, names)
    left_out = [t.words for t in drawing.texts if "left out for want of room" in t.words]
    missing = int(left_out[0].split()[0]) if left_out else 0
    assert len(rectangles) + missing == count
    assert missing <= 0.05 * count
    for k, a in enumerate(rectangles):
        for b in rectangles[k + 1 :]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
        for x, y in symbols(drawing, adjustment.marks.mark):
            assert not (a[0] < x < a[2] and a[1] < y < a[3])


@pytest.mark.parametrize(
    "words", ["W04", "Y12 !", "38532768", "PIER-1", "=SUM(A1:A9)", "instrument stood here", "MMW"]
)
def test_estimated_width_is_near_that_of_the_font(words):
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    drawn = TextPath((0, 0), words, size=10.0, prop=FontProperties(family="DejaVu Sans")).get_extents().width
    assert text_width(words, 10.0) == pytest.approx(
        drawn, rel=0.15
    )  # a name of 5 letters: less than one letter


def test_a_name_without_room_is_left_out():
    crowd = np.zeros((9, 2)) + 50.0
    sizes = np.full((9, 2), 30.0)
    places = place_names(crowd, sizes, np.full((9, 2), 5.0), np.empty((0, 4)), (0.0, 0.0, 100.0, 100.0))
    assert None in places
    assert any(p is not None for p in places)


def test_a_crowd_keeps_the_names_that_matter(monkeypatch):
    monkeypatch.setattr("hubtack.io.pictures.netmap._MOST_NAMES", 20)
    adjustment, job = made_up(60)
    drawing = network_drawing(adjustment, job)
    words = [t.words for t in drawing.texts]
    assert "PIER-1" in words  # control
    assert "Y59 ?" in words  # unchecked
    named = [t for t in drawing.texts if t.halo]
    assert len(named) <= 20
    assert f"{60 - len(named)} names left out for want of room" in words


def test_flagged_readings_are_dashed_and_pairs_drawn_once():
    adjustment, job = made_up(30)
    drawing, o = network_drawing(adjustment, job), adjustment.observations
    pairs = {tuple(sorted(p)) for p in zip(o.start_mark.tolist(), o.end_mark.tolist(), strict=True)}
    wrong = {tuple(sorted((int(o.start_mark[i]), int(o.end_mark[i])))) for i in np.flatnonzero(o.flagged)}
    inside = [p for p in drawing.lines if p.y1 > 92.0]  # above the legend
    assert sum(p.style in ("sight", "flagged") for p in inside) == len(pairs)
    assert sum(p.style == "flagged" for p in inside) == len(wrong)
    words = {t.words for t in drawing.texts}
    assert "flagged reading" in words
    assert any(w.startswith("Y29") and w.endswith("?") for w in words)
    assert "? unchecked mark" in words


def test_marks_without_position_are_told():
    adjustment, job = made_up(8)
    east = adjustment.marks.east.copy()
    east[3] = np.nan
    adjustment = dataclasses.replace(adjustment, marks=adjustment.marks.replace(east=east))
    drawing = network_drawing(adjustment, job)
    assert "not drawn, having no position: <b>bold</b>" in [t.words for t in drawing.texts]


def test_heights_only_make_a_profile():
    adjustment, job = levelling()
    drawing = network_drawing(adjustment, job)
    page = symbols(drawing, adjustment.marks.mark)
    assert list(page[:, 0]) == sorted(page[:, 0])
    assert np.corrcoef(page[:, 1], adjustment.marks.height)[0, 1] == pytest.approx(1.0)
    grid = {t.y: float(t.words) for t in drawing.texts if t.anchor == "end"}
    (scale, start) = np.polyfit(adjustment.marks.height, page[:, 1], 1)
    assert len(grid) >= 2
    for y, height in grid.items():
        assert y == pytest.approx(scale * height + start, abs=1e-6)
    assert bar(drawing, "bars")[2] == "mm"
    assert not drawing.ellipses


def test_nothing_to_draw_is_said():
    adjustment, job = levelling(3)
    nothing = adjustment.marks.replace(height=np.full(3, np.nan))
    adjustment = dataclasses.replace(adjustment, marks=nothing)
    assert "No mark has a position or a height." in [t.words for t in network_drawing(adjustment, job).texts]


def chunks(data):
    at = 8
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        kind = data[at + 4 : at + 8]
        assert struct.unpack(">I", data[at + 8 + length : at + 12 + length])[0] == zlib.crc32(
            data[at + 4 : at + 8 + length]
        )
        yield kind.decode(), data[at + 8 : at + 8 + length]
        at += 12 + length


@pytest.mark.parametrize("network", [made_up(8), made_up(3, name="雨 $x$ \\frac{"), levelling()])
def test_picture_is_whole_and_bears_no_date(network, tmp_path, recwarn):
    path = tmp_path / "network.png"
    network_picture(*network, path)
    found = dict(chunks(path.read_bytes()))
    width, height = struct.unpack(">II", found["IHDR"][:8])
    assert width == 1600
    assert 600 < height < 2100
    assert "tEXt" not in found
    assert "tIME" not in found
    assert not [w for w in recwarn if "Glyph" in str(w.message)]


def test_svg_holds_the_same_shapes_escaped():
    adjustment, job = made_up(30)
    drawing = network_drawing(adjustment, job)
    text = svg(drawing, "a < b", "c & d")
    assert text.count("<ellipse") == len(drawing.ellipses)
    assert text.count("<text") == len(drawing.texts)
    assert "<b>bold" not in text
    assert "&lt;b&gt;bold&lt;/b&gt;" in text
    assert "a &lt; b" in text
    assert len(svg(network_drawing(*made_up(200)), "", "")) < 100_000  # bytes: the page stays small


@pytest.mark.parametrize(
    ("value", "wanted"), [(1.0, 1.0), (1.9, 1.0), (2.0, 2.0), (4.99, 2.0), (730.0, 500.0), (0.03, 0.02)]
)
def test_round_numbers(value, wanted):
    assert nice(value) == pytest.approx(wanted)

"""The figures show what the tables hold: counted, placed and written anew here, without the code that draws."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from scipy.stats import norm

from hubtack.adjust import adjust
from hubtack.io.job import read_job
from hubtack.io.pictures.day_figure import day_drawing, sight_times
from hubtack.io.pictures.decisions_figure import decisions_drawing
from hubtack.io.pictures.gallery import FIGURES, drawings
from hubtack.io.pictures.plot import number, thinned, ticks
from hubtack.io.pictures.residual_figures import distance_drawing, normal_drawing, zenith_drawing
from hubtack.io.pictures.svgmap import svg, svg_file
from hubtack.io.writers.deliverables import FIGURE_FILES
from hubtack.io.writers.figures import write

from .made_up import levelling, made_up

SAMPLES = Path(__file__).parents[2] / "sample_networks"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def yard():
    job = read_job(SAMPLES / "braced-traverse")
    return adjust(job.network, job.settings), job


def tick_scale(drawing, low, high):
    """Value per point across the page, from the figures that stand between y low and high."""
    found = [(t.x, float(t.words)) for t in drawing.texts if low < t.y < high and t.words.isdigit()]
    return np.polyfit(*np.array(sorted(set(found))).T, 1)


def test_columns_are_counts_and_the_curve_is_the_normal_one(yard) -> None:
    a, job = yard
    drawing = normal_drawing(a, job)
    assert drawing is not None
    edges = np.arange(-4.0, 4.1, 0.5)
    for kind in ("direction", "zenith", "distance"):
        w = a.observations.standardized[a.observations.kind == kind]
        counts, _ = np.histogram(w, edges)
        name = {"direction": "directions", "zenith": "zenith angles", "distance": "slope distances"}[kind]
        (title,) = [t for t in drawing.texts if t.words == f"{name}: {len(w)}"]
        left = title.x
        columns = [c for c in drawing.areas if left - 1 < c.corners[0][0] < left + 200]
        floor = columns[0].corners[0][1]
        # points per reading, from the tallest column: then every column and the curve must agree with it
        unit = max(c.corners[2][1] - floor for c in columns) / counts.max()
        assert [round((c.corners[2][1] - floor) / unit) for c in columns] == [n for n in counts if n]
        assert all(abs((c.corners[2][1] - floor) / unit % 1.0 - 0.5) > 0.49 for c in columns)
        top = max(p.y1 for p in drawing.lines if p.style == "curve" and left - 1 < p.x1 < left + 200)
        assert (top - floor) / unit == pytest.approx(len(w) * 0.5 * norm.pdf(0.0), rel=1e-6)


def test_dots_stand_at_their_distance_and_residual(yard) -> None:
    a, job = yard
    drawing = distance_drawing(a, job)
    assert drawing is not None
    o, m = a.observations, a.marks
    rows = np.flatnonzero(o.kind == "distance")
    at = np.column_stack([m.east, m.north, m.height])
    far = np.linalg.norm(at[o.end_mark[rows]] - at[o.start_mark[rows]], axis=1)
    v = 1000.0 * o.residual[rows]
    (title,) = [t for t in drawing.texts if t.words == "slope distances: 54"]
    dots = np.array(
        [(x, y) for d in drawing.dots for x, y in zip(d.x, d.y, strict=True) if title.y - 150 < y < title.y]
    )
    x = tick_scale(drawing, title.y - 150, title.y - 128)
    y = np.polyfit(*np.array([(t.y, float(t.words.replace("−", "-"))) for t in drawing.texts
                              if t.anchor == "end" and title.y - 150 < t.y < title.y]).T, 1)  # fmt: skip
    drawn = np.column_stack([np.polyval(x, dots[:, 0]), np.polyval(y, dots[:, 1])])
    expected = np.column_stack([far, v])
    assert len(dots) == len(rows)  # none lies beyond: no triangle
    for d in expected:
        assert np.min(np.abs(drawn - d).max(axis=1)) < 1e-6


def test_a_circle_that_turns_shows_as_a_slope_within_its_setup(yard) -> None:
    job = yard[1]
    s = job.network.sights
    at, clock = sight_times(job, len(s))
    assert clock
    first = s.start == s.start[0]
    twist = np.where(first, 600.0 * 4.848e-6 * (at - at[first].mean()), 0.0)  # 600 arcsec an hour
    network = dataclasses.replace(job.network, sights=s.replace(circle=s.circle + twist))
    turned = day_drawing(adjust(network, job.settings), job)
    assert turned is not None

    def slope(drawing):
        names = [t for t in drawing.texts if t.words in ("I01", "I02")]
        left, right = (next(t.x for t in names if t.words == n) for n in ("I01", "I02"))
        drawn = [(x, y) for d in drawing.dots for x, y in zip(d.x, d.y, strict=True)]
        drawn += [(p.x, p.y) for p in drawing.symbols]  # arrows at the edge
        dots = [(x, y) for x, y in drawn if left - 1 < x < right - 1 and y > drawing.height - 220]
        dots = np.array(
            sorted(dots)[: int((first & (s.round == 1) & (s.face == 1)).sum())]
        )  # one face of one round
        return np.corrcoef(dots.T)[0, 1]

    assert abs(slope(day_drawing(*yard))) < 0.7  # five readings by chance
    assert slope(turned) < -0.9  # adjusted − read falls where the circle's readings grow


@pytest.mark.parametrize("sample", ["by-hand", "moved-control"])
def test_samples_give_files_that_repeat(sample: str, tmp_path: Path) -> None:
    job = read_job(SAMPLES / sample)
    a = adjust(job.network, job.settings)
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        write(a, job, tmp_path / name)
    files = sorted(p.name for p in (tmp_path / "one").iterdir())
    assert set(files) <= set(FIGURE_FILES)
    assert "network.svg" in files
    for name in files:
        data = (tmp_path / "one" / name).read_bytes()
        assert data == (tmp_path / "two" / name).read_bytes()
        if name.endswith("svg"):
            root = ElementTree.fromstring(data)
            assert root.tag == f"{SVG}svg"
            assert root.find(f"{SVG}title").text
            assert len(root.find(f"{SVG}desc").text) > 20


def test_hostile_names_are_text_in_a_file() -> None:
    a, job = made_up(30, name='<script>alert("1")</script>\x07 & co')
    for _, drawing in drawings(a, job):
        root = ElementTree.fromstring(svg_file(drawing, drawing.title, drawing.words))
        assert not [e for e in root.iter() if e.tag.endswith("script")]
        assert any('<script>alert("1")</script>?' in (e.text or "") for e in root.iter(f"{SVG}title"))


def test_ids_differ_within_a_page(yard) -> None:
    ids = []
    for name, drawing in drawings(*yard):
        root = ElementTree.fromstring(svg(drawing, drawing.title, drawing.words, name))
        ids += [e.attrib["id"] for e in root.iter() if "id" in e.attrib]
        assert root.attrib["aria-labelledby"].split() == ids[-2:]
    # this job has no decisions, and nobody judged its heights
    assert len(ids) == len(set(ids)) == 2 * (len(FIGURES) - 2)


def test_words_stay_on_the_page_whatever_stands_there(yard) -> None:
    for a, job in (yard, made_up(300), made_up(5)):
        for name, drawing in drawings(a, job):
            for t in drawing.texts:
                assert 0.0 < t.x < drawing.width, (name, t)
                assert 0.0 < t.y < drawing.height, (name, t)


def test_of_thousands_every_odd_one_is_drawn() -> None:
    odd = np.zeros(30_000, dtype=bool)
    odd[::1000] = True
    keep = thinned(odd, 4000)
    assert keep[odd].all()
    assert 3900 < keep.sum() <= 4030


def test_a_levelling_net_has_no_residuals_by_zenith() -> None:
    a, job = levelling(6)
    assert zenith_drawing(a, job) is None
    assert day_drawing(a, job) is None


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(0.0, 10.0, [0, 2, 4, 6, 8, 10]), (-0.35, 0.35, [-0.2, 0.0, 0.2]), (7.0, 7.0, [7.0])],
)
def test_ticks_are_round(low: float, high: float, expected: list[float]) -> None:
    assert ticks(low, high, 5) == pytest.approx(expected)


def test_figures_of_ticks() -> None:
    assert [number(v, 0.2) for v in (-0.2, -1e-12, 0.4)] == ["−0.2", "0.0", "0.4"]
    assert number(1500.0, 500.0) == "1500"


def test_bars_are_what_a_decision_moved(tmp_path: Path) -> None:
    shutil.copytree(SAMPLES / "taped-height", tmp_path / "job", ignore=shutil.ignore_patterns("out"))
    before = read_job(tmp_path / "job")
    with (tmp_path / "job" / "job.toml").open("a", encoding="utf-8") as file:
        file.write('\n[[decision]]\ncorrect = "setup T07 height"\nvalue = "0.186 m"\nreason = "<b>"\n')
    job = read_job(tmp_path / "job")
    a, without = adjust(job.network, job.settings), adjust(before.network, before.settings)
    drawing = decisions_drawing(a, job)
    assert drawing is not None
    move = 1000.0 * np.column_stack(
        [getattr(a.marks, c) - getattr(without.marks, c) for c in ("east", "north", "height")]
    )
    ticks_at = [(t.x, float(t.words.replace("−", "-"))) for t in drawing.texts
                if t.anchor == "middle" and t.words.replace("−", "").replace(".", "").isdigit()]  # fmt: skip
    for left, column in ((True, np.hypot(move[:, 0], move[:, 1])), (False, move[:, 2])):
        scale = np.polyfit(*np.array([t for t in ticks_at if (t[0] < 420) == left]).T, 1)
        drawn = []
        for bar in (b for b in drawing.areas if (b.corners[0][0] < 420) == left):
            ends = np.polyval(scale, [c[0] for c in bar.corners[:2]])
            drawn.append(ends[np.argmax(np.abs(ends))])
        expected = column[np.argsort(-np.linalg.norm(move, axis=1))[:6]]
        np.testing.assert_allclose(drawn, expected, atol=1e-3)
    assert "variance factor 109.21 to 1.02" in drawing.words
    assert decisions_drawing(without, before) is None

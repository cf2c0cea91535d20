"""heights.png: the same bytes for the same result, and it says what the audit says."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Annotation, Text
from tests.benchmarks.audit_power import FIXED, traverse

from hubtack.adjust import adjust
from hubtack.adjust.judge.audit import Audit, audit
from hubtack.adjust.results import Adjustment
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate
from hubtack.io.job import Job
from hubtack.io.pictures.heights_figure import draw
from hubtack.io.units import Units


def judged(
    stations: int = 10, blunder: float = 0.0, settings: Settings | None = None
) -> tuple[Adjustment, Audit, Job]:
    """A traverse on stands, one target's height wrong by `blunder`."""
    settings = settings or Settings()
    network, truth = traverse(stations, 30.0, 1e-3, FIXED)
    day = simulate(network, truth, settings, 3)
    height = day.setups.height.copy()
    height[4] += blunder
    day = replace(day, setups=day.setups.replace(height=height))
    adjustment = adjust(day, settings)
    job = Job(
        name="$lock$ ladder", folder=Path("ladder"), network=day, settings=settings, units=Units("m", "dms")
    )
    return adjustment, audit(adjustment.solved), job


@pytest.fixture
def words(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the figure says, filled when it is drawn."""
    said: list[str] = []
    draw = FigureCanvasAgg.draw

    def listening(self: FigureCanvasAgg) -> None:
        said.extend(t.get_text() for t in self.figure.findobj(lambda a: isinstance(a, Text | Annotation)))
        draw(self)

    monkeypatch.setattr(FigureCanvasAgg, "draw", listening)
    return said


def test_same_bytes_and_a_png(tmp_path: Path) -> None:
    import matplotlib

    things = judged()
    draw(*things, tmp_path / "a.png")
    with matplotlib.rc_context(
        {"axes.facecolor": "black", "font.size": 40}
    ):  # a user's own style changes nothing
        draw(*things, tmp_path / "b.png")
    first = (tmp_path / "a.png").read_bytes()
    assert first == (tmp_path / "b.png").read_bytes()
    assert first[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", first[16:24])
    assert (width, 300 < height < width) == (1650, True)
    assert b"Software" not in first


def test_headings_say_what_was_declared_and_found(tmp_path: Path, words: list[str]) -> None:
    adjustment, found, job = judged(20)
    draw(adjustment, found, job, tmp_path / "a.png")
    assert "$lock$ ladder: heights of setups" in words
    assert {"tripod: instruments", "stand: targets"} <= set(words)
    assert "declared fixed, sigma 0.2 mm" in words
    i = list(found.classes.role).index("target")
    assert found.classes.verdict[i] == "fixed"
    assert any(w.startswith("✓ behaves like fixed") for w in words)
    assert set(adjustment.setups.setup) <= set(words)


def test_a_wrong_height_is_named_with_its_size(tmp_path: Path, words: list[str]) -> None:
    draw(*judged(blunder=0.030), tmp_path / "a.png")
    off = [w for w in words if w.startswith("T1-0 −")]
    assert len(off) == 1
    assert float(off[0].split()[1].replace("−", "-")) == pytest.approx(-30.0, abs=3.0)


def test_many_setups_take_more_strips(tmp_path: Path) -> None:
    sizes = []
    for stations in (6, 40):
        draw(*judged(stations), tmp_path / "a.png")
        sizes.append(struct.unpack(">II", (tmp_path / "a.png").read_bytes()[16:24])[1])
    assert sizes[1] > 1.5 * sizes[0]


def test_nothing_to_judge_is_said(tmp_path: Path, words: list[str]) -> None:
    draw(*judged(settings=Settings(correlation="independent")), tmp_path / "a.png")
    assert any("independent rule" in w for w in words)


def test_feet_are_shown_in_their_own_small_unit(tmp_path: Path, words: list[str]) -> None:
    adjustment, found, job = judged()
    job = replace(job, units=Units("ft", "dms"))
    draw(adjustment, found, job, tmp_path / "a.png")
    name = job.units.small_length_name
    shown = f"declared fixed, sigma {job.units.small_length_of(0.2e-3):.2g} {name}"
    assert shown in words
    assert np.isfinite(job.units.small_length_of(1.0))

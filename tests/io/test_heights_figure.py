"""heights.png: the same bytes for the same result, and it says what the audit says."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.benchmarks.audit_power import FIXED, traverse

from hubtack.adjust import adjust
from hubtack.adjust.judge.audit import Audit, audit
from hubtack.adjust.results import Adjustment
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate
from hubtack.io.job import Job
from hubtack.io.pictures.heights_figure import draw, heights_drawing
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


def words(*things: object) -> list[str]:
    """What the figure says."""
    return [t.words for t in heights_drawing(*things).texts]  # type: ignore[arg-type]


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
    assert (width, 300 < height < width) == (1600, True)
    assert b"Software" not in first


def test_headings_say_what_was_declared_and_found() -> None:
    adjustment, found, job = judged(20)
    said = words(adjustment, found, job)
    assert "$lock$ ladder: heights of setups" in said
    assert {"tripod: instruments", "stand: targets"} <= set(said)
    assert "declared fixed, sigma 0.2 mm" in said
    i = list(found.classes.role).index("target")
    assert found.classes.verdict[i] == "fixed"
    assert any(w.startswith("✓ behaves like fixed") for w in said)
    assert set(adjustment.setups.setup) <= set(said)


def test_a_wrong_height_is_named_with_its_size() -> None:
    off = [w for w in words(*judged(blunder=0.030)) if w.startswith("T1-0 −")]
    assert len(off) == 1
    assert float(off[0].split()[1].replace("−", "-")) == pytest.approx(-30.0, abs=3.0)


def test_many_setups_take_more_strips(tmp_path: Path) -> None:
    sizes = []
    for stations in (6, 40):
        draw(*judged(stations), tmp_path / "a.png")
        sizes.append(struct.unpack(">II", (tmp_path / "a.png").read_bytes()[16:24])[1])
    assert sizes[1] > 1.5 * sizes[0]


def test_nothing_to_judge_is_said() -> None:
    assert any("independent rule" in w for w in words(*judged(settings=Settings(correlation="independent"))))


def test_feet_are_shown_in_their_own_small_unit() -> None:
    adjustment, found, job = judged()
    job = replace(job, units=Units("ft", "dms"))
    name = job.units.small_length_name
    shown = f"declared fixed, sigma {job.units.small_length_of(0.2e-3):.2g} {name}"
    assert shown in words(adjustment, found, job)
    assert np.isfinite(job.units.small_length_of(1.0))


def test_errors_and_bands_are_true_to_scale() -> None:
    adjustment, found, job = judged(20)
    drawing = heights_drawing(adjustment, found, job)
    ticks = {float(t.words.replace("−", "-")): t.y for t in drawing.texts if t.anchor == "end" and not t.turn}
    values, places = np.array(list(ticks)), np.array(list(ticks.values()))
    scale, zero = np.polyfit(values, places, 1)
    names = {str(n): i for i, n in enumerate(found.setups.setup)}
    dots = [s for s in drawing.symbols if s.shape in ("dot", "flag") and s.name]
    assert len(dots) > 20
    for s in dots:
        assert s.y == pytest.approx(zero + scale * 1e3 * found.setups.height_error[names[s.name]], abs=1e-6)
    sigmas = {round(1.959963985 * 1e3 * float(v), 6) for v in adjustment.setups.sigma_height}
    halves = {round((a.corners[2][1] - a.corners[0][1]) / 2 / scale, 6) for a in drawing.areas}
    assert halves <= sigmas
    assert 0.391993 in halves  # 1.96 times 0.2 mm

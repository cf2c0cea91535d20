"""The plane frame: what refraction needs of the arc, and the three lengths of a line, against differences and each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import INF, Plan, adjusted

from hubtack.adjust import Settings
from hubtack.adjust.model.frames import Ends, Places, Plane

FRAME = Plane(6_371_000.0, 120.0, 0.9996)
START = np.array([[0.0, 0.0, 500.0], [0.0, 0.0, 500.0], [30.0, -70.0, 60.0]])
END = np.array([[3000.0, -4000.0, 700.0], [-900.0, 200.0, 100.0], [31.0, -70.5, 95.0]])


def ends(centre: np.ndarray) -> Ends:
    return Ends(np.zeros(len(centre), np.int64), centre, np.zeros_like(centre))


def test_the_arc_between_the_plumb_lines_follows_the_line_and_the_start() -> None:
    """θ = atan2(x, r + u), differentiated numerically: by each component of d, and by r with d kept."""
    ray = FRAME.between_setups(START, END)
    slope, own = ray.arc()
    r = FRAME.radius + START[:, 2]

    def arc(d: np.ndarray, r: np.ndarray) -> np.ndarray:
        return np.arctan2(np.hypot(d[:, 0], d[:, 1]), r + d[:, 2])

    assert arc(ray.d, r) == pytest.approx(ray.theta, rel=1e-9)
    for k in range(3):
        step = 1e-3 * np.eye(3)[k]
        numeric = (arc(ray.d + step, r) - arc(ray.d - step, r)) / 2e-3
        assert slope[:, k] == pytest.approx(numeric, rel=1e-4, abs=1e-6 * np.abs(slope).max())
    numeric = (arc(ray.d, r + 1e4) - arc(ray.d, r - 1e4)) / 2e4
    assert own == pytest.approx(numeric, rel=1e-4)


def test_a_plumb_line_has_an_arc_of_nothing_that_leans_nowhere() -> None:
    slope, own = FRAME.between_setups(START[:1], START[:1] + np.array([0.0, 0.0, 25.0])).arc()
    assert slope.tolist() == [[0.0, 0.0, 0.0]]
    assert own.tolist() == [0.0]


def test_grid_scale_of_a_mark_is_that_of_a_short_level_line_there() -> None:
    for height in (-50.0, 120.0, 3000.0):
        here = np.array([[10.0, 20.0, height]])
        level = FRAME.between_setups(here, here + np.array([30.0, 40.0, 0.0])).level
        assert FRAME.grid_scales(here) == pytest.approx(50.0 / level, rel=1e-9)
    assert FRAME.grid_scales(np.array([[0.0, 0.0, np.nan]])) == pytest.approx(0.9996, rel=1e-12)


@pytest.mark.parametrize(
    ("line", "length"), [("ground", 5000.0 / 0.9996), ("level", 5000.0 / 0.9996), ("grid", 5000.0)]
)
def test_lengths_between_marks_are_on_the_ground_or_on_the_grid(line: str, length: float) -> None:
    ray = FRAME.ray(line, ends(START[:1]), ends(END[:1]), Places())  # type: ignore[arg-type]
    assert np.hypot(*ray.d[0, :2]) == pytest.approx(length, rel=1e-12)
    assert ray.level == pytest.approx([length], rel=1e-12)


@pytest.mark.parametrize(("kind", "east"), [("horizontal", 1000.0 * 0.9996), ("horizontal.grid", 1000.0)])
def test_a_distance_on_the_ground_is_scaled_to_the_grid(kind: str, east: float) -> None:
    """By hand: 1000 m due east of a held mark."""
    p = Plan()
    a, b = p.held("A", 0, 0, 0), p.mark("B", 900, 0, 0, sigma=(INF, INF, 0.0), known=True)
    p.reduce(kind, a, b, 0.001)
    p.reduce("azimuth", a, b, 1e-6)
    network = p.network()
    value = np.where(network.reduced.kind == "azimuth", np.pi / 2, 1000.0)

    measured = replace(network, reduced=network.reduced.replace(value=value))
    r = adjusted(measured, Settings(scale_factor=0.9996))
    assert r.marks.east[1] == pytest.approx(east, abs=1e-6)
    assert r.marks.north[1] == pytest.approx(0.0, abs=1e-6)

"""The sample by-hand, reckoned again with pocket-calculator formulas: its README, the hand and the engine agree."""

from __future__ import annotations

from functools import cache
from math import atan2, cos, degrees, hypot, pi, radians, sin, sqrt
from pathlib import Path

import pytest

from hubtack.adjust import adjust
from hubtack.adjust.results import Adjustment
from hubtack.io.job import read_job

FOLDER = Path(__file__).parents[2] / "sample_networks" / "by-hand"
R, K = 6_371_000.0, 0.13


@cache
def adjusted() -> Adjustment:
    job = read_job(FOLDER)
    return adjust(job.network, job.settings)


def dms(d: int, m: int, s: float) -> float:
    return radians(d + m / 60 + s / 3600)


# The loop A, B, C: rises as in reduced.csv, sigmas in mm.
RISES, SIGMAS = (0.6817, -1.4325, 0.7517), (0.6, 0.4, 0.5)
CLOSURE = sum(RISES)
VARIANCE = sum(s**2 for s in SIGMAS)  # mm²


def test_levelled_loop() -> None:
    a, corrections = adjusted(), [-CLOSURE * s**2 / VARIANCE for s in SIGMAS]
    rows = [list(a.observations.id).index(f"R{i}") for i in (1, 2, 3)]
    # all of it is linear, so the two agree to rounding
    assert a.observations.residual[rows] == pytest.approx(corrections, abs=1e-9)
    assert a.observations.redundancy[rows] == pytest.approx([s**2 / VARIANCE for s in SIGMAS], abs=1e-9)
    w = -CLOSURE * 1000 / sqrt(VARIANCE)
    assert a.observations.standardized[rows] == pytest.approx([w] * 3, abs=1e-6)
    bias = 4.132148 * sqrt(VARIANCE) / 1000  # δ0 of alpha 0.1 %, power 80 %; its last digit is half of 1e-6
    assert a.observations.minimal_detectable_bias[rows] == pytest.approx([bias] * 3, rel=1e-6)
    assert a.global_test.variance_factor == pytest.approx(w**2, abs=1e-6)
    b = 31.4072 + RISES[0] + corrections[0]
    c = b + RISES[1] + corrections[1]
    assert a.marks.height[1:3] == pytest.approx([b, c], abs=1e-9)
    s1, s2, s3 = (s**2 for s in SIGMAS)
    sigma = [sqrt(s1 * (s2 + s3) / VARIANCE) / 1000, sqrt(s3 * (s1 + s2) / VARIANCE) / 1000]
    assert a.marks.sigma_height[1:3] == pytest.approx(sigma, rel=1e-6)


def test_polar_point() -> None:
    """To 0.003 mm: the hand leaves out curvature (+0.011 mm) and the height of the instrument above the reference
    height (−0.010 mm), which nearly cancel in the distance."""
    a = adjusted()
    back = (dms(0, 0, 11.9) + dms(180, 0, 9.7) - pi) / 2
    ahead = (dms(58, 30, 11.8) + dms(238, 30, 8.8) - pi) / 2
    zenith = (dms(92, 27, 48.2) + 2 * pi - dms(267, 32, 5.0)) / 2
    slope = (42.3082 + 42.3048) / 2 + 0.0175
    azimuth = atan2(1186.0835 - 1204.3172, 3465.2218 - 3418.9046) + ahead - back
    horizontal = slope * sin(zenith)
    height = 31.4072 + 1.5417 + slope * cos(zenith) + (1 - K) * horizontal**2 / (2 * R) - 0.1863
    expected = (1204.3172 + horizontal * sin(azimuth), 3418.9046 + horizontal * cos(azimuth), height)
    assert (a.marks.east[3], a.marks.north[3], a.marks.height[3]) == pytest.approx(expected, abs=3e-6)
    along = sqrt(1.0634**2 / 2 + 0.6**2 + 0.3**2) / 1000
    up = sqrt((slope * radians(1 / 3600)) ** 2 + 0.0010**2 + 0.0002**2)
    a_d = list(zip(a.relative.start, a.relative.end, strict=True)).index(("A", "D"))
    # left out by hand: that the sight falls by 2°28′, which mixes the two by less than 0.2 %
    assert a.relative.sigma_distance[a_d] == pytest.approx(along, rel=2e-3)
    assert a.marks.sigma_height[3] == pytest.approx(up, rel=2e-3)

    turn = degrees(azimuth % (2 * pi))
    printed = (f"{horizontal:.4f}", f"{expected[0]:.4f}", f"{expected[1]:.4f}", f"{height:.4f}")
    readme = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert f"{int(turn)}-{int(turn * 60 % 60):02d}-{turn * 3600 % 60:04.1f}" in readme
    assert [text for text in printed if text not in readme] == []
    assert (
        hypot(expected[0] - 1229.7714, expected[1] - 3452.6687) < 3 * 0.0013
    )  # truth.csv, within three sigmas

"""Centring of one setup: figures that anybody can compute again, and one that was published."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from hubtack.adjust.ground.network import Supports
from hubtack.adjust.planning.centring import (
    angle_by_instrument,
    angle_by_targets,
    in_sight,
    setup_budget,
    vial_radius,
)

ARCSEC, ARCMIN, MM = math.pi / 648_000, math.pi / 10_800, 1e-3


def support(**columns: float) -> Supports:
    given: dict[str, Any] = {"support": ["it"], "kind": ["pole"], "height_kind": ["taped"]}
    return Supports(**given | {k: [v] for k, v in columns.items()})


@pytest.mark.parametrize(
    ("bubble", "off", "height", "expected", "digit"),
    [
        (40 * ARCMIN, 0.5 * MM, 1.5, 4.3633, 1e-4),
        (8 * ARCMIN, 0.5 * MM, 1.5, 0.8727, 1e-4),
        (60 * ARCSEC, 0.5 * MM, 0.178, 0.01294, 1e-5),
        (60 * ARCMIN, 1.0 * MM, 6 * 0.3048, 15.960, 1e-3),
    ],
)
def test_bubble(bubble: float, off: float, height: float, expected: float, digit: float) -> None:
    """Derived: h·tan(sensitivity × off-centre / 2 mm)."""
    b = setup_budget(support(bubble=bubble, bubble_off_centre=off), height)
    assert b.total / MM == pytest.approx(expected, abs=0.5 * digit)
    assert b.terms["bubble"] == pytest.approx(b.total)


def test_budgets() -> None:
    """Derived. Pole 1.5 m, 8′ with 0.5 mm, out by 2′ √2 (so 2′ per axis), mark 0.5 mm: 1.3316 mm; tripod 1.6 m: 0.7163 mm."""
    pole = support(
        bubble=8 * ARCMIN, bubble_off_centre=0.5 * MM, bubble_error=2 * ARCMIN * 2**0.5, mark=0.5 * MM
    )
    assert setup_budget(pole, 1.5).total / MM == pytest.approx(1.3316, abs=5e-5)
    tripod = support(bubble=8 * ARCMIN, bubble_off_centre=0.2 * MM, plummet=0.5 * MM, mark=0.3 * MM)
    assert setup_budget(tripod, 1.6).total / MM == pytest.approx(0.7163, abs=5e-5)
    turned = support(bubble_error=2 * ARCMIN)
    assert setup_budget(turned, 2.0).total / MM == pytest.approx(0.8228, abs=5e-5)  # per axis; radial 1.1636
    assert setup_budget(turned, 2.0).total * 2**0.5 / MM == pytest.approx(1.1636, abs=5e-5)
    given = setup_budget(support(bubble=8 * ARCMIN, bubble_off_centre=MM, centring_sigma=0.4 * MM), 2.0)
    assert given.overridden
    assert given.total == 0.4 * MM


def test_into_a_sight() -> None:
    """Derived: 1 mm at 30 m is 6.8755″ in direction, level; 9.7234″ at a zenith angle of 45°."""
    assert in_sight(MM, 0, 30, math.pi / 2).direction / ARCSEC == pytest.approx(6.8755, abs=5e-5)
    assert in_sight(MM, 0, 30, math.pi / 4).direction / ARCSEC == pytest.approx(9.7234, abs=5e-5)


@pytest.mark.parametrize(
    ("height", "zenith", "distance", "correlation"),
    [(0.2, 2.6832, 0.9422, 0.8391), (1.5, 9.9725, 1.0706, -0.2587), (1.0, None, None, 0.0)],
)
def test_steep_sights_correlate(
    height: float, zenith: float | None, distance: float | None, correlation: float
) -> None:
    """Derived: S 30 m, z 70°, centring 1 mm per axis."""
    one = in_sight(MM, height * MM, 30, math.radians(70))
    assert one.correlation == pytest.approx(correlation, abs=5e-5)
    if zenith is not None:
        assert one.zenith / ARCSEC == pytest.approx(zenith, abs=5e-5)
        assert one.distance / MM == pytest.approx(distance, abs=5e-5)


def test_into_an_angle() -> None:
    """Derived; and published: 1 mm, 135°, 30 m, about 13″ (García-Balboa et al. 2018, Sensors 18, 3187, introduction)."""
    by = lambda a, b, angle: angle_by_instrument(MM, a, b, math.radians(angle)) / ARCSEC  # noqa: E731
    assert by(20, 20, 180) == pytest.approx(20.626, abs=5e-4)
    assert by(20, 20, 90) == pytest.approx(14.585, abs=6e-4)
    assert by(20, 30, 30) == pytest.approx(5.551, abs=6e-4)
    assert angle_by_targets(MM, 20, 20) / ARCSEC == pytest.approx(14.585, abs=6e-4)
    assert angle_by_targets(MM, 20, 30) / ARCSEC == pytest.approx(12.395, abs=6e-4)
    assert by(30, 30, 135) == pytest.approx(12.704, abs=5e-4)
    assert round(by(30, 30, 135)) == 13


def test_into_an_angle_by_drawing() -> None:
    """The formula against 20 000 draws of an instrument off its mark: three standard errors of a sigma are 1.5 %."""
    e = np.random.default_rng(7).normal(0, MM, (20_000, 2))
    a, b = np.array([0.0, 20.0]), 30 * np.array([math.sin(0.9), math.cos(0.9)])
    az = lambda t: np.arctan2(t[0] - e[:, 0], t[1] - e[:, 1])  # noqa: E731
    drawn = np.std(az(b) - az(a))
    assert angle_by_instrument(MM, 20, 30, 0.9) == pytest.approx(drawn, rel=0.015)


def test_the_radius_of_a_vial() -> None:
    """2 mm of run for 8′: 2 mm / tan 8′, to the fourth digit 0.8594 m."""
    assert vial_radius(math.radians(8 / 60)) == pytest.approx(0.8594, abs=5e-5)
    assert vial_radius(math.radians(8 / 60)) == pytest.approx(2e-3 / math.tan(math.radians(8 / 60)), rel=1e-5)

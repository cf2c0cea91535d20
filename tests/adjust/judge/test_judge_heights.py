"""What may have gone wrong with one height, worked by hand: a 3-4-5 slant, a foot, the height of another support."""

from __future__ import annotations

import math

import numpy as np
import pytest
from tests.adjust.networks import NAN, Plan

from hubtack.adjust.judge.heights import SLANT_RADIUS, slips
from hubtack.adjust.judge.written import Written


def one(
    height: float, height_kind: str = "taped", **support: float
) -> dict[str, list[tuple[float, tuple[object, ...]]]]:
    """Slips of one setup on a support of its own, beside two stands of 0.210 m and an unused pole."""
    p = Plan()
    p.support("it", kind="tribrach", height_kind=height_kind, **support)
    p.support("stand", kind="stand", height_kind="fixed")
    p.support("pole", kind="pole", height_kind="fixed")
    p.held("A", 0, 0, 10)
    p.instrument()
    p.target()
    p.prism(0, height, support=0)
    for _ in range(2):
        p.prism(0, 0.21, support=1)
    found: dict[str, list[tuple[float, tuple[object, ...]]]] = {}
    for cause, size, detail in slips(p.network(), 0, Written()):
        found.setdefault(cause, []).append((size, detail))
    return found


def sizes(found: list[tuple[float, tuple[object, ...]]]) -> list[float]:
    return [size for size, _ in found]


@pytest.mark.parametrize(("kind", "sign"), [("taped", 1.0), ("undeclared", 1.0), ("slant", -1.0)])
def test_a_slant_of_3_4_5(kind: str, sign: float) -> None:
    """0.5 m to a rim of 0.3 m is 0.4 m vertical and 0.42 m with the offset: 0.08 m too high as it stands; or, where the
    slant is reduced though the tape hung plumb, as much too low."""
    found = one(0.5, kind, slant_radius=0.3, slant_offset=0.02)
    assert sizes(found["slant_as_vertical"]) == [pytest.approx(sign * 0.08)]


def test_a_slant_to_a_rim_nobody_stated() -> None:
    """Every usual radius is tried; a slant shorter than the radius there is none."""
    tried = sizes(one(1.5)["slant_as_vertical"])
    assert min(tried) == pytest.approx(1.5 - math.sqrt(1.5**2 - SLANT_RADIUS[0] ** 2))
    assert max(tried) == pytest.approx(
        1.5 - math.sqrt(1.5**2 - SLANT_RADIUS[1] ** 2), abs=2e-3
    )  # radii go by 20 mm
    middle = 0.5 * (SLANT_RADIUS[0] + SLANT_RADIUS[1])
    low = sizes(one(middle)["slant_as_vertical"])
    assert 0 < len(low) < len(tried)
    assert all(0.0 < s < middle for s in low)


def test_nothing_slants_without_a_tape() -> None:
    assert "slant_as_vertical" not in one(1.5, "graduated", slant_radius=0.3)
    assert "slant_as_vertical" not in one(1.5, "slant")  # its radius is not stated, and nothing was reduced


def test_a_foot_for_a_metre() -> None:
    found = one(1.5)
    assert sizes(found["feet_as_metres"]) == [pytest.approx(1.5 * (1 - 0.3048))]
    assert sizes(found["metres_as_feet"]) == [pytest.approx(1.5 - 1.5 / 0.3048)]


def test_the_height_of_another_support() -> None:
    """0.210 m is what the stands stand at: entered elsewhere it was taken over, whatever the true height is."""
    other, own = one(0.35), one(0.21)
    assert other["other_support_height"] == [(pytest.approx(0.14), (0.35, 0.21, "stand"))]
    assert "support_height_taken" not in other
    ((size, detail),) = own["support_height_taken"]
    assert math.isnan(size)
    assert detail == (0.21, "stand")
    assert "other_support_height" not in own


def test_where_nothing_was_entered_no_pen_slipped() -> None:
    assert one(NAN) == {}
    assert np.isfinite(sizes(one(1.5)["graduation_step"])).all()

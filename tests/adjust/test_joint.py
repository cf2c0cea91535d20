"""Covariances that stand in no table: single entries against whole columns, and bounds."""

from __future__ import annotations

import numpy as np
import pytest
from tests.adjust.networks import MM, Plan
from tests.adjust.test_plan import weir

from hubtack.adjust import Adjustment, adjust
from hubtack.adjust.outcome import joint
from hubtack.adjust.outcome.joint import (
    TooLarge,
    centre_covariance,
    device_covariance,
    mark_covariance,
    point_covariance,
)


def free_weir() -> Adjustment:
    """Nothing held; distances scale it, the datum is that of inner constraints."""
    p = weir()
    p.sigma = [(np.inf,) * 3] * len(p.sigma)
    p.known = [True] * len(p.known)
    return adjust(p.simulated(3))


@pytest.mark.parametrize("make", [lambda: adjust(weir(control=2 * MM).simulated(3)), free_weir])
def test_each_device_alone_is_a_block_of_all_together(make) -> None:  # type: ignore[no-untyped-def]
    """One way reads entries of the factor (with the low-rank part of a free datum), the other solves for whole columns."""
    a = make()
    setups = np.arange(len(a.setups))
    alone = device_covariance(a, setups)
    together = point_covariance(a, a.network.setups.mark[setups], setups)
    assert alone is not None
    blocks = np.array([together[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] for i in setups])
    assert alone == pytest.approx(blocks, rel=1e-7, abs=1e-14)
    assert np.linalg.eigvalsh(alone).min() > 0.0


def test_more_than_fits_is_refused_before_it_is_made(monkeypatch: pytest.MonkeyPatch) -> None:
    a = adjust(weir().simulated(1))
    marks = mark_covariance(a)
    assert marks is not None
    assert len(marks.mark) == 18
    setups = np.arange(2)
    monkeypatch.setattr(joint, "MOST", 23)
    with pytest.raises(TooLarge, match="24"):
        centre_covariance(a, marks, setups)
    monkeypatch.setattr(joint, "MOST", 5)
    with pytest.raises(TooLarge, match="6"):
        point_covariance(a, setups, setups)
    with pytest.raises(TooLarge, match="18"):
        mark_covariance(a)


def test_points_without_a_device_are_the_marks() -> None:
    p = Plan()
    p.held("A", 0, 0, 10)
    p.mark("B", 50, 0, 12)
    p.vector(0, 1, np.diag([1.0, 4.0, 9.0]) * 1e-6)
    a = adjust(p.simulated(1))
    assert point_covariance(a, np.array([1]), np.array([-1])) == pytest.approx(
        np.diag([1.0, 4.0, 9.0]) * 1e-6
    )

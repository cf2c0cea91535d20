"""Where more is wrong than can be found, nothing that was found is put forward as sure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.benchmarks.catch_rate_networks import solve
from tests.benchmarks.catch_rate_plants import case

from hubtack.adjust.judge.diagnose import judge
from hubtack.adjust.judge.rank import MOST
from hubtack.adjust.settings import Settings


def test_a_station_nearly_two_hundred_metres_off_is_no_scale_of_distances() -> None:
    """I001 written down on a mark 193 m away: no straight line leads there. A scale of 2.36 was put forward as sure."""
    found = case("station elsewhere", 303, 150, Settings())
    assert found is not None
    assert found.planted.size > 100.0
    findings = judge(solve(found.planted.network, Settings()))
    assert len(findings) == MOST
    assert not any(f.told for f in findings)
    assert np.isfinite([f.first.statistic for f in findings]).all()


def test_distances_in_feet_remain_a_scale() -> None:
    """All distances of a braced day read in feet and entered as metres: true / recorded is 0.3048."""
    found = case("scale of distances", 5, 2, Settings())
    assert found is not None
    assert found.where == "braced traverse"
    network = found.clean.network
    day = replace(network, sights=network.sights.replace(slope=network.sights.slope / 0.3048))
    first = judge(solve(day, Settings()))[0].first
    assert first.cause == "distance_scale"
    assert 1.0 - first.size == pytest.approx(0.3048, rel=1e-3)

"""A job in which nothing but slope distances speaks of heights is refused by name, not by a failed iteration."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.benchmarks.networks import KINDS

from hubtack.adjust import Settings, Undetermined, adjust
from hubtack.adjust.simulate import simulate


def test_slope_distances_alone_give_no_heights() -> None:
    plan = KINDS["closed traverse, poles"](np.random.default_rng(1))
    network, truth = plan.network(), plan.truth()
    day = simulate(network, truth, Settings(), 1)
    n = len(day.marks)
    blind = replace(
        day,
        sights=day.sights.replace(zenith=np.full(len(day.sights), np.nan)),
        marks=day.marks.replace(height=np.full(n, np.nan), sigma_height=np.full(n, np.inf)),
    )
    with pytest.raises(Undetermined) as caught:
        adjust(blind)
    assert {t.code for t in caught.value.troubles} == {"NET302"}
    assert all("only distances reach it" in t.text for t in caught.value.troubles)

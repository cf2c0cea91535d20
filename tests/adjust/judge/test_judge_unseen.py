"""What nothing sees is never told: neither a size, nor a verdict, nor a sigma of what was set aside."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.adjust.networks import Plan

from hubtack.adjust import adjust
from hubtack.adjust.judge.audit import Audit, audited
from hubtack.io.job import read_job

SAMPLES = Path(__file__).parents[3] / "sample_networks"


def two_visits(sigma: float, wrong: float) -> Audit:
    """Three new marks stood on twice each, sighted from four held corners; the last height `wrong` m too high."""
    plan = Plan()
    stand = plan.support("stand", 0.0, sigma, kind="pole", height_kind="graduated")
    fixed = plan.support("bolt", 0.0, 0.0)
    plan.instrument()
    plan.target()
    held = [plan.held(f"H{i}", e, n, 10.0) for i, (e, n) in enumerate(((-30, 0), (30, 0), (0, 30), (0, -30)))]
    marks = [plan.mark(f"F{i}", 4.0 * i, 1.0, 8.6) for i in range(3)]
    visits = [plan.prism(m, 1.5, stand) for m in marks for _ in range(2)]
    corners = [plan.prism(m, 0.1, fixed) for m in held]
    for k, m in enumerate(held):
        station = plan.station(m, 1.6, fixed)
        for t in [*visits, *(c for i, c in enumerate(corners) if i != k)]:
            plan.sight(station, t)
    network = plan.simulated(3)
    height = network.setups.height.copy()
    height[visits[-1]] += wrong
    solved = adjust(replace(network, setups=network.setups.replace(height=height))).solved
    assert solved is not None
    return audited(solved)[1]


@pytest.mark.parametrize("sigma", [0.0003, 0.002, 0.005])
def test_the_twin_of_what_is_set_aside_is_unseen(sigma: float) -> None:
    """Of two visits the sound one is known through the other alone; that set aside, nothing tells it."""
    assert np.isfinite(two_visits(sigma, 0.0).setups.sigma[:6]).all()
    a = two_visits(sigma, 0.2)
    aside = {name for names in a.classes.set_aside for name in names}
    assert len(aside) == 1
    twins = [i for i in (4, 5) if a.setups.setup[i] not in aside]
    assert len(twins) == 1
    i = twins[0]
    assert np.isinf(a.setups.sigma[i])
    assert np.isinf(a.setups.minimal_detectable[i])
    assert np.isnan(a.setups.height_error[i])
    assert a.setups.verdict[i] == "cannot tell"


def test_samples_tell_a_size_wherever_a_height_fits_neither() -> None:
    """An unseen height has redundancy 0 in the adjustment itself, which knows nothing of the audit."""
    for folder in sorted(p for p in SAMPLES.iterdir() if (p / "job.toml").exists()):
        job = read_job(folder)
        adjustment = adjust(job.network, job.settings)
        assert adjustment.solved is not None
        s = audited(adjustment.solved)[1].setups
        unseen = adjustment.setups.redundancy_height < 1e-9
        odd = s.verdict == "fits neither"
        assert np.isfinite(s.height_error[odd]).all()
        assert not (odd & unseen).any()
        assert not np.isfinite(s.sigma[unseen]).any()

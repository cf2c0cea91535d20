"""Estimates of sigmas and classes of heights that are refused, each for its own reason and by its own name."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, MM, Plan
from tests.adjust.test_audit import audited_plan, known_by
from tests.adjust.test_components import braced, row, solved_plan
from tests.benchmarks.audit_power import solve

from hubtack.adjust import adjust
from hubtack.adjust.judge import components as components_module
from hubtack.adjust.judge import components_reml, components_sparse
from hubtack.adjust.judge.audit import audit
from hubtack.adjust.judge.components import components
from hubtack.adjust.judged import judged
from hubtack.adjust.settings import Settings


def test_two_that_always_come_together_name_each_other() -> None:
    """600 targets of 1 mm on held marks, zenith angles of as much: variances a and b_i of each sight are told apart only by
    how b_i varies. The correlation of two variance components (Searle, Casella and McCulloch 1992; from memory) by hand:
    −Σ ab_i/S_i² over √(Σ a²/S_i² · Σ b_i²/S_i²), S_i = a + b_i."""
    far = np.linspace(62.0, 138.0, 600)
    plan = Plan()
    plan.support("free", 0.0, 0.0)
    plan.support("stand", 0.0, 1 * MM)
    zenith = MM / 100.0 / ARCSEC
    plan.instrument(zenith=zenith)
    plan.target()
    plan.held("O", 0.0, 0.0, 50.0)
    station = plan.station(0, support=0)
    for i, d in enumerate(far):
        mark = plan.held(f"P{i}", float(d) * math.sin(i), float(d) * math.cos(i), 50.1)
        plan.sight(station, plan.prism(mark, support=1), readings="czs")
    table = components(solved_plan(plan))
    a, b = np.full(600, MM**2), (far * zenith * ARCSEC) ** 2
    S2 = (a + b) ** 2
    rho = -np.sum(a * b / S2) / np.sqrt(np.sum(a**2 / S2) * np.sum(b**2 / S2))
    assert rho < -0.9
    height, angle = row(table, "height of target stand (fixed)"), row(table, "zenith ts0")
    for mine, other in ((height, angle), (angle, height)):
        assert mine["verdict"] == "refused"
        told = str(mine["reason"])
        assert told.startswith(f"can't be told apart from {other['group']} (correlation ")
        assert float(told.rstrip(")").rsplit(" ", 1)[1]) == pytest.approx(rho, abs=0.02)


@pytest.mark.parametrize("module", [components_reml, components_sparse])
def test_what_has_not_settled_is_no_estimate(module, monkeypatch: pytest.MonkeyPatch) -> None:  # type: ignore[no-untyped-def]
    """One step from sigmas five times too small is not enough; then no figure is shown, not even a rough one."""
    plan = braced()
    day = plan.simulated(3)
    worse = day.instruments.replace(zenith=day.instruments.zenith / 5.0)
    solved = solve(replace(day, instruments=worse), Settings())
    if module is components_sparse:
        monkeypatch.setattr(components_module, "DENSE", 50)
    before = components(solved)
    assert (before.verdict[before.what == "zenith"] == "too optimistic").all()
    monkeypatch.setattr(module, "STEPS", 1)
    table = components(solved)
    assert set(table.verdict) == {"refused"}
    assert np.isnan(table.sigma_estimated).all()
    assert "the estimates did not settle" in set(table.reason)


def test_where_nothing_is_redundant_nothing_is_audited() -> None:
    plan = Plan()
    plan.support("stand", 0.0, 1 * MM)
    plan.instrument()
    plan.target()
    plan.held("A", 0.0, 0.0, 10.0)
    plan.held("B", 90.0, 0.0, 10.0)
    plan.mark("P", 50.0, 40.0, 11.0)
    s = plan.station(0)
    plan.sight(s, plan.prism(1), readings="c")
    plan.sight(s, plan.prism(2))
    a = judged(adjust(plan.simulated(1)))
    assert a.degrees_of_freedom == 0
    assert a.audit is not None
    assert a.audit.reason == "nothing is redundant"
    assert set(a.audit.setups.verdict) == {"cannot tell"}
    assert a.components is not None
    assert len(a.components) == 0


def test_a_class_whose_every_setup_fits_neither() -> None:
    """A bolt of its own kind stood 60 mm off, where fixed heights are good to 0.2 mm and measured ones to some millimetres:
    with its only setup set aside nothing is left of that class; the other's verdict stands."""
    plan = known_by(0.3 * MM, 6)
    bolt = plan.support("bolt", 0.0, 0.2 * MM)
    plan.setups[1]["support"] = bolt
    day = plan.simulated(1)
    high = day.setups.height.copy()
    high[1] += 0.06
    a = audit(solve(replace(day, setups=day.setups.replace(height=high)), Settings()))
    told = dict(zip(a.classes.support, zip(a.classes.verdict, a.classes.reason, strict=True), strict=True))
    assert told["bolt"] == ("cannot tell", "every setup of it fits neither")
    assert told["stand"][1] != told["bolt"][1]


def test_the_rival_of_a_height_may_be_the_refraction() -> None:
    """A line of 900 m: an unknown refraction of sigma 0.3 raises its end by 0.3·d²/2R = 19 mm, as a wrong height would."""
    plan = known_by(2 * MM)
    plan.truth[1] = (0.0, 900.0, 50.1)
    settings = Settings(refraction_sigma=0.3)
    a = audit(solve(plan.simulated(1, settings), settings))
    target = list(a.setups.setup).index("T1")
    assert a.setups.rival[target] == "refraction"


def test_nothing_but_the_class_itself_bars_no_verdict() -> None:
    """Every degree of freedom is that of one class: there is no rest of the network that could fail its global test."""
    _, a = audited_plan(known_by(0.5 * MM, 5))
    i = list(a.classes.role).index("target")
    assert "rest of the network" not in a.classes.reason[i]
    assert a.classes.verdict[i] in ("fixed", "cannot tell")

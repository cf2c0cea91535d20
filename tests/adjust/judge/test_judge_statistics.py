"""The tests of signatures against dense refits with the bias as a further unknown, and against scipy's χ²."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import stats
from tests.adjust.networks import Plan

from hubtack.adjust import adjust
from hubtack.adjust.ground.table import Floats
from hubtack.adjust.judge.diagnose import hypotheses
from hubtack.adjust.judge.statistics import Tests as Judged
from hubtack.adjust.judge.statistics import (
    corrected,
    correlations,
    critical_value_of,
    estimate,
    given,
    log_tail,
    make_tests,
)
from hubtack.adjust.solved import Solved

CAUSES = (
    "height_wrong", "off_mark", "prism_constant", "device_constant", "distance_scale", "orientation_step",
    "pole_lean", "control_moved", "control_height", "direction_wrong", "zenith_wrong", "distance_wrong",
)  # fmt: skip


@cache
def weir() -> tuple[Solved, Judged]:
    """Five marks of a weir, three held; stations on three; poles, a pillar without effects; one height is 20 mm off."""
    plan = Plan()
    pole = plan.support("pole", 0.0008, 0.0007, kind="pole", height_kind="graduated")
    pillar = plan.support("pillar", 0.0, 0.0)
    plan.instrument()
    plan.target()
    plan.target()
    marks = [
        plan.held(f"H{i}", e, n, h) for i, (e, n, h) in enumerate(((0, 0, 10), (60, 5, 12), (30, 55, 11)))
    ]
    marks += [plan.mark("N1", 40.0, 20.0, 10.5), plan.mark("N2", 15.0, 35.0, 13.0)]
    for at in marks[:3]:
        station = plan.station(at, 1.6, pillar)
        for k, to in enumerate(marks):
            if to != at:
                support = pole if k % 2 else pillar
                plan.sight(station, plan.prism(to, 1.5, support, device=k % 2), rounds=2)
    network = plan.simulated(3)
    height = network.setups.height.copy()
    height[4] += 0.008
    from dataclasses import replace

    solved = adjust(replace(network, setups=network.setups.replace(height=height))).solved
    assert solved is not None
    return solved, make_tests(hypotheses(solved))


def dense(solved: Solved) -> tuple[Floats, Floats]:
    """A and the residuals, dense."""
    rows = solved.solution.rows
    A = np.vstack([r.times(np.eye(solved.unknowns.n)) for r in rows])
    return A, np.concatenate([r.misclosure for r in rows])


def signature(tests: Judged, h: int) -> Floats:
    """C of a hypothesis, dense."""
    row, column, value = tests.book.entries()
    C = np.zeros((len(tests.book.point.misclosure), int(tests.q[h])))
    mine = (column >= tests.first[h]) & (column < tests.first[h] + tests.q[h])
    np.add.at(C, (row[mine], column[mine] - tests.first[h]), value[mine])
    return C


def left(A: Floats, residual: Floats) -> float:
    """vᵀPv after least squares on A."""
    x = np.linalg.lstsq(A, residual, rcond=None)[0]
    return float(np.sum((residual - A @ x) ** 2))


@pytest.mark.parametrize("cause", CAUSES)
def test_statistic_is_the_drop_when_the_bias_is_estimated(cause: str) -> None:
    solved, tests = weir()
    A, v = dense(solved)
    g = given(tests, (), {})
    chosen = [i for i, h in enumerate(tests.hypotheses) if h.cause == cause and g.told[i] == h.q]
    assert chosen, "no hypothesis of this cause is told by the network"
    for i in chosen[:6]:
        C = signature(tests, i)
        drop = left(A, v) - left(np.hstack([A, C]), v)
        assert g.T[i] == pytest.approx(drop, rel=1e-6, abs=1e-6)  # dense least squares rounds at 1e-8 here
        x = np.linalg.lstsq(np.hstack([A, C]), v, rcond=None)[0]
        assert estimate(g, i)[0] == pytest.approx(x[-C.shape[1] :], rel=1e-6, abs=1e-10)


def test_given_others_equals_the_refit_with_all() -> None:
    solved, tests = weir()
    A, v = dense(solved)
    names = {(h.name, h.cause): i for i, h in enumerate(tests.hypotheses)}
    found = [names["T4", "height_wrong"], names["H1", "control_moved"]]
    g = given(tests, found, {})
    F = np.hstack([A, *(signature(tests, f) for f in found)])
    before = left(F, v)
    for key in (
        ("T2", "off_mark"),
        ("prism1", "device_constant"),
        ("H2", "control_height"),
        ("1", "distance_wrong"),
    ):
        i = names[key]
        drop = before - left(np.hstack([F, signature(tests, i)]), v)
        assert g.T[i] == pytest.approx(drop, rel=1e-6, abs=1e-6)
    assert not g.T[found].any()


def test_wrong_height_is_the_common_bias_of_all_its_sights() -> None:
    """C6.7: the pseudo-observation and the sights of a setup give the same statistic, strength and size."""
    solved, tests = weir()
    A, v = dense(solved)
    M = np.eye(len(v)) - A @ np.linalg.solve(A.T @ A, A.T)
    u = solved.unknowns
    prior = {(int(s), int(a)): k for k, (s, a) in enumerate(zip(u.priors.setup, u.priors.axis, strict=True))}
    g = given(tests, (), {})
    seen = 0
    for i, h in enumerate(tests.hypotheses):
        if h.cause != "height_wrong" or (h.subject, 2) not in prior:
            continue
        column = int(u.effects[h.subject, 2])
        sights = -A[:, column].copy()
        sights[tests.book.point.prior_offset :] = 0.0
        strength = float(sights @ M @ sights)
        assert g.normal[i, 0, 0] == pytest.approx(strength, rel=1e-7)
        assert estimate(g, i)[0][0] == pytest.approx(float(sights @ v) / strength, rel=1e-6, abs=1e-12)
        seen += 1
    assert seen >= 4


@pytest.mark.parametrize(("visits", "expected"), [(2, 1.0), (3, 0.5)])
def test_visits_to_one_mark(visits: int, expected: float) -> None:
    """C6.9: with two visits a wrong height is seen and can't be attributed, with three ρ is one half."""
    plan = Plan()
    stand = plan.support("stand", 0.0, 0.0002)
    free = plan.support("free")
    plan.instrument(direction=1.0, zenith=3.4, distance=0.001)
    plan.target()
    corners = [
        plan.held(f"H{i}", e, n, 10.0) for i, (e, n) in enumerate(((-30, 0), (30, 0), (0, 30), (0, -30)))
    ]
    mark = plan.mark("F", 0.0, 1.0, 8.6)
    held = [plan.prism(c, 0.1, free) for c in corners]
    for visit in range(visits):
        target = plan.prism(mark, 1.5, stand)
        for k in range(2):
            station = plan.station(
                plan.mark(f"S{visit}{k}", 12.0 * (-1) ** k, 9.0 - 6.0 * visit, 10.0), 0.0, free
            )
            for h in [*held, target]:
                plan.sight(station, h)
    solved = adjust(plan.simulated(1)).solved
    assert solved is not None
    tests = make_tests(hypotheses(solved))
    g = given(tests, (), {})
    mine = [
        i for i, h in enumerate(tests.hypotheses)
        if h.cause == "height_wrong" and solved.network.setups.mark[h.subject] == mark
    ]  # fmt: skip
    assert len(mine) == visits
    rho = correlations(g, mine[0], {})
    # the visits are not seen from quite the same places, so three of them weigh a little unlike
    assert rho[mine[1]] == pytest.approx(expected, abs=1e-5 if visits == 2 else 0.05)


@pytest.mark.parametrize("q", [1, 2, 3])
def test_tail_of_chi_square(q: int) -> None:
    for T in (0.5, 4.0, 20.0, 150.0, 1100.0):
        assert log_tail(T, q) == pytest.approx(float(stats.chi2.logsf(T, q)), rel=1e-9, abs=1e-12)
    # scipy's own logsf is exhausted beyond; two terms of the asymptotic series of the Q function remain
    assert log_tail(5e4, q) == pytest.approx(
        -2.5e4 + (q / 2 - 1) * np.log(2.5e4) - float(_log_gamma(q / 2)), abs=1e-3
    )


def _log_gamma(x: float) -> float:
    from math import lgamma

    return lgamma(x)


def test_critical_value_for_many_tests() -> None:
    """C6.10: 20, 50 and 200 tests at a total of 0.05."""
    for tried, expected in ((20, 3.01599), (50, 3.28348), (200, 3.65575)):
        assert critical_value_of(tried, 1, 0.05) == pytest.approx(expected**2, abs=1e-4)


def test_correction_for_the_number_of_tests() -> None:
    for p, tried in ((1e-3, 50), (1e-6, 900), (0.3, 4), (1e-300, 10)):
        assert corrected(float(np.log(p)), tried) == pytest.approx(
            -np.expm1(tried * np.log1p(-p)), rel=1e-9, abs=0.0
        )

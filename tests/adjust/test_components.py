"""Variance components against a dense textbook formula, published figures, and truth by simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import Plan
from tests.benchmarks.audit_power import solve

from hubtack.adjust.ground.table import Floats
from hubtack.adjust.judge import components as components_module
from hubtack.adjust.judge.components import (
    Components,
    components,
    degrees_of_freedom,
    dense_estimate,
    interval,
    sparse_estimate,
)
from hubtack.adjust.judge.components_contrasts import Contrasts, Group, TooLarge, contrasts
from hubtack.adjust.judge.components_reml import Fit, information, inverse_of, maximise
from hubtack.adjust.outcome.observations import observation_table
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate
from hubtack.adjust.solved import Solved


def braced(rounds: int = 2, datum: str = "held", **more: float) -> Plan:
    """Six marks, every one occupied and sighting four others; poles and stands, two instruments."""
    sigma = {"held": (0.0,) * 3, "weighted": (2e-3, 2e-3, 1e-3), "free": (np.inf,) * 3}[datum]
    plan = Plan()
    for i in range(6):
        turn = 2.0 * np.pi * i / 6
        plan.mark(
            f"P{i}", 1000 + 80 * np.sin(turn), 2000 + 70 * np.cos(turn), 50 + 4 * (i % 3),
            sigma=sigma if i in (0, 3) else (np.inf,) * 3, known=datum == "free",
        )  # fmt: skip
    plan.support("stand", 0.4e-3, 0.3e-3)
    plan.support("pole", 1.2e-3, 1.0e-3, kind="pole", height_kind="graduated")
    plan.support("tripod", 0.8e-3, 1.0e-3, kind="tribrach", height_kind="taped")
    for _ in range(2):
        plan.instrument()
    plan.target()
    plan.target(reflectorless=True)
    for i in range(6):
        station = plan.station(i, support=2, device=i % 2)
        for k, j in enumerate((1, 2, 4, 5)):
            prism = plan.prism((i + j) % 6, support=k % 2, device=int(k == 3))
            plan.sight(station, prism, rounds=rounds + (i == 5 and k == 0))
    plan.reduce("rise", 1, 2, 0.5e-3)
    plan.reduce("rise", 4, 5, 0.5e-3)
    return plan


def solved_plan(plan: Plan, seed: int = 0) -> Solved:
    settings = Settings()
    return solve(plan.simulated(seed, settings), settings)


def dense(solved: Solved, c: Contrasts) -> tuple[Floats, Floats, Floats]:
    """The whole design (m, n), what was observed at x = 0 (m,), and the group of every row, priors last."""
    rows = solved.solution.rows
    n = solved.unknowns.n
    A = np.zeros((sum(len(r.misclosure) for r in rows), n + 1))
    at = 0
    for r in rows:
        np.add.at(A, (at + np.arange(len(r.columns))[:, None], r.columns), r.values)
        at += len(r.columns)
    group = np.concatenate([*c.of_reading, c.of_prior])
    return A[:, :n], np.concatenate([r.misclosure for r in rows]), group


def textbook(A: Floats, y: Floats, group: Floats, free: Floats) -> tuple[Floats, Floats]:
    """θ and F by iterating θ = F⁻¹q with q_g = yᵀWV_gWy, F_gh = tr(WV_gWV_h), W = V⁻¹ − V⁻¹A(AᵀV⁻¹A)⁺AᵀV⁻¹."""
    theta, free = np.ones(int(group.max()) + 1), free.copy()
    for _ in range(200):
        P = 1.0 / theta[group]
        N = A.T @ (P[:, None] * A)
        W = np.diag(P) - (P[:, None] * A) @ np.linalg.pinv(N, hermitian=True, rcond=1e-13) @ (A.T * P)
        u = W @ y
        member = (group[:, None] == np.arange(len(theta))).astype(float)
        F = member.T @ W**2 @ member
        q = member.T @ u**2
        new = theta.copy()
        held = ~free
        new[free] = np.linalg.solve(F[np.ix_(free, free)], q[free] - F[np.ix_(free, held)] @ theta[held])
        new = np.maximum(new, 0.2 * theta)
        if np.abs(new / theta - 1.0).max() < 1e-9:
            break
        theta = new
        gone = theta < 1e-5  # no variance is negative: these stay out, and the others are solved without them
        theta[gone], free[gone] = 1e-8, False
    return theta, F


@pytest.mark.parametrize("datum", ["held", "weighted", "free"])
def test_contrasts_hold_all_redundancy_and_all_squares(datum: str) -> None:
    """At the declared sigmas the groups' r and vᵀPv are those of the adjustment, whatever was condensed."""
    solved = solved_plan(braced(rounds=3, datum=datum))
    c = contrasts(solved)
    nothing = np.zeros(len(c.groups), dtype=bool)
    fit = maximise(c, c.grams(), nothing, np.ones(len(nothing)), watched=~nothing)
    table = observation_table(solved)
    for what in ("direction", "zenith"):
        mine = sum(fit.redundancy[i] for i, g in enumerate(c.groups) if g.what == what)
        # a free datum is all but singular: the sphere's own faint hold on it costs a digit
        assert mine == pytest.approx(table.redundancy[table.kind == what].sum(), abs=1e-6)
        squares = sum(fit.squares[i] for i, g in enumerate(c.groups) if g.what == what)
        z = (table.residual / table.sigma)[table.kind == what]
        assert squares == pytest.approx(z @ z, rel=1e-7)
    assert fit.redundancy.sum() == pytest.approx(solved.solution.degrees_of_freedom, abs=1e-7)
    assert fit.squares.sum() == pytest.approx(solved.solution.objective, rel=1e-7)
    assert len(c.y) + c.scatter_freedom.sum() == solved.solution.degrees_of_freedom
    # five stations of three rounds over four targets, two circles of differences each free of everything: 5·2·3
    directions = sum(c.scatter_freedom[i] for i, g in enumerate(c.groups) if g.what == "direction")
    assert directions == 5 * 2 * 3
    zeniths = sum(c.scatter_freedom[i] for i, g in enumerate(c.groups) if g.what == "zenith")
    assert zeniths == 24 * 2 + 1


@pytest.mark.parametrize("datum", ["held", "free"])
def test_the_maximum_is_that_of_the_dense_textbook_formula(datum: str) -> None:
    solved = solved_plan(braced(datum=datum), seed=4)
    c = contrasts(solved)
    A, y, group = dense(solved, c)
    free = np.ones(len(c.groups), dtype=bool)
    theta, F = textbook(A, y, group, free)
    fit = maximise(c, c.grams(), free, np.ones(len(free)), near=1e-5)
    assert fit.settled
    estimable = theta > 1e-3
    assert estimable.sum() >= 10
    # the pseudo-inverse of the dense normal matrix, not this code, limits the agreement
    assert fit.theta[estimable] == pytest.approx(theta[estimable], rel=1e-4)
    G = information(c, fit)
    expected = F * np.outer(theta, theta)
    assert G[np.ix_(estimable, estimable)] == pytest.approx(
        expected[np.ix_(estimable, estimable)], rel=1e-3, abs=1e-3
    )


def test_fixed_point_of_the_simple_iteration() -> None:
    """At the maximum vᵀPv = r in every group, and θ ← θ·q/r does not move (method C7, equal form)."""
    c = contrasts(solved_plan(braced(), seed=2))
    free = np.ones(len(c.groups), dtype=bool)
    fit = maximise(c, c.grams(), free, np.ones(len(free)), near=1e-5)
    inside = fit.theta > 1e-6
    assert fit.squares[inside] == pytest.approx(fit.redundancy[inside], rel=1e-4)
    assert information(c, fit).sum(axis=1) == pytest.approx(fit.redundancy, rel=1e-8)


def test_inverse_is_an_inverse() -> None:
    A = np.random.default_rng(1).standard_normal((240, 230))
    S = A.T @ A + np.eye(230)
    inverse, logarithm = inverse_of(S)
    assert inverse @ S == pytest.approx(np.eye(230), abs=1e-9)
    assert logarithm == pytest.approx(np.linalg.slogdet(S)[1], rel=1e-12)


def two_groups(rng: np.random.Generator) -> Contrasts:
    """40 observations, 12 unknowns, groups of 28 and 12 with true variances 1 and 4, a random design."""
    A = rng.standard_normal((40, 12))
    K = np.linalg.qr(A, mode="complete")[0][:, 12:]
    group = np.repeat([0, 1], [28, 12])
    noise = rng.standard_normal(40) * np.sqrt(np.array([1.0, 4.0]))[group]
    return by_hand(K.T @ noise, K, group)


def by_hand(y: Floats, loadings: Floats, group: Floats) -> Contrasts:
    n = int(group.max()) + 1
    groups = tuple(Group(f"g{i}", "", "", "length", 1.0) for i in range(n))
    nothing = np.zeros(n)
    return Contrasts(
        y, loadings, group, np.full(len(group), -1), nothing, nothing, groups, (), np.zeros(0, int)
    )


def test_c7_1_estimates_and_intervals_of_two_groups() -> None:
    """C7.1: mean 1.013 and 3.952; the 95 % intervals hold the truth in 95.1 and 95.9 %."""
    rng = np.random.default_rng(71)
    runs, truth = 700, np.array([1.0, 4.0])
    estimates, held = np.zeros((runs, 2)), np.zeros((runs, 2), dtype=bool)
    free = np.ones(2, dtype=bool)
    for i in range(runs):
        c = two_groups(rng)
        fit = maximise(c, c.grams(), free, np.ones(2))
        degrees, _ = degrees_of_freedom(information(c, fit), free)
        estimates[i] = fit.theta
        for k in range(2):
            low, high = interval(np.sqrt(fit.theta[k]), degrees[k], 0.95)
            held[i, k] = low**2 <= truth[k] <= high**2
    spread = estimates.std(axis=0) / np.sqrt(runs)
    assert np.all(np.abs(estimates.mean(axis=0) - [1.013, 3.952]) < 4.0 * spread)
    # standard error of a share near 95 % over 700 runs is 0.8 %; three of them
    assert 100 * held.mean(axis=0) == pytest.approx([95.1, 95.9], abs=2.5)


@pytest.mark.parametrize(
    ("degrees", "low", "high"),
    [(2, 0.521, 6.285), (5, 0.624, 2.453), (10, 0.699, 1.755), (20, 0.765, 1.444), (30, 0.799, 1.337)],
)
def test_c7_2_factors_of_the_interval(degrees: float, low: float, high: float) -> None:
    assert interval(1.0, degrees, 0.95) == pytest.approx((low, high), abs=5e-4)


def row(table: Components, group: str) -> dict[str, object]:
    i = list(table.group).index(group)
    return {c.name: getattr(table, c.name)[i] for c in Components.columns()}


def test_a_wrong_zenith_sigma_is_found_and_the_rest_left_in_peace() -> None:
    """Zenith angles three times worse than declared, in 12 simulated days."""
    plan = braced(rounds=3)
    settings = Settings()
    wrong, others = 0, []
    for seed in range(12):
        instruments = plan.network().instruments
        noisy = replace(plan.network(), instruments=instruments.replace(zenith=3.0 * instruments.zenith))
        day = simulate(noisy, np.array(plan.truth), settings, seed)
        table = components(solve(replace(day, instruments=instruments), settings))
        for name in ("zenith ts0", "zenith ts1"):
            found = row(table, name)
            wrong += found["verdict"] == "too optimistic"
            assert 2.0 < float(str(found["sigma_estimated"])) / float(str(found["sigma_declared"])) < 4.5
        kept = ~np.isin(table.what.astype(str), ("zenith",)) & (table.verdict != "refused")
        others += list(table.verdict[kept] == "ok")
    assert wrong == 24
    assert np.mean(others) > 0.85  # nominally 95 % each; over 40 looks the share has a standard error of 3 %


def test_declared_sigmas_and_words() -> None:
    table = components(solved_plan(braced()))
    assert set(table.verdict) <= {"ok", "too optimistic", "too pessimistic", "refused"}
    assert row(table, "height of target pole (graduated)")["sigma_declared"] == pytest.approx(1.0e-3)
    assert row(table, "centring tripod")["sigma_declared"] == pytest.approx(0.8e-3)
    assert row(table, "zenith ts0")["sigma_declared"] == pytest.approx(np.pi / 648_000)
    assert row(table, "distance ts1 without prism")["sigma_declared"] == pytest.approx(1e-3)
    assert row(table, "rise")["sigma_declared"] == pytest.approx(0.5e-3)
    refused = table.verdict == "refused"
    assert np.isnan(table.sigma_estimated[refused]).all()
    assert all(table.reason[refused])
    told = ~refused
    assert np.all(table.lower[told] < table.sigma_estimated[told])
    assert np.all(table.sigma_estimated[told] < table.upper[told])
    assert np.all(table.degrees[told] >= 5.0)
    assert np.all(table.degrees <= table.redundancy + 1e-6)
    thin = told & (table.degrees < 10.0)
    assert all("fewer than 10" in r for r in table.reason[thin])


def test_two_rises_are_refused_for_want_of_degrees() -> None:
    found = row(components(solved_plan(braced())), "rise")
    assert found["verdict"] == "refused"
    assert "degrees of freedom" in str(found["reason"]) or "zero" in str(found["reason"])


def test_what_cannot_be_told_apart_is_refused_by_name() -> None:
    """One round, both targets of every mark seen once: a direction's noise and its target's centring are one."""
    rng = np.random.default_rng(5)
    K = np.eye(60)
    loadings = np.vstack([K, K + 0.01 * rng.standard_normal((60, 60))])
    c = by_hand(1.5 * rng.standard_normal(60), loadings, np.repeat([0, 1], 60))
    free = np.ones(2, dtype=bool)
    fit = maximise(c, c.grams(), free, np.ones(2))
    _, correlation = degrees_of_freedom(information(c, fit), free)
    assert correlation[0, 1] < -0.9


def test_a_flag_is_told_where_it_inflates() -> None:
    plan = braced()
    day = plan.simulated(3)
    slope = day.sights.slope.copy()
    slope[8:12] += 0.030  # one target of one station, all its readings
    table = components(solve(replace(day, sights=day.sights.replace(slope=slope)), Settings()))
    assert table.flagged.sum() > 0
    i = int(np.argmax(table.flagged))
    assert table.verdict[i] == "refused" or "flagged" in table.reason[i]


def test_independent_rule_has_readings_only() -> None:
    plan, settings = braced(rounds=3), Settings(correlation="independent")
    solved = solve(plan.simulated(0, settings), settings)
    table, c = components(solved), contrasts(solved)
    assert not np.isin(table.what.astype(str), ("height", "centring")).any()
    assert (table.what == "zenith").sum() == 2
    # sigmas differ from target to target here, and rounds are averaged all the same without losing a square
    nothing = np.zeros(len(c.groups), dtype=bool)
    fit = maximise(c, c.grams(), nothing, np.ones(len(nothing)), watched=~nothing)
    assert fit.squares.sum() == pytest.approx(solved.solution.objective, rel=1e-7)
    assert c.scatter_freedom.sum() > 50


def test_no_redundancy_no_components() -> None:
    plan = Plan()
    plan.held("A", 0.0, 0.0, 10.0)
    plan.mark("B", 50.0, 0.0, 11.0)
    plan.reduce("rise", 0, 1, 1e-3)
    assert len(components(solved_plan(plan))) == 0


def test_too_many_contrasts_are_refused() -> None:
    with pytest.raises(TooLarge, match="more than 50"):
        contrasts(solved_plan(braced()), 50)


@pytest.mark.parametrize("datum", ["held", "free"])
def test_sparse_steps_reach_the_same_maximum(datum: str) -> None:
    plan = braced(datum=datum)
    for i in range(6):
        plan.vector(i, (i + 1) % 6, np.diag([4e-6, 4e-6, 9e-6]))
    solved = solved_plan(plan, seed=4)
    dense_one, sparse_one = dense_estimate(contrasts(solved), 1e-4), sparse_estimate(solved, 1e-4)
    assert dense_one.settled
    assert sparse_one.settled
    inside = dense_one.theta > 1e-3
    # both stop where the score is 1e-4 of its own spread; a weak group moves by 1e-3 meanwhile
    assert sparse_one.theta[inside] == pytest.approx(dense_one.theta[inside], rel=2e-3)
    assert sparse_one.redundancy == pytest.approx(dense_one.redundancy, rel=1e-3, abs=1e-3)
    dense_nu, sparse_nu = (degrees_of_freedom(e.information, e.free)[0] for e in (dense_one, sparse_one))
    told = dense_nu > 5.0
    assert sparse_nu[told] == pytest.approx(dense_nu[told], rel=0.1)  # 24 probes: a few per cent


def test_large_networks_take_the_sparse_road(monkeypatch: pytest.MonkeyPatch) -> None:
    solved = solved_plan(braced(), seed=4)
    near = components(solved)
    monkeypatch.setattr(components_module, "DENSE", 50)
    far = components(solved)
    assert far.probed.all()
    assert not near.probed.any()
    assert list(far.group) == list(near.group)
    both = (near.verdict != "refused") & (far.verdict != "refused")
    assert both.sum() >= 5
    assert far.sigma_estimated[both] == pytest.approx(near.sigma_estimated[both], rel=0.02)


def test_readings_between_held_marks_are_all_redundancy() -> None:
    """A rise between two held bench marks has no unknown at all: r = 1 each, and σ̂² is their mean square."""
    plan = Plan()
    for i in range(8):
        plan.held(f"B{i}", 10.0 * i, 0.0, 100.0 + i)
    for i in range(7):
        plan.reduce("rise", i, i + 1, 1e-3)
    solved = solved_plan(plan, seed=2)
    found = row(components(solved), "rise")
    assert found["redundancy"] == pytest.approx(7.0)
    assert found["degrees"] == pytest.approx(7.0)
    truth = np.diff([100.0 + i for i in range(8)]) - solved.network.reduced.value
    assert found["sigma_estimated"] == pytest.approx(
        np.sqrt(np.mean(truth**2)), rel=3e-3
    )  # stops near, not at, the top


def test_vectors_are_one_group() -> None:
    plan = braced()
    for i in range(6):
        plan.vector(i, (i + 1) % 6, np.diag([4e-6, 4e-6, 9e-6]))
    found = row(components(solved_plan(plan)), "vector")
    assert found["sigma_declared"] == pytest.approx(np.sqrt(17e-6 / 3))
    assert isinstance(found["redundancy"], float)
    assert 0.0 < found["redundancy"] < 18.0


def test_fit_is_what_it_says() -> None:
    """−2 ln L falls on the way to the maximum: no neighbour is better."""
    c = contrasts(solved_plan(braced(), seed=6))
    grams, free = c.grams(), np.ones(len(c.groups), dtype=bool)
    fit: Fit = maximise(c, grams, free, np.ones(len(free)))
    for g in range(len(free)):
        for factor in (0.8, 1.25):
            theta = fit.theta.copy()
            theta[g] *= factor
            beside = maximise(c, grams, np.zeros(len(free), dtype=bool), theta)
            assert beside.deviance > fit.deviance - 1e-3

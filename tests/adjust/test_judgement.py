"""What the results say of a network: what is unchecked, what is flagged, whose height is wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, MM, Plan, adjusted

from hubtack.adjust import Adjustment, Settings
from hubtack.adjust.ground.network import Network


def plan(centring: float = 0.5 * MM, height: float = 0.4 * MM) -> Plan:
    """Four held marks in a square of 60 m."""
    p = Plan()
    p.support("stand", centring, height)
    p.support("free")
    p.instrument()
    p.target()
    for k, (e, n, h) in enumerate(((0, 0, 0), (60, 5, 2), (62, 58, -1), (-3, 61, 1))):
        p.held(f"H{k}", e, n, h)
    return p


def oriented(p: Plan, mark: int, backsights: tuple[int, ...]) -> int:
    s = p.station(mark)
    for b in backsights:
        p.sight(s, p.prism(b))
    return s


def unchecked(a: Adjustment) -> set[str]:
    return {str(m) for m, u in zip(a.marks.mark, a.marks.unchecked, strict=True) if u}


# -- unchecked -------------------------------------------------------------------------------------------------------


def test_one_target_setup_seen_from_three_instruments() -> None:
    """Nothing would show that its height was mistyped, or that it stood on another nail."""
    p = plan()
    m = p.mark("M", 30, 30, 3)
    t = p.prism(m)
    for k in range(3):
        p.sight(oriented(p, k, ((k + 1) % 4,)), t, 2)
    a = adjusted(p.simulated(1))
    assert unchecked(a) == {"M"}
    named = " ".join(a.marks.unchecked_by[m])
    setup = str(a.setups.setup[t])
    assert f"{setup} height" in named
    assert f"{setup} centring" in named
    assert np.isinf(a.setups.minimal_detectable_height[t])


def test_two_visits() -> None:
    p = plan()
    m = p.mark("M", 30, 30, 3)
    for k in range(3):
        p.sight(oriented(p, k, ((k + 1) % 4,)), p.prism(m), 2)
    a = adjusted(p.simulated(1))
    assert unchecked(a) == set()
    assert a.marks.unchecked_by[m] == ()


def test_a_polar_shot() -> None:
    """One sight: every reading of it is unchecked, and named."""
    p = plan()
    m = p.mark("M", 30, 30, 3)
    s = oriented(p, 0, (1, 2))
    p.sight(s, p.prism(m))
    a = adjusted(p.simulated(1))
    assert unchecked(a) == {"M"}
    shot = str(a.network.sights.id[len(a.network.sights) - 2])
    assert {f"{shot}.direction", f"{shot}.zenith", f"{shot}.distance"} <= set(a.marks.unchecked_by[m])


def test_a_free_station_does_not_hang_on_its_own_height() -> None:
    """Zero sigma: nothing was measured to the mark below, so nothing there can be wrong."""
    p = plan()
    m = p.mark("P", 30, 30, 1.6)
    s = p.station(m, 0.0, support=1)
    for k in range(4):
        p.sight(s, p.prism(k), 2)
    a = adjusted(p.simulated(1))
    assert unchecked(a) == set()
    assert np.isnan(a.setups.height_error[s])


def test_everything_beyond_a_hanging_leg() -> None:
    """An open branch: what hangs on an unchecked mark is unchecked itself."""
    p = plan()
    first, second, third = (p.mark(f"M{k}", 90 + 30 * k, 20, 2) for k in range(3))
    p.sight(oriented(p, 1, (0, 2)), p.prism(first), 2)
    s = oriented(p, first, (1,))
    p.sight(s, p.prism(second), 2)
    p.sight(oriented(p, second, (first,)), p.prism(third), 2)
    a = adjusted(p.simulated(1))
    assert {"M1", "M2"} <= unchecked(a)
    branch = set(a.marks.unchecked_by[third])
    assert any(x.endswith("direction") for x in branch)


def test_a_closed_traverse_checks_its_marks() -> None:
    p = plan()
    marks = [p.mark(f"M{k}", 20 + 15 * k, 80 + 5 * k, 2) for k in range(3)]
    chain = [3, *marks, 2]
    for i, m in enumerate(chain):
        s = oriented(p, m, ((0,) if i in (0, 4) else ()))
        for j in (i - 1, i + 1):
            if 0 <= j < len(chain):
                p.sight(s, p.prism(chain[j]), 2)
    a = adjusted(p.simulated(1))
    assert unchecked(a) == set()


def test_levels_once_and_twice() -> None:
    p = plan()
    once, twice = p.mark("L1", 0, 0, 0), p.mark("L2", 0, 0, 0)
    p.reduce("rise", 0, once, 1 * MM)
    p.reduce("rise", 0, twice, 1 * MM)
    p.reduce("rise", 1, twice, 1 * MM)
    a = adjusted(p.simulated(1))
    assert unchecked(a) == {"L1"}
    assert a.marks.unchecked_by[once] == ("r1",)


# -- flags -----------------------------------------------------------------------------------------------------------


def net(visits: int = 3, seed: int = 2) -> tuple[Plan, Network, list[int]]:
    """Two new marks, each visited several times; every visit's target is seen by two instruments."""
    p = plan()
    marks = [p.mark("M0", 25, 25, 3), p.mark("M1", 38, 33, 2)]
    targets = []
    stations = [oriented(p, k, ((k + 1) % 4, (k + 2) % 4)) for k in range(4)]
    for v in range(visits):
        for m in marks:
            t = p.prism(m, 1.3 + 0.1 * v)
            targets.append(t)
            for s in (stations[v % 4], stations[(v + 1) % 4]):
                p.sight(s, t, 2)
    return p, p.simulated(seed), targets


@pytest.mark.parametrize(
    ("column", "kind"), [("circle", "direction"), ("zenith", "zenith"), ("slope", "distance")]
)
def test_a_reading_ten_sigmas_off(column: str, kind: str) -> None:
    """10 σ/√r in one observation: flagged, and the largest; the same network without it is clean."""
    _, clean, _ = net()
    a = adjusted(clean)
    assert not a.observations.flagged.any()
    o = a.observations
    row = int(np.flatnonzero((o.kind == kind) & (o.redundancy > 0.15))[3])
    off = 10.0 * o.sigma[row] / np.sqrt(o.redundancy[row])
    values = getattr(clean.sights, column).copy()
    ids = {str(i): k for k, i in enumerate(clean.sights.id)}
    for id_ in o.rows[row]:
        k = ids[id_]
        values[k] += -off if kind == "zenith" and clean.sights.face[k] == 2 else off
    b = adjusted(replace(clean, sights=clean.sights.replace(**{column: values})))
    w = np.abs(np.nan_to_num(b.observations.standardized))
    assert int(np.argmax(np.where(b.observations.kind == "effect", 0.0, w))) == row
    assert b.observations.flagged[row]
    # w moves by exactly 10: the test is linear in the bias
    change = b.observations.standardized[row] - o.standardized[row]
    assert change == pytest.approx(-10.0, abs=0.01)
    assert b.flagged
    assert not b.global_test.passed


def test_critical_value_is_where_flags_begin() -> None:
    _, network, _ = net()
    for alpha in (0.001, 0.05, 0.2):
        a = adjusted(network, Settings(alpha=alpha))
        o = a.observations
        sure = ~np.isnan(o.standardized)
        # vectors, control and readings by |w|; effects are judged setup by setup, in `setups`
        readings = sure & (o.kind != "effect")
        assert np.array_equal(o.flagged[readings], np.abs(o.standardized[readings]) > a.critical)
        s = a.setups
        expected = (np.abs(np.nan_to_num(s.standardized_height)) > a.critical) | (
            np.nan_to_num(s.standardized_centring) > a.critical_centring
        )
        assert np.array_equal(s.flagged, expected)


@pytest.mark.parametrize("seed", range(5))
def test_a_wrong_height_is_flagged_at_its_setup(seed: int) -> None:
    """12 mm at one of three visits: that setup's test is the largest of all, and its estimate has size and sign."""
    _, network, targets = net(seed=seed)
    wrong = targets[2]
    height = network.setups.height.copy()
    height[wrong] -= 12 * MM  # entered too small: the device stood 12 mm higher
    a = adjusted(replace(network, setups=network.setups.replace(height=height)))
    w = np.abs(np.nan_to_num(a.setups.standardized_height))
    assert int(np.argmax(w)) == wrong
    assert a.setups.flagged[wrong]
    assert w[wrong] >= np.abs(np.nan_to_num(a.observations.standardized)).max() - 1e-9
    # the best estimate of the whole error is w·σ/√r
    size = (
        a.setups.standardized_height[wrong]
        * a.setups.sigma_height[wrong]
        / np.sqrt(a.setups.redundancy_height[wrong])
    )
    assert size == pytest.approx(12 * MM, abs=2.5 * MM)
    assert a.setups.height_error[wrong] > 0.0


def test_two_visits_tell_that_but_not_which() -> None:
    """Equal |w| at both visits' targets: found, not attributed."""
    _, network, targets = net(visits=2)
    height = network.setups.height.copy()
    height[targets[0]] -= 15 * MM
    a = adjusted(replace(network, setups=network.setups.replace(height=height)))
    both = np.abs(a.setups.standardized_height[[targets[0], targets[2]]])
    assert both.min() > a.critical
    assert both[0] == pytest.approx(both[1], rel=0.15)  # the held marks' stations add a little


def test_a_moved_control_mark() -> None:
    """Held H2 given 20 mm too far east: the control fit says so, with the size, and no other as loudly."""
    p = plan()
    for k in range(4):
        oriented(p, k, tuple(j for j in range(4) if j != k))
    network = p.simulated(3)
    east = network.marks.east.copy()
    east[2] += 20 * MM
    a = adjusted(replace(network, marks=network.marks.replace(east=east)))
    c = a.control
    worst = int(np.nanargmax(np.abs(c.standardized)))
    assert (c.mark[worst], c.component[worst]) == ("H2", "east")
    assert c.flagged[worst]
    assert c.misfit[worst] == pytest.approx(20 * MM, abs=3 * c.sigma[worst])
    assert len(c) == 12


# -- false alarms ----------------------------------------------------------------------------------------------------


def test_standardized_residuals_are_standard_normal() -> None:
    """40 days of the same network without blunders: mean 0, variance 1 of w; T of centring is χ²₂; vᵀPv/f is 1."""
    p, _, _ = net()
    w, T, f = [], [], []
    for seed in range(40):
        a = adjusted(p.simulated(1000 + seed))
        o = a.observations
        w.append(o.standardized[(o.redundancy > 1e-3) & ~np.isnan(o.standardized)])
        T.append(a.setups.standardized_centring[~np.isnan(a.setups.standardized_centring)] ** 2)
        f.append(a.global_test.variance_factor)
    pooled, centring = np.concatenate(w), np.concatenate(T)
    # about 40 × 60 independent numbers: 4.5 standard errors of a mean and of a variance
    assert abs(pooled.mean()) < 4.5 / 2400**0.5
    assert abs(pooled.var() - 1.0) < 4.5 * (2 / 2400) ** 0.5
    assert centring.mean() == pytest.approx(2.0, abs=4.5 * 2 / 800**0.5)
    assert np.mean(f) == pytest.approx(1.0, abs=4.5 * (2 / a.degrees_of_freedom / 40) ** 0.5)


def test_ellipses_hold_the_truth() -> None:
    """95 % of 200 days: between 90 and 99 % is within 3.3 standard errors."""
    p, _, _ = net(visits=2)
    truth = np.array(p.truth, float)
    inside = []
    for seed in range(100):
        a = adjusted(p.simulated(5000 + seed))
        for m in (4, 5):
            d = np.array([a.marks.east[m], a.marks.north[m]]) - truth[m, :2]
            C = a.marks.covariance[m][:2, :2]
            inside.append(d @ np.linalg.solve(C, d) <= a.ellipse_factor**2)
    assert 0.90 <= np.mean(inside) <= 0.99


def test_azimuth_and_angle_residuals_stay_small_across_north() -> None:
    """Azimuths about 0 and angles about 360°: the residual is the short way round."""
    p = plan()
    north = p.mark("N", 0.0, 80.0, 0)
    p.reduce("azimuth", 0, north, 5 * ARCSEC)
    p.reduce("azimuth", north, 0, 5 * ARCSEC)
    p.reduce("horizontal", 0, north, 2 * MM)
    p.reduce("angle", north, north, 5 * ARCSEC, at=0)
    p.reduce("angle", 1, north, 5 * ARCSEC, at=0)
    for seed in range(6):
        a = adjusted(p.simulated(seed))
        assert np.abs(a.observations.residual[a.observations.quantity == "angle"]).max() < 30 * ARCSEC
        angles = a.observations.adjusted[a.observations.quantity == "angle"]
        assert np.all((angles > -1e-3) & (angles < 2 * np.pi + 1e-3))


def test_prior_sigma_infinite_is_free_and_zero_is_held() -> None:
    """The limits of one mechanism: a weighted control of 1 km and of 1 nm."""
    p, network, _ = net()
    held = adjusted(network)
    sigma = np.where(network.marks.sigma_east == 0.0, 1e-9, np.inf)
    columns = {f"sigma_{a}": sigma for a in ("east", "north", "height")}
    tight = adjusted(replace(network, marks=network.marks.replace(**columns)))
    assert np.allclose(tight.marks.east, held.marks.east, atol=1e-8)
    assert np.allclose(tight.marks.sigma_height[4:], held.marks.sigma_height[4:], rtol=1e-5)
    assert tight.degrees_of_freedom == held.degrees_of_freedom
    loose = np.array(p.sigma, float)
    assert np.isinf(loose[4:]).all()
    columns = {}
    for k, axis in enumerate(("east", "north", "height")):
        columns[f"sigma_{axis}"] = np.where(np.isinf(loose[:, k]), 1e3, 0.0)
        columns[axis] = np.array(p.truth, float)[:, k]
    poor = replace(network, marks=network.marks.replace(**columns))
    weighted = adjusted(poor, Settings(reference_height=held.reference_height))
    assert np.allclose(weighted.marks.east, held.marks.east, atol=1e-7)
    assert np.allclose(weighted.marks.sigma_east[4:], held.marks.sigma_east[4:], rtol=1e-5)
    # each prior is an observation, if a poor one
    assert weighted.degrees_of_freedom == held.degrees_of_freedom + 6

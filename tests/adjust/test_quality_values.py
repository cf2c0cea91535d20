"""Tests, minimal detectable biases and ellipses: numbers from the literature or derived by hand.

"Derived" means: from the geometry, and verified numerically by finite differences, simulation or an exact model.
"""

from __future__ import annotations

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, INF, MM, Plan, adjusted
from tests.oracle.dense import Dense

from hubtack.adjust import Settings, adjust
from hubtack.adjust.estimate.precision import ellipse_factor, ellipses, interval_factor
from hubtack.adjust.estimate.quantiles import (
    chi2_quantile,
    critical_value,
    noncentrality,
    noncentrality_plane,
)

# -- statistics ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("f", "low", "high"),
    [(5, 0.16624, 2.56650), (9, 0.30004, 2.11364), (10, 0.32470, 2.04832), (34, 0.58254, 1.52841)],
)
def test_bounds_of_the_variance_factor(f: int, low: float, high: float) -> None:
    """χ²/f at 2.5 and 97.5 %; any table."""
    assert chi2_quantile(0.025, f) / f == pytest.approx(low, abs=5e-6)
    assert chi2_quantile(0.975, f) / f == pytest.approx(high, abs=5e-6)


def test_noncentrality() -> None:
    """δ0 = u(1 − α/2) + u(power): 3.290527 + 0.841621. Baarda 1968, from memory; √19.6624 with two degrees."""
    assert critical_value(0.001) == pytest.approx(3.290527, abs=5e-7)
    assert noncentrality(0.001, 0.80) == pytest.approx(4.132148, abs=5e-7)
    assert noncentrality(0.001, 0.80) ** 2 == pytest.approx(17.07465, abs=5e-6)
    for alpha, expected in ((0.001, 19.6624), (0.05, 9.6347)):
        assert noncentrality_plane(alpha, 0.80) ** 2 == pytest.approx(expected, abs=5e-5)


def test_ellipse() -> None:
    """Variances 4 and 2, covariance 1.5: axes by eigenvalues, azimuth ½·atan2(2σ_EN, σ_N² − σ_E²)."""
    major, minor, azimuth = ellipses(np.array([[[4.0, 1.5], [1.5, 2.0]]]))
    assert (major[0], minor[0]) == pytest.approx((2.19152, 1.09418), abs=5e-6)
    assert np.degrees(azimuth[0]) == pytest.approx(61.845, abs=5e-4)
    assert (ellipse_factor(0.95), ellipse_factor(0.99)) == pytest.approx((2.4477, 3.0349), abs=5e-5)
    assert (interval_factor(0.95), interval_factor(0.99)) == pytest.approx((1.9600, 2.5758), abs=5e-5)


@pytest.mark.parametrize(
    ("sigma", "redundancy", "bias"),
    [
        (0.01, 0.0004, 2.066),
        (0.05, 0.0099, 2.076),
        (0.2, 0.138, 2.225),
        (1.0, 0.800, 4.620),
        (1.5, 0.900, 6.533),
    ],
)
def test_redundancy_of_a_height_misleads(sigma: float, redundancy: float, bias: float) -> None:
    """The network knows a height to 0.5 mm: r = σ²/(σ² + 0.25), MDB = δ0·√(σ² + 0.25). Derived."""
    p = Plan()
    p.support("pillar")
    p.support("stand", height=sigma * MM)
    p.instrument(1.0, 0.5 / 30_000 / ARCSEC)
    p.target()
    p.held("A", 0, 0, 0)
    p.held("B", 0, 30, 0)
    p.sight(p.station(0, 1.5), p.prism(1, 1.5, support=1), readings="z")
    a = adjusted(p.simulated(0))
    assert a.setups.redundancy_height[1] == pytest.approx(redundancy, abs=5e-4 if redundancy > 0.01 else 6e-5)
    assert a.setups.minimal_detectable_height[1] / MM == pytest.approx(bias, abs=6e-4)


@pytest.mark.parametrize(("ratio", "unchecked"), [(4.13, True), (4.14, False)])
def test_bias_to_noise_at_half_redundancy(ratio: float, unchecked: bool) -> None:
    """δ0·√((1 − r)/r): 4.132 at r 0.5. Derived. The limit of "unchecked" lies exactly there."""
    assert levelled_twice(1.0, ratio) == unchecked


@pytest.mark.parametrize(("ratio", "unchecked"), [(8.26, True), (8.27, False)])
def test_bias_to_noise_at_little_redundancy(ratio: float, unchecked: bool) -> None:
    """8.264 at r 0.2: a rise and one with twice its sigma."""
    assert levelled_twice(2.0, ratio) == unchecked


def levelled_twice(sigma: float, ratio: float) -> bool:
    p = Plan()
    p.held("A", 0, 0, 0)
    p.mark("B", 0, 30, 0)
    p.reduce("rise", 0, 1, 1 * MM)
    p.reduce("rise", 0, 1, sigma * MM)
    a = adjust(p.simulated(0), Settings(unchecked_ratio=ratio))
    assert a.observations.redundancy[0] == pytest.approx(1 / (1 + sigma**2), rel=1e-9)
    return bool(a.marks.unchecked[1])


def visits(n: int, k: int, levels: bool = False) -> Plan:
    """Five marks of unknown height, n visits of a target to each, every visit seen by k free stations."""
    p = Plan()
    p.support("free")
    p.support("stand", height=0.2 * MM)
    p.instrument(1.0, 0.5 / 30_000 / ARCSEC)
    p.target()
    marks = [
        p.mark(f"V{i}", 30 * np.sin(i), 30 * np.cos(i), 0, sigma=(0.0, 0.0, INF), known=True)
        for i in range(5)
    ]
    for v in range(n):
        targets = [p.prism(m, 1.5, support=1) for m in marks]
        for i in range(k):
            place = p.mark(f"S{v}{i}", 0, 0, 1.5, sigma=(0.0, 0.0, INF), known=True)
            s = p.station(place, 0.0)
            for t in targets:
                p.sight(s, t, readings="z")
    if levels:
        for i in range(5):
            p.reduce("rise", marks[i], marks[(i + 1) % 5], 0.3 * MM)
    return p


def test_one_visit_checks_no_height() -> None:
    """However many instruments see it: cᵀMc = 0. Derived."""
    a = adjusted(visits(1, 4).simulated(0))
    assert a.datum == ("height",)
    assert np.isinf(a.setups.minimal_detectable_height[:5]).all()
    assert np.isnan(a.setups.standardized_height[:5]).all()
    assert a.marks.unchecked[:5].all()


@pytest.mark.parametrize(
    ("n", "k", "levels", "bias"), [(2, 3, False, 2.29), (3, 2, False, 2.30), (2, 2, True, 2.06)]
)
def test_more_visits_check_heights(n: int, k: int, levels: bool, bias: float) -> None:
    """MDB of one target's height; two visits tell that one is wrong but not which (equal |w|). Derived."""
    a = adjusted(visits(n, k, levels).simulated(0))
    target = np.flatnonzero(~a.network.setups.instrument)
    assert a.setups.minimal_detectable_height[target[0]] / MM == pytest.approx(bias, abs=6e-3)
    first, second = (a.setups.standardized_height[a.network.setups.mark == 0][i] for i in (0, 1))
    same = abs(abs(first) - abs(second)) < 1e-6
    assert same == (n == 2 and not levels)


# -- the wrong height of a setup -------------------------------------------------------------------------------------


def three_visits(sigma: float) -> Plan:
    """One mark sighted from three held ones in three visits; the first visit's height has its own prior sigma."""
    p = Plan()
    p.support("stand", centring=0.5 * MM, height=0.4 * MM)
    p.support("pole", centring=0.5 * MM, height=sigma)
    p.instrument()
    p.target()
    for k, (e, n, h) in enumerate(((0, 0, 0), (60, 5, 2), (25, 55, -1))):
        p.held(f"H{k}", e, n, h)
    mark = p.mark("M", 30, 20, 4)
    stations = [p.station(k) for k in range(3)]
    for visit in range(3):
        t = p.prism(mark, 1.5 + 0.1 * visit, support=1 if visit == 0 else 0)
        for s in stations:
            p.sight(s, t)
    for k, s in enumerate(stations):
        p.sight(s, p.prism((k + 1) % 3))
    return p


def test_a_wrong_height_is_the_common_bias_of_its_sights() -> None:
    """w of the height's pseudo-observation is that of all its sights being off together, in the model without it.

    T = (cᵀPv)²/cᵀMc, c = what one metre of height does to every sight (Förstner 1980, Evaluation of block adjustment
    results, for several gross errors; formulas from memory). Here c and M come from the dense model.
    """
    sigma = 0.8 * MM
    plan = three_visits(sigma)
    network = plan.simulated(5)
    a = adjusted(network)
    row = next(i for i in range(len(a.setups)) if a.setups.setup[i] == "T3")
    w = a.setups.standardized_height[row]
    d = Dense(network, Settings(), np.array(plan.truth, float)).solve()
    place = d.place["own", 2, row]
    pseudo = d.names.index("T3.effect.height")
    # without that unknown: drop its column and its pseudo-observation; its prior variance goes into the sights it hits
    c = np.delete(d.A[:, place], pseudo)
    A = np.delete(np.delete(d.A, pseudo, axis=0), place, axis=1)
    V = np.eye(len(c)) + np.outer(c, c) * sigma**2
    P = np.linalg.inv(V)
    size = np.linalg.norm(A, axis=0)
    N = (A / size).T @ P @ (A / size)
    M = P - P @ (A / size) @ np.linalg.solve(N, (A / size).T @ P)
    misclosure = c * d.x[place] - np.delete(d.v, pseudo)  # observed − computed, without the height
    b = c @ M @ misclosure
    assert abs(w) == pytest.approx(abs(b) / np.sqrt(c @ M @ c), rel=1e-5)
    # size of the bias: +δ̂ = b / cᵀMc has the sign of the estimated height error
    assert np.sign(a.setups.height_error[row]) == np.sign(b)
    mdb = noncentrality(0.001, 0.80) / np.sqrt(c @ M @ c)
    assert a.setups.minimal_detectable_height[row] == pytest.approx(mdb, rel=1e-5)


# -- what a loop can't see -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("forced", "expected"), [(False, 22.86), (True, 3.46)])
def test_angular_closure_of_a_hexagon(forced: bool, expected: float) -> None:
    """Legs of 50 m, 1″, centring 1 mm per axis: on one base a mark the closure sees nothing but the instrument.

    Derived and simulated (22.68″, 3.44″).
    """
    p = Plan()
    p.support("tripod", centring=1 * MM)
    p.instrument()
    p.target()
    for k in range(6):
        angle = np.radians(60 * k)
        p.held(f"X{k}", 50 * np.sin(angle), 50 * np.cos(angle), 0)
    for k in range(6):
        base = {"base": k} if forced else {}
        s = p.station(k, **base)
        for j in ((k - 1) % 6, (k + 1) % 6):
            p.sight(s, p.prism(j, **({"base": j} if forced else {})), readings="c")
    network = p.simulated(2)
    d = Dense(network, Settings(), np.array(p.truth, float)).solve()
    sign = np.array([-1.0, 1.0] * 6)  # foresight less backsight, summed
    rows = list(range(len(d.readings)))
    effects = [i for i, u in enumerate(d.unknowns) if u.key[0] in ("own", "shared")]
    by_effects = (sign * d.sigmas[rows]) @ d.A[np.ix_(rows, effects)]
    variance = sign**2 @ d.sigmas[rows] ** 2 + np.sum((by_effects * 1 * MM) ** 2)
    assert variance**0.5 / ARCSEC == pytest.approx(expected, abs=0.01)
    # and the engine: with every mark held, its directions are residuals of just these closures
    a = adjusted(network)
    assert a.degrees_of_freedom == d.freedom == 6

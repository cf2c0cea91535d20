"""The first velocity correction against published constants and Ciddor's equations; surfaces hit at a slant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, INF, MM, NAN, Plan, adjusted

from hubtack.adjust.ground.atmosphere import (
    NOT_APPLIED,
    group_refractivity,
    reference_refractivity,
    refractivity,
    vapour_pressure,
    velocity_factors,
)
from hubtack.adjust.ground.network import Network
from hubtack.adjust.model.reductions import reduce_readings

RED = 0.658e-6


@pytest.mark.parametrize(
    ("wavelength", "ng"), [(0.633, 300.23453), (0.658, 299.26464), (0.850, 294.50923), (0.910, 293.61564)]
)
def test_group_refractivity(wavelength: float, ng: float) -> None:
    """C3.8."""
    assert group_refractivity(np.array(wavelength * 1e-6)) == pytest.approx(ng, abs=6e-6)


@pytest.mark.parametrize(
    ("t", "p", "e", "n", "ciddor"),
    [
        (15, 1013.25, 10, 283.2949, 283.244),
        (20, 1013.25, 10, 278.4630, 278.398),
        (30, 850, 20, 225.4610, 225.420),
        (-10, 1020, 2, 312.6208, 312.631),
    ],
)
def test_refractivity(t: float, p: float, e: float, n: float, ciddor: float) -> None:
    """C3.9, with Ciddor's full equations (1996) as an independent judge: within 0.1 ppm."""
    found = refractivity(np.array(RED), np.array(273.15 + t), np.array(100.0 * p), np.array(100.0 * e))
    assert found == pytest.approx(n, abs=6e-5)
    assert found == pytest.approx(ciddor, abs=0.1)


def test_sensitivities() -> None:
    """Near 15 °C: −0.983 ppm/K, +0.280 ppm/hPa, −0.039 ppm/hPa of vapour. (Signs: of N.)"""
    base = np.array([288.15, 101_325.0, 1000.0])

    def n(at: np.ndarray) -> float:
        return float(refractivity(np.array(RED), *(np.array(v) for v in at)))

    for axis, step, expected in ((0, 1.0, -0.983), (1, 100.0, 0.280), (2, 100.0, -0.039)):
        move = np.zeros(3)
        move[axis] = 0.5 * step
        assert n(base + move) - n(base - move) == pytest.approx(expected, abs=6e-4)


def day(atmosphere: str, length: float = 500.0) -> Network:
    """C3.10: reference 12 °C, 1013.25 hPa, 60 %; in the field 28 °C, 950 hPa, 40 %."""
    p = Plan()
    p.support("pillar")
    p.instrument(
        atmosphere=atmosphere, wavelength=RED,
        reference_temperature=285.15, reference_pressure=101_325.0, reference_humidity=0.6,
    )  # fmt: skip
    p.target(constant=0.0175)
    p.held("A", 0, 0, 0)
    p.mark("B", 0, length, 0, sigma=(0.0, INF, 0.0), known=True)  # or it might lie to the south
    s = p.station(0, 1.5, temperature=301.15, pressure=95_000.0, humidity=0.4)
    p.sight(s, p.prism(1, 1.5), readings="s")
    network = p.network()
    return replace(network, sights=network.sights.replace(slope=np.full(2, length - 0.0175)))


def test_applied_once_and_never_twice() -> None:
    """C3.10: N 286.3387 and 253.9314: +32.3991 ppm, 16.200 mm on 500 m; nothing where it was applied before."""
    network = day(NOT_APPLIED)
    assert reference_refractivity(network)[0] == pytest.approx(286.3387, abs=6e-5)
    vapour = vapour_pressure(np.array(301.15), np.array(0.4))
    here = refractivity(np.array(RED), np.array(301.15), np.array(95_000.0), vapour)
    assert here == pytest.approx(253.9314, abs=6e-5)
    factor = velocity_factors(network, np.array([0]), np.array([1]))[0]
    assert (factor - 1.0) * 1e6 == pytest.approx(32.3991, abs=6e-5)
    assert 500.0 * (factor - 1.0) / MM == pytest.approx(16.200, abs=5e-4)
    raw, done, silent = (reduce_readings(day(a)).value[0] for a in (NOT_APPLIED, "applied", ""))
    assert (raw - 500.0) / MM == pytest.approx(16.200 * (1.0 - 0.0175 / 500.0), abs=6e-4)
    assert done == silent == 500.0
    at_marks = raw * 6_371_000.0 / (6_371_000.0 + 1.5)  # both devices stand 1.5 m over the reference height
    assert adjusted(network).marks.north[1] == pytest.approx(at_marks, abs=1e-6)


def test_the_air_of_both_ends() -> None:
    """The mean of both readings, or the one there is."""
    network = day(NOT_APPLIED)
    ends = np.array([0]), np.array([1])

    def factor(*temperatures: float) -> float:
        setups = network.setups.replace(temperature=np.array(temperatures))
        return float(velocity_factors(replace(network, setups=setups), *ends)[0])

    assert factor(300.0, 304.0) == factor(302.0, 302.0) == factor(302.0, NAN) == factor(NAN, 302.0)
    assert np.isnan(factor(NAN, NAN))


@pytest.mark.parametrize(("incidence", "pointing"), [(45.0, 0.1454), (60.0, 0.2519), (75.0, 0.5428)])
def test_slanting_surfaces(incidence: float, pointing: float) -> None:
    """C3.6: 30 m, 1″ of pointing in both faces; with a spot of 5 mm its fifth, times tan i, besides."""
    p = Plan()
    p.support("wall")
    p.instrument(1.0, distance=1 * MM, spot=5 * MM)
    p.target(reflectorless=True)
    p.held("A", 0, 0, 0)
    p.mark("B", 0, 30, 0, sigma=(0.0, INF, 0.0))
    p.sight(p.station(0, 1.5), p.prism(1, 1.5, incidence=np.radians(incidence)), readings="s")
    network = p.network()
    network = replace(network, sights=network.sights.replace(slope=np.full(2, 30.0)))
    sigma = float(reduce_readings(network).sigma[0])
    extra = 0.2 * 5 * MM * np.tan(np.radians(incidence))
    assert np.sqrt(sigma**2 - 0.5 * MM**2 - extra**2) / MM == pytest.approx(pointing, abs=6e-5)
    assert 30.0 * ARCSEC * np.tan(np.radians(incidence)) / MM == pytest.approx(pointing, abs=6e-5)

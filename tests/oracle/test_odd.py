"""Odd networks: solved as the dense model solves them, or refused in words that name marks and never a matrix."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tests.adjust.networks import Plan, adjusted
from tests.oracle.agreement import agree
from tests.oracle.odd_cases import SOLVED, base, everyone
from tests.oracle.refused_cases import REFUSED

from hubtack.adjust import NotConverged, Settings, Undetermined, adjust

SLACK: dict[str, dict[str, Any]] = {
    # One direction over 1 mm: its derivative is 1000 rad/m, and of its redundancy, 1 − 0.9999999998, normal equations
    # keep six digits.
    "a_millimetre_sighted": {"nothing": 0.0},
}


@pytest.mark.parametrize("name", list(SOLVED))
def test_solved_as_the_dense_model_does(name: str) -> None:
    plan, settings = SOLVED[name]()
    agree(adjusted(plan.simulated(3, settings), settings), plan.truth, **SLACK.get(name, {}))


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("name", list(SOLVED))
def test_nothing_is_muttered(name: str) -> None:
    """A warning of numpy's on the terminal is no answer to anyone."""
    plan, settings = SOLVED[name]()
    adjust(plan.simulated(4, settings), settings)


@pytest.mark.parametrize("name", list(REFUSED))
def test_refused_by_name(name: str) -> None:
    make, named = REFUSED[name]
    plan, settings = make()
    with pytest.raises(Undetermined) as caught:
        adjust(plan.simulated(3, settings), settings)
    text = str(caught.value)
    assert "singular" not in text.lower()
    assert "matrix" not in text.lower()
    words = {w.strip(".,:;()") for w in text.split()}
    assert named in words, text
    for trouble in caught.value.troubles:
        assert trouble.code.startswith("NET")
        assert trouble.wanted


def test_advice_is_not_what_was_done() -> None:
    """C sights D and nothing else: D's distance and zenith angle are there; what lacks is C's orientation."""
    plan, settings = REFUSED["branch_without_orientation"][0]()
    with pytest.raises(Undetermined) as caught:
        adjust(plan.simulated(3, settings), settings)
    assert "Measure its distance" not in str(caught.value)


@pytest.mark.parametrize("shift", [0.0, 5e5, 5e6, 3.25e7])  # the last: an easting that begins with its zone
def test_the_same_network_further_off(shift: float) -> None:
    """Grid coordinates are large; what is measured between marks must not notice."""

    def made(by: float) -> Any:
        p = base()
        p.mark("D", 60, 30, 1)
        everyone(p, range(4), range(4), 2)
        network = p.simulated(8)
        marks = network.marks
        return replace(network, marks=marks.replace(east=marks.east + by, north=marks.north - by))

    near, far = adjusted(made(0.0)), adjusted(made(shift))
    spacing = float(np.spacing(max(shift, 1.0)))  # a coordinate can't be written down more finely
    assert np.abs(far.marks.east - shift - near.marks.east).max() < 1e-9 + 4 * spacing
    assert np.abs(far.marks.height - near.marks.height).max() < 1e-9 + 4 * spacing
    assert np.allclose(far.marks.covariance, near.marks.covariance, rtol=1e-5, atol=1e-16)
    # 10 km from the origin of the grid and 60 m sights: what coordinates round away, in sigmas of 1 mm and 1 arc second
    loss = 1e-7 + 1e3 * 10 * spacing
    assert np.allclose(
        far.observations.standardized, near.observations.standardized, atol=loss, equal_nan=True
    )


@pytest.mark.parametrize("gross", ["circle", "zenith", "slope"])
def test_a_gross_error_is_adjusted_and_flagged_or_named(gross: str) -> None:
    """A reading off by a tenth of a radian, or 5 m: an answer with the worst reading named, whichever way."""
    p = base()
    p.mark("D", 60, 30, 1)
    everyone(p, range(4), range(4), 2)
    network = p.simulated(8)
    values = getattr(network.sights, gross).copy()
    values[20] += 5.0 if gross == "slope" else 0.1  # row 20 is one face of a two-face mean
    bad = replace(network, sights=network.sights.replace(**{gross: values}))
    name = f"{network.sights.id[20]}.{'direction' if gross == 'circle' else 'distance' if gross == 'slope' else gross}"
    try:
        a = adjust(bad)
    except NotConverged as trouble:
        told = str(trouble)
    else:
        told = str(a.observations.id[np.nanargmax(np.abs(a.observations.standardized))])
        assert not a.global_test.passed
    assert name in told


def test_five_hundred_sights_from_one_setup() -> None:
    """Every single polar shot must be as if it were alone: its sigma is that of its own readings and the station's."""

    def shots(n: int) -> Plan:
        p = base(direction=3.0)
        rng = np.random.default_rng(1)
        s, back = p.station(0), p.station(1)
        p.sight(s, p.prism(1))
        p.sight(back, p.prism(0))
        for k in range(n):
            p.sight(s, p.prism(p.mark(f"M{k}", *rng.uniform(5, 100, 2), rng.uniform(0, 3))))
        p.sight(s, p.prism(2))
        return p

    many, few = shots(500), shots(5)
    a, b = adjusted(many.simulated(1)), adjusted(few.simulated(1))
    # two days' noise: a millimetre in 20 m turns a gradient by 5e-5
    assert np.allclose(a.marks.sigma_east[3:8], b.marks.sigma_east[3:8], rtol=1e-4)
    assert np.allclose(a.marks.sigma_height[3:8], b.marks.sigma_height[3:8], rtol=1e-4)
    assert a.marks.unchecked[3:].all()
    assert a.degrees_of_freedom == b.degrees_of_freedom == 4  # distance and zenith angle of A–B, both ways


def test_settings_that_change_nothing() -> None:
    """Held control: the datum marks and the confidence level touch neither coordinates nor redundancies."""
    p = base()
    everyone(p, range(3), range(3), 2)
    network = p.simulated(2)
    a = adjusted(network)
    b = adjusted(network, Settings(datum_marks=("A",), confidence=0.5, alpha=0.05))
    np.testing.assert_allclose(a.marks.east, b.marks.east, rtol=0, atol=1e-10)
    np.testing.assert_allclose(a.observations.redundancy, b.observations.redundancy, rtol=0, atol=1e-10)
    assert b.ellipse_factor == pytest.approx(np.sqrt(2.0 * np.log(2.0)), rel=1e-12)

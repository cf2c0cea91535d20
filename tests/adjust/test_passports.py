"""Passports: sigmas found over several simulated days, against the ones that the days were made with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, MM
from tests.adjust.test_plan import weir

from hubtack.adjust import Adjustment, Settings, adjust
from hubtack.adjust.checks.passports import Sigma, constants, sigmas
from hubtack.adjust.simulate import simulate


def days(
    count: int, seed: int, height: float = 0.7, stated: float = 0.7, zenith: float = 1.0
) -> list[Adjustment]:
    """Days of which heights truly have `height` mm and zenith angles `zenith` arc seconds; `stated` mm and 1″ are claimed."""
    p = weir(height=stated * MM)
    net = p.network()
    true = replace(
        net,
        supports=net.supports.replace(height_sigma=[height * MM]),
        instruments=net.instruments.replace(zenith=[zenith * ARCSEC]),
    )
    made = [simulate(true, np.array(p.truth, float), Settings(), 1000 * seed + k) for k in range(count)]
    return [adjust(replace(m, supports=net.supports, instruments=net.instruments)) for m in made]


def of(found: list[Sigma], what: str) -> Sigma:
    (one,) = [s for s in found if s.what == what]
    return one


def test_what_was_stated_is_found_again() -> None:
    """30 passports of four days: the 95 % intervals hold the truth in 150 cases in 95 %; 90 % is three errors below."""
    held = []
    for seed in range(30):
        found = sigmas(days(4, seed))
        assert {s.what for s in found} == {"height", "centring", "direction", "zenith", "distance"}
        held += [s.lower <= s.stated <= s.upper for s in found]
        assert of(found, "height").days == 4
    assert len(held) == 150
    assert np.mean(held) >= 0.90


def test_heights_worse_than_stated_need_checking() -> None:
    found = of(sigmas(days(4, 1, height=2.0, stated=0.7)), "height")
    assert found.verdict == "needs checking"
    assert found.lower < 2.0 * MM < found.upper
    assert of(sigmas(days(4, 2, height=0.2, stated=2.0)), "height").verdict == "better than stated"


def test_readings_worse_than_stated_need_checking() -> None:
    made = sigmas(days(6, 50, zenith=2.0))
    found = of(made, "zenith")
    assert found.verdict == "needs checking"
    assert found.lower < 2.0 * ARCSEC < found.upper
    assert of(made, "direction").verdict == "as stated"


def test_too_little_is_not_told() -> None:
    (day,) = days(1, 5)
    one = day.network.sights.take(np.isin(day.network.sights.end, [1, 2, 3, 5]))
    found = sigmas([adjust(replace(day.network, sights=one))])
    height = of(found, "height")
    assert height.freedom < 5
    assert height.verdict == "cannot tell"
    assert np.isnan(height.estimated)


def test_an_index_that_drifts_between_days() -> None:
    made = days(3, 7)
    turned = []
    for k, a in enumerate(made):
        s = a.network.sights
        turned.append(adjust(replace(a.network, sights=s.replace(zenith=s.zenith + 5 * k * ARCSEC))))
    index = next(c for c in constants(turned) if c.what == "index")
    assert index.verdict == "drifts"
    assert (index.last - index.first) / ARCSEC == pytest.approx(10.0, abs=1.5)  # each day's mean has 0.3″
    steady = next(c for c in constants(turned) if c.what == "collimation")
    assert steady.verdict == "steady"
    assert constants(turned[:1])[0].verdict == "one day"

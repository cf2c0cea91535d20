"""Checks of units: distances in feet, circles in gon or degrees, told before anything is adjusted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.test_checks import of_kind
from tests.adjust.test_plan import weir

from hubtack.adjust import Settings
from hubtack.adjust.checks.story import check
from hubtack.adjust.ground.network import Network
from hubtack.adjust.simulate import simulate


def _scaled(net: Network, rows: np.ndarray, factor: float) -> Network:
    s = net.sights
    return replace(net, sights=s.replace(slope=np.where(rows, s.slope * factor, s.slope)))


def test_distances_in_feet_are_told_from_known_marks_and_from_each_other() -> None:
    p = weir()
    net = simulate(p.network(), np.array(p.truth, float), Settings(), 3)
    assert not of_kind(list(check(net).checks), "unit of distances")
    (whole,) = of_kind(
        list(check(_scaled(net, np.ones(len(net.sights), bool), 1 / 0.3048)).checks), "unit of distances"
    )
    assert whole.about["meant"] == "feet for metres"
    assert whole.names[:2] == ("A", "B")
    assert whole.found == pytest.approx(3.28084, rel=1e-3)
    # one setup of four: the others say where its marks are
    third = np.unique(net.sights.start)[2]
    (one,) = of_kind(list(check(_scaled(net, net.sights.start == third, 0.3048)).checks), "unit of distances")
    assert one.names == (str(net.setups.setup[third]),)
    assert one.about["meant"] == "metres for feet"
    # a scale that no unit makes is no unit
    assert not of_kind(
        list(check(_scaled(net, np.ones(len(net.sights), bool), 1.7)).checks), "unit of distances"
    )


@pytest.mark.parametrize(("factor", "words"), [(10 / 9, "gon for degrees"), (0.9, "degrees for gon")])
def test_a_circle_in_other_units_is_told_by_its_faces(factor: float, words: str) -> None:
    p = weir()
    net = simulate(p.network(), np.array(p.truth, float), Settings(), 4)
    assert not of_kind(list(check(net).checks), "unit of angles")
    # read on one circle, taken for the other: the figures stay, what they mean does not
    turned = net.sights.replace(circle=np.mod(net.sights.circle * factor, 2 * np.pi))
    (found,) = of_kind(list(check(replace(net, sights=turned)).checks), "unit of angles")
    assert found.about["meant"] == words

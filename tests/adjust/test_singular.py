"""Geometry in which the numbers determine nothing though the graph seems to: told in the words of the ground.

Each case is singular by a theorem of plane geometry, not by a missing reading.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import Plan, adjusted

from hubtack.adjust import Undetermined, adjust
from hubtack.adjust.ground.network import Network


def lengths_along_a_line(start: bool, lengths: tuple[float, float]) -> Network:
    """P between two held marks 100 m apart, reached by a distance from each."""
    p = Plan()
    p.held("A", 0, 0, 0)
    p.held("B", 100, 0, 0)
    p.mark("P", 40, 0, 0, known=start)
    p.reduce("horizontal", 0, 2, 1e-3)
    p.reduce("horizontal", 1, 2, 1e-3)
    net = p.network()
    return replace(net, reduced=net.reduced.replace(value=lengths))


@pytest.mark.parametrize("start", [True, False])
def test_distances_along_their_line_tell_nothing_across_it(start: bool) -> None:
    """|AP| + |PB| = |AB|: both circles touch, and a step across changes each distance in second order only."""
    with pytest.raises(Undetermined) as caught:
        adjust(lengths_along_a_line(start, (40.0, 60.0)))
    (trouble,) = caught.value.troubles
    assert (trouble.code, trouble.marks) == ("NET302", ("P",))
    assert trouble.text == "P is reached by distances only (r1, r2): its north can't be found."


def test_directions_alone_on_the_circle_through_their_marks() -> None:
    """Theorem of the inscribed angle: from every place on the circle the same directions, whatever the start."""
    at = np.radians([10.0, 100.0, 250.0, 310.0])
    places = 100.0 * np.column_stack([np.sin(at), np.cos(at)])
    p = Plan()
    p.support("pillar")
    p.instrument()
    p.target()
    for k in range(3):
        p.held(f"C{k}", *places[k], 10.0)
    p.mark("F", *places[3], 10.0, known=True)
    s = p.station(3)
    for k in range(3):
        p.sight(s, p.prism(k), faces=(1,), readings="c")
    net = p.network()
    towards = places[:3] - places[3]
    circle = np.mod(np.arctan2(towards[:, 0], towards[:, 1]) - 0.3, 2 * np.pi)
    with pytest.raises(Undetermined) as caught:
        adjust(replace(net, sights=net.sights.replace(circle=circle)))
    (trouble,) = caught.value.troubles
    assert (trouble.code, trouble.marks, trouble.setups) == ("NET302", ("F",), ("S0",))
    assert "on or near the circle through the marks that it sights (C0, C1 and C2)" in trouble.text


def test_a_reading_held_by_a_sigma_of_zero_is_told() -> None:
    """Ten means of two faces, all held: five are named, the rest counted; and they are met to 1e-9 rad."""
    p = Plan()
    p.support("pillar")
    p.instrument(direction=0.0)
    p.target()
    p.held("A", 0, 0, 0)
    p.held("B", 100, 0, 0)
    p.mark("P", 40, 50, 3)
    s = p.station(0)
    p.sight(s, p.prism(1), rounds=3)
    p.sight(s, p.prism(2), rounds=3)
    a = adjusted(p.simulated(1))
    (told,) = [t for t in a.remarks if t.code == "REM506"]
    directions = a.observations.kind == "direction"
    assert told.observations == tuple(str(i) for i in a.observations.id[directions])
    assert told.text == f"Sigma zero: {', '.join(told.observations[:5])} and 1 more are held as exact."
    assert np.abs(a.observations.residual[directions]).max() < 3e-9  # 1e-9 rad each, three of them in a round

"""Planted mistakes in networks of few kinds: levels, vectors, plans without heights; and two names on one point."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import INF, MM, NAN, Plan

from hubtack.adjust import Network, NotConverged, adjust
from hubtack.adjust.judge.diagnose import judge
from hubtack.adjust.judge.finding import Finding
from hubtack.adjust.judged import judged, unsettled


def findings(network: Network) -> tuple[Finding, ...]:
    try:
        solved = adjust(network).solved
    except NotConverged as trouble:
        return unsettled(trouble)
    assert solved is not None
    return judge(solved)


def loops(size: float) -> Network:
    """Six benchmarks without a known height, every pair levelled; one rise wrong by `size`."""
    p = Plan()
    for k in range(6):
        p.mark(f"B{k}", 0, 0, 10.0 + 0.3 * k, known=True)
    for a in range(6):
        for b in range(a + 1, 6):
            p.reduce("rise", a, b, 0.5 * MM)
    net = p.simulated(4)
    value = net.reduced.value.copy()
    value[7] += size
    blank = [NAN] * 6
    return replace(
        net, marks=net.marks.replace(east=blank, north=blank), reduced=net.reduced.replace(value=value)
    )


@pytest.mark.parametrize("size", [6 * MM, 3.0])
def test_one_rise_of_fifteen(size: float) -> None:
    """Nothing is held, nothing is a setup: what is wrong can but be a reading, be it 6 mm or a rod read 3 m wrong."""
    (finding,) = findings(loops(size))
    assert (finding.first.cause, finding.first.name) == ("reading_wrong", "r8")
    assert finding.first.size == pytest.approx(size, abs=2 * MM)  # 0.61 mm is its sigma: four of them
    assert finding.told


def test_levels_that_agree_are_left_in_peace() -> None:
    assert findings(loops(0.0)) == ()


def hall(wrong: str) -> Network:
    """Three free stations among eight prisms in the plane, no height anywhere; two targets of the first have changed names,
    or its distance to one of them is a metre short."""
    p = Plan()
    p.support("pillar", 0.3 * MM)
    p.instrument()
    p.target()
    at = [(0, 0), (40, 0), (42, 30), (-2, 31), (20, -5), (22, 37), (-8, 15), (47, 14)]
    for k, (e, n) in enumerate(at):
        p.mark(f"T{k}", e, n, 0, sigma=(0.0, 0.0, INF) if k < 4 else (INF,) * 3)
    prisms = [p.prism(k, height=NAN) for k in range(8)]
    for e, n in ((15, 12), (25, 20), (20, 8)):
        s = p.station(p.mark(f"F{len(p.names)}", e, n, 0), height=NAN)
        for t in prisms:
            p.sight(s, t, readings="ch")
    net = p.simulated(3)
    net = replace(net, marks=net.marks.replace(height=[NAN] * len(net.marks)))
    s = net.sights
    first = s.start == s.start[0]
    if wrong == "names":
        end = s.end.copy()
        a, b = first & (s.end == prisms[4]), first & (s.end == prisms[6])
        end[a], end[b] = prisms[6], prisms[4]
        return replace(net, sights=s.replace(end=end))
    if wrong == "distance":
        short = np.where(first & (s.end == prisms[5]), s.horizontal - 1.0, s.horizontal)
        return replace(net, sights=s.replace(horizontal=short))
    return net


def test_a_plan_without_heights_is_left_in_peace() -> None:
    assert findings(hall("")) == ()


def test_a_metre_in_a_horizontal_distance() -> None:
    found = findings(hall("distance"))
    assert found[0].first.cause == "distance_wrong"
    assert found[0].first.size == pytest.approx(-1.0, abs=6 * MM)


def test_two_sights_with_each_others_names() -> None:
    """T4 and T6 seen by three stations, of which one took each for the other: rows 9 and 13 name the wrong one."""
    found = findings(hall("names"))
    assert {(f.first.cause, f.first.name, f.first.detail) for f in found} == {
        ("wrong_target", "9", ("T4",)),
        ("wrong_target", "13", ("T6",)),
    }
    assert all(f.told for f in found)


def test_vectors_with_one_gross_component() -> None:
    """No direction and no setup at all, an antenna height a metre too low in one session."""
    p = Plan()
    for k, (e, n) in enumerate([(0, 0), (400, 20), (380, 300), (10, 320)]):
        p.mark(f"V{k}", e, n, 5.0 * k, sigma=(0.0,) * 3 if k == 0 else (INF,) * 3)
    for a in range(4):
        for b in range(a + 1, 4):
            p.vector(a, b, np.eye(3) * (2 * MM) ** 2)
    net = p.simulated(2)
    wrong = net.vectors.difference.copy()
    wrong[4, 2] -= 1.0
    (finding,) = findings(replace(net, vectors=net.vectors.replace(difference=wrong)))
    assert (finding.first.cause, finding.first.name) == ("vector_wrong", "v5")
    assert finding.first.vector == pytest.approx([0.0, 0.0, -1.0], abs=12 * MM)


def around(gap: float, held: bool, quarter: bool = False) -> Network:
    """Marks around a yard, all seen from three stations; the last two names lie `gap` apart."""
    p = Plan()
    p.support("pillar", 0.1 * MM, 0.1 * MM)
    p.instrument(0.5, 0.5, 0.5 * MM)
    p.target()
    ring = [(0, 0), (80, 0), (80, 60), (0, 60), (40, 70), (90, 30)]
    for k, (e, n) in enumerate([*ring, (30, 30), (30 + gap, 30)]):
        hold = k < 4 or (held and k > 5)
        p.mark(f"M{k}", e, n * (0.0 if quarter else 1.0), 10, sigma=(0.0,) * 3 if hold else (INF,) * 3)
    prisms = [p.prism(k, height=1.5) for k in range(8)]
    for at in (0, 1, 2):
        s = p.station(at)
        for k, t in enumerate(prisms):
            if k != at and (k != 6 or at == 0) and (k != 7 or at != 0):
                p.sight(s, t)
    return p.simulated(6)


def same(network: Network) -> list[Finding]:
    return [f for f in findings(network) if f.first.cause == "same_point"]


def test_two_names_on_one_point_are_told_and_two_points_are_not() -> None:
    """0.5 mm apart, known to 1 mm: one point. 40 mm apart: two. Held both: what was given is not found."""
    (twice,) = same(around(0.5 * MM, False))
    assert {twice.first.name, str(twice.first.detail[0])} == {"M6", "M7"}
    assert same(around(40 * MM, False)) == []
    assert same(around(0.5 * MM, True)) == []


def test_a_judged_network_of_levels_has_no_setups_to_judge() -> None:
    a = judged(adjust(loops(0.0)))
    assert a.findings == ()
    assert len(a.setups) == 0
    assert a.audit is not None
    assert len(a.audit.setups) == 0

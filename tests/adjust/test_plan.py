"""A plan predicts what the adjustment of the same geometry will say, and its parts add up."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tests.adjust.networks import MM, NAN, Plan
from tests.adjust.test_known_network import network as known_network

from hubtack.adjust import Settings, Undetermined, adjust
from hubtack.adjust.ground.network import Network
from hubtack.adjust.plan import fill, plan
from hubtack.adjust.planning.budget import budget
from hubtack.adjust.planning.goals import Tolerance, beyond, figures, meets
from hubtack.adjust.simulate import simulate


def weir(centring: float = 1 * MM, height: float = 0.7 * MM, control: float = 0.0) -> Plan:
    """A braced chain along a weir: two control marks, four new ones, mixed slopes, two rounds in both faces."""
    p = Plan()
    p.support("tripod", centring=centring, height=height)
    p.instrument(1.0, 1.0, 1 * MM, distance_ppm=1.5e-6)
    p.target()
    sigma = (control,) * 3
    p.mark("A", 0, 0, 10, sigma=sigma)
    p.mark("B", 5, 80, 12, sigma=sigma)
    for name, e, n, h in (("C", 60, 10, 14), ("D", 55, 85, 9), ("E", 120, 30, 20), ("F", 118, 92, 11)):
        p.mark(name, e, n, h, known=True)
    for at, to in ((0, (1, 2, 3)), (2, (0, 1, 3, 4, 5)), (3, (1, 2, 5)), (5, (2, 3, 4))):
        s = p.station(at)
        for t in to:
            p.sight(s, p.prism(t), rounds=2)
    return p


class Silent(np.random.Generator):
    """Turns circles and adds no noise."""

    def standard_normal(self, size: Any = None, *_: Any, **__: Any) -> Any:
        return np.zeros(() if size is None else size)


def exact(p: Plan, settings: Settings) -> Network:
    """The readings that the truth would give, made by the simulator without noise."""
    net = p.network()
    made = simulate(net, np.array(p.truth, float), settings, Silent(np.random.PCG64(1)))
    return replace(made, marks=net.marks)


@pytest.mark.parametrize("correlation", ["shared", "independent"])
@pytest.mark.parametrize("control", [0.0, 2 * MM])
def test_the_prediction_is_the_later_covariance(correlation: str, control: float) -> None:
    settings = Settings(correlation=correlation)  # type: ignore[arg-type]
    p = weir(control=control)
    blank = p.network()
    blank = replace(
        blank,
        sights=blank.sights.replace(
            **dict.fromkeys(("circle", "zenith", "slope"), np.full(len(blank.sights), NAN))
        ),
    )
    predicted, later = plan(blank, settings), adjust(exact(p, settings), settings)
    scale = np.sqrt(np.einsum("nii->ni", later.marks.covariance))
    size = np.where(scale > 0, scale, 1.0)
    off = (predicted.marks.covariance - later.marks.covariance) / (size[:, :, None] * size[:, None, :])
    assert np.abs(off).max() < 1e-9
    assert predicted.degrees_of_freedom == later.degrees_of_freedom
    for name in ("redundancy", "sigma"):
        np.testing.assert_allclose(
            getattr(predicted.observations, name), getattr(later.observations, name), rtol=1e-8, atol=1e-12
        )
    np.testing.assert_allclose(
        predicted.setups.minimal_detectable_height, later.setups.minimal_detectable_height, rtol=1e-7
    )
    assert (predicted.marks.unchecked == later.marks.unchecked).all()


def test_what_only_readings_tell_is_nan() -> None:
    a = plan(weir().network())
    assert np.isnan(a.observations.residual).all()
    assert np.isnan(a.setups.height_error).all()
    assert np.isnan(a.global_test.variance_factor)
    assert not a.flagged


def test_a_free_network_is_planned_too() -> None:
    """Derived: sum of the variances over all marks, free on all four, one round of 3″ and 2 mm: 3.73466 mm²."""
    a = plan(known_network(free=True))
    assert a.datum == ("east", "north", "rotation")
    total = np.nansum(np.einsum("nii->ni", a.marks.covariance)) * 1e6
    assert total == pytest.approx(3.73466, abs=1e-3)  # planned at rough coordinates, solved at adjusted ones


def test_budget_sums_to_the_covariance() -> None:
    for p in (weir(), weir(control=2 * MM)):
        a = plan(p.network())
        assert a.solved is not None
        for mark in range(2, 6):
            b = budget(a.solved, mark)
            np.testing.assert_allclose(b.parts.sum(axis=0), a.marks.covariance[mark], rtol=1e-9, atol=1e-18)
            assert b.plan_shares().sum() == pytest.approx(1.0, abs=1e-9)
            assert ("control" in b.sources) == bool(p.sigma[0][0])


def test_budget_of_three_marks_in_line() -> None:
    """Derived: B and A held, instrument on A, targets on B and C in line, 20 m, all centring 1 mm, distance 1 mm.

    Along: distance 1, instrument 1, target 1 (mm²). Across, since e_C + e_B − 2e_A: instrument 4, targets 2.
    """
    p = Plan()
    p.support("tripod", centring=1 * MM)
    p.instrument(1e-3, 1.0, 1 * MM * 2**0.5)  # two readings of one distance, one on each face
    p.target()
    p.held("B", -20, 0, 0)
    p.held("A", 0, 0, 0)
    p.mark("C", 20, 0, 0, known=True)
    s = p.station(1, height=1.5)  # level sights: the zenith angles say nothing of lengths
    for t in (0, 2):
        p.sight(s, p.prism(t))
    a = plan(p.network())
    assert a.solved is not None
    b = budget(a.solved, 2)
    along = {s: 1e6 * q[0, 0] for s, q in zip(b.sources, b.parts, strict=True)}
    across = {s: 1e6 * q[1, 1] for s, q in zip(b.sources, b.parts, strict=True)}
    # the distance to B, which is held, tells of e_A with a variance of 2: e_A keeps 2/3, and with 1 + 1 for C
    assert sum(across.values()) == pytest.approx(6.0, rel=1e-3)
    assert across["centring of instrument"] == pytest.approx(4.0, rel=1e-3)
    assert across["centring of target"] == pytest.approx(2.0, rel=1e-3)
    assert sum(along.values()) == pytest.approx(3.0 - 1.0 / 3.0, rel=1e-3)


def test_a_mark_without_rough_coordinates_is_named() -> None:
    net = weir().network()
    east = net.marks.east.copy()
    east[4] = NAN
    sights = net.sights.replace(**dict.fromkeys(("circle", "zenith", "slope"), np.full(len(net.sights), NAN)))
    with pytest.raises(Undetermined) as caught:
        plan(replace(net, marks=net.marks.replace(east=east), sights=sights))
    assert [(t.code, t.marks) for t in caught.value.troubles] == [("NET310", ("E",))]


def test_blank_heights_are_assumed_and_said() -> None:
    net = weir().network()
    planned = fill(replace(net, setups=net.setups.replace(height=np.full(len(net.setups), NAN))), Settings())
    assert (planned.network.setups.height == 0.2).all()  # all on a stand
    assert [t.code for t in planned.remarks] == ["REM510"]


def test_blank_rows_mean_all_three_readings_and_others_what_they_hold() -> None:
    net = weir().network()
    s = net.sights
    circle = np.full(len(s), NAN)
    circle[:2] = 0.0  # the first target in round 1: directions alone
    blank = s.replace(circle=circle, zenith=np.full(len(s), NAN), slope=np.full(len(s), NAN))
    kinds = plan(replace(net, sights=blank)).observations
    first = kinds.kind[(kinds.end == "T1") & (kinds.round == 1)]
    assert first.tolist() == ["direction"]
    assert sorted(kinds.kind[(kinds.end == "T1") & (kinds.round == 2)].tolist()) == [
        "direction",
        "distance",
        "zenith",
    ]


def test_tolerances() -> None:
    a = plan(weir().network())
    f = figures(a)
    assert not Tolerance()
    assert meets(a, Tolerance(position=f.position * 1.001, height=f.height * 1.001))
    position, height, _ = beyond(a, Tolerance(position=f.position * 0.999, height=f.height * 0.999))
    assert np.flatnonzero(position).tolist() == [f.position_mark]
    assert np.flatnonzero(height).tolist() == [f.height_mark]
    pair = int(np.nanargmax(a.relative.semi_major / a.relative.distance))
    ratio = float(a.relative.semi_major[pair] / a.relative.distance[pair])
    *_, pairs = beyond(a, Tolerance(relative=(0.0, ratio * 0.999)))
    assert pairs[pair]
    assert not beyond(a, Tolerance(relative=(0.0, ratio * 1.001)))[2].any()


def test_nothing_to_plan() -> None:
    p = Plan()
    p.held("A", 0, 0, 0)
    with pytest.raises(Undetermined):
        plan(p.network())


def test_control_does_not_count_among_the_worst() -> None:
    p = weir(control=20 * MM)
    a = plan(p.network())
    assert figures(a).position_mark >= 2

"""The engine against an independent dense solution of the same model, over every kind of network it knows."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tests.adjust.networks import adjusted
from tests.oracle.agreement import agree
from tests.oracle.cases import CASES, traverse_between_held_marks

from hubtack.adjust import adjust
from hubtack.adjust.ground.network import Network


def _left_out(network: Network) -> Network:
    used = np.ones(len(network.sights), bool)
    used[[2, 3, 9, 17]] = False
    circle = network.sights.circle.copy()
    circle[2] += 0.1  # gross, but left out
    sights = network.sights.replace(used=used, circle=circle)
    return replace(network, sights=sights, left_out=frozenset({"13.distance", "21.direction", "25.zenith"}))


SLACK: dict[str, dict[str, Any]] = {
    # The engine's derivative of a direction leaves out that of c / sin z: c (10″) · cot z against 1.
    "steep_with_collimation": {"redundancy": 1e-5},
}


@pytest.mark.parametrize("name", list(CASES))
def test_equal(name: str) -> None:
    plan, settings = CASES[name]()
    network = plan.simulated(sum(map(ord, name)), settings)
    agree(adjusted(network, settings), plan.truth, **SLACK.get(name, {}))


@pytest.mark.parametrize("seed", range(3))
def test_equal_with_rows_left_out(seed: int) -> None:
    plan, settings = traverse_between_held_marks()
    a = adjusted(_left_out(plan.simulated(seed)), settings)
    agree(a, plan.truth)
    assert {"13.distance", "21.direction", "25.zenith"} <= set(a.left_out.id)


def test_equal_whatever_the_order_of_rows() -> None:
    plan, _ = traverse_between_held_marks()
    network = plan.simulated(5)
    order = np.random.default_rng(1).permutation(len(network.sights))
    a, b = adjusted(network), adjusted(replace(network, sights=network.sights.take(order)))
    agree(b, plan.truth)
    assert np.abs(a.marks.east - b.marks.east).max() < 1e-8
    assert np.allclose(a.marks.sigma_height, b.marks.sigma_height, rtol=1e-6)


def test_control_fit_is_the_solution_without_that_control() -> None:
    """Derived: leave-one-out equals the test of the coordinate's own pseudo-observation, held or weighted."""
    for name in ("weighted_control", "control_mixed_by_dimension", "traverse_between_held_marks"):
        plan, settings = CASES[name]()
        a = adjust(plan.simulated(4, settings), settings)
        d = agree(a, plan.truth)
        c = a.control
        assert len(c)
        for k in range(len(c)):
            m = list(a.marks.mark).index(c.mark[k])
            axis = ("east", "north", "height").index(c.component[k])
            if not np.isfinite(c.sigma[k]):
                continue
            misfit, sigma = d.control_fit(m, axis)
            # The engine linearizes at the solution; a coordinate that moves by 10 mm where its lever is the 22 m
            # northing of the base changes that lever by 5e-4.
            assert np.isclose(c.sigma[k], sigma, rtol=1e-3), (name, c.mark[k], axis)
            assert abs(c.misfit[k] - misfit) < 2e-3 * sigma, (name, c.mark[k], axis)
            assert np.isclose(c.standardized[k], c.misfit[k] / c.sigma[k], rtol=1e-9)


@pytest.mark.parametrize("name", ["free_to_turn_about_one_mark", "free_network", "plane_network_free"])
def test_free_networks_lie_on_their_start_coordinates(name: str) -> None:
    """Start coordinates half a metre off, as from a sketch: the datum is tied to them, not to what was computed on the way."""
    plan, settings = CASES[name]()
    network = plan.simulated(6, settings)
    rng = np.random.default_rng(2)
    columns = {}
    for axis in ("east", "north", "height"):
        free = np.isinf(getattr(network.marks, f"sigma_{axis}"))
        columns[axis] = getattr(network.marks, axis) + np.where(free, rng.uniform(-0.5, 0.5, len(free)), 0.0)
    agree(adjusted(replace(network, marks=network.marks.replace(**columns)), settings), plan.truth)

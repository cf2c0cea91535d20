"""Start coordinates from joined stars: they are right where everything fits, and step back where something doesn't."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pytest
from tests.benchmarks.corridor import corridor

from hubtack.adjust import adjustment
from hubtack.adjust.adjustment import adjust
from hubtack.adjust.ground.network import Network
from hubtack.adjust.ground.table import Floats
from hubtack.adjust.model.approximate import Start, approximate, closing
from hubtack.adjust.model.approximate.stars import from_stars, joined, misses
from hubtack.adjust.model.reductions import reduce_readings
from hubtack.adjust.model.unknowns import place_unknowns
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate


def made(marks: int, seed: int = 3) -> tuple[Network, Floats]:
    day = corridor(marks, seed)
    return simulate(day.network(), day.truth(), Settings(), seed), day.truth()


def test_frames_join_as_they_were_taken_apart() -> None:
    rng = np.random.default_rng(5)
    n = 200
    turn, shift = (
        np.exp(1j * rng.uniform(0, 2 * np.pi, n)),
        rng.normal(0, 1e3, n) + 1j * rng.normal(0, 1e3, n),
    )
    a, b = np.arange(1, n), rng.integers(0, np.arange(1, n))  # a tree, and some more
    a, b = np.append(a, rng.integers(0, n, 50)), np.append(b, rng.integers(0, n, 50))
    a, b = a[a != b], b[a != b]
    kappa = turn[b] / turn[a]  # x = turn·x_k + shift in one frame for all
    tau = (shift[b] - shift[a]) / turn[a]
    tied, k, t = joined(n + 2, 0, a, b, rng.random(len(a)), kappa, tau)
    assert tied[:n].all()
    assert not tied[n:].any()  # two frames that nothing joins
    assert np.abs(k[:n] - turn / turn[0]).max() < 1e-12
    assert np.abs(t[:n] - (shift - shift[0]) / turn[0]).max() < 1e-9


@pytest.mark.parametrize("marks", [12, 40, 300])
def test_stars_find_the_truth_that_growth_finds(marks: int) -> None:
    network, truth = made(marks)
    obs, settings = reduce_readings(network), Settings()
    unknowns = place_unknowns(network, obs, settings)
    found = from_stars(network, obs, settings, unknowns.heights, spread=marks > 100)
    assert found is not None
    assert not len(misses(obs, found, unknowns.heights, settings)[0])
    reached = unknowns.reached
    limit = 0.05 + 0.001 * marks  # centring errors of millimetres turn a short leg, and what hangs on it
    assert np.abs(found - truth)[reached].max() < limit
    grown = approximate(network, obs, settings, unknowns.heights, quick=False)
    assert np.abs(found - grown.coordinates)[reached].max() < 2 * limit  # each is off its own way
    turn = approximate(network, obs, settings, unknowns.heights).orientations - grown.orientations
    assert np.abs((turn + np.pi) % (2 * np.pi) - np.pi).max() < 1e-3


def test_the_misclosure_of_a_long_chain_is_spread() -> None:
    """Unspread, the branches of a chain of 300 marks meet beside each other; spread, the adjustment is all but done."""
    network, _ = made(300)
    obs, settings = reduce_readings(network), Settings()
    heights = place_unknowns(network, obs, settings).heights
    plain, spread = (from_stars(network, obs, settings, heights, spread=s) for s in (False, True))
    assert plain is not None
    assert spread is not None
    assert len(misses(obs, plain, heights, settings)[0])
    result = adjust(network)
    adjusted = np.column_stack([result.marks.east, result.marks.north])
    off = [np.nanmax(np.abs(found[:, :2] - adjusted)) for found in (plain, spread)]
    assert off[1] < 0.25 * off[0]
    assert result.iterations <= 3


def test_a_wrong_reading_of_a_small_network_is_left_to_growth() -> None:
    network, _ = made(30)
    obs, settings = reduce_readings(network), Settings()
    row = int(np.flatnonzero(obs.kind == "distance")[20])
    value = obs.value.copy()
    value[row] += 5.0
    spoilt, heights = obs.replace(value=value), place_unknowns(network, obs, settings).heights
    found = from_stars(network, spoilt, settings, heights)
    assert found is not None
    assert row in misses(spoilt, found, heights, settings)[0]
    assert approximate(network, spoilt, settings, heights).suspects == (row,)


def test_a_large_network_with_wrong_readings_ends_where_growth_would_have_led(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    network, _ = made(300)
    slope, circle = network.sights.slope.copy(), network.sights.circle.copy()
    slope[[200, 201]] += 3.0
    circle[[1500, 1501]] += 0.2
    network = replace(network, sights=network.sights.replace(slope=slope, circle=np.mod(circle, 2 * np.pi)))
    obs, settings = reduce_readings(network), Settings()
    heights = place_unknowns(network, obs, settings).heights
    short = approximate(network, obs, settings, heights)
    assert {str(i).split(".")[1] for i in obs.id[list(short.suspects)]} == {"distance", "direction"}
    grown = approximate(network, obs, settings, heights, quick=False)
    assert np.nanmax(np.abs(short.coordinates - grown.coordinates)) < 1.0
    quick = adjust(network)
    monkeypatch.setattr(adjustment, "approximate", partial(approximate, quick=False))
    thorough = adjust(network)
    assert quick.iterations <= thorough.iterations + 1
    assert np.nanmax(np.abs(quick.marks.east - thorough.marks.east)) < 1e-7


def test_where_the_short_way_does_not_settle_the_long_one_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    network, _ = made(300)
    ways: list[bool] = []

    def spoilt(*given: Any, quick: bool = True) -> Start:
        ways.append(quick)
        start = approximate(*given, quick=quick)
        return replace(start, coordinates=start.coordinates[::-1].copy(), suspects=(1,)) if quick else start

    expected = adjust(network)
    monkeypatch.setattr(adjustment, "approximate", spoilt)
    found = adjust(network)
    assert ways == [True, False]
    assert np.nanmax(np.abs(found.marks.east - expected.marks.east)) < 1e-7


def test_what_stars_cannot_reach_is_told_and_not_guessed() -> None:
    """A mark that directions alone intersect gets no place from stars; growth intersects it."""
    network, truth = made(30)
    mark = 14
    there = network.setups.mark == mark
    sights = network.sights
    mine = there[sights.end] & ~network.setups.instrument[sights.end]
    own = there[sights.start]
    slope = np.where(mine, np.nan, sights.slope)
    network = replace(network, sights=sights.replace(slope=slope, used=~own))
    obs, settings = reduce_readings(network), Settings()
    unknowns = place_unknowns(network, obs, settings)
    found = from_stars(network, obs, settings, unknowns.heights)
    assert found is not None
    assert np.isnan(found[mark, 0])
    assert len(misses(obs, found, unknowns.heights, settings)[0])
    grown = approximate(network, obs, settings, unknowns.heights).coordinates
    assert np.abs(grown[mark] - truth[mark]).max() < 0.05


def test_a_few_stars_are_closed_as_many_are(monkeypatch: pytest.MonkeyPatch) -> None:
    """The full matrix against the sparse one, on the same network."""
    network, _ = made(300)
    obs = reduce_readings(network)
    found = []
    for full in (0, 10_000):
        monkeypatch.setattr(closing, "FULL", full)
        found.append(from_stars(network, obs, Settings(), network.setups.height, spread=True))
    assert found[0] is not None
    assert found[1] is not None
    there = np.isfinite(found[0])
    assert there.any()
    assert np.array_equal(there, np.isfinite(found[1]))
    assert np.abs(found[0] - found[1])[there].max() < 1e-6  # m: rounding of a chain of 72 stars

"""Heights entered wrong, as crews do it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from tests.benchmarks.catch_rate_networks import Ground
from tests.benchmarks.catch_rate_planting import Planted, pick, sign, targets

from hubtack.adjust.ground.network import Network
from hubtack.adjust.judge.written import Written, length_swaps
from hubtack.adjust.settings import Settings


def _height(network: Network, s: int, entered: float) -> Network:
    height = network.setups.height.copy()
    height[s] = entered
    return replace(network, setups=network.setups.replace(height=height))


def _height_planted(network: Network, s: int, entered: float) -> Planted:
    name = str(network.setups.setup[s])
    size = entered - float(network.setups.height[s])
    return Planted(
        _height(network, s, entered),
        "height",
        (name,),
        ((name, "height_wrong"),),
        np.array([size]),
        abs(size) > 0.3,
    )


def any_height(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = pick(rng, targets(day, "pole", "stand", "tribrach"))
    return _height_planted(day, s, float(day.setups.height[s]) + sign(rng) * rng.uniform(0.006, 0.05))


def notch(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = pick(rng, targets(day, "pole"))
    return _height_planted(
        day, s, float(day.setups.height[s]) + sign(rng) * float(rng.choice([0.1, 0.2, 0.03048, 0.3048]))
    )


def digits_of_height(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    s = pick(rng, targets(day, "pole", "tribrach"))
    swapped = [
        h
        for h in length_swaps(float(day.setups.height[s]), Written())
        if abs(h - day.setups.height[s]) > 0.005
    ]
    return _height_planted(day, s, float(rng.choice(swapped))) if swapped else None


def left_over(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = pick(rng, targets(day, "pole", "tribrach"))
    before = np.flatnonzero((day.setups.support[:s] == day.setups.support[s]) & ~day.setups.instrument[:s])
    return _height_planted(day, s, float(day.setups.height[before[-1]])) if len(before) else None


def feet(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = pick(rng, targets(day, "pole", "tribrach"))
    return _height_planted(day, s, round(float(day.setups.height[s]) / 0.3048, 3))


def pole_for_stand(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    """A stand's height written down for a pole or a tribrach."""
    if not len(targets(day, "stand")):
        return None
    return _height_planted(day, pick(rng, targets(day, "pole", "tribrach")), 0.21)


def slant(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = pick(rng, targets(day, "tribrach"))
    if s < 0:
        return None
    h = float(day.setups.height[s])
    return _height_planted(day, s, round(float(np.hypot(h, rng.uniform(0.1, 0.18))), 4))


def instrument_height(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    s = day.setups
    tripods = np.flatnonzero(s.instrument & (day.supports.support[s.support] == "tribrach"))
    if len(tripods) < 2:
        return None
    k = int(rng.integers(1, len(tripods)))
    return _height_planted(day, int(tripods[k]), float(s.height[tripods[k - 1]]))

"""Distances, angles and rises read or reduced wrong, singly and all of a kind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from tests.benchmarks.catch_rate_networks import Ground
from tests.benchmarks.catch_rate_planting import ARCSEC, Planted, pick, sign, targets

from hubtack.adjust.ground.network import Network
from hubtack.adjust.ground.table import Floats, Ints
from hubtack.adjust.judge.written import Written, angle_swaps
from hubtack.adjust.settings import Settings


def _one_row(day: Network, column: str, row: int, add: float) -> Network:
    values = getattr(day.sights, column).copy()
    values[row] += add
    return replace(day, sights=day.sights.replace(**{column: values}))


def _slopes(day: Network, chosen: Floats | Ints, add: float, factor: float = 1.0) -> Network:
    slope = day.sights.slope.copy()
    slope[chosen] = slope[chosen] * factor + add
    return replace(day, sights=day.sights.replace(slope=slope))


def prism(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = pick(rng, targets(day, "pole", "stand", "tribrach", "bolt"))
    size = sign(rng) * float(rng.choice([0.0175, 0.030, 0.0344]))
    name = str(day.setups.setup[s])
    return Planted(
        _slopes(day, day.sights.end == s, size),
        "prism",
        (name,),
        ((name, "prism_constant"),),
        np.array([size]),
    )


def device(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    d = int(rng.integers(len(day.targets)))
    size = sign(rng) * float(rng.choice([0.0044, 0.0175, 0.030]))
    name = str(day.targets.target[d])
    chosen = day.setups.device[day.sights.end] == d
    return Planted(
        _slopes(day, chosen, size), "prism", (name,), ((name, "device_constant"),), np.array([size])
    )


def scale(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    size = sign(rng) * float(rng.uniform(60e-6, 400e-6))
    chosen = np.ones(len(day.sights), dtype=bool)
    return Planted(
        _slopes(day, chosen, 0.0, 1.0 + size), "scale", ("ts",), (("ts", "distance_scale"),), np.array([size])
    )


def _reading(day: Network, row: int, column: str, cause: str, add: float) -> Planted:
    """One row of a sight; the mean of its rows takes a share."""
    s = day.sights
    mine = np.flatnonzero((s.start == s.start[row]) & (s.end == s.end[row]) & (s.round == s.round[row]))
    name = str(s.id[mine[0]])
    size = np.array([add / len(mine)])
    return Planted(
        _one_row(day, column, row, add), "reading", (name,), ((name, cause),), size, abs(add) > 0.05
    )


def distance(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    row = int(rng.integers(len(day.sights)))
    return _reading(day, row, "slope", "distance_wrong", sign(rng) * float(rng.choice([0.02, 0.1, 1.0])))


def direction(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    row = int(rng.integers(len(day.sights)))
    return _reading(
        day, row, "circle", "direction_wrong", sign(rng) * float(rng.choice([60, 600, 3600])) * ARCSEC
    )


def zenith(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    row = int(rng.integers(len(day.sights)))
    return _reading(
        day, row, "zenith", "zenith_wrong", sign(rng) * float(rng.choice([60, 600, 3600])) * ARCSEC
    )


def digits_of_direction(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    row = int(rng.integers(len(day.sights)))
    value = float(day.sights.circle[row])
    swapped = [v for v in angle_swaps(value, Written()) if abs(v - value) > 60 * ARCSEC and v < 2 * np.pi]
    return (
        _reading(day, row, "circle", "direction_wrong", float(rng.choice(swapped)) - value)
        if swapped
        else None
    )


def face(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    row = int(rng.integers(len(day.sights)))
    s = day.sights
    mine = np.flatnonzero((s.start == s.start[row]) & (s.end == s.end[row]) & (s.round == s.round[row]))
    name = str(s.id[mine[0]])
    noted = s.face.copy()
    noted[row] = 3 - noted[row]
    wrong = replace(day, sights=s.replace(face=noted))
    return Planted(wrong, "face", (name,), ((name, "direction_wrong"),), np.array([np.pi / 2]), True)


def step(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    """The circle turns between two sights of the first round and stays turned."""
    s = day.sights
    at = int(rng.choice(np.unique(s.start)))
    mine = np.flatnonzero((s.start == at) & (s.round == 1))
    half = len(mine) // 2
    if half < 5:
        return None
    k = int(rng.integers(2, half - 1))
    size = sign(rng) * rng.uniform(20, 120) * ARCSEC
    circle = s.circle.copy()
    later = (s.start == at) & (np.arange(len(s)) >= mine[k])
    circle[later] += size
    name = str(day.setups.setup[at])
    return Planted(
        replace(day, sights=s.replace(circle=circle)), "orientation", (name,),
        ((name, f"orientation_step:{s.id[mine[k]]}"),), np.array([size]),
    )  # fmt: skip


def ramp(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    """Slow twist over the pass on face 1; face 2 is read after it has stopped."""
    s = day.sights
    at = int(rng.choice(np.unique(s.start)))
    mine = np.flatnonzero((s.start == at) & (s.round == 1))
    if len(mine) < 10:
        return None
    size = sign(rng) * rng.uniform(100, 250) * ARCSEC
    circle = s.circle.copy()
    half = len(mine) // 2
    along = np.minimum(np.arange(len(mine)) / (half - 1), 1.0)
    circle[mine] += size * along
    circle[(s.start == at) & (s.round > 1)] += size
    name = str(day.setups.setup[at])
    return Planted(
        replace(day, sights=s.replace(circle=circle)), "orientation", (name,), ((name, "orientation_ramp"),),
        np.array([size]),
    )  # fmt: skip


def rise(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    if not len(day.reduced):
        return None
    k = int(rng.integers(len(day.reduced)))
    value = day.reduced.value.copy()
    add = sign(rng) * float(rng.choice([0.005, 0.01, 0.1]))
    value[k] += add
    name = str(day.reduced.id[k])
    wrong = replace(day, reduced=day.reduced.replace(value=value))
    return Planted(wrong, "reading", (name,), ((name, "reading_wrong"),), np.array([add]))

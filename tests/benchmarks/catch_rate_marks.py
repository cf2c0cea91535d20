"""Devices off their marks, names confused, control moved or mistyped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from tests.benchmarks.catch_rate_networks import Ground
from tests.benchmarks.catch_rate_planting import Planted, pick, sign, stood, targets

from hubtack.adjust.ground.network import Network
from hubtack.adjust.ground.table import Floats
from hubtack.adjust.judge.written import Written, length_swaps
from hubtack.adjust.settings import Settings


def _control(day: Network, m: int, one: str, two: str, add: Floats, size: Floats) -> Planted:
    columns = {one: getattr(day.marks, one).copy(), two: getattr(day.marks, two).copy()}
    columns[one][m] += add[0]
    columns[two][m] += add[1]
    name = str(day.marks.mark[m])
    wrong = replace(day, marks=day.marks.replace(**columns))
    return Planted(wrong, "control", (name,), ((name, "control_moved"),), size)


def off_mark(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = pick(rng, targets(day, "pole", "stand", "tribrach"))
    turn, size = rng.uniform(0, 2 * np.pi), rng.uniform(0.015, 0.06)
    move = np.array([size * np.sin(turn), size * np.cos(turn), 0.0])
    network = stood(ground, rng, settings, {s: ground.truth[day.setups.mark[s]] + move})
    name = str(day.setups.setup[s])
    return Planted(network, "centring", (name,), ((name, "off_mark"),), move[:2])


def control(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    """A held mark moved in plan."""
    held = np.flatnonzero(day.marks.sigma_east == 0.0)
    m = pick(rng, held)
    turn, size = rng.uniform(0, 2 * np.pi), rng.uniform(0.01, 0.1)
    move = np.array([size * np.sin(turn), size * np.cos(turn)])
    return _control(day, m, "east", "north", -move, move)


def control_digits(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    m = pick(rng, np.flatnonzero(day.marks.sigma_east == 0.0))
    value = float(day.marks.east[m])
    near = [v for v in length_swaps(value, Written(), least=0) if 0.02 < abs(v - value) < 5.0]
    if not near:
        return None
    add = np.array([float(rng.choice(near)) - value, 0.0])
    return _control(day, m, "east", "north", add, -add)


def control_height(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    m = pick(rng, np.flatnonzero(day.marks.sigma_height == 0.0))
    add = np.array([sign(rng) * rng.uniform(0.01, 0.2)])
    height = day.marks.height.copy()
    height[m] += add[0]
    name = str(day.marks.mark[m])
    wrong = replace(day, marks=day.marks.replace(height=height))
    return Planted(wrong, "control", (name,), ((name, "control_height"),), add)


def swapped(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    """Two target setups of one instrument setup with their marks exchanged."""
    s = day.setups
    at = int(rng.choice(np.unique(day.sights.start)))
    ends = np.unique(day.sights.end[day.sights.start == at])
    ends = ends[np.isin(ends, targets(day, "pole", "stand", "tribrach"))]
    a, b = (int(v) for v in rng.choice(ends, 2, replace=False))
    mark = s.mark.copy()
    mark[a], mark[b] = mark[b], mark[a]
    names = (str(s.setup[a]), str(s.setup[b]))
    wrong = replace(day, setups=s.replace(mark=mark))
    return Planted(wrong, "mark", names, tuple((n, "off_mark") for n in names), np.array([5.0, 0.0]), True)


def wrong_mark(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    """One target setup written down on a mark it did not stand on."""
    s = pick(rng, targets(day, "pole", "stand", "tribrach"))
    others = np.unique(day.setups.mark[~day.setups.instrument])
    mark = day.setups.mark.copy()
    mark[s] = int(rng.choice(others[others != mark[s]]))
    name = str(day.setups.setup[s])
    wrong = replace(day, setups=day.setups.replace(mark=mark))
    return Planted(wrong, "mark", (name,), ((name, "off_mark"),), np.array([5.0, 0.0]), True)


def wrong_target(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    """One target sighted for another that others see in its place too."""
    s = day.sights
    seen = np.unique(np.column_stack([s.start, s.end]), axis=0)
    shared = [e for e in np.unique(seen[:, 1]) if np.sum(seen[:, 1] == e) > 2]
    if len(shared) < 2:
        return None
    a, b = (int(v) for v in rng.choice(shared, 2, replace=False))
    both = [k for k in np.unique(seen[:, 0]) if [k, a] in seen.tolist() and [k, b] in seen.tolist()]
    if not both:
        return None
    at = int(rng.choice(both))
    one, two = (np.flatnonzero((s.start == at) & (s.end == e)) for e in (a, b))
    n = min(len(one), len(two))
    columns = {c: getattr(s, c).copy() for c in ("circle", "zenith", "slope")}
    for values in columns.values():
        values[one[:n]] = values[two[:n]]
    name = str(s.id[one[0]])
    base = ((name, "distance_wrong"), (name, "direction_wrong"))
    return Planted(replace(day, sights=s.replace(**columns)), "mark", (name,), base, np.array([5.0]), True)


def station_elsewhere(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    """An instrument setup written down on a mark it did not stand on."""
    setups = day.setups
    known = np.flatnonzero(setups.instrument & (day.supports.support[setups.support] != "free"))
    if not len(known):
        return None
    s = pick(rng, known)
    near = np.unique(setups.mark[day.sights.end[day.sights.start == s]])
    others = np.setdiff1d(np.unique(setups.mark[~setups.instrument]), [setups.mark[s], *near])
    if not len(others):
        return None
    mark = setups.mark.copy()
    mark[s] = int(rng.choice(others))
    name = str(setups.setup[s])
    wrong = replace(day, setups=setups.replace(mark=mark))
    return Planted(wrong, "mark", (name,), ((name, "off_mark"),), np.array([5.0, 0.0]), True)


def control_axes(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    """East and north of a held mark exchanged."""
    m = pick(rng, np.flatnonzero(day.marks.sigma_east == 0.0))
    add = float(day.marks.north[m] - day.marks.east[m])
    planted = _control(day, m, "east", "north", np.array([add, -add]), np.array([-add, add]))
    return replace(planted, gross=True)


def two_points(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    """One name on two points: a target setup stood on something else."""
    s = pick(rng, targets(day, "pole", "stand", "tribrach"))
    move = rng.normal(0, 1, 3) * (1.5, 1.5, 0.2) + (0.5 * sign(rng), 0.5 * sign(rng), 0.0)
    network = stood(ground, rng, settings, {s: ground.truth[day.setups.mark[s]] + move})
    name = str(day.setups.setup[s])
    return Planted(network, "mark", (name,), ((name, "off_mark"),), move[:2], True)


def lean(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    """The pole leans by one angle wherever it stands, along the sight and across."""
    setups = day.setups
    poles = targets(day, "pole")
    along, across = rng.normal(0, 0.006, 2)
    where: dict[int, Floats] = {}
    for s in poles.tolist():
        seen = np.unique(day.sights.start[day.sights.end == s])
        if len(seen) != 1:
            return None
        here = ground.truth[setups.mark[s]]
        u = (ground.truth[setups.mark[seen[0]]] - here)[:2]
        u = u / np.hypot(*u)
        h = float(setups.height[s])
        where[s] = here + np.array(
            [h * (along * u[0] + across * u[1]), h * (along * u[1] - across * u[0]), 0.0]
        )
    if len(where) < 3:
        return None
    network = stood(ground, rng, settings, where)
    return Planted(network, "lean", ("pole",), (("pole", "pole_lean"),), np.array([along, across]))

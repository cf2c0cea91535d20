"""Mistakes to plant: each takes a network without readings, and gives one with readings and the mistake in them.

What goes wrong on the ground (a pole off its mark, a wrong mark) is invented by letting the setup stand elsewhere while
the readings are simulated, and writing the right name afterwards.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from tests.benchmarks.catch_rate_networks import Ground

from hubtack.adjust.ground.network import Marks, Network
from hubtack.adjust.ground.table import Floats, Ints
from hubtack.adjust.judge.written import Written, angle_swaps, length_swaps
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate

ARCSEC = np.pi / 648_000


@dataclass(frozen=True)
class Planted:
    """A day with one mistake. `names`: any of these names is right; `base`: the hypothesis that holds it (several
    where the mistake is not linear); size in m, rad or a ratio, a vector where the hypothesis has several columns."""

    network: Network
    group: str
    names: tuple[str, ...]
    base: tuple[tuple[str, str], ...]  # (name, cause) in the book of the clean network
    size: Floats
    gross: bool = False


Plant = Callable[[Ground, Network, np.random.Generator, Settings], Planted | None]


def _pick(rng: np.random.Generator, rows: Ints) -> int:
    return int(rng.choice(rows)) if len(rows) else -1


def _sign(rng: np.random.Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))


def _targets(network: Network, *supports: str) -> Ints:
    s = network.setups
    kind = network.supports.support[s.support]
    return np.flatnonzero(~s.instrument & np.isin(kind.astype(str), supports))


def _stood(ground: Ground, rng: np.random.Generator, settings: Settings, where: dict[int, Floats]) -> Network:
    """Readings with some setups standing elsewhere (east, north, height), then written down on their own marks."""
    network, truth = ground.network, ground.truth
    n = len(truth)
    marks = network.marks
    k = len(where)
    nan, free = np.full(k, np.nan), np.full(k, np.inf)
    more = Marks(
        mark=[*marks.mark, *(f"ghost{i}" for i in range(k))],
        east=np.append(marks.east, nan), north=np.append(marks.north, nan), height=np.append(marks.height, nan),
        sigma_east=np.append(marks.sigma_east, free), sigma_north=np.append(marks.sigma_north, free),
        sigma_height=np.append(marks.sigma_height, free),
    )  # fmt: skip
    mark = network.setups.mark.copy()
    for i, s in enumerate(where):
        mark[s] = n + i
    ghostly = replace(network, marks=more, setups=network.setups.replace(mark=mark))
    full = np.vstack([truth, *where.values()])
    done = simulate(ghostly, full, settings, rng)
    return replace(done, marks=done.marks.take(np.arange(n)), setups=network.setups)


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
    s = _pick(rng, _targets(day, "pole", "stand", "tribrach"))
    return _height_planted(day, s, float(day.setups.height[s]) + _sign(rng) * rng.uniform(0.006, 0.05))


def notch(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = _pick(rng, _targets(day, "pole"))
    return _height_planted(
        day, s, float(day.setups.height[s]) + _sign(rng) * float(rng.choice([0.1, 0.2, 0.03048, 0.3048]))
    )


def digits_of_height(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    s = _pick(rng, _targets(day, "pole", "tribrach"))
    swapped = [
        h
        for h in length_swaps(float(day.setups.height[s]), Written())
        if abs(h - day.setups.height[s]) > 0.005
    ]
    return _height_planted(day, s, float(rng.choice(swapped))) if swapped else None


def left_over(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = _pick(rng, _targets(day, "pole", "tribrach"))
    before = np.flatnonzero((day.setups.support[:s] == day.setups.support[s]) & ~day.setups.instrument[:s])
    return _height_planted(day, s, float(day.setups.height[before[-1]])) if len(before) else None


def feet(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = _pick(rng, _targets(day, "pole", "tribrach"))
    return _height_planted(day, s, round(float(day.setups.height[s]) / 0.3048, 3))


def pole_for_stand(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    """A stand's height written down for a pole or a tribrach."""
    if not len(_targets(day, "stand")):
        return None
    return _height_planted(day, _pick(rng, _targets(day, "pole", "tribrach")), 0.21)


def slant(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = _pick(rng, _targets(day, "tribrach"))
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


def _slopes(day: Network, chosen: Floats | Ints, add: float, factor: float = 1.0) -> Network:
    slope = day.sights.slope.copy()
    slope[chosen] = slope[chosen] * factor + add
    return replace(day, sights=day.sights.replace(slope=slope))


def prism(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = _pick(rng, _targets(day, "pole", "stand", "tribrach", "bolt"))
    size = _sign(rng) * float(rng.choice([0.0175, 0.030, 0.0344]))
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
    size = _sign(rng) * float(rng.choice([0.0044, 0.0175, 0.030]))
    name = str(day.targets.target[d])
    chosen = day.setups.device[day.sights.end] == d
    return Planted(
        _slopes(day, chosen, size), "prism", (name,), ((name, "device_constant"),), np.array([size])
    )


def scale(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    size = _sign(rng) * float(rng.uniform(60e-6, 400e-6))
    chosen = np.ones(len(day.sights), dtype=bool)
    return Planted(
        _slopes(day, chosen, 0.0, 1.0 + size), "scale", ("ts",), (("ts", "distance_scale"),), np.array([size])
    )


def _one_row(day: Network, column: str, row: int, add: float) -> Network:
    values = getattr(day.sights, column).copy()
    values[row] += add
    return replace(day, sights=day.sights.replace(**{column: values}))


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
    return _reading(day, row, "slope", "distance_wrong", _sign(rng) * float(rng.choice([0.02, 0.1, 1.0])))


def direction(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    row = int(rng.integers(len(day.sights)))
    return _reading(
        day, row, "circle", "direction_wrong", _sign(rng) * float(rng.choice([60, 600, 3600])) * ARCSEC
    )


def zenith(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    row = int(rng.integers(len(day.sights)))
    return _reading(
        day, row, "zenith", "zenith_wrong", _sign(rng) * float(rng.choice([60, 600, 3600])) * ARCSEC
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
    size = _sign(rng) * rng.uniform(20, 120) * ARCSEC
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
    size = _sign(rng) * rng.uniform(100, 250) * ARCSEC
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


def off_mark(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    s = _pick(rng, _targets(day, "pole", "stand", "tribrach"))
    turn, size = rng.uniform(0, 2 * np.pi), rng.uniform(0.015, 0.06)
    move = np.array([size * np.sin(turn), size * np.cos(turn), 0.0])
    network = _stood(ground, rng, settings, {s: ground.truth[day.setups.mark[s]] + move})
    name = str(day.setups.setup[s])
    return Planted(network, "centring", (name,), ((name, "off_mark"),), move[:2])


def control(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    """A held mark moved in plan."""
    held = np.flatnonzero(day.marks.sigma_east == 0.0)
    m = _pick(rng, held)
    turn, size = rng.uniform(0, 2 * np.pi), rng.uniform(0.01, 0.1)
    move = np.array([size * np.sin(turn), size * np.cos(turn)])
    return _control(day, m, "east", "north", -move, move)


def control_digits(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    m = _pick(rng, np.flatnonzero(day.marks.sigma_east == 0.0))
    value = float(day.marks.east[m])
    near = [v for v in length_swaps(value, Written(), least=0) if 0.02 < abs(v - value) < 5.0]
    if not near:
        return None
    add = np.array([float(rng.choice(near)) - value, 0.0])
    return _control(day, m, "east", "north", add, -add)


def control_height(
    ground: Ground, day: Network, rng: np.random.Generator, settings: Settings
) -> Planted | None:
    m = _pick(rng, np.flatnonzero(day.marks.sigma_height == 0.0))
    add = np.array([_sign(rng) * rng.uniform(0.01, 0.2)])
    height = day.marks.height.copy()
    height[m] += add[0]
    name = str(day.marks.mark[m])
    wrong = replace(day, marks=day.marks.replace(height=height))
    return Planted(wrong, "control", (name,), ((name, "control_height"),), add)


def _control(day: Network, m: int, one: str, two: str, add: Floats, size: Floats) -> Planted:
    columns = {one: getattr(day.marks, one).copy(), two: getattr(day.marks, two).copy()}
    columns[one][m] += add[0]
    columns[two][m] += add[1]
    name = str(day.marks.mark[m])
    wrong = replace(day, marks=day.marks.replace(**columns))
    return Planted(wrong, "control", (name,), ((name, "control_moved"),), size)


def swapped(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    """Two target setups of one instrument setup with their marks exchanged."""
    s = day.setups
    at = int(rng.choice(np.unique(day.sights.start)))
    ends = np.unique(day.sights.end[day.sights.start == at])
    ends = ends[np.isin(ends, _targets(day, "pole", "stand", "tribrach"))]
    a, b = (int(v) for v in rng.choice(ends, 2, replace=False))
    mark = s.mark.copy()
    mark[a], mark[b] = mark[b], mark[a]
    names = (str(s.setup[a]), str(s.setup[b]))
    wrong = replace(day, setups=s.replace(mark=mark))
    return Planted(wrong, "mark", names, tuple((n, "off_mark") for n in names), np.array([5.0, 0.0]), True)


def wrong_mark(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    """One target setup written down on a mark it did not stand on."""
    s = _pick(rng, _targets(day, "pole", "stand", "tribrach"))
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
    s = _pick(rng, known)
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
    m = _pick(rng, np.flatnonzero(day.marks.sigma_east == 0.0))
    add = float(day.marks.north[m] - day.marks.east[m])
    planted = _control(day, m, "east", "north", np.array([add, -add]), np.array([-add, add]))
    return replace(planted, gross=True)


def two_points(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    """One name on two points: a target setup stood on something else."""
    s = _pick(rng, _targets(day, "pole", "stand", "tribrach"))
    move = rng.normal(0, 1, 3) * (1.5, 1.5, 0.2) + (0.5 * _sign(rng), 0.5 * _sign(rng), 0.0)
    network = _stood(ground, rng, settings, {s: ground.truth[day.setups.mark[s]] + move})
    name = str(day.setups.setup[s])
    return Planted(network, "mark", (name,), ((name, "off_mark"),), move[:2], True)


def lean(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    """The pole leans by one angle wherever it stands, along the sight and across."""
    setups = day.setups
    poles = _targets(day, "pole")
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
    network = _stood(ground, rng, settings, where)
    return Planted(network, "lean", ("pole",), (("pole", "pole_lean"),), np.array([along, across]))


def rise(ground: Ground, day: Network, rng: np.random.Generator, settings: Settings) -> Planted | None:
    if not len(day.reduced):
        return None
    k = int(rng.integers(len(day.reduced)))
    value = day.reduced.value.copy()
    add = _sign(rng) * float(rng.choice([0.005, 0.01, 0.1]))
    value[k] += add
    name = str(day.reduced.id[k])
    wrong = replace(day, reduced=day.reduced.replace(value=value))
    return Planted(wrong, "reading", (name,), ((name, "reading_wrong"),), np.array([add]))


PLANTS: dict[str, Plant] = {
    "height, any amount": any_height,
    "height, a notch": notch,
    "height, digits swapped": digits_of_height,
    "height left over": left_over,
    "height, feet for metres": feet,
    "height of another support": pole_for_stand,
    "slant for vertical": slant,
    "height of instrument not updated": instrument_height,
    "prism of one setup": prism,
    "prism of a device": device,
    "scale of distances": scale,
    "one distance": distance,
    "one direction": direction,
    "one zenith angle": zenith,
    "direction, digits swapped": digits_of_direction,
    "face wrongly noted": face,
    "circle turned": step,
    "slow twist": ramp,
    "off its mark": off_mark,
    "pole leans": lean,
    "control moved": control,
    "control, digits swapped": control_digits,
    "control height": control_height,
    "two names swapped": swapped,
    "on another mark": wrong_mark,
    "one name, two points": two_points,
    "another target sighted": wrong_target,
    "station on another mark": station_elsewhere,
    "control, axes exchanged": control_axes,
    "one rise": rise,
}

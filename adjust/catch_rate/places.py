"""Devices that stood elsewhere, marks mixed up, control that moved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..ground.network import Network
from ..ground.table import Ints, distinct
from ..judge.written import length_swaps
from .ground import Ground, sighted
from .planted import Amount, Planted, pick, sign

LEANS = 3  # setups from which a pole's lean is told from their centring
SLIP, FAR = 0.02, 5.0  # m: exchanged digits of a coordinate that nobody sees at once


def off_mark(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """A device, or the base it stood on, beside its mark, in any direction."""
    network = ground.network
    setups = network.setups
    rows = _plumbed(network)
    sizes = amount.of(ground.least_centring[rows])
    s = pick(rng, rows, sizes)
    if s < 0:
        return None
    size, way = float(sizes[rows == s][0]), rng.uniform(0.0, 2.0 * np.pi)
    mine = np.flatnonzero(setups.base == setups.base[s]) if setups.base[s] >= 0 else np.array([s])
    move = np.array([size * np.sin(way), size * np.cos(way), 0.0])
    day = ground.day(rng, {int(i): ground.truth[setups.mark[i]] + move for i in mine})
    names = tuple(str(setups.setup[i]) for i in mine)
    cause = "base_off_mark" if setups.base[s] >= 0 else "off_mark"
    return Planted(day, "centring", names, size, tuple((n, cause) for n in names), (move[0], move[1]))


def leaning(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """A pole out of plumb by one angle wherever it stands, along the line of sight and across.

    Only of a pole whose every setup is seen by one instrument setup, for it faces that one; at least three of them.
    """
    network = ground.network
    setups = network.setups
    pairs = sighted(network, "circle")
    seen = np.bincount(pairs[:, 1], minlength=len(setups)) if len(pairs) else np.zeros(0, np.int64)
    able = []
    for pole in np.flatnonzero(network.supports.kind.astype(str) == "pole").tolist():
        mine = np.flatnonzero(~setups.instrument & (setups.support == pole) & (seen > 0))
        if len(mine) >= LEANS and (seen[mine] == 1).all():
            able.append(pole)
    pole = pick(rng, np.array(able, dtype=np.int64))
    if pole < 0:
        return None
    way = rng.uniform(0.0, 2.0 * np.pi)
    along, across = amount.value * np.cos(way), amount.value * np.sin(way)
    stood = {}
    for s in np.flatnonzero(~setups.instrument & (setups.support == pole) & (seen > 0)).tolist():
        here = ground.truth[setups.mark[s]]
        back = int(pairs[pairs[:, 1] == s, 0][0])
        u = (ground.truth[setups.mark[back]] - here)[:2]
        u, h = u / np.hypot(*u), float(setups.height[s])
        stood[s] = here + h * np.array([along * u[0] + across * u[1], along * u[1] - across * u[0], 0.0])
    name = str(network.supports.support[pole])
    return Planted(
        ground.day(rng, stood), "lean", (name,), amount.value, ((name, "pole_lean"),), (along, across)
    )


def another_mark(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """A target written down on a mark on which it did not stand."""
    network = ground.network
    s = pick(rng, _loose(network))
    known = distinct(network.setups.mark[~network.setups.instrument])
    others = known[known != network.setups.mark[s]] if s >= 0 else known[:0]
    m = pick(rng, others)
    if m < 0:
        return None
    day = ground.day(rng)
    mark = day.setups.mark.copy()
    mark[s] = m
    wrong = replace(day, setups=day.setups.replace(mark=mark))
    return _elsewhere(wrong, (str(day.setups.setup[s]),), _apart(ground, int(day.setups.mark[s]), m))


def another_station(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """An instrument written down on a mark on which it did not stand, nor one that it sights."""
    network = ground.network
    setups = network.setups
    plumbed = _plumbed(network)
    s = pick(rng, plumbed[setups.instrument[plumbed] & (setups.base[plumbed] < 0)])
    if s < 0:
        return None
    pairs = sighted(network, "circle")
    near = setups.mark[pairs[pairs[:, 0] == s, 1]]
    m = pick(rng, np.setdiff1d(setups.mark[~setups.instrument], [setups.mark[s], *near]))
    if m < 0:
        return None
    day = ground.day(rng)
    mark = day.setups.mark.copy()
    mark[s] = m
    wrong = replace(day, setups=day.setups.replace(mark=mark))
    return _elsewhere(wrong, (str(setups.setup[s]),), _apart(ground, int(setups.mark[s]), m))


def two_points(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """One name on two points: a target that stood over something else, `amount` away."""
    s = pick(rng, _loose(ground.network))
    if s < 0:
        return None
    way = rng.uniform(0.0, 2.0 * np.pi)
    move = amount.value * np.array([np.sin(way), np.cos(way), 0.1 * sign(rng)])
    day = ground.day(rng, {s: ground.truth[ground.network.setups.mark[s]] + move})
    return _elsewhere(day, (str(day.setups.setup[s]),), amount.value)


def names_swapped(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """Two targets of one instrument setup with their marks exchanged."""
    network = ground.network
    setups = network.setups
    loose = _loose(network)
    pairs = sighted(network, "circle")
    pairs = pairs[np.isin(pairs[:, 1], loose)]
    at = pick(
        rng, np.array([i for i in distinct(pairs[:, 0]).tolist() if np.sum(pairs[:, 0] == i) > 1], np.int64)
    )
    if at < 0:
        return None
    a, b = (int(v) for v in rng.choice(pairs[pairs[:, 0] == at, 1], 2, replace=False))
    if setups.mark[a] == setups.mark[b]:
        return None
    day = ground.day(rng)
    mark = setups.mark.copy()
    mark[a], mark[b] = mark[b], mark[a]
    names = (str(setups.setup[a]), str(setups.setup[b]))
    wrong = replace(day, setups=day.setups.replace(mark=mark))
    return _elsewhere(wrong, names, _apart(ground, int(setups.mark[a]), int(setups.mark[b])))


def control_moved(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """A control mark that lies elsewhere in the plane than given."""
    marks = ground.network.marks
    m = pick(rng, np.flatnonzero(np.isfinite(marks.sigma_east) & np.isfinite(marks.sigma_north)))
    if m < 0:
        return None
    way = rng.uniform(0.0, 2.0 * np.pi)
    return _given(ground, rng, m, {"east": amount.value * np.sin(way), "north": amount.value * np.cos(way)})


def control_digits(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """Two neighbouring digits exchanged in the given east or north of a control mark."""
    marks = ground.network.marks
    m = pick(rng, np.flatnonzero(np.isfinite(marks.sigma_east) & np.isfinite(marks.sigma_north)))
    if m < 0:
        return None
    axis = str(rng.choice(["east", "north"]))
    value = float(getattr(marks, axis)[m])
    swaps = [v for v in length_swaps(value, ground.written, least=0) if SLIP < abs(v - value) < FAR]
    return _given(ground, rng, m, {axis: float(rng.choice(swaps)) - value}) if swaps else None


def control_axes(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """East and north of a control mark exchanged."""
    marks = ground.network.marks
    m = pick(rng, np.flatnonzero(np.isfinite(marks.sigma_east) & np.isfinite(marks.sigma_north)))
    if m < 0:
        return None
    add = float(marks.north[m] - marks.east[m])
    return _given(ground, rng, m, {"east": add, "north": -add}) if abs(add) > SLIP else None


def control_height(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """A control mark whose given height is wrong."""
    m = pick(rng, np.flatnonzero(np.isfinite(ground.network.marks.sigma_height)))
    return None if m < 0 else _given(ground, rng, m, {"height": sign(rng) * amount.value})


def _given(ground: Ground, rng: np.random.Generator, m: int, add: dict[str, float]) -> Planted:
    """Given coordinates of a mark off by `add`."""
    day = ground.day(rng)
    columns = {a: getattr(day.marks, a).copy() for a in add}
    for a, size in add.items():
        columns[a][m] += size
    wrong = replace(day, marks=day.marks.replace(**columns))
    values = list(add.values())
    size = values[0] if len(values) == 1 else float(np.linalg.norm(values))
    name = str(day.marks.mark[m])
    if "height" in add:
        return Planted(wrong, "control", (name,), size, ((name, "control_height"),), (add["height"],))
    move = (-add.get("east", 0.0), -add.get("north", 0.0))  # true less given
    return Planted(wrong, "control", (name,), size, ((name, "control_moved"),), move, size > FAR)


def _elsewhere(day: Network, names: tuple[str, ...], apart: float) -> Planted:
    """Setups that belong to another mark than the book says."""
    return Planted(day, "mark", names, apart, tuple((n, "off_mark") for n in names), (apart, 0.0), True)


def _plumbed(network: Network) -> Ints:
    """Setups in use that are centred over a mark: what no centring error can befall is a free station or stuck on."""
    supports, setups = network.supports, network.setups
    seen = np.unique(sighted(network, "circle"))
    exact = supports.centring_sigma[setups.support] == 0.0
    return seen[~exact[seen]] if len(seen) else seen


def _loose(network: Network) -> Ints:
    """Targets in use that share no base, on whatever support."""
    setups = network.setups
    seen = distinct(sighted(network, "circle")[:, 1])
    alone = ~setups.instrument & (setups.base < 0) & (setups.height_base < 0)
    return seen[alone[seen]] if len(seen) else seen


def _apart(ground: Ground, a: int, b: int) -> float:
    return float(np.hypot(*(ground.truth[a] - ground.truth[b])[:2]))

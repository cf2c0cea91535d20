"""Devices that stood elsewhere, marks mixed up, control that moved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..ground.network import Network
from ..ground.table import Ints, distinct
from .ground import Ground, sighted
from .planted import Amount, Planted, pick, sign


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
    return Planted(day, "centring", tuple(str(setups.setup[i]) for i in mine), size)


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
    return Planted(wrong, "mark", (str(day.setups.setup[s]),), _apart(ground, int(day.setups.mark[s]), m))


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
    return Planted(wrong, "mark", names, _apart(ground, int(setups.mark[a]), int(setups.mark[b])))


def control_moved(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """A control mark that lies elsewhere in the plane than given."""
    marks = ground.network.marks
    m = pick(rng, np.flatnonzero(np.isfinite(marks.sigma_east) & np.isfinite(marks.sigma_north)))
    if m < 0:
        return None
    way = rng.uniform(0.0, 2.0 * np.pi)
    return _given(ground, rng, m, {"east": amount.value * np.sin(way), "north": amount.value * np.cos(way)})


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
    return Planted(wrong, "control", (str(day.marks.mark[m]),), size)


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

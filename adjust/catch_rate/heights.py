"""Heights written down wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..ground.network import Network
from ..ground.table import Ints
from ..judge.heights import FOOT
from ..judge.written import length_swaps
from .ground import Ground, sighted
from .planted import Amount, Planted, pick, sign

LEAST = 1e-3  # m: what a slip must change to be one
GROSS = 0.3  # m: beyond it a short sight's distance feels a height too


def any_height(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """The height of any device over a mark, by an amount."""
    rows = heights(ground.network)
    sizes = amount.of(ground.least_height[rows])
    s = pick(rng, rows, sizes)
    return None if s < 0 else _wrong(ground, rng, s, sign(rng) * float(sizes[rows == s][0]))


def notch(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """A graduated height read one notch off: 0.1 m, in a book kept in feet 0.1 ft (common practice, no source)."""
    rows = heights(ground.network)
    s = pick(rng, rows[_kind(ground.network, rows) == "graduated"])
    return (
        None
        if s < 0
        else _wrong(ground, rng, s, sign(rng) * (0.1 if ground.written.length == 1.0 else 0.1 * FOOT))
    )


def digits_swapped(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """Two neighbouring digits of a measured height exchanged."""
    network = ground.network
    rows = heights(network)
    s = pick(rng, rows[_kind(network, rows) != "fixed"])
    if s < 0:
        return None
    entered = float(network.setups.height[s])
    swaps = [h for h in length_swaps(entered, ground.written) if abs(h - entered) > LEAST]
    return _wrong(ground, rng, s, float(rng.choice(swaps)) - entered) if swaps else None


def left_over(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """A target that bears the height of the setup before it on the same support."""
    return _as_before(ground, rng, instrument=False)


def not_updated(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """An instrument that bears its height of the setup before."""
    return _as_before(ground, rng, instrument=True)


def another_support(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """A target that bears the fixed height of another support of this job."""
    network = ground.network
    setups = network.setups
    rows = heights(network)
    rows = rows[~setups.instrument[rows]]
    fixed = rows[(_kind(network, rows) == "fixed")]
    s = pick(rng, rows)
    if s < 0:
        return None
    others = np.unique(setups.height[fixed[setups.support[fixed] != setups.support[s]]])
    others = others[np.abs(others - setups.height[s]) > LEAST]
    if not len(others):
        return None
    return _wrong(ground, rng, s, float(rng.choice(others)) - float(setups.height[s]))


def slant(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """A slant height entered as if it were vertical, measured to a rim of `amount` around the axis."""
    network = ground.network
    rows = heights(network)
    measured = np.isin(_kind(network, rows), ["taped", "slant", "undeclared"])
    h = network.setups.height[rows]
    s = pick(rng, rows[measured & (np.hypot(h, amount.value) - h > LEAST)])
    if s < 0:
        return None
    entered = float(network.setups.height[s])
    return _wrong(ground, rng, s, round(float(np.hypot(entered, amount.value)) - entered, 4))


def feet(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """A measured height read in feet and entered as metres, or the other way round in a book kept in feet."""
    network = ground.network
    rows = heights(network)
    s = pick(rng, rows[_kind(network, rows) != "fixed"])
    if s < 0:
        return None
    entered = float(network.setups.height[s])
    return _wrong(ground, rng, s, entered * ((1.0 / FOOT if ground.written.length == 1.0 else FOOT) - 1.0))


def heights(network: Network) -> Ints:
    """Setups over a mark whose height a zenith angle feels. A device at height 0 is a free station or a stuck-on target."""
    setups = network.setups
    seen = np.unique(sighted(network, "zenith"))
    given = ~np.isnan(setups.height) & (setups.height != 0.0)
    return seen[given[seen]] if len(seen) else seen


def _kind(network: Network, rows: Ints) -> np.ndarray[tuple[int, ...], np.dtype[np.str_]]:
    return network.supports.height_kind[network.setups.support[rows]].astype(str)


def _as_before(ground: Ground, rng: np.random.Generator, instrument: bool) -> Planted | None:
    network = ground.network
    setups = network.setups
    rows = heights(network)
    rows = rows[(setups.instrument[rows] == instrument) & (_kind(network, rows) != "fixed")]
    able, before = [], {}
    for s in rows.tolist():
        same = rows[(rows < s) & (setups.support[rows] == setups.support[s])]
        if len(same) and abs(setups.height[same[-1]] - setups.height[s]) > LEAST:
            able.append(s)
            before[s] = float(setups.height[same[-1]])
    s = pick(rng, np.array(able, dtype=np.int64))
    return None if s < 0 else _wrong(ground, rng, s, before[s] - float(setups.height[s]))


def _wrong(ground: Ground, rng: np.random.Generator, s: int, add: float) -> Planted:
    """The height of a setup, and of those that share it, off by `add`."""
    day = ground.day(rng)
    setups = day.setups
    group = setups.height_base[s]
    mine = np.flatnonzero(setups.height_base == group) if group >= 0 else np.array([s])
    height = setups.height.copy()
    height[mine] += add
    names = tuple(str(setups.setup[i]) for i in mine)
    day = replace(day, setups=setups.replace(height=height))
    return Planted(
        day, "height", names, add, tuple((n, "height_wrong") for n in names), (add,), abs(add) > GROSS
    )

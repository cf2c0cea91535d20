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


def pick(rng: np.random.Generator, rows: Ints) -> int:
    return int(rng.choice(rows)) if len(rows) else -1


def sign(rng: np.random.Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))


def targets(network: Network, *supports: str) -> Ints:
    s = network.setups
    kind = network.supports.support[s.support]
    return np.flatnonzero(~s.instrument & np.isin(kind.astype(str), supports))


def stood(ground: Ground, rng: np.random.Generator, settings: Settings, where: dict[int, Floats]) -> Network:
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

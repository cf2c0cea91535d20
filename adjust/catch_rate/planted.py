"""What a planted mistake is: a day with it, the size it has, and which answer of the judge is right."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from ..ground.network import Network
from ..ground.table import Floats, Ints
from ..judge.finding import Explanation
from .ground import Ground


@dataclass(frozen=True)
class Amount:
    """How large a planted mistake is: `value` m, rad or a ratio; or `value` times the minimal detectable bias of what it
    is planted in (of a moved mark none is known); or whatever the slip makes of it (NaN)."""

    value: float = math.nan
    unit: Literal["length", "angle", "ratio", "least", "chance"] = "chance"

    def of(self, least: Floats) -> Floats:
        """Sizes for subjects whose minimal detectable bias is `least`; NaN where none is finite."""
        if self.unit == "least":
            return np.where(np.isfinite(least), self.value * least, np.nan)
        return np.full(len(least), self.value)


CHANCE = Amount()


@dataclass(frozen=True)
class Planted:
    """A day with one mistake. The right answer has a cause of `group` and one of `names`.

    base: the hypotheses (name, cause) that hold the mistake while it is small, for what the geometry can show of it
    beforehand; of a step with the row where it begins, `cause:row`. move: its size in the columns of these.
    gross: so large that the setup is off in every way.
    """

    network: Network
    group: str
    names: tuple[str, ...]
    size: float  # m, rad or a ratio, as the judge counts it; of a displacement its length
    base: tuple[tuple[str, str], ...] = ()
    move: tuple[float, ...] = ()
    gross: bool = False

    def explained_by(self, e: Explanation) -> bool:
        """Whether this is the right answer."""
        return e.group == self.group and e.name in self.names


@dataclass(frozen=True)
class Plant:
    """One way to go wrong. `plant` gives None where the network has nothing that could."""

    name: str
    plant: Callable[[Ground, Amount, np.random.Generator], Planted | None]
    amounts: tuple[Amount, ...] = (CHANCE,)


def pick(rng: np.random.Generator, rows: Ints, sizes: Floats | None = None) -> int:
    """One of `rows` whose size is known, −1 where there is none. `sizes` goes with `rows`."""
    rows = np.asarray(rows)
    if sizes is not None:
        rows = rows[~np.isnan(sizes)]
    return int(rng.choice(rows)) if len(rows) else -1


def sign(rng: np.random.Generator) -> float:
    """One or minus one."""
    return float(rng.choice([-1.0, 1.0]))


def with_column(network: Network, column: str, rows: Ints | int, add: float, factor: float = 1.0) -> Network:
    """The day with readings of some sights × factor + add."""
    values = getattr(network.sights, column).copy()
    values[rows] = values[rows] * factor + add
    return replace(network, sights=network.sights.replace(**{column: values}))

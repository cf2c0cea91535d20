"""The mistakes that `hubtack simulate` tries, on networks of which the truth is known and not adjusted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from tests.benchmarks.catch_rate_networks import GROUNDS, Ground, solve

from hubtack.adjust import adjust
from hubtack.adjust.catch_rate.ground import Ground as Known
from hubtack.adjust.catch_rate.ground import ground_of
from hubtack.adjust.catch_rate.planted import Plant, Planted
from hubtack.adjust.catch_rate.plants import PLANTS as TRIED
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate
from hubtack.adjust.solved import Solved

__all__ = ["PLANTS", "Case", "Planted", "case"]

# vectors and rows between marks stand in none of these networks
PLANTS: dict[str, Plant] = {p.name: p for p in TRIED if p.name not in ("vector", "row between marks")}


@dataclass(frozen=True)
class Case:
    """A day with a mistake, and a day without on the same ground."""

    where: str
    clean: Solved
    planted: Planted


def case(cause: str, seed: int, attempt: int, settings: Settings) -> Case | None:
    """The networks in turn, a size of the cause by chance. None where the network has nothing that could go so."""
    number = list(PLANTS).index(cause)
    where = list(GROUNDS)[(number + attempt) % len(GROUNDS)]
    rng = np.random.default_rng([seed, number, attempt])
    ground: Ground = GROUNDS[where](rng)
    clean = adjust(simulate(ground.network, ground.truth, settings, rng), settings)
    seen = ground_of(clean)
    known = Known(
        ground.network,
        ground.truth,
        settings,
        seen.written,
        seen.least_height,
        seen.least_centring,
        seen.least,
    )
    plant = PLANTS[cause]
    amount = plant.amounts[int(rng.integers(len(plant.amounts)))]
    planted = plant.plant(known, amount, rng)
    return None if planted is None else Case(where, solve(clean.network, settings), planted)

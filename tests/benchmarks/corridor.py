"""A network of any size: a wavy corridor of traverse marks that opens into braced patches.

About 55 % of the marks are on the chain, the rest in patches beside it; an instrument on every third to fourth mark sights
its seven or eight nearest neighbours with two rounds in both faces. So the work grows with the number of marks, not faster.
"""

from __future__ import annotations

import numpy as np
from tests.benchmarks.networks import Day

SPACING, PATCH, REACH = (
    62.0,
    9,
    7,
)  # m along the chain; marks of a patch; sights of a setup beside the chain's own


CONTROL = 500  # marks from one pair of held ones to the next


def corridor(marks: int, seed: int = 1) -> Day:
    """A day with `marks` marks (at least 8); the first two and the last two are held, and two in every 500 (some 17 km)."""
    rng = np.random.default_rng([seed, marks])
    places: list[tuple[float, float, float]] = []
    s = 0.0
    while len(places) < marks:
        for _ in range(11):  # a stretch of chain, then a patch
            s += SPACING
            places.append((s, 260.0 * np.sin(s / 700.0) + rng.normal(0, 12), 20 + 8 * np.sin(s / 400.0)))
        for k in range(PATCH):
            e = s - SPACING + 48.0 * (k % 3) + rng.normal(0, 6)
            n = 260.0 * np.sin(s / 700.0) + (58.0 + 48.0 * (k // 3)) + rng.normal(0, 6)
            places.append((e, n, 20 + 8 * np.sin(s / 400.0) + rng.normal(0, 1)))
    at = np.array(places[:marks])
    day = Day()
    for i, place in enumerate(at.tolist()):
        held = i % CONTROL < 2 or i >= marks - 2
        day.mark(
            f"M{i + 1:05d}", *(10_000.0 + place[0], 20_000.0 + place[1], place[2]), 0.0 if held else np.inf
        )
    occupied = 0
    while occupied < marks:
        near = np.arange(max(0, occupied - 14), min(marks, occupied + 15))
        distance = np.hypot(*(at[near, :2] - at[occupied, :2]).T)
        order = near[np.argsort(distance, kind="stable")][1 : REACH + 1]
        chain = [i for i in (occupied - 4, occupied - 3, occupied + 3, occupied + 4) if 0 <= i < marks]
        seen = sorted({*order.tolist(), *chain[:1], *chain[-1:]})
        stand = day.setup(f"M{occupied + 1:05d}", "tribrach", rng.uniform(1.45, 1.70), instrument=True)
        support = ("stand", "pole", "tribrach")
        heights = (0.21, 1.5, 1.6)
        ends = [day.setup(f"M{i + 1:05d}", support[i % 3], heights[i % 3]) for i in seen]
        day.sight(stand, ends, rounds=2)
        occupied += 3 + (occupied // 3) % 2
    return day

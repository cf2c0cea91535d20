"""Slips of the pen behind a difference: neighbouring digits of a height exchanged, a height in feet, a prism constant, a unit.

A slip is only named where it explains a check that failed, within three sigmas, and where no other slip does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.network import Network
from ..judge.written import Written, length_swaps
from .check import Check, Effects

FOOT = 0.3048
CONSTANTS = (
    0.0044,
    0.0175,
    0.030,
    0.0344,
    0.040,
)  # m: differences between usual prism constants; common practice, no source
TALL = (3.0, 8.0)  # m: a height that would be usual in feet
WITHIN = 3.0  # sigmas


@dataclass(frozen=True)
class Slip:
    """What would explain a failed check: kind, the setup it is about, the value as it stands and as it would be, m."""

    kind: str  # digits exchanged, feet for metres, prism constant
    setup: str
    value: float
    right: float


def slips_of(check: Check, network: Network, effects: Effects, written: Written) -> tuple[Slip, ...]:
    """All slips that explain a failed check of a rise or a distance; one is a suspicion, several are none."""
    setups = network.setups
    row = {str(n): i for i, n in enumerate(setups.setup)}
    involved = list(dict.fromkeys(row[n] for n in check.names[2:] if n in row))
    found: list[Slip] = []
    allowed = WITHIN * check.sigma
    if check.kind in ("rise both ways", "rise again"):
        for s in involved:
            height = float(setups.height[s])  # known, or there were no rise
            for right in length_swaps(height, written):
                # a height that was entered too large by x moves the check by ±x, whichever end it is at
                if abs(abs(check.found) - abs(right - height)) <= allowed and abs(right - height) > allowed:
                    found.append(Slip("digits exchanged", str(setups.setup[s]), height, right))
            for right in (height * FOOT, height / FOOT):
                if 0.0 < right < 3.0 and abs(abs(check.found) - abs(right - height)) <= allowed:
                    found.append(Slip("feet for metres", str(setups.setup[s]), height, right))
    if check.kind in ("distance both ways", "distance again"):
        for s in involved:
            if setups.instrument[s]:
                continue
            for c in CONSTANTS:
                if abs(abs(check.found) - c) <= allowed and c > allowed:
                    found.append(Slip("prism constant", str(setups.setup[s]), 0.0, c))
    return tuple(dict.fromkeys(found))


def tall_heights(network: Network, effects: Effects) -> list[Check]:
    """Heights that would be usual in feet and are not in metres."""
    setups = network.setups
    h = effects.heights
    rows = np.flatnonzero((h > TALL[0]) & (h < TALL[1]))
    return [
        Check(
            "height like feet", (str(setups.setup[i]),), float(h[i]), 0.0, np.inf, TALL[0], "length", True, 1
        )
        for i in rows.tolist()
    ]

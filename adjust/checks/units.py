"""Units: distances against coordinates, and the two faces against half a circle.

A distance in feet among metres makes the ratio of measured and computed distance 0.3048 or 3.2808, whatever the network; a
circle read in gon among degrees puts the faces 200 apart. Ratios come from marks whose coordinates are given; else from where all
readings together put the marks, which shows a single setup in other units, not a whole job. US survey and international foot
differ by 2e-6: nothing in the field tells these apart.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from ..ground.network import Network
from ..ground.table import Floats
from .check import Check
from .faces import pairs
from .legs import Leg

FOOT = 0.3048
RATIOS = {
    FOOT: "metres for feet",
    1.0 / FOOT: "feet for metres",
}  # distance read as metres / true: what was taken for what
NEAR = 0.02  # how near to one of these a ratio must be, and how far from 1: far beyond any error of a sound distance
SHORT = 3.0  # m: shorter lines say little of a unit
# what the faces are apart by, in degrees: half a circle or three quarters less a quarter, read in the other unit
FACES = {"gon for degrees": (200.0, 160.0), "degrees for gon": (162.0, 198.0)}
WITHIN = 0.5  # deg


def unit_checks(network: Network, legs: list[Leg], coordinates: Floats | None) -> list[Check]:
    """Distances of the whole job against given coordinates, else of each instrument setup against all others; faces."""
    found = _of_job(network, legs)
    if not found and coordinates is not None:
        found = _of_setups(network, legs, coordinates)
    return found + _faces(network)


def _ratios(legs: list[Leg], places: Floats) -> list[tuple[Leg, float]]:
    """Measured over computed horizontal distance of every leg whose ends have places."""
    out = []
    for leg in legs:
        if leg.start < 0 or np.isnan(leg.D):
            continue
        computed = float(np.hypot(*(places[leg.end_mark, :2] - places[leg.start_mark, :2])))
        if computed > SHORT and leg.D > SHORT * FOOT:
            out.append((leg, leg.D / computed))
    return out


def _meant(ratio: float) -> str:
    """What was taken for what; blank where the ratio is that of no unit."""
    return next((words for r, words in RATIOS.items() if abs(ratio / r - 1.0) < NEAR), "")


def _of_job(network: Network, legs: list[Leg]) -> list[Check]:
    m = network.marks
    known = np.isfinite(m.sigma_east) & np.isfinite(m.sigma_north)
    given: Floats = np.where(known[:, None], np.column_stack([m.east, m.north]), np.nan)
    ratios = _ratios(legs, given)
    if not ratios:
        return []
    ratio = float(np.median([r for _, r in ratios]))
    leg = min(ratios, key=lambda r: abs(r[1] - ratio))[0]
    words = _meant(ratio)
    return [_check("unit of distances", _ends(network, leg), ratio, words)] if words else []


def _of_setups(network: Network, legs: list[Leg], coordinates: Floats) -> list[Check]:
    of_setup: dict[int, list[float]] = defaultdict(list)
    for leg, r in _ratios(legs, coordinates):
        of_setup[leg.start].append(r)
    sound = [s for s, r in of_setup.items() if abs(np.median(r) - 1.0) < NEAR]
    if len(sound) < 2:  # nothing to hold a setup against
        return []
    found = []
    for s, ratios in of_setup.items():
        ratio = float(np.median(ratios))
        words = _meant(ratio)
        if words and len(ratios) > 1:
            found.append(_check("unit of distances", (str(network.setups.setup[s]),), ratio, words))
    return found


def _faces(network: Network) -> list[Check]:
    """Instruments whose faces are apart by half a circle of another unit."""
    one, two = pairs(network)
    if not len(one):
        return []
    s, setups = network.sights, network.setups
    apart = np.degrees(np.mod(s.circle[two] - s.circle[one], 2.0 * np.pi))
    device, found = setups.device[s.start[one]], []
    for d in np.unique(device).tolist():
        mine = apart[(device == d) & ~np.isnan(apart)]
        for words, (up, down) in FACES.items():
            off = np.minimum(np.abs(mine - up), np.abs(mine - down))
            if len(mine) > 1 and float(np.median(off)) < WITHIN:
                names = (str(network.instruments.instrument[d]),)
                found.append(_check("unit of angles", names, up / 180.0, words))
    return found


def _ends(network: Network, leg: Leg) -> tuple[str, ...]:
    marks, setups = network.marks.mark, network.setups.setup
    return str(marks[leg.start_mark]), str(marks[leg.end_mark]), str(setups[leg.start]), str(setups[leg.end])


def _check(kind: str, names: tuple[str, ...], ratio: float, words: str) -> Check:
    return Check(kind, names, ratio, 0.0, np.inf, 1.0, "number", True, len(names), {"meant": words})

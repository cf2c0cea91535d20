"""Rows of reduced.csv from older books: what an azimuth or a distance refers to, and angles by repetition."""

from __future__ import annotations

import math

import numpy as np

from hubtack.adjust.ground.table import Names
from hubtack.io.faults import Nearest
from hubtack.io.readers.cells import Cells
from hubtack.io.units import Unreadable, quoted

TURN = 2.0 * math.pi
REFERENCES: dict[str, tuple[str, ...]] = {
    "rise": (),
    "horizontal": ("ground", "grid", "ellipsoid"),
    "azimuth": ("grid", "geodetic", "astronomic"),
    "angle": (),
}
"""What each kind may refer to; the first is what a plane takes where nothing is said."""
ONLY_EARTH = ("ellipsoid", "geodetic", "astronomic")
NEAR = math.radians(
    5.0 / 60.0
)  # a repeated angle agrees with its single reading: our choice, a vernier reads to a minute


def referred(cells: Cells, kinds: Names, earth: bool) -> Names:
    """The kinds with what they refer to behind a point, as the engine names them: azimuth.geodetic."""
    out = kinds.copy()
    for row, cell in enumerate(cells.text("reference")):
        known = REFERENCES.get(kinds[row], ())
        if not kinds[row] or (not cell and not (earth and known)):
            continue
        kind, choices = str(kinds[row]), ", ".join(known)
        if cell and not known:
            found = f"A row of kind {kind} refers to nothing"
            cells.fault(row, "reference", "TAB256", found, "Leave reference blank.")
        elif not cell:
            found = (
                f"In the earth frame it matters what {'an' if kind[0] in 'aeiou' else 'a'} {kind} refers to"
            )
            cells.fault(row, "reference", "TAB256", found, f"Say {choices}.")
        elif cell not in known:
            near = Nearest(known).find(cell)
            wanted = f"Write one of {choices}" + (f'; is "{near}" meant?' if near else ".")
            cells.fault(row, "reference", "TAB256", f"{quoted(cell)} is nothing {kind} refers to", wanted)
        elif cell in ONLY_EARTH and not earth:
            found = f"A plane has no {cell}"
            wanted = 'Write frame = "earth" and crs in [site], or reduce the value to the grid.'
            cells.fault(row, "reference", "TAB256", found, wanted)
        elif cell != known[0]:
            out[row] = f"{kind}.{cell}"
    return out


def repeated(cells: Cells, row: int, kind: str, value: float) -> float:
    """An angle by repetition: (value + whole turns) / repetitions, the turns from the angle turned once. Else as it is."""
    times, single = cells.text("repetitions")[row], cells.text("single")[row]
    if not times and not single:
        return value
    if kind != "angle":
        cells.fault(row, "repetitions", "TAB257", "Only an angle is turned by repetition", "Leave it blank.")
        return value
    n = int(times) if times.isascii() and times.isdigit() and len(times) < 4 else 0
    if n < 1 or not single:
        found = "An angle by repetition needs how often it was turned, and what it was when turned once"
        cells.mistake(
            row, "repetitions" if n < 1 else "single", "TAB257", found, "Give repetitions and single."
        )
        return value
    if cells.units is None or math.isnan(value):
        return value
    try:
        once = cells.units.parse_angle(single)
    except Unreadable as error:
        cells.mistake(row, "single", "TAB205", error.found, error.wanted)
        return value
    turns = round((n * once - value) / TURN)
    mean = (value + turns * TURN) / n
    if abs(mean - once) > NEAR:
        shown = cells.units.show_angle(mean, 0)
        found = f"{n} repetitions make {shown}, and turned once it was {quoted(single)}"
        cells.mistake(row, "single", "TAB257", found, "See value, repetitions and single.")
    return float(np.mod(mean, TURN))

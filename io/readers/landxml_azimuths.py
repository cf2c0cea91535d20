"""Are the azimuths of a LandXML file clockwise from north? Tried against its own coordinates.

The schema's prose says counter-clockwise; files are written clockwise (322 azimuths of three public cadastral files: median
difference from their own coordinates 2″ and less). They are read clockwise, and what speaks against it is told.
"""

from __future__ import annotations

import math
from statistics import median

from hubtack.io.readers.tables import TextTable

from ..units import Units, Unreadable

ENOUGH = 3  # azimuths, below which nothing is said
FAR, NEAR = math.radians(1.0), math.radians(0.1)  # apart, and agreeing: azimuths of real files fit to seconds


def doubt(tables: dict[str, TextTable], units: Units) -> str:
    """A sentence where the azimuths do not fit the coordinates; "" where they do, or where it can't be told."""
    marks, reduced = tables.get("marks"), tables.get("reduced")
    if marks is None or reduced is None:
        return ""
    where: dict[str, tuple[float, float]] = {}
    rows = zip(marks.get("mark"), marks.get("east"), marks.get("north"), strict=True)
    for mark, east, north in rows:
        try:
            where[mark] = (units.parse_length(east), units.parse_length(north))
        except Unreadable:
            continue
    pairs: list[tuple[float, float]] = []
    columns = (reduced.get(c) for c in ("kind", "from", "to", "value"))
    for kind, start, end, value in zip(*columns, strict=True):
        if kind != "azimuth" or start not in where or end not in where or where[start] == where[end]:
            continue
        (e1, n1), (e2, n2) = where[start], where[end]
        try:
            pairs.append((units.parse_angle(value), math.atan2(e2 - e1, n2 - n1)))
        except Unreadable:
            continue
    if len(pairs) < ENOUGH or _misfit(pairs, 1.0, 0.0) < FAR:
        return ""
    for sign, start_at, words in (
        (-1.0, 0.0, "counter-clockwise from north"),
        (-1.0, math.pi / 2, "counter-clockwise from east"),
        (1.0, math.pi, "clockwise from south"),
    ):
        if _misfit(pairs, sign, start_at) < NEAR:
            return f"Its azimuths fit its own coordinates only if they run {words}; they were read clockwise from north."
    return "Its azimuths, read clockwise from north, do not fit its own coordinates."


def _misfit(pairs: list[tuple[float, float]], sign: float, start: float) -> float:
    """Median difference, rad, if an azimuth were start + sign·value."""
    return median(abs(math.remainder(start + sign * value - true, 2 * math.pi)) for value, true in pairs)

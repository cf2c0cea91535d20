"""Whole columns of plain cells at once: what is quick to read is also plain to see. None where a cell needs a second look.

The same numbers as `Units.parse_length` and `Units.parse_angle` give, cell by cell; those read whatever is not plain, and say
what is wrong with it.
"""

from __future__ import annotations

import re

import numpy as np

from hubtack.adjust.ground.table import Floats
from hubtack.io.units import ARCSEC, METRES, RADIANS, Units

_FEW = 100  # cells below which one by one is as quick
_DIGITS = frozenset("0123456789.-")
# no alternatives that begin alike: nothing to go back to, however long the text
_TURNS = re.compile(r"(?:[0-9]{1,3}-[0-9]{1,2}-[0-9]{1,2}(?:\.[0-9]*)?\n)*")


def lengths(cells: list[str], units: Units) -> Floats | None:
    """Lengths in the job's unit, m, NaN where blank."""
    values = _decimals(cells)
    return None if values is None else values * METRES[units.length]


def angles(cells: list[str], units: Units) -> Floats | None:
    """Angles in the job's form, rad, NaN where blank."""
    if units.angle != "dms":
        values = _decimals(cells)
        return None if values is None else values * RADIANS[units.angle]
    given = [c for c in cells if c]
    if len(given) < _FEW:
        return None
    text = "\n".join(given) + "\n"
    if _TURNS.fullmatch(text) is None:
        return None
    parts = text.replace("\n", "-").split("-")
    d, m, s = (np.array(list(map(float, parts[k:-1:3]))) for k in range(3))
    if m.max() >= 60.0 or s.max() >= 60.0:
        return None
    return _placed(cells, (d * 3600.0 + m * 60.0 + s) * ARCSEC)


def _decimals(cells: list[str]) -> Floats | None:
    given = [c for c in cells if c]
    if len(given) < _FEW or not _DIGITS.issuperset("".join(given)):
        return None
    try:
        values = np.array(list(map(float, given)))
    except ValueError:
        return None
    return _placed(cells, values) if np.isfinite(values).all() else None


def _placed(cells: list[str], values: Floats) -> Floats:
    """The values where something is given."""
    if len(values) == len(cells):
        return values
    out = np.full(len(cells), np.nan)
    out[[bool(c) for c in cells]] = values
    return out

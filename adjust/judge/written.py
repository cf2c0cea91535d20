"""Numbers as they were written down: what two neighbouring digits exchanged would make of them.

The engine computes in metres and radians; a slip of the pen happens in the unit of the book, so that unit is told here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal


@dataclass(frozen=True)
class Written:
    """The book's units: metres in its unit of length, and how its angles are written."""

    length: float = 1.0
    angle: Literal["dms", "deg", "gon"] = "dms"


def length_swaps(value: float, written: Written, decimals: int = 4, least: int = 3) -> list[float]:
    """Every length (m) that an exchange of two neighbouring digits makes of `value` (m)."""
    text = f"{abs(value) / written.length:.{decimals}f}"
    while text.endswith("0") and len(text.partition(".")[2]) > least:
        text = text[:-1]
    sign = -1.0 if value < 0.0 else 1.0
    return [sign * float(t) * written.length for t in _swaps(text)]


def angle_swaps(value: float, written: Written) -> list[float]:
    """Every angle (rad) that an exchange of two neighbouring digits makes of `value` (rad); d-m-s within a field."""
    if written.angle != "dms":
        unit = math.pi / 180.0 if written.angle == "deg" else math.pi / 200.0
        return [float(t) * unit for t in _swaps(f"{value / unit:.4f}")]
    tenths = round(value * 180.0 / math.pi * 36_000.0)
    minutes, seconds = divmod(tenths, 600)
    degrees, minutes = divmod(minutes, 60)
    fields = [f"{degrees:03d}", f"{minutes:02d}", f"{seconds / 10:04.1f}"]
    out = []
    for k, text in enumerate(fields):
        for swapped in _swaps(text):
            parts = [float(f) for f in (*fields[:k], swapped, *fields[k + 1 :])]
            if parts[1] < 60.0 and parts[2] < 60.0:
                out.append((parts[0] + parts[1] / 60.0 + parts[2] / 3600.0) * math.pi / 180.0)
    return out


def _swaps(text: str) -> list[str]:
    """The text with each pair of neighbouring unlike digits exchanged, across a decimal point as well."""
    at = [i for i, c in enumerate(text) if c.isdigit()]
    out = []
    for i, j in pairwise(at):
        if text[i] != text[j]:
            out.append(text[:i] + text[j] + text[i + 1 : j] + text[i] + text[j + 1 :])
    return out

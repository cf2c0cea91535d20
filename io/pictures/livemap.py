"""The network as numbers for the page's live map: marks, sights and setups, with how much ellipses are enlarged.

Coordinates are in units of the map: metres from its middle, or, of a network of heights only, points of its profile.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats, Ints
from hubtack.io.pages.embed import visible
from hubtack.io.pictures.drawing import nice
from hubtack.io.writers.places import exaggeration
from hubtack.io.writers.sheets import one_dimensional_factor, percent

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job
    from hubtack.io.units import Units

SUPPORTS = ("tribrach", "stand", "pole", "bolt", "adhesive")
_WIDE, _HIGH, _BAR = 1000.0, 420.0, 18.0  # of a profile: its size, and how long its median bar is drawn


def map_data(adjustment: Adjustment, job: Job) -> dict[str, Any] | None:
    """What the script draws; None where no mark has a place."""
    a, m, units = adjustment, adjustment.marks, job.units
    level = percent(a.settings.confidence)
    flat = np.isfinite(m.east) & np.isfinite(m.north)
    if flat.any():
        shown = flat
        x, y = m.east - np.mean(m.east[flat]), m.north - np.mean(m.north[flat])
        found: dict[str, Any] = {"profile": False, "enlarged": exaggeration(a), "perMetre": 1.0}
        found |= {"major": _numbers(m.semi_major, 6), "minor": _numbers(m.semi_minor, 6)}
        found |= {"azimuth": _numbers(m.ellipse_azimuth, 4)}
        found["what"] = f"ellipses: 2D {level}, {a.ellipse_factor:.3f} sigma"
    elif np.isfinite(m.height).any():
        shown = np.isfinite(m.height)
        found, x, y = _profile(a, units, shown)
        found["what"] = f"bars: height, 1D {level}, {one_dimensional_factor(a.settings.confidence):.3f} sigma"
    else:
        return None
    setups = a.network.setups
    kinds = a.network.supports.kind
    return found | {
        "names": [visible(str(n)) for n in m.mark],
        "x": _numbers(np.where(shown, x, np.nan), 3),
        "y": _numbers(np.where(shown, y, np.nan), 3),
        "control": [2 if "held" in c else 1 if c else 0 for c in map(str, m.control)],
        "unchecked": np.flatnonzero(m.unchecked & shown).tolist(),
        "wrong": sorted(_wrong_control(a)),
        "sights": _sights(a, shown),
        "setups": {
            "names": [visible(str(s)) for s in setups.setup],
            "mark": setups.mark.tolist(),
            "support": [
                SUPPORTS.index(str(kinds[s])) if 0 <= s < len(kinds) else 0 for s in setups.support.tolist()
            ],
            "instrument": np.flatnonzero(setups.instrument).tolist(),
            "flagged": np.flatnonzero(a.setups.flagged).tolist(),
        },
        "supports": list(SUPPORTS),
        "length": units.length_name,
        "lengthPerMetre": units.length_of(1.0),
        "small": "mm" if units.length == "m" else units.length_name,
        "smallPerMetre": 1000.0 if units.length == "m" else units.length_of(1.0),
    }


def _profile(a: Adjustment, units: Units, shown: Flags) -> tuple[dict[str, Any], Floats, Floats]:
    """Marks in the order of their table, heights upwards, with lines at round heights."""
    m = a.marks
    order: Floats = np.cumsum(shown).astype(np.float64) - 1.0
    low, high = float(m.height[shown].min()), float(m.height[shown].max())
    scale = _HIGH / max(high - low, 1e-3)
    x: Floats = _WIDE * order / max(float(shown.sum()) - 1.0, 1.0)
    y = (m.height - low) * scale
    step = nice(max(units.length_of(high - low), 1e-3) / 3.0) / units.length_of(1.0)
    places = max(0, -math.floor(math.log10(units.length_of(step)) + 1e-9))
    lines = range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    half = one_dimensional_factor(a.settings.confidence) * m.sigma_height
    usual = half[shown & (np.nan_to_num(half) > 0.0)]
    enlarged = max(1.0, nice(_BAR / (float(np.median(usual)) * scale))) if len(usual) else 1.0
    found: dict[str, Any] = {
        "profile": True,
        "enlarged": round(enlarged),
        "perMetre": scale,
        "major": _numbers(np.where(shown, half, np.nan), 6),
        "minor": None,
        "azimuth": None,
        "lines": [[round((k * step - low) * scale, 3), units.show_length(k * step, places)] for k in lines],
    }
    return found, x, y


def _sights(a: Adjustment, shown: Flags) -> dict[str, Any]:
    """One row a pair of marks that readings join: rows of the marks, how many, the largest |w|, which are flagged."""
    o = a.observations
    start, end = o.start_mark, o.end_mark
    joins = (start >= 0) & (end >= 0) & (start != end)
    joins &= shown[np.maximum(start, 0)] & shown[np.maximum(end, 0)]
    rows: Ints = np.flatnonzero(joins)
    low, high = np.minimum(start[rows], end[rows]), np.maximum(start[rows], end[rows])
    pairs, number = np.unique(low * len(shown) + high, return_inverse=True)
    number = number.reshape(-1)
    worst = np.zeros(len(pairs))
    np.maximum.at(worst, number, np.abs(np.nan_to_num(o.standardized[rows])))
    wrong = np.bincount(number, o.flagged[rows], minlength=len(pairs)) > 0
    return {
        "a": (pairs // len(shown)).tolist(),
        "b": (pairs % len(shown)).tolist(),
        "count": np.bincount(number, minlength=len(pairs)).tolist(),
        "worst": np.round(worst, 1).tolist(),
        "flagged": np.flatnonzero(wrong).tolist(),
    }


def _wrong_control(a: Adjustment) -> set[int]:
    names = {str(n) for n in a.control.mark[a.control.flagged]}
    return {i for i, n in enumerate(a.marks.mark) if str(n) in names} if names else set()


def _numbers(values: Floats, places: int) -> list[float | None]:
    """Rounded, None where undefined."""
    return [v if v == v else None for v in np.round(values, places).tolist()]

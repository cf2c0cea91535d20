"""Whole columns of numbers as text, each cell as `units` writes one of them, in a fraction of the time.

Of a large job a column has tens of thousands of cells and far fewer different texts: numbers are rounded to integers by numpy,
each integer is written once, and the texts are handed out. A number too near to the middle between two roundings for a product
in double precision to tell them apart is formatted by itself, so every text is the correctly rounded one.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats, Ints, Names
from hubtack.io.units import ARCSEC, METRES, RADIANS, Units

_EXACT = 1e9  # scaled numbers below it are known to 2e-7, see _CLEAR
_CLEAR = 0.5 - 1e-6  # this far from an integer at most, a scaled number surely rounds to it


def fixed(values: Floats, decimals: int, infinite: str = "none") -> list[str]:
    """Numbers (n,) with fixed decimals; never a minus zero; blank for NaN, `infinite` for both infinities."""
    scale = 10.0**decimals
    form = f"%.{decimals}f"
    with np.errstate(invalid="ignore", over="ignore"):
        scaled = values * scale
        whole = np.rint(scaled)
        sure = (np.abs(scaled - whole) < _CLEAR) & (np.abs(scaled) < _EXACT)
    out: Names = np.empty(len(values), dtype=object)
    out[sure] = shared(whole[sure].astype(np.int64), lambda k: [form % (i / scale) for i in k])
    if not sure.all():
        odd = {"nan": "", "inf": infinite, "-inf": infinite, form % -0.0: form % 0.0}
        out[~sure] = _objects([odd.get(t, t) for t in [form % v for v in values[~sure].tolist()]])
    return list(out)


def lengths(units: Units, metres: Floats, decimals: int) -> list[str]:
    """`Units.show_length` of each."""
    return fixed(metres / METRES[units.length], decimals, "")


def small_lengths(units: Units, metres: Floats, decimals: int) -> list[str]:
    """`Units.small_length_of` of each, `none` where infinite."""
    return fixed(metres / METRES[units.length] * 1000, decimals)


def angles(units: Units, radians: Floats, decimals: int = 1) -> list[str]:
    """`Units.show_angle` of each."""
    if units.angle != "dms":
        return fixed(radians / RADIANS[units.angle], decimals + 4, "")
    finite = np.isfinite(radians)
    steps = np.rint(np.abs(np.where(finite, radians, 0.0)) / ARCSEC * 10**decimals).astype(np.int64)
    texts = _dms(steps, decimals)
    for i in np.flatnonzero((radians < 0.0) & (steps > 0)).tolist():
        texts[i] = f"-{texts[i]}"
    return _blank(texts, ~finite)


def azimuths(units: Units, radians: Floats, decimals: int = 1) -> list[str]:
    """`Units.show_azimuth` of each."""
    finite = np.isfinite(radians)
    known = np.where(finite, radians, 0.0)
    if units.angle == "dms":
        steps = np.mod(np.rint(known / ARCSEC * 10**decimals), 1_296_000 * 10**decimals)
        return _blank(_dms(steps.astype(np.int64), decimals), ~finite)
    places = decimals + 4
    turn = (360 if units.angle == "deg" else 400) * 10**places
    turned = np.mod(np.rint(known / RADIANS[units.angle] * 10**places), turn) / 10**places
    return fixed(np.where(finite, turned, np.nan), places, "")


def _dms(steps: Ints, decimals: int) -> list[str]:
    """Degrees, minutes and seconds of whole steps of 10^-decimals seconds."""
    minutes, rest = np.divmod(steps, 60 * 10**decimals)
    wide = decimals + 3 if decimals else 2
    form = f"%0{wide}.{decimals}f"
    heads = shared(minutes, lambda k: [f"{m // 60}-{m % 60:02d}-" for m in k])
    tails = shared(rest, lambda k: [form % (s / 10**decimals) for s in k])
    return [a + b for a, b in zip(heads.tolist(), tails.tolist(), strict=True)]


def shared(whole: Ints, texts: Callable[[list[int]], list[str]]) -> Names:
    """Texts (n,) of integers; of those that lie close together each different one is made once."""
    if not len(whole):
        return np.empty(0, dtype=object)
    low, high = int(whole.min()), int(whole.max())
    if high - low > 4 * len(whole):
        return _objects(texts(whole.tolist()))
    met = np.zeros(high - low + 1, dtype=bool)
    met[whole - low] = True
    which = np.flatnonzero(met)
    table: Names = np.empty(len(met), dtype=object)
    table[which] = _objects(texts((which + low).tolist()))
    return table[whole - low]


def _objects(texts: list[str]) -> Names:
    out: Names = np.empty(len(texts), dtype=object)
    out[:] = texts
    return out


def _blank(texts: list[str], where: Flags) -> list[str]:
    for i in np.flatnonzero(where).tolist():
        texts[i] = ""
    return texts

"""Elements and numbers of a LandXML file: what `landxml` and `landxml_survey` are made of."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from hubtack.io.units import ARCSEC, METRES, RADIANS, Units

if TYPE_CHECKING:
    from lxml.etree import _Element

NAMESPACE = "http://www.landxml.org/schema/LandXML-1.2"
_FORBIDDEN = frozenset("\ufffe\uffff")


def child(parent: _Element, tag: str, text: str = "", /, **attributes: str) -> _Element:
    """A new element below another; blank attributes are left out."""
    from lxml import etree

    element = etree.SubElement(parent, f"{{{NAMESPACE}}}{tag}")
    for key, value in attributes.items():
        if value:
            element.set(key, value)
    if text:
        element.text = text
    return element


def feature(parent: _Element, what: str, properties: Iterable[tuple[str, object]], name: str = "") -> None:
    """A Feature of ours: pairs of label and value; blank values are left out."""
    element = child(parent, "Feature", name=clean(name), code=f"hubtack {what}", source="hubtack")
    for label, value in properties:
        if value != "":
            child(element, "Property", label=label, value=clean(str(value)))


def clean(text: str) -> str:
    """Text without the characters that XML 1.0 forbids: each becomes U+FFFD."""
    return "".join(c if _allowed(c) else "\ufffd" for c in text)


def _allowed(c: str) -> bool:
    return c in "\t\n\r" or (c >= " " and not "\ud800" <= c <= "\udfff" and c not in _FORBIDDEN)


class FileUnits:
    """Numbers as text in the units of the file; exact, so that reading gives the same float again."""

    def __init__(self, units: Units) -> None:
        self.units = units
        self._metres = METRES[units.length]

    def length(self, metres: float) -> str:
        """A length in the linear unit; blank where undefined."""
        return exact(metres, self._metres)

    def adjusted(self, metres: float, decimals: int = 7) -> str:
        """An adjusted length, to a tenth of a micrometre."""
        if not math.isfinite(metres):
            return ""
        text = f"{metres / self._metres:.{decimals}f}"
        return text[1:] if text[0] == "-" and not text.strip("-0.") else text

    def area(self, square_metres: float) -> str:
        """A covariance in the square of the linear unit."""
        return f"{square_metres / self._metres**2:.9g}" if math.isfinite(square_metres) else ""

    def angle(self, radians: float) -> str:
        """An angle in the angular unit; blank where undefined."""
        if not math.isfinite(radians):
            return ""
        return packed(radians) if self.units.angle == "dms" else exact(radians, RADIANS[self.units.angle])


def packed(radians: float) -> str:
    """`100.2920` for 100°29′20″: at least four decimals, seconds to 1e-7."""
    steps = round(abs(radians) / ARCSEC * 10**7)
    degrees, rest = divmod(steps, 3600 * 10**7)
    minutes, seconds = divmod(rest, 60 * 10**7)
    digits = f"{minutes:02d}{seconds:09d}".rstrip("0").ljust(4, "0")
    return f"{'-' if radians < 0 and steps else ''}{degrees}.{digits}"


def exact(value: float, unit: float) -> str:
    """The shortest usual decimal that, times the unit, is the value again; blank for NaN and infinity."""
    if not math.isfinite(value):
        return ""
    for digits in (12, 15, 16):
        text = f"{value / unit:.{digits}g}"
        if float(text) * unit == value:
            return text
    return repr(float(value / unit))

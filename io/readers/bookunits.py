"""What the readings of a foreign table are in: the unit its header states, its decimal mark, packed angles.

A cell is turned into text that says the same in the job's units: `1,532` → `1.532`, `5.02` under `HT [ft]` → `5.02 ft`.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from ..units import Units

LENGTHS = {
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m", "mm": "mm", "cm": "cm", "ft": "ft",
    "foot": "ft", "feet": "ft", "us-ft": "us-ft", "usft": "us-ft", "us ft": "us-ft", "ftus": "us-ft",
    "us survey foot": "us-ft", "us survey feet": "us-ft", "in": "in",
}  # fmt: skip
ANGLES = {
    "dms": "dms", "d-m-s": "dms", "d m s": "dms", "° ' \"": "dms", "°'\"": "dms", "deg": "deg", "degrees": "deg",
    "°": "deg", "decimal degrees": "deg", "gon": "gon", "grad": "gon", "grads": "gon", "rad": "rad",
    "ddd.mmss": "packed", "dd.mmss": "packed", "d.mmss": "packed", "dd.mm.ss": "packed", "ddd.mm.ss": "packed",
}  # fmt: skip
_UNIT = re.compile(r"\s*(?:\[([^\[\]]*)\]|\(([^()]*)\))$")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_PACKED = re.compile(r"([+-]?)(\d{1,3})(?:\.(\d*))?", re.ASCII)
_DMS = re.compile(r"([+-]?)(\d{1,3})[- ](\d{1,2})(?:[- ](\d{1,2}(?:\.\d*)?))?", re.ASCII)


def header_unit(header: str, angle: bool) -> tuple[str, str]:
    """The unit in the brackets that end a header (`HT [ft]` → ft), and those brackets' text where it is none."""
    match = _UNIT.search(header)
    if match is None:
        return "", ""
    words = (match[1] if match[1] is not None else match[2]).strip()
    known = (ANGLES if angle else LENGTHS).get(words.casefold().rstrip("."), "")
    return known, "" if known else words


def square_bracket(header: str) -> bool:
    """Whether a header ends in square brackets, which nothing but a unit stands in."""
    return header.rstrip().endswith("]")


def converter(unit: str, units: Units) -> Callable[[str], str] | None:
    """What makes a cell of a column in `unit` one of the job; None where it says the same already."""
    if not unit or unit in (units.length, units.angle):
        return None
    if unit == "dms":
        return _with_signs
    if unit == "packed":
        return lambda cell: unpack(cell) or cell
    return lambda cell: f"{cell} {unit}" if _NUMBER.fullmatch(cell) else cell


def _with_signs(cell: str) -> str:
    match = _DMS.fullmatch(cell)
    if match is None:
        return f"{cell} deg" if _NUMBER.fullmatch(cell) and "." not in cell else cell
    return f"""{match[1]}{match[2]}°{match[3]}'{match[4] or 0}\""""


def unpack(text: str) -> str | None:
    """`100.2920` → `100°29'20"`: degrees, minutes and seconds packed into one number, which is read as text.

    Trailing zeros may be missing: `186.17` is 186°17'00". None where it is no packed angle: minutes or
    seconds of 60 and more. (As a number .2960 could not be told from .30.)
    """
    match = _PACKED.fullmatch(text.strip())
    if match is None:
        return None
    sign, degrees, fraction = match[1], match[2], match[3] or ""
    digits = fraction.ljust(4, "0")
    minutes, seconds = digits[:2], digits[2:4]
    if int(minutes) >= 60 or int(seconds) >= 60:
        return None
    rest = f".{digits[4:]}" if digits[4:] else ""
    return f"""{sign}{degrees}°{minutes}'{seconds}{rest}\""""


def decimal_commas(columns: list[list[str]], told: str) -> bool:
    """Whether readings are written with decimal commas: so told, or commas are there and no point is."""
    if told:
        return told == "comma"
    texts = ["\n".join(column) for column in columns]
    return any("," in text for text in texts) and not any("." in text for text in texts)


def with_points(column: list[str]) -> list[str]:
    """A column with the decimal commas exchanged for points; cells that hold both are left as they are."""
    return [c.replace(",", ".", 1) if "," in c and "." not in c else c for c in column]

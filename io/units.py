"""Text to SI and back: lengths, angles, sigmas, "1 mm + 1.5 ppm"; rounding tied to sigma.

A cell without a unit is in the job's units; a cell with one (`1.5 mm`, `3 arcsec`) is in its own. The parsers
are the project's own because no library at hand reads both `123-45-06.7` and `1 mm + 1.5 ppm`.

    international foot   0.3048 m exactly      (1959 agreement, from memory)
    US survey foot       1200/3937 m exactly   (Doyle, State Plane Coordinate System, NGS slides, 2010)
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

LengthName = Literal["m", "ft", "us-ft"]
AngleName = Literal["dms", "deg", "gon"]

METRES: dict[str, float] = {
    "m": 1.0, "mm": 1e-3, "cm": 1e-2, "km": 1e3, "ft": 0.3048, "us-ft": 1200 / 3937, "in": 0.0254,
}  # fmt: skip
LONGEST = 100  # characters of a quantity: more is a stray quotation mark, and slow to search
ARCSEC = math.pi / 648_000
RADIANS: dict[str, float] = {
    "deg": math.pi / 180, "gon": math.pi / 200, "mgon": math.pi / 200_000,
    "arcmin": math.pi / 10_800, "arcsec": ARCSEC, "rad": 1.0, "mrad": 1e-3,
}  # fmt: skip

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_WITH_UNIT = re.compile(rf"({_NUMBER})\s*([A-Za-z][A-Za-z-]*)", re.ASCII)
_PLAIN = re.compile(_NUMBER, re.ASCII)
_SECONDS = r"\d{1,2}(?:\.\d*)?"
_DMS = re.compile(
    rf"([+-]?)(\d{{1,3}})(?:-(\d{{1,2}})(?:-({_SECONDS}))?| (\d{{1,2}})(?: ({_SECONDS}))?|"
    rf"""°(\d{{1,2}})'({_SECONDS})\")""",
    re.ASCII,
)
_PART = r"(\d+(?:\.\d*)?)"
# wanted seldom, so compiled when wanted
_SYMBOLS = rf"""([+-]?)(?:{_PART}\s*°)?\s*(?:{_PART}\s*['′])?\s*(?:{_PART}\s*["″])?"""
_COMMA = r"([+-]?\d+),(\d+)((?:\s*[A-Za-z-]+)?)"
_GROUPED = r"[+-]?\d{1,3}(?:[,' ]\d{3})+(?:\.\d*)?(?:\s*[A-Za-z-]+)?"


class Unreadable(ValueError):  # noqa: N818  (named by what it says)
    """A text that is not what it should be: `found` tells what it is not, `wanted` what would be right."""

    def __init__(self, found: str, wanted: str) -> None:
        self.found = found
        self.wanted = wanted
        super().__init__(f"{found}. {wanted}")


def quoted(text: str) -> str:
    """The text in quotation marks, cut to a length that fits a line, control characters made visible."""
    shown = text if len(text) <= 40 else f"{text[:37]}..."
    return '"' + "".join(c if c.isprintable() else repr(c)[1:-1] for c in shown) + '"'


def parse_number(text: str) -> float:
    """A finite number with a decimal point. Raises Unreadable for NaN, infinity, 1e400, 1_000, 1,5."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if math.isfinite(value) and "_" not in text and text.isascii():
        return value
    text = _tidy(text)
    if _PLAIN.fullmatch(text) and math.isfinite(float(text)):
        return float(text)
    raise Unreadable(f"{quoted(text)} is not a number", _number_advice(text) or "Write one such as 2.5e-6.")


def parse_ratio(text: str, signed: bool = False) -> float:
    """`2 ppm` → 2e-6. The unit is required; negative ratios are refused unless `signed`."""
    match = _WITH_UNIT.fullmatch(_tidy(text))
    if match is None or match[2] != "ppm":
        raise Unreadable(f"{quoted(text)} is not a ratio with its unit", 'Write "2 ppm".')
    ratio = _finite(text, float(match[1]) * 1e-6)
    return ratio if signed else _not_negative(text, ratio)


def parse_distance_sigma(text: str) -> tuple[float, float]:
    """`1 mm + 1.5 ppm` → (0.001 m, 1.5e-6). One of the two parts may be absent and is then 0."""
    constant = ratio = None
    for part in re.split(r"\s\+\s*|(?<=[A-Za-z])\+", _tidy(text)):
        match = _WITH_UNIT.fullmatch(part.strip())
        if match and match[2] == "ppm" and ratio is None:
            ratio = float(match[1]) * 1e-6
        elif match and match[2] in METRES and constant is None:
            constant = float(match[1]) * METRES[match[2]]
        else:
            raise Unreadable(
                f"{quoted(text)} is not the sigma of a distance",
                'Write "1 mm + 1.5 ppm": a length and a ratio.',
            )
    a, b = _finite(text, constant or 0.0), _finite(text, ratio or 0.0)
    return _not_negative(text, a), _not_negative(text, b)


def parse_length_quantity(text: str) -> float:
    """A length that carries its unit, m. Raises Unreadable where the unit is missing."""
    tidy = _tidy(text)
    match = _WITH_UNIT.fullmatch(tidy)
    if match is None and _PLAIN.fullmatch(tidy):
        raise Unreadable(
            f"{quoted(text)} has no unit", f'Write it with one, such as "{tidy} m" or "{tidy} mm".'
        )
    if match is None or match[2] not in METRES:
        raise _no_length(text, "1.5 mm")
    return _finite(text, float(match[1]) * METRES[match[2]])


def parse_angle_quantity(text: str) -> float:
    """An angle that carries its unit (`3 arcsec`, `0.5 mgon`, `12 deg`, `3″`), rad."""
    tidy = _tidy(text)
    match = _WITH_UNIT.fullmatch(tidy)
    if match and match[2] in RADIANS:
        return _finite(text, float(match[1]) * RADIANS[match[2]])
    symbols = _parse_symbols(text)
    if symbols is not None:
        return symbols
    if _PLAIN.fullmatch(tidy):
        wanted = f'Write it with one, such as "{tidy} arcsec" or "{tidy} mgon".'
        raise Unreadable(f"{quoted(text)} has no unit", wanted)
    raise _no_angle(text, "3 arcsec")


def parse_sigma_length(text: str) -> float:
    """A sigma of a length with its unit (`1.2 mm`), m, not negative."""
    return _not_negative(text, parse_length_quantity(text))


def parse_sigma_angle(text: str) -> float:
    """A sigma of an angle with its unit (`3 arcsec`), rad, not negative."""
    return _not_negative(text, parse_angle_quantity(text))


def parse_sigma_per_km(text: str) -> float | None:
    """`0.7 mm/sqrt(km)` or `0.7 mm/√km` → the sigma of one kilometre, m; None where the text says no such rule."""
    tidy = _tidy(text)
    match = re.fullmatch(r"(.*?)\s*/\s*(?:sqrt\s*\(\s*km\s*\)|√\s*\(?km\)?)", tidy)
    return parse_sigma_length(match[1]) if match else None


@dataclass(frozen=True)
class Units:
    """The units of one job: what its cells are in and what is shown to its people."""

    length: LengthName = "m"
    angle: AngleName = "dms"

    # -- in --

    def parse_length(self, text: str) -> float:
        """A cell to metres: `1.532` in the job's unit, `5.02 ft` in its own. Raises Unreadable."""
        try:
            value = float(text)
        except ValueError:
            pass
        else:
            if math.isfinite(value) and "_" not in text and text.isascii():
                return value * METRES[self.length]
        tidy = _tidy(text)
        match = _WITH_UNIT.fullmatch(tidy)
        if match and match[2] in METRES:
            return _finite(text, float(match[1]) * METRES[match[2]])
        if _PLAIN.fullmatch(tidy) and math.isfinite(float(tidy)):
            return float(tidy) * METRES[self.length]
        raise _no_length(text, "1.532" if self.length == "m" else "5.026")

    def parse_angle(self, text: str) -> float:
        """A cell to radians, as written: no reduction to 0 … 360°. Raises Unreadable.

        In a dms job `123-45-06.7`, `123 45 06.7`, `123-45`, `123`; in any job `123°45'06.7"`, `12 deg`,
        `1.2 gon`, `40 arcmin`.
        """
        if self.angle == "dms":
            match = _DMS.fullmatch(text)
            if match:
                sign, d, m1, s1, m2, s2, m3, s3 = match.groups()
                minutes, seconds = m1 or m2 or m3, s1 or s2 or s3
                m, s = int(minutes), float(seconds) if seconds else 0.0
                if m < 60 and s < 60:
                    total = (int(d) * 3600 + m * 60 + s) * ARCSEC
                    return -total if sign == "-" else total
                part = f"{m} minutes" if m >= 60 else f"{s:g} seconds"
                raise Unreadable(
                    f"{quoted(text)} is not an angle: {part}", "Minutes and seconds lie below 60."
                )
        else:
            try:
                value = float(text)
            except ValueError:
                pass
            else:
                if math.isfinite(value) and "_" not in text and text.isascii():
                    return value * RADIANS[self.angle]
        return self._parse_odd_angle(text)

    def _parse_odd_angle(self, text: str) -> float:
        tidy = _tidy(text)
        match = _WITH_UNIT.fullmatch(tidy)
        if match and match[2] in RADIANS:
            return _finite(text, float(match[1]) * RADIANS[match[2]])
        symbols = _parse_symbols(text)
        if symbols is not None:
            return symbols
        if self.angle != "dms":
            if _PLAIN.fullmatch(tidy) and math.isfinite(float(tidy)):
                return float(tidy) * RADIANS[self.angle]
            if _DMS.fullmatch(tidy):
                raise Unreadable(
                    f"{quoted(text)} is not an angle in {self.angle}",
                    f"""Write it in {self.angle}, or with its signs: 123°45'06.7".""",
                )
            raise _no_angle(text, "123.4567" if self.angle == "deg" else "137.2346")
        # the same again without what a keyboard may add: a typographic minus, doubled blanks
        loose = re.sub(r"\s*-\s*", "-", re.sub(r"\s+", " ", tidy))
        if loose != text and _DMS.fullmatch(loose):
            return self.parse_angle(loose)
        if re.fullmatch(r"[+-]?\d{1,3}\.?", tidy, re.ASCII):
            return float(tidy) * RADIANS["deg"]
        if _PLAIN.fullmatch(tidy):
            raise Unreadable(
                f"{quoted(text)} is not an angle in degrees, minutes and seconds",
                f"Write 123-45-06.7, or {tidy} deg if decimal degrees are meant.",
            )
        raise _no_angle(text, "123-45-06.7")

    # -- out --

    def length_of(self, metres: float) -> float:
        """Metres in the job's unit."""
        return metres / METRES[self.length]

    def show_length(self, metres: float, decimals: int = 4) -> str:
        """A length in the job's unit, without the unit's name; blank where it is undefined."""
        return _fixed(self.length_of(metres), decimals)

    def show_angle(self, radians: float, decimals: int = 1) -> str:
        """An angle in the job's form with `decimals` of seconds (deg and gon: four places more).

        59.96″ with one decimal less carries to the next minute. Blank where undefined.
        """
        if not math.isfinite(radians):
            return ""
        if self.angle != "dms":
            return _fixed(radians / RADIANS[self.angle], decimals + 4)
        steps = round(abs(radians) / ARCSEC * 10**decimals)
        sign = "-" if radians < 0 and steps else ""
        return sign + _dms(steps, decimals)

    def show_azimuth(self, radians: float, decimals: int = 1) -> str:
        """Like show_angle, reduced to one turn: never below 0, never a full turn, also after rounding."""
        if not math.isfinite(radians):
            return ""
        if self.angle == "dms":
            turn = 1_296_000 * 10**decimals
            return _dms(round(radians / ARCSEC * 10**decimals) % turn, decimals)
        places = decimals + 4
        turn = (360 if self.angle == "deg" else 400) * 10**places
        return _fixed(round(radians / RADIANS[self.angle] * 10**places) % turn / 10**places, places)

    def small_length_of(self, metres: float) -> float:
        """Millimetres, or thousandths of a foot."""
        return self.length_of(metres) * 1000

    def small_angle_of(self, radians: float) -> float:
        """Arc seconds, or milligon."""
        return radians / RADIANS[self.small_angle_name]

    def show_small_length(self, metres: float, decimals: int = 1) -> str:
        """A small length with its unit: `1.2 mm`, or `0.0039 ft` to the same thousandths."""
        if self.length == "m":
            return f"{_fixed(metres * 1000, decimals)} mm"
        return f"{_fixed(self.length_of(metres), decimals + 3)} {self.length}"

    def show_small_angle(self, radians: float, decimals: int = 1) -> str:
        """A small angle with its unit: `3.1 arcsec` or `0.9 mgon`."""
        return f"{_fixed(self.small_angle_of(radians), decimals)} {self.small_angle_name}"

    @property
    def length_name(self) -> str:
        """Name of the unit of lengths."""
        return self.length

    @property
    def small_length_name(self) -> str:
        """Name of the unit of small lengths."""
        return "mm" if self.length == "m" else f"0.001 {self.length}"

    @property
    def angle_name(self) -> str:
        """Name of the unit of angles."""
        return {"dms": "d-m-s", "deg": "deg", "gon": "gon"}[self.angle]

    @property
    def small_angle_name(self) -> str:
        """Name of the unit of small angles."""
        return "mgon" if self.angle == "gon" else "arcsec"

    def decimals_for(self, sigma: float) -> int:
        """Places that show two significant digits of a sigma (m) in the job's unit, never finer than 0.01 mm.

        Without a usable sigma (held, undefined) four places serve.
        """
        if not (math.isfinite(sigma) and sigma > 0):
            return 4
        exponent = int(f"{self.length_of(sigma):.1e}".split("e")[1])  # rounded: 0.00996 is 0.010
        return max(0, min(1 - exponent, 5 if self.length == "m" else 4))


def _tidy(text: str) -> str:
    if len(text) > LONGEST:
        raise Unreadable(f"{quoted(text)} is {len(text)} characters long", "Type it anew.")
    return text.strip().replace("−", "-").replace("\u00a0", " ")


def _finite(text: str, value: float) -> float:
    if not math.isfinite(value):
        raise Unreadable(f"{quoted(text)} is too large to be a number", "Write a plain number.")
    return value


def _not_negative(text: str, value: float) -> float:
    if value < 0:
        raise Unreadable(f"{quoted(text)} is negative", "Write 0 or more.")
    return value


def _fixed(value: float, decimals: int) -> str:
    if not math.isfinite(value):
        return ""
    text = f"{value:.{decimals}f}"
    return text[1:] if text[0] == "-" and not text.strip("-0.") else text  # no minus zero


def _dms(steps: int, decimals: int) -> str:
    scale = 10**decimals
    minutes, rest = divmod(steps, 60 * scale)
    degrees, minutes = divmod(minutes, 60)
    seconds, fraction = divmod(rest, scale)
    return f"{degrees}-{minutes:02d}-{seconds:02d}" + (f".{fraction:0{decimals}d}" if decimals else "")


def _parse_symbols(text: str) -> float | None:
    """`123°45'06.7"` and its parts, rad; None where it is nothing of the kind."""
    tidy = _tidy(text).replace("''", '"').replace("’", "'").replace("”", '"').replace("º", "°")
    match = re.fullmatch(_SYMBOLS, tidy, re.ASCII)
    if match is None or not any(match.groups()[1:]):
        return None
    given = [g for g in match.groups()[1:] if g is not None]
    d, m, s = (float(g) if g else 0.0 for g in match.groups()[1:])
    above_minutes, above_seconds = match[2] is not None, match[2] is not None or match[3] is not None
    if any("." in g for g in given[:-1]) or (above_minutes and m >= 60) or (above_seconds and s >= 60):
        raise Unreadable(
            f"{quoted(text)} is not an angle", "Minutes and seconds lie below 60: 123°45'06.7\"."
        )
    total = _finite(text, (d * 3600 + m * 60 + s) * ARCSEC)
    return -total if match[1] == "-" else total


def _number_advice(text: str) -> str:
    comma = re.fullmatch(_COMMA, text, re.ASCII)
    if comma:
        return f"Write {comma[1]}.{comma[2]}{comma[3]}: the decimal mark is a point."
    if re.fullmatch(_GROUPED, text, re.ASCII):
        together = re.sub(r"(?<=\d)[,' ](?=\d)", "", text)
        return f"Write {together}: thousands are not parted."
    if re.fullmatch(r"[+-]?\d{1,3}(?:\.\d{3})+,\d+", text, re.ASCII):
        return f"Write {text.replace('.', '').replace(',', '.')}: the decimal mark is a point."
    if text.lower().lstrip("+-") in ("nan", "inf", "infinity", "none", "null", "n/a", "na", "-", "--"):
        return "Leave the cell blank where there is no value."
    if _PLAIN.fullmatch(text):
        return "Write a number of a size that can be."
    return ""


def _no_length(text: str, example: str) -> Unreadable:
    tidy = _tidy(text)
    match = _WITH_UNIT.fullmatch(tidy)
    if match:
        found = f"{quoted(text)} is not a length: there is no unit {quoted(match[2])}"
        return Unreadable(found, f"Known are {', '.join(METRES)}.")
    if re.fullmatch(r"""[+-]?\d+\s*['′]\s*[\d.]*\s*(["″]|'')?""", tidy, re.ASCII):
        return Unreadable(f"{quoted(text)} is not a length", "Write feet with decimals: 5.02 ft.")
    advice = _number_advice(tidy) or f"Write a number such as {example}."
    return Unreadable(f"{quoted(text)} is not a length", advice)


def _no_angle(text: str, example: str) -> Unreadable:
    tidy = _tidy(text)
    match = _WITH_UNIT.fullmatch(tidy)
    if match:
        found = f"{quoted(text)} is not an angle: there is no unit {quoted(match[2])}"
        return Unreadable(found, f"Known are {', '.join(RADIANS)}.")
    return Unreadable(f"{quoted(text)} is not an angle", _number_advice(tidy) or f"Write {example}.")

"""The keys of job.toml, each described once: validation, the format page and `hubtack new` come from here.

A section is a frozen dataclass whose fields are made with `key(kind, words)`; `jobschema` makes a schema of it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from hubtack.io import units, weather
from hubtack.io.writers.deliverables import DELIVERABLES

QUANTITIES: dict[str, tuple[Callable[[str], Any], str]] = {
    "length": (units.parse_length_quantity, "1.5 m"),
    "sigma of a length": (units.parse_sigma_length, "0.5 mm"),
    "angle": (units.parse_sigma_angle, "3 arcsec"),
    "angle of either sign": (units.parse_angle_quantity, "-2 arcsec"),
    "air": (weather.parse_air, "12 degC, 1013.25 hPa, 60 %"),
    "wavelength": (weather.parse_wavelength, "658 nm"),
    "ratio": (units.parse_ratio, "2 ppm"),
    "ratio of either sign": (lambda text: units.parse_ratio(text, signed=True), "-1.2 ppm"),
    "sigma of a distance": (units.parse_distance_sigma, "1 mm + 1.5 ppm"),
}
HEIGHT_DEFAULTS = {
    "fixed": 0.2e-3,
    "graduated": 0.7e-3,
    "taped": 1.5e-3,
    "slant": 2.0e-3,
    "undeclared": 1.5e-3,
}
"""Sigma of a height by how it came about, m: common practice, no source."""


def key(kind: str, words: str, *choices: str, default: Any = dataclasses.MISSING) -> Any:
    """Declare a key; kind is one of QUANTITIES or text, number, choice(s), names, pairs. No default: needed."""
    return field(default=default, metadata={"kind": kind, "words": words, "choices": choices})


@dataclass(eq=False)
class General:
    """[job]"""

    name: str = key("text", "name of the job; without it the folder's", default="")


@dataclass(eq=False)
class UnitKeys:
    """[units]"""

    length: str | None = key("choice", "unit of lengths", "m", "ft", "us-ft", default=None)
    angle: str | None = key("choice", "unit of angles", "dms", "deg", "gon", default=None)


@dataclass(eq=False)
class Site:
    """[site]"""

    frame: str = key("choice", "frame of the coordinates", "plane", "earth", default="plane")
    crs: str = key("text", "reference system of the coordinates: EPSG:25832, EPSG:25832+7837", default="")
    heights: str = key(
        "choice", "what heights are over; earth frame", "ellipsoidal", "orthometric", default=""
    )
    undulation: float | None = key("length", "geoid over ellipsoid, on the whole site", default=None)
    geoid: str = key(
        "text", "file of undulations and deflections, .csv or .gtx, in the job's folder", default=""
    )
    deflection_north: float | None = key(
        "angle of either sign", "zenith north of the ellipsoid's normal, on the whole site", default=None
    )
    deflection_east: float | None = key("angle of either sign", "zenith east of it", default=None)
    refraction: float = key("number", "refraction coefficient k", default=0.13)
    refraction_sigma: float = key("number", "its sigma; 0 holds it", default=0.0)
    scale_factor: float = key("number", "grid length / ground length", default=1.0)
    reference_height: float | None = key("length", "height at which the plane is laid", default=None)
    correlation: str = key(
        "choice", "setup effects shared, or the textbook's rule", "shared", "independent", default="shared"
    )


@dataclass(eq=False)
class Tests:
    """[tests]"""

    confidence: float = key("number", "of ellipses and global test", default=0.95)
    alpha: float = key("number", "false alarm rate of the test of one observation", default=0.001)
    power: float = key("number", "power at the minimal detectable bias", default=0.80)
    unchecked_ratio: float = key(
        "number", "sigmas that an undetectable blunder may move a mark", default=20.0
    )


@dataclass(eq=False)
class Datum:
    """[datum]"""

    marks: tuple[str, ...] = key("names", "marks that carry the inner constraints; none: all", default=())


@dataclass(eq=False)
class RelativeKeys:
    """[relative]"""

    pairs: tuple[tuple[str, str], ...] = key("pairs", "pairs of marks for relative precision", default=())


@dataclass(eq=False)
class DeliverKeys:
    """[deliver]"""

    write: tuple[str, ...] = key("choices", "what is written besides", *DELIVERABLES, default=())


@dataclass(eq=False)
class IncludeKeys:
    """[include]"""

    files: tuple[str, ...] = key("names", "files with devices, from the job's folder: ../crew.toml")


@dataclass(eq=False)
class ColumnsKeys:
    """[columns]"""

    file: str = key("text", "the field book, in the job's folder")
    sheet: str = key("text", "its sheet, of a workbook; without it the first", default="")
    id: str = key("text", "header of the column with the id of the row; without it the line", default="")
    from_setup: str = key("text", "header: name of the instrument setup; without it inferred", default="")
    from_mark: str = key("text", "header: mark under the instrument", default="")
    from_support: str = key("text", "header: its support; without it the job's first", default="")
    from_device: str = key("text", "header: the instrument; without it the job's first", default="")
    hi: str = key("text", "header: height of instrument", default="")
    from_base: str = key("text", "header: base under the instrument", default="")
    from_height_base: str = key("text", "header: height base of the instrument", default="")
    to_setup: str = key("text", "header: name of the target setup; without it inferred", default="")
    to_mark: str = key("text", "header: mark under the target", default="")
    to_support: str = key("text", "header: its support; without it the job's first", default="")
    to_device: str = key("text", "header: the target; without it prism", default="")
    ht: str = key("text", "header: height of target", default="")
    to_base: str = key("text", "header: base under the target", default="")
    to_height_base: str = key("text", "header: height base of the target", default="")
    prism_constant: str = key("text", "header: still to be added to the distance", default="")
    round: str = key("text", "header: round", default="")
    face: str = key("text", "header: face; without it told from the zenith angle", default="")
    circle: str = key("text", "header: horizontal circle reading", default="")
    zenith: str = key("text", "header: zenith angle", default="")
    slope: str = key("text", "header: slope distance", default="")
    horizontal: str = key("text", "header: horizontal distance", default="")
    time: str = key("text", "header: time of the reading", default="")
    note: str = key("text", "header: free text", default="")
    same_target: str = key(
        "choice", "how long a target that the book does not name is one setup",
        "in one visit", "until height or support changes", default="in one visit",
    )  # fmt: skip
    separator: str = key(
        "choice", "separator, where it can't be told", "comma", "semicolon", "tab", default=""
    )
    encoding: str = key(
        "choice", "encoding, where it can't be told", "utf-8", "utf-16", "latin-1", "windows-1252", "windows-1250",
        default="",
    )  # fmt: skip
    length: str = key(
        "choice", "unit of its lengths, where no header says one", "m", "ft", "us-ft", default=""
    )
    angle: str = key(
        "choice", "unit of its angles, where no header says one", "dms", "deg", "gon", "ddd.mmss", default=""
    )
    decimal: str = key("choice", "decimal mark, where it can't be told", "point", "comma", default="")


@dataclass(eq=False)
class SourceKeys:
    """[source]"""

    landxml: str = key("text", "LandXML file with the marks, setups and sights, in the job's folder")
    from_support: str = key(
        "text", "support of its instrument setups; without it the job's first", default=""
    )
    to_support: str = key("text", "support of its target setups; without it the job's first", default="")
    to_device: str = key("text", "target of its target setups; without it prism", default="")
    antenna_support: str = key(
        "text",
        "support of its antennas, where vectors run between them; without it they run between marks",
        default="",
    )
    azimuth_sigma: float | None = key("angle", "sigma of its reduced azimuths", default=None)
    horizontal_sigma: float | None = key("sigma of a length", "sigma of its reduced distances", default=None)


@dataclass(eq=False)
class ToleranceKeys:
    """[tolerance]"""

    position: float | None = key("sigma of a length", "semi-major axis of a mark's ellipse", default=None)
    height: float | None = key("sigma of a length", "half-width of a height's interval", default=None)
    relative: tuple[float, float] | None = key(
        "sigma of a distance", "semi-major axis between two marks that a sight joins", default=None
    )


@dataclass(eq=False)
class ScannerKeys:
    """[scanner]"""

    sigma: float | None = key(
        "sigma of a length", "sigma per axis of the centre of a target, where its kind has none", default=None
    )
    levelled: float | None = key("angle", "sigma of its own levelling, if that is to count", default=None)
    tolerance: float | None = key(
        "sigma of a length", "longest semi-axis allowed at the worst place", default=None
    )


@dataclass(eq=False)
class TimesKeys:
    """[times]"""

    pointing: float | None = key("number", "one pointing on one face [min]", default=None)
    instrument_setup: float | None = key("number", "setting up the instrument [min]", default=None)
    stand: float | None = key("number", "setting up a target on a stand [min]", default=None)
    pole: float | None = key("number", "setting up a pole [min]", default=None)
    tribrach: float | None = key("number", "setting up a tripod and tribrach [min]", default=None)
    bolt: float | None = key("number", "putting a target on a bolt [min]", default=None)
    adhesive: float | None = key("number", "sticking a target on [min]", default=None)
    exchange: float | None = key("number", "exchanging devices on a standing base [min]", default=None)
    levelling: float | None = key("number", "levelling between two marks [min]", default=None)


@dataclass(eq=False)
class InstrumentKeys:
    """[instruments.NAME]"""

    direction: float = key("angle", "sigma of a direction, one pointing in both faces")
    zenith: float = key("angle", "sigma of a zenith angle, one pointing in both faces")
    distance: tuple[float, float] = key("sigma of a distance", "sigma of a distance to a prism")
    reflectorless: tuple[float, float] | None = key("sigma of a distance", "without a prism", default=None)
    distance_zero_sigma: float = key("sigma of a length", "prior sigma of the EDM zero error", default=0.0)
    distance_scale_sigma: float = key("ratio", "prior sigma of the EDM scale error", default=0.0)
    collimation_sigma: float = key("angle", "prior sigma of the collimation", default=0.0)
    index_sigma: float = key("angle", "prior sigma of the vertical index", default=0.0)
    distance_zero: float = key("length", "its zero error: how much too long it measures", default=0.0)
    distance_scale: float = key("ratio of either sign", "its scale error: too long", default=0.0)
    collimation: float = key("angle of either sign", "its collimation, as face 1 reads it", default=0.0)
    index: float = key("angle of either sign", "its vertical index, as face 1 reads it", default=0.0)
    atmosphere: str = key(
        "choice", "first velocity correction of its distances", "applied", "not applied", default=""
    )
    wavelength: float | None = key("wavelength", "carrier of its distance meter", default=None)
    reference_air: tuple[float, float, float] | None = key(
        "air", "temperature, pressure, humidity that it takes for granted", default=None
    )
    spot: float = key("sigma of a length", "half-width of its reflectorless spot", default=0.0)


@dataclass(eq=False)
class SupportKeys:
    """[supports.NAME]"""

    kind: str = key("choice", "what it is", "stand", "pole", "tribrach", "bolt", "adhesive")
    height: str = key(
        "choice",
        "how its height comes about",
        *HEIGHT_DEFAULTS,
        default="undeclared",
    )
    target_height: float | None = key("length", "height of a device on a fixed support", default=None)
    height_sigma: float | None = key("sigma of a length", "sigma of the vertical height", default=None)
    bubble: float = key("angle", "tilt for 2 mm of bubble run", default=0.0)
    bubble_off_centre: float = key("sigma of a length", "how far off centre the bubble is left", default=0.0)
    bubble_error: float = key("angle", "bubble out of adjustment", default=0.0)
    plummet: float = key("sigma of a length", "sigma per axis of the plummet at 1.5 m", default=0.0)
    mark: float = key("sigma of a length", "sigma per axis of the definition of the mark", default=0.0)
    centring_sigma: float | None = key(
        "sigma of a length", "overrides all other centring terms", default=None
    )
    slant_offset: float = key("length", "added to a slant height once it is vertical", default=0.0)
    slant_radius: float = key("sigma of a length", "plumb line to where the slant is taped", default=0.0)
    height_offset: float = key("length", "to be added to every height on it", default=0.0)
    height_offset_sigma: float = key("sigma of a length", "its prior sigma", default=0.0)


@dataclass(eq=False)
class TargetKeys:
    """[targets.NAME]"""

    mode: str = key("choice", "how distances to it are measured", "prism", "reflectorless", default="prism")
    constant: float = key("length", "still to be added to a recorded distance", default=0.0)
    scanner_sigma: float | None = key(
        "sigma of a length", "sigma per axis with which a scanner finds its centre", default=None
    )
    constant_sigma: float = key("sigma of a length", "its prior sigma", default=0.0)


@dataclass(eq=False)
class TogetherKeys:
    """[[together]]"""

    constants: tuple[str, ...] = key(
        "names", 'constants known together: "ts-a distance_zero", "pole height_offset"'
    )
    correlation: tuple[tuple[float, ...], ...] = key(
        "rows of numbers",
        "their correlations, below the diagonal: one number for the second, two for the third",
    )


@dataclass(eq=False)
class SessionKeys:
    """[sessions.NAME]"""

    scale_sigma: float = key("ratio", "prior sigma of a scale that its vectors have in common", default=0.0)
    turn_sigma: float = key(
        "angle",
        "prior sigma of a turn in azimuth in common, about up in the middle of the control",
        default=0.0,
    )
    tilt_sigma: float = key(
        "angle", "prior sigma of tilts in common, about east and north there", default=0.0
    )


@dataclass(eq=False)
class DecisionKeys:
    """[[decision]]"""

    reason: str = key("text", "why")
    by: str = key("text", "who decided", default="")
    leave_out: str = key("text", "sight N, observation N.kind, setup S or control M", default="")
    correct: str = key(
        "text", "setup S height, setup S mark, setup S prism_constant or sight N face", default=""
    )
    value: str | int = key("text or count", "the right value, a quantity with its unit", default="")


SECTIONS: dict[str, type] = {
    "job": General, "units": UnitKeys, "site": Site, "tests": Tests, "datum": Datum, "relative": RelativeKeys,
    "deliver": DeliverKeys, "include": IncludeKeys, "columns": ColumnsKeys, "source": SourceKeys,
    "tolerance": ToleranceKeys, "times": TimesKeys, "scanner": ScannerKeys,
}  # fmt: skip
NAMED: dict[str, type] = {
    "instruments": InstrumentKeys, "supports": SupportKeys, "targets": TargetKeys, "sessions": SessionKeys,
}  # fmt: skip
LISTS: dict[str, type] = {"together": TogetherKeys, "decision": DecisionKeys}

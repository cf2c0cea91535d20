"""The columns of the input tables, each described once: reader and format page both come from here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ColumnKind = Literal[
    "name",
    "word",
    "length",
    "angle",
    "count",
    "area",
    "value",
    "sigma",
    "text",
    "temperature",
    "pressure",
    "humidity",
]
TEXTS = ("name", "text")  # kinds that hold a user's own words


@dataclass(frozen=True)
class InputColumn:
    """One column of an input table. `words` say what it holds; `unit` what a bare number in it means."""

    name: str
    kind: ColumnKind
    words: str
    required: bool = False  # the header must be there; whether a cell may be blank is in the words

    @property
    def unit(self) -> str:
        """What a bare number means, for people."""
        return {
            "length": "the job's length unit, or its own",
            "angle": "the job's angle unit, or its own",
            "area": "m²",
            "value": "the job's unit for its kind, or its own",
            "sigma": "always its own",
            "temperature": "°C, or its own",
            "pressure": "hPa, or its own",
            "humidity": "%",
        }.get(self.kind, "")


C = InputColumn
MARKS = (
    C("mark", "name", "name of the mark, once in the table", required=True),
    C("east", "length", "east: control or start value, may be blank"),
    C("north", "length", "north: control or start value, may be blank"),
    C("height", "length", "height: control or start value, may be blank"),
    C("control", "word", "blank, held or weighted, with a dimension where not all: held-en, weighted-h"),
    C("sigma_east", "length", "sigma of a weighted east"),
    C("sigma_north", "length", "sigma of a weighted north"),
    C("sigma_height", "length", "sigma of a weighted height"),
    C("latitude", "angle", "latitude, in a geographic crs in the place of north"),
    C("longitude", "angle", "longitude, east positive, in the place of east"),
    C("x", "length", "geocentric X, in a geocentric crs in the place of east, north, height"),
    C("y", "length", "geocentric Y"),
    C("z", "length", "geocentric Z"),
    C("undulation", "length", "geoid over ellipsoid; overrides [site]"),
    C("deflection_north", "sigma", "zenith north of the ellipsoid's normal; overrides [site]"),
    C("deflection_east", "sigma", "zenith east of it; overrides [site]"),
    C("note", "text", "free text"),
)
SETUPS = (
    C("setup", "name", "name of the setup, once in the table", required=True),
    C("role", "word", "instrument or target", required=True),
    C("mark", "name", "mark it stands on", required=True),
    C("support", "name", "support that holds the device, from job.toml", required=True),
    C("device", "name", "instrument or target from job.toml; a target's blank means prism", required=True),
    C(
        "height",
        "length",
        "from the mark to the trunnion axis or target centre; blank takes a fixed support's",
    ),
    C("base", "name", "setups with the same base share their centring error"),
    C("height_base", "name", "setups with the same height_base share their height error"),
    C("prism_constant", "length", "still to be added to recorded distances; overrides the target's"),
    C("facing", "text", "what the target faces"),
    C("temperature", "temperature", "of the air at the device"),
    C("pressure", "pressure", "of the air there, not reduced to sea level"),
    C("humidity", "humidity", "relative humidity of the air there"),
    C("incidence", "angle", "of a reflectorless sight to it, from the normal of the surface"),
    C("started", "text", "when it was set up"),
    C("note", "text", "free text"),
)
SIGHTS = (
    C("id", "name", "id of the row, once in the table", required=True),
    C("from", "name", "instrument setup", required=True),
    C("to", "name", "target setup", required=True),
    C("round", "count", "round, blank is 1"),
    C("face", "count", "1 or 2; without the column all readings are on face 1"),
    C("circle", "angle", "horizontal circle reading, may be blank"),
    C("zenith", "angle", "zenith angle as read, may be blank; beyond half a turn on face 2"),
    C("slope", "length", "slope distance as recorded, may be blank"),
    C("horizontal", "length", "horizontal distance as recorded, instead of a slope distance"),
    C("time", "text", "time of the reading"),
    C("note", "text", "free text"),
)
REDUCED = (
    C("id", "name", "id of the row, once in the table", required=True),
    C("kind", "word", "rise, horizontal, azimuth or angle", required=True),
    C("from", "name", "mark it runs from; of an angle the backsight", required=True),
    C("at", "name", "mark at which an angle stands, blank otherwise"),
    C("to", "name", "mark it runs to; of an angle the foresight", required=True),
    C("value", "value", "observed value", required=True),
    C(
        "sigma",
        "sigma",
        "its sigma with its unit: 1.2 mm, 3 arcsec; of a rise also 0.7 mm/sqrt(km)",
        required=True,
    ),
    C("reference", "word", "azimuth: grid, geodetic, astronomic; horizontal: ground, grid, ellipsoid"),
    C(
        "repetitions",
        "count",
        "angle by repetition: value is what the circle turned in all, less whole turns",
    ),
    C("single", "angle", "the same angle turned once, to a minute or so"),
    C("length", "length", "length of the levelled line, where sigma is per root of a kilometre"),
    C("note", "text", "free text"),
)
VECTORS = (
    C("id", "name", "id of the row, once in the table", required=True),
    C("from", "name", "mark or setup at the start", required=True),
    C("to", "name", "mark or setup at the end", required=True),
    C("de", "length", "east difference; needed in the plane frame"),
    C("dn", "length", "north difference; needed in the plane frame"),
    C("du", "length", "height difference; needed in the plane frame"),
    C("dx", "length", "geocentric X difference; needed in the earth frame"),
    C("dy", "length", "geocentric Y difference; needed in the earth frame"),
    C("dz", "length", "geocentric Z difference; needed in the earth frame"),
    C("cov_11", "area", "variance of the first difference", required=True),
    C("cov_12", "area", "covariance of first and second, blank is 0"),
    C("cov_13", "area", "covariance of first and third, blank is 0"),
    C("cov_22", "area", "variance of the second difference", required=True),
    C("cov_23", "area", "covariance of second and third, blank is 0"),
    C("cov_33", "area", "variance of the third difference", required=True),
    C("session", "name", "GNSS session, where its vectors may have a scale or a turn in common"),
    C("note", "text", "free text"),
)
SCANNER = (
    C("target", "name", "target setup, or mark with one target on it, or bare mark", required=True),
    C("x", "length", "its centre in the scanner's frame", required=True),
    C("y", "length", "its centre in the scanner's frame", required=True),
    C("z", "length", "its centre in the scanner's frame", required=True),
    C("sigma", "length", "sigma per axis of that; blank takes that of the kind of target"),
    C("height", "length", "of the scanner's own target over the mark, where it is not the prism's"),
    C("use", "word", "register (also blank), check: compared only, or no"),
    C("note", "text", "free text"),
)
POINTS = (
    C(
        "point",
        "name",
        "name of the point, once in the table; a mark's name takes its coordinates",
        required=True,
    ),
    C("east", "length", "east; blank is the mark's"),
    C("north", "length", "north; blank is the mark's"),
    C("height", "length", "height; blank is the mark's"),
    C("note", "text", "free text"),
)
ON_EARTH = (
    "latitude", "longitude", "x", "y", "z", "undulation", "deflection_north", "deflection_east",
)  # fmt: skip
"""Columns of marks.csv that only the earth frame knows."""
BESIDE: dict[str, tuple[InputColumn, ...]] = {"scanner": SCANNER}  # read by a command, no part of the network
LOCAL, GEOCENTRIC = ("de", "dn", "du"), ("dx", "dy", "dz")  # differences of vectors, by the frame of the job
TABLES: dict[str, tuple[InputColumn, ...]] = {
    "marks": MARKS,
    "setups": SETUPS,
    "sights": SIGHTS,
    "reduced": REDUCED,
    "vectors": VECTORS,
}

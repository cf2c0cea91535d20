"""What was done on the ground: marks, setups, sights and what else was observed. Nothing here is computed.

Everything is in metres and radians. NaN is "not given". Names stand in the tables; other tables point at rows by
index, never by name. `used` is False for what a decision left out: the row stays, the engine passes it over.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .table import Flags, Floats, Ints, Names, Table, column

HEIGHT_KINDS = ("fixed", "graduated", "taped", "slant", "undeclared")
SUPPORT_KINDS = ("stand", "pole", "tribrach", "bolt", "adhesive")
REDUCED_KINDS = (
    "rise", "horizontal", "azimuth", "angle",
    "azimuth.astronomic", "azimuth.geodetic", "horizontal.grid", "horizontal.ellipsoid",
)  # fmt: skip


class Marks(Table):
    """Physical points. The sigma of a coordinate is its prior: 0 held, between weighted, infinite free.

    Coordinates of a free component are start values only (NaN where none is given).
    """

    mark: Names = column("name", "name of the mark")
    east: Floats = column("length", "east, control or start value")
    north: Floats = column("length", "north, control or start value")
    height: Floats = column("length", "height, control or start value")
    sigma_east: Floats = column("length", "prior sigma of east: 0 held, infinite free", default=np.inf)
    sigma_north: Floats = column("length", "prior sigma of north: 0 held, infinite free", default=np.inf)
    sigma_height: Floats = column("length", "prior sigma of height: 0 held, infinite free", default=np.inf)
    undulation: Floats = column("length", "geoid over ellipsoid, of this mark alone", default=np.nan)
    deflection_north: Floats = column("angle", "zenith north of the ellipsoid's normal, ξ", default=np.nan)
    deflection_east: Floats = column("angle", "zenith east of the ellipsoid's normal, η", default=np.nan)


class Supports(Table):
    """What holds a device, with the terms from which `supports.centring_sigma` and `height_sigma` are made."""

    support: Names = column("name", "name of the support")
    kind: Names = column("text", "stand, pole, tribrach, bolt or adhesive")
    height_kind: Names = column(
        "text", "how its height comes about: fixed, graduated, taped, slant or undeclared"
    )
    height_sigma: Floats = column("length", "sigma of the vertical height", default=np.nan)
    bubble: Floats = column("angle", "tilt for 2 mm of bubble run", default=0.0)
    bubble_off_centre: Floats = column(
        "length", "how far off centre the bubble is left (m of bubble run)", default=0.0
    )
    bubble_error: Floats = column(
        "angle", "bubble out of adjustment, turned at random between setups", default=0.0
    )
    plummet: Floats = column("length", "sigma per axis of the plummet at 1.5 m", default=0.0)
    mark: Floats = column("length", "sigma per axis of the definition of the mark", default=0.0)
    centring_sigma: Floats = column(
        "length", "sigma per axis that overrides all other centring terms", default=np.nan
    )
    slant_offset: Floats = column("length", "added to a slant height once it is vertical", default=0.0)
    slant_radius: Floats = column(
        "length", "horizontal distance from the plumb line to where the slant is taped", default=0.0
    )
    height_offset: Floats = column(
        "length", "to be added to every vertical height: what all of them are wrong by", default=0.0
    )
    height_offset_sigma: Floats = column("length", "prior sigma of the height offset; 0: held", default=0.0)


class Instruments(Table):
    """Total stations. Sigmas of angles mean one pointing in both faces (ISO 17123-3)."""

    instrument: Names = column("name", "name of the instrument")
    direction: Floats = column("angle", "sigma of a direction, one pointing in both faces")
    zenith: Floats = column("angle", "sigma of a zenith angle, one pointing in both faces")
    distance: Floats = column("length", "constant part of the distance sigma")
    distance_ppm: Floats = column(
        "number", "part of the distance sigma that grows with distance (a ratio)", default=0.0
    )
    reflectorless: Floats = column(
        "length", "constant part of the reflectorless distance sigma", default=np.nan
    )
    reflectorless_ppm: Floats = column(
        "number", "growing part of the reflectorless distance sigma", default=np.nan
    )
    distance_zero_sigma: Floats = column("length", "prior sigma of the EDM zero error; 0: none", default=0.0)
    distance_scale_sigma: Floats = column(
        "number", "prior sigma of the EDM scale error (a ratio); 0: none", default=0.0
    )
    collimation_sigma: Floats = column("angle", "prior sigma of the collimation; 0: none", default=0.0)
    index_sigma: Floats = column("angle", "prior sigma of the vertical index; 0: none", default=0.0)
    distance_zero: Floats = column("length", "EDM zero error: how much too long it measures", default=0.0)
    distance_scale: Floats = column("number", "EDM scale error (a ratio): too long", default=0.0)
    collimation: Floats = column("angle", "collimation of the line of sight, as face 1 reads it", default=0.0)
    index: Floats = column("angle", "vertical index, as face 1 reads it", default=0.0)
    atmosphere: Names = column(
        "text", "first velocity correction: applied before, not applied, blank where not said", default=""
    )
    wavelength: Floats = column("length", "carrier of the distance meter", default=np.nan)
    reference_temperature: Floats = column("number", "air it takes for granted, K", default=np.nan)
    reference_pressure: Floats = column("number", "pressure of that air, Pa", default=np.nan)
    reference_humidity: Floats = column("number", "relative humidity of that air, a ratio", default=np.nan)
    spot: Floats = column("length", "half-width of the reflectorless spot", default=0.0)


class Targets(Table):
    """Devices that are sighted."""

    target: Names = column("name", "name of the target")
    reflectorless: Flags = column("flag", "measured without a prism", default=False)
    constant: Floats = column("length", "still to be added to a recorded distance", default=0.0)
    constant_sigma: Floats = column("length", "prior sigma of the constant; 0: held", default=0.0)
    scanner_sigma: Floats = column(
        "length", "sigma per axis with which a scanner finds its centre", default=np.nan
    )


class Setups(Table):
    """One row a placing of a device. `base` and `height_base` group setups that share their effects (−1: own)."""

    setup: Names = column("name", "name of the setup")
    instrument: Flags = column("flag", "True for a total station, False for a target")
    mark: Ints = column("index", "row of the mark it stands on")
    support: Ints = column("index", "row of the support that holds it")
    device: Ints = column("index", "row in instruments or in targets")
    height: Floats = column("length", "height as entered (slant where the support says so)", default=np.nan)
    base: Ints = column("index", "group that shares the centring error, −1 for none", default=-1)
    height_base: Ints = column("index", "group that shares the height error, −1 for none", default=-1)
    prism_constant: Floats = column("length", "overrides the constant of the target", default=np.nan)
    temperature: Floats = column("number", "air temperature, K", default=np.nan)
    pressure: Floats = column("number", "air pressure at the place, Pa", default=np.nan)
    humidity: Floats = column("number", "relative humidity, a ratio", default=np.nan)
    incidence: Floats = column(
        "angle", "of a reflectorless sight, from the normal of the surface", default=np.nan
    )


class Sights(Table):
    """Raw readings, one row a pointing on one face. NaN where a reading was not taken."""

    id: Names = column("name", "id of the row")
    start: Ints = column("index", "row of the instrument setup")
    end: Ints = column("index", "row of the target setup")
    round: Ints = column("count", "round", default=1)
    face: Ints = column("count", "face, 1 or 2", default=1)
    circle: Floats = column("angle", "horizontal circle reading", default=np.nan)
    zenith: Floats = column("angle", "zenith angle as read (face 2: beyond π)", default=np.nan)
    slope: Floats = column("length", "slope distance as recorded", default=np.nan)
    horizontal: Floats = column("length", "horizontal distance as recorded", default=np.nan)
    used: Flags = column("flag", "False where a decision left the row out", default=True)


class Reduced(Table):
    """Observations between marks: rise, horizontal distance, azimuth, or angle at a mark."""

    id: Names = column("name", "id of the row")
    kind: Names = column("text", "rise, horizontal, azimuth or angle; behind a point what it refers to")
    start: Ints = column("index", "row of the mark it runs from (angle: the backsight)")
    at: Ints = column("index", "row of the mark at which an angle stands, −1 otherwise", default=-1)
    end: Ints = column("index", "row of the mark it runs to (angle: the foresight)")
    value: Floats = column("number", "observed value, m or rad")
    sigma: Floats = column("number", "sigma, m or rad")
    used: Flags = column("flag", "False where a decision left the row out", default=True)


class Vectors(Table):
    """Coordinate differences with full covariance; ends are marks or setups (−1 where not).

    In the plane frame east, north, up; in the earth frame geocentric X, Y, Z.
    """

    id: Names = column("name", "id of the row")
    start_mark: Ints = column("index", "row of the mark at the start")
    end_mark: Ints = column("index", "row of the mark at the end")
    start_setup: Ints = column(
        "index", "row of the setup at the start, −1 where it starts at a mark", default=-1
    )
    end_setup: Ints = column("index", "row of the setup at the end, −1 where it ends at a mark", default=-1)
    difference: Floats = column("length", "east, north, up; or X, Y, Z", shape=(3,))
    covariance: Floats = column("area", "covariance of the three differences", shape=(3, 3))
    session: Ints = column("index", "row of the session it was made in, −1 for none", default=-1)
    geocentric: Flags = column("flag", "X, Y, Z of the earth frame", default=False)
    used: Flags = column("flag", "False where a decision left the row out", default=True)


class Sessions(Table):
    """GNSS sessions, with what all vectors of one may have in common. Prior sigmas; 0: held at nothing.

    Up, east and north are those of one horizon for the whole site: in the earth frame `earth.site_horizon`.
    """

    session: Names = column("name", "name of the session")
    scale_sigma: Floats = column("number", "prior sigma of a scale (a ratio)", default=0.0)
    turn_sigma: Floats = column("angle", "prior sigma of a turn in azimuth", default=0.0)
    tilt_sigma: Floats = column("angle", "prior sigma of the tilts about east and about north", default=0.0)


@dataclass(
    frozen=True, eq=False
)  # each is itself alone, as tables are: a network is the key of what was made of it
class KnownTogether:
    """Constants whose prior errors are correlated, since the same days told them.

    constants   the name of each (see model.constants) and the row of what it belongs to
    correlation (k, k), positive definite
    """

    constants: tuple[tuple[str, int], ...]
    correlation: Floats


@dataclass(frozen=True)
class Network:
    """All that was done on the ground. Tables that a job lacks are empty."""

    marks: Marks
    setups: Setups = field(default_factory=Setups.empty)
    sights: Sights = field(default_factory=Sights.empty)
    reduced: Reduced = field(default_factory=Reduced.empty)
    vectors: Vectors = field(default_factory=Vectors.empty)
    supports: Supports = field(default_factory=Supports.empty)
    instruments: Instruments = field(default_factory=Instruments.empty)
    targets: Targets = field(default_factory=Targets.empty)
    sessions: Sessions = field(default_factory=Sessions.empty)
    together: tuple[KnownTogether, ...] = ()
    left_out: frozenset[str] = (
        frozenset()
    )  # ids of single reduced observations left out, such as "41.distance"

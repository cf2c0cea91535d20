"""Coordinate reference systems, at the edge: what `[site] crs` names, as a chart for the engine. PROJ, by way of pyproj.

Never a guess: no ballpark transformations, nothing fetched from a network, and heights change their surface only where
the grid for it lies on this machine.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from hubtack.adjust.earth.ellipsoid import Ellipsoid
from hubtack.adjust.ground.table import Floats

if TYPE_CHECKING:
    import pyproj

System = Literal["projected", "geographic", "geocentric"]
INSTALL = "Install it: python -m pip install 'hubtack[gis]'"


class Unusable(Exception):  # noqa: N818
    """A system that can't serve; `code`, `found` and `wanted` are those of a fault."""

    def __init__(self, code: str, found: str, wanted: str) -> None:
        self.code, self.found, self.wanted = code, found, wanted
        super().__init__(f"{found} {wanted}")


@dataclass(frozen=True)
class ProjChart:
    """A projected system as the engine's chart: metres in, radians out, whatever the system counts in."""

    definition: str
    name: str
    ellipsoid: Ellipsoid

    def geodetic(self, east: Floats, north: Floats) -> tuple[Floats, Floats]:
        """Latitude and longitude (rad) of east and north (m); NaN where there is no such place."""
        transformer, unit, angle = _projection(self.definition)
        lon, lat = transformer.transform(
            np.asarray(east) / unit, np.asarray(north) / unit, direction="INVERSE"
        )
        return _finite(lat) * angle, _finite(lon) * angle

    def grid(self, latitude: Floats, longitude: Floats) -> tuple[Floats, Floats]:
        """East and north (m) of latitude and longitude (rad)."""
        transformer, unit, angle = _projection(self.definition)
        east, north = transformer.transform(np.asarray(longitude) / angle, np.asarray(latitude) / angle)
        return _finite(east) * unit, _finite(north) * unit


@dataclass(frozen=True)
class ProjGeoid:
    """Undulations of a height system, from the grid that PROJ has for it on this machine."""

    definition: str

    def at(self, latitude: Floats, longitude: Floats) -> Floats:
        """(n, 3): undulation m, deflections unknown."""
        out = np.full((len(latitude), 3), np.nan)
        zero = np.zeros(len(latitude))
        height = _vertical(self.definition).transform(np.degrees(longitude), np.degrees(latitude), zero)[2]
        out[:, 0] = np.where(np.isfinite(height), height, np.nan)
        return out


@dataclass(frozen=True)
class Crs:
    """A system that a job may name.

    definition: of its horizontal part, in words that PROJ reads again. vertical: what its heights are over, where it
    says so; whole: the definition with the vertical part.
    """

    definition: str
    name: str
    system: System
    ellipsoid: Ellipsoid
    vertical: Literal["", "ellipsoidal", "orthometric"] = ""
    whole: str = ""
    vertical_name: str = ""
    about: dict[str, str] = field(default_factory=dict, compare=False)
    area: tuple[float, float, float, float] | None = None  # west, south, east, north of its use, degrees

    def chart(self) -> ProjChart:
        """The chart of a projected system."""
        assert self.system == "projected"
        return ProjChart(self.definition, self.name, self.ellipsoid)

    def around(self, latitude: float, longitude: float) -> Crs:
        """A grid of its own for a geographic or geocentric system: transverse Mercator through a point (rad), scale 1."""
        from pyproj import CRS
        from pyproj.crs import ProjectedCRS
        from pyproj.crs.coordinate_operation import TransverseMercatorConversion

        lat, lon = (
            round(float(np.degrees(latitude)) * 60.0) / 60.0,
            round(float(np.degrees(longitude)) * 60.0) / 60.0,
        )
        base = CRS.from_user_input(self.definition).geodetic_crs
        assert base is not None
        if base.is_geocentric:
            base = _two_dimensional(base)
        conversion = TransverseMercatorConversion(lat, lon, 0.0, 0.0, 1.0)
        grid = ProjectedCRS(conversion, name="site grid", geodetic_crs=base)
        name = f"site grid on {self.name}, transverse Mercator through {lat:.4f}°, {lon:.4f}°"
        return Crs(grid.to_wkt("WKT2_2019"), name, "projected", self.ellipsoid)


def read_crs(text: str) -> Crs:
    """What a text such as `EPSG:25832` names. Raises Unusable where it is nothing a survey can stand on."""
    proj = _pyproj()
    try:
        found = proj.CRS.from_user_input(text)
    except proj.exceptions.CRSError:
        wanted = 'Write it as "EPSG:" and its number, with the height system behind a plus where it has one.'
        raise Unusable("JOB151", f'crs = "{text}" is no coordinate reference system', wanted) from None
    horizontal, vertical = found, None
    if found.is_compound:
        horizontal, vertical = found.sub_crs_list[0], found.sub_crs_list[1]
    while horizontal.is_bound:
        horizontal = horizontal.source_crs
    wanted = "Name the grid, or the geographic or geocentric system, that the control is given in."
    if not (horizontal.is_projected or horizontal.is_geographic or horizontal.is_geocentric):
        raise Unusable("JOB151", f'crs = "{text}" is {found.name}, which has no place on the earth', wanted)
    ellipsoid = horizontal.ellipsoid
    if ellipsoid is None:
        raise Unusable("JOB151", f'crs = "{text}" is {found.name}, which has no ellipsoid', wanted)
    area = horizontal.area_of_use
    f = 1.0 / ellipsoid.inverse_flattening if ellipsoid.inverse_flattening else 0.0
    kind: System = (
        "geocentric" if horizontal.is_geocentric else "projected" if horizontal.is_projected else "geographic"
    )
    over: Literal["", "ellipsoidal", "orthometric"] = ""
    if vertical is not None:
        over = "orthometric"
    elif kind == "geocentric" or len(horizontal.axis_info) == 3:
        over = "ellipsoidal"
    return Crs(
        horizontal.to_string() if horizontal.to_authority() else horizontal.to_wkt("WKT2_2019"),
        text
        if horizontal is found
        else horizontal.to_string()
        if horizontal.to_authority()
        else horizontal.name,
        kind,
        Ellipsoid(float(ellipsoid.semi_major_metre), float(f)),
        over,
        text if vertical is not None else "",
        vertical.name if vertical is not None else "",
        {"name": found.name, "ellipsoid": ellipsoid.name, "area": area.name if area else ""},
        (area.west, area.south, area.east, area.north) if area else None,
    )


def geoid_of(crs: Crs) -> ProjGeoid:
    """Undulations of the height system that a compound crs names.

    Raises Unusable where PROJ has no exact way, or lacks the grid for it: then no height is ever copied.
    """
    try:
        _vertical(crs.whole)
    except Unusable as error:
        raise error from None
    return ProjGeoid(crs.whole)


@lru_cache(maxsize=16)
def _projection(definition: str) -> tuple[Any, float, float]:
    """From the base of a projected system to the system, and metres and radians in their units."""
    proj = _pyproj()
    crs = proj.CRS.from_user_input(definition)
    transformer = proj.Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True, allow_ballpark=False)
    angle = float(crs.geodetic_crs.axis_info[0].unit_conversion_factor)
    return transformer, float(crs.axis_info[0].unit_conversion_factor), angle


@lru_cache(maxsize=16)
def _vertical(definition: str) -> Any:
    """From heights of a compound system to heights over its ellipsoid, at geographic positions of its base."""
    import warnings

    proj = _pyproj()
    whole = proj.CRS.from_user_input(definition)
    horizontal, vertical = whole.sub_crs_list
    base = horizontal.geodetic_crs
    flat = proj.crs.CompoundCRS("heights", [base, vertical])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        group = proj.transformer.TransformerGroup(flat, base.to_3d(), always_xy=True, allow_ballpark=False)
    if group.transformers and group.best_available:
        return group.transformers[0]
    grids = sorted({g.short_name for o in group.unavailable_operations for g in o.grids})
    found = f"Heights in {vertical.name} need a geoid grid to become heights over the ellipsoid"
    found += f", and {' or '.join(grids[:3])} is not on this machine" if grids else ", and none is known"
    wanted = (
        "Name a geoid file of your own in [site] geoid, give undulation, or put that grid into PROJ's folder. "
        "Heights are never copied from one surface to the other."
    )
    raise Unusable("JOB156", found, wanted)


def _two_dimensional(base: pyproj.CRS) -> pyproj.CRS:
    """The geographic system of a geocentric one: the same datum."""
    from pyproj.crs import GeographicCRS
    from pyproj.crs.coordinate_system import Ellipsoidal2DCS

    return GeographicCRS(name=base.name, datum=base.datum, ellipsoidal_cs=Ellipsoidal2DCS())


def _finite(values: Any) -> Floats:
    found = np.asarray(values, dtype=float)
    return np.where(np.isfinite(found), found, np.nan)


def _pyproj() -> Any:
    """pyproj with its network switched off. Raises Unusable where it is not installed."""
    os.environ["PROJ_NETWORK"] = "OFF"
    try:
        import pyproj
        import pyproj.network
        import pyproj.transformer
    except ImportError:
        raise Unusable(
            "JOB155", "[site] crs needs the library pyproj, which is not installed", INSTALL
        ) from None
    pyproj.network.set_network_enabled(active=False)  # type: ignore[attr-defined]
    return pyproj

"""Where on the earth a job lies: [site] and the positions of marks.csv to a chart, heights and a gravity field."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from hubtack.adjust.earth.gravity import Gravity, Layered, Uniform
from hubtack.adjust.ground.table import Floats
from hubtack.adjust.settings import Settings
from hubtack.io.crs import Crs, ProjChart, Unusable, geoid_of, read_crs
from hubtack.io.faults import FaultList
from hubtack.io.readers.cells import Cells, rows_where
from hubtack.io.readers.columns import ON_EARTH
from hubtack.io.readers.geoid import read_geoid
from hubtack.io.readers.jobfile import JobFile
from hubtack.io.units import quoted

GRID, GEODETIC, GEOCENTRIC = ("east", "north"), ("latitude", "longitude"), ("x", "y", "z")
COLUMNS = {"projected": GRID, "geographic": GEODETIC, "geocentric": GEOCENTRIC}
ONLY_ON_EARTH = ("heights", "undulation", "geoid", "deflection_north", "deflection_east")
MARGIN = 3.0  # degrees beyond the area where a system is used: our choice, room for a border, none for another zone
OUT_OF_SCALE = 0.02  # a survey grid's scale is nearer to 1 than this: our choice, all in use are far nearer


@dataclass(frozen=True)
class Site:
    """crs: what job.toml names. grid: the projected system that the engine's east and north are of; for a geographic
    or geocentric crs one of the site's own.
    """

    crs: Crs
    grid: Crs

    @property
    def chart(self) -> ProjChart:
        """The grid as a chart."""
        return self.grid.chart()


def read_site(
    job: JobFile, marks: Cells | None, folder: Path, files: dict[str, str], faults: FaultList
) -> tuple[Settings, Site | None, dict[str, Floats]]:
    """Settings with the frame in them, the site (None for a plane without crs), and positions of the marks where they
    are not in east and north: column → (n,) m. What is wrong is noted as faults.
    """
    given, settings = job.site, job.settings
    earth = given.get("frame") == "earth"
    if not earth:
        for name in ONLY_ON_EARTH:
            if name in given:
                found = f"{name} belongs to the earth frame, and this is a plane"
                job.fault(faults, ("site", name), "JOB158", found, 'Write frame = "earth", or remove it.')
        _refuse_columns(marks, ON_EARTH, "belongs to the earth frame", faults)
        if not given.get("crs"):
            return settings, None, {}
    elif not given.get("crs"):
        found, wanted = (
            'frame = "earth" needs to know the system of the coordinates',
            'Add crs = "EPSG:…" to [site].',
        )
        job.fault(faults, ("site", "frame"), "JOB150", found, wanted)
        return settings, None, {}
    try:
        crs = read_crs(str(given["crs"]))
        if not earth and crs.system != "projected":
            found = f"{crs.name} is {crs.system}, and a plane needs a grid"
            raise Unusable("JOB151", found, 'Name the grid of east and north, or write frame = "earth".')
        if not earth:
            return settings, Site(crs, crs), {}
        if settings.scale_factor != 1.0:
            found = "scale_factor is given, and the earth frame has its scale from the grid itself"
            job.fault(
                faults,
                ("site", "scale_factor"),
                "JOB153",
                found,
                "Remove it: one scale is declared, and once.",
            )
            settings = replace(settings, scale_factor=1.0)
        heights = _heights(job, crs, faults)
        gravity = _gravity(job, crs, heights, marks, folder, files, faults)
    except Unusable as error:
        job.fault(faults, ("site", "crs"), error.code, error.found, error.wanted)
        return settings, None, {}
    values, grid = _positions(crs, marks, faults)
    if grid is None:
        return settings, None, values
    site = Site(crs, grid)
    on_earth = replace(settings, frame="earth", chart=site.chart, heights=heights, gravity=gravity)  # type: ignore[arg-type]
    return on_earth, site, values


def _heights(job: JobFile, crs: Crs, faults: FaultList) -> str:
    """What heights are over: stated, or said by the crs."""
    stated = str(job.site.get("heights", ""))
    if not stated and not crs.vertical:
        found = "The earth frame needs to know what heights are over"
        wanted = 'Add heights = "ellipsoidal" or heights = "orthometric" (over the geoid) to [site].'
        job.fault(faults, ("site", "crs"), "JOB152", found, wanted)
    elif stated and crs.vertical and stated != crs.vertical:
        found = f"heights = {quoted(stated)}, and heights of {job.site['crs']} are {crs.vertical}"
        job.fault(faults, ("site", "heights"), "JOB152", found, "Keep the one that is true of marks.csv.")
    return stated or crs.vertical or "ellipsoidal"


def _gravity(
    job: JobFile,
    crs: Crs,
    heights: str,
    marks: Cells | None,
    folder: Path,
    files: dict[str, str],
    faults: FaultList,
) -> Gravity | None:
    """The constant values, the user's file, and the grid of the height system, in this order."""
    given: dict[str, Any] = job.site
    if "undulation" in given and given.get("geoid"):
        found = "undulation and geoid are both given"
        job.fault(faults, ("site", "undulation"), "JOB154", found, "Keep one of them.")
    constant = Uniform(
        *(float(given.get(n, np.nan)) for n in ("undulation", "deflection_north", "deflection_east"))
    )
    parts: list[Gravity] = [constant]
    if given.get("geoid"):
        lattice = read_geoid(folder, job, files, faults)
        parts += [lattice] if lattice is not None else []
    every = (
        marks is not None and "undulation" in marks.table.columns and bool(marks.given("undulation").all())
    )
    if (
        crs.whole
        and heights == "orthometric"
        and "undulation" not in given
        and not given.get("geoid")
        and not every
    ):
        parts.append(geoid_of(crs))
    return Layered(tuple(parts))


def _positions(crs: Crs, marks: Cells | None, faults: FaultList) -> tuple[dict[str, Floats], Crs | None]:
    """East, north (and height) in metres where the crs has other coordinates; and the grid they are in."""
    wanted = COLUMNS[crs.system]
    others = [c for names in COLUMNS.values() if names != wanted for c in names]
    words = f"is no coordinate of {crs.name}, which is {crs.system}: it has {', '.join(wanted)}"
    if crs.system == "geocentric":
        others.append("height")
    _refuse_columns(marks, others, words, faults)
    if crs.system == "projected":
        if marks is not None:
            _must_lie_in(crs, marks, faults)
        return {}, crs
    if marks is None:
        return {}, None
    for name in wanted:
        if name not in marks.table.columns:
            found = f"marks.csv has no column {name}, and {crs.name} is {crs.system}"
            faults.add(marks.table.file, 1, "", "TAB251", found, f"Give {', '.join(wanted)}.")
            return {}, None
    values: dict[str, Floats] = {}
    if crs.system == "geographic":
        latitude, longitude = marks.angles("latitude"), marks.angles("longitude")
        for row in rows_where(np.abs(latitude) >= 0.5 * np.pi):
            found = f"The latitude {quoted(marks.text('latitude')[row])} is beyond the pole"
            marks.fault(row, "latitude", "TAB251", found, "Are latitude and longitude exchanged?")
    else:
        xyz = np.column_stack([marks.lengths(c) for c in GEOCENTRIC])
        latitude, longitude, height = crs.ellipsoid.geodetic(xyz)
        for row in rows_where(np.abs(height) > 20_000.0):
            found = (
                f"X, Y, Z of {marks.text('mark')[row]} lie {abs(height[row]) / 1000:.0f} km from the ground"
            )
            marks.fault(row, "x", "TAB251", found, "See the three coordinates and the unit.")
        values["height"] = np.asarray(height)
    known = np.isfinite(latitude) & np.isfinite(longitude)
    if not known.any():
        return values, crs.around(0.0, 0.0)  # nothing is known; the engine says so
    grid = crs.around(float(np.mean(latitude[known])), float(np.mean(longitude[known])))
    east, north = np.full(len(marks), np.nan), np.full(len(marks), np.nan)
    east[known], north[known] = grid.chart().grid(latitude[known], longitude[known])
    return values | {"east": east, "north": north}, grid


def _must_lie_in(crs: Crs, marks: Cells, faults: FaultList) -> None:
    """Marks lie where the system is in use, and its scale there is that of a survey grid."""
    from hubtack.adjust.earth.charts import factors

    east, north = marks.lengths("east"), marks.lengths("north")
    rows = np.flatnonzero(np.isfinite(east) & np.isfinite(north))
    if not len(rows):
        return
    chart = crs.chart()
    latitude, longitude = chart.geodetic(east[rows], north[rows])
    area = crs.area
    for row, lat, lon in zip(rows.tolist(), np.degrees(latitude), np.degrees(longitude), strict=True):
        name = marks.text("mark")[row]
        if not np.isfinite(lat + lon):
            found = f"East and north of {name} have no place on the earth in {crs.name}"
        elif area and not (
            area[1] - MARGIN <= lat <= area[3] + MARGIN
            and (np.mod(lon - area[0] + MARGIN, 360.0) <= np.mod(area[2] - area[0], 360.0) + 2 * MARGIN)
        ):
            found = f"{name} would lie at {lat:.2f}°, {lon:.2f}°, where {crs.name} is not used ({crs.about['area']})"
        else:
            continue
        wanted = "See the system, its zone and unit, and whether east and north are exchanged."
        marks.fault(row, "east", "TAB252", found, wanted)
        return  # one of them: the others are wrong for the same reason
    scale = factors(chart, east[rows], north[rows], latitude).scale
    worst = int(np.argmax(np.abs(scale - 1.0)))
    if abs(scale[worst] - 1.0) > OUT_OF_SCALE:
        found = f"The scale of {crs.name} at {marks.text('mark')[rows[worst]]} is {scale[worst]:.3f}"
        marks.fault(
            int(rows[worst]), "east", "TAB252", found, "That is a map, no grid for a survey: name another."
        )


def _refuse_columns(marks: Cells | None, names: Any, why: str, faults: FaultList) -> None:
    if marks is None:
        return
    for name in names:
        if name in marks.table.columns and marks.given(name).any():
            row = int(np.flatnonzero(marks.given(name))[0])
            marks.fault(row, name, "TAB251", f"The column {name} {why}", "Remove it, or see [site].")

"""network.geojson: the adjusted marks and the sights between them, for a web map (RFC 7946).

RFC 7946 knows one reference system only: longitude and latitude in WGS 84. The job's CRS is therefore needed, and pyproj
turns its east and north into those. Refused are systems for which that would be a guess: geographic ones, and datums
that can be brought to WGS 84 only by pretending that they are the same (`allow_ballpark=False`). Nothing is fetched
from a network.

Heights stand in the properties, not in the positions: the third number of a position is a height above the WGS 84
ellipsoid, and the job's heights are heights above whatever its control says. Longitudes and latitudes have nine
decimals (0.1 mm). Sigmas and axes are in the job's small unit, as their names say; they are those of the plane.
"""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.adjust.ground.table import Floats
from hubtack.io.about import version
from hubtack.io.units import METRES, quoted

from .atomic import Refused
from .deliverables import crs_of
from .places import placed, sight_lines

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

FILE = "network.geojson"
_SMALL = {"m": "mm", "ft": "mft", "us-ft": "mus_ft"}


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write network.geojson into `folder`. Raises atomic.Refused where the CRS can't be brought to WGS 84."""
    document = feature_collection(adjustment, job, crs_of(job))
    lines = ",\n".join(json.dumps(f, ensure_ascii=False, allow_nan=False) for f in document["features"])
    head = {k: v for k, v in document.items() if k != "features"}
    start = json.dumps(head, ensure_ascii=False)[:-1]
    text = f'{start}, "features": [\n{lines}\n]}}\n'
    (folder / FILE).write_text(text, encoding="utf-8", newline="\n")


def feature_collection(adjustment: Adjustment, job: Job, crs: str) -> dict[str, Any]:
    """The marks and sights as a FeatureCollection; members of our own are allowed by RFC 7946, 6.1."""
    a, rows = adjustment, placed(adjustment)
    lonlat = np.full((len(a.marks), 2), np.nan)
    lonlat[rows] = to_wgs84(np.column_stack([a.marks.east[rows], a.marks.north[rows]]), crs)
    there = set(rows.tolist())
    features = [_mark(a, job, i, lonlat[i]) for i in rows.tolist()]
    for line in sight_lines(a):
        if line.start in there and line.end in there:
            ends = [_position(lonlat[line.start]), _position(lonlat[line.end])]
            properties = {
                "from": str(a.marks.mark[line.start]),
                "to": str(a.marks.mark[line.end]),
                "observations": list(line.ids),
                "flagged": line.flagged,
            }
            features.append(_feature({"type": "LineString", "coordinates": ends}, properties))
    about = {"version": version(), "job": job.name, "crs": crs, "length": job.units.length}
    return {"type": "FeatureCollection", "hubtack": about, "features": features}


def to_wgs84(plan: Floats, crs: str) -> Floats:
    """East and north (n, 2) in metres to longitude and latitude (n, 2) in degrees, WGS 84.

    Raises atomic.Refused for what is no projected CRS, or has no known way to WGS 84.
    """
    os.environ.setdefault("PROJ_NETWORK", "OFF")
    from pyproj import CRS, Transformer
    from pyproj.exceptions import ProjError

    try:
        source = CRS.from_user_input(crs)
    except ProjError as error:
        wanted = 'Write it as "EPSG:" and its number.'
        raise Refused(
            "RUN422", f"geojson: {quoted(crs)} is no coordinate reference system.", wanted
        ) from error
    if not source.is_projected:
        found = f"geojson: {source.name} is not a projected system; east and north can't be taken from it."
        raise Refused("RUN422", found, "Name the system of the grid that the coordinates are in.")
    # What the system counts in (feet, say) is its own; the order of its axes is settled by always_xy.
    unit = float(source.axis_info[0].unit_conversion_factor)
    try:
        transform = Transformer.from_crs(source, "EPSG:4326", always_xy=True, allow_ballpark=False)
        longitude, latitude = transform.transform(plan[:, 0] / unit, plan[:, 1] / unit, errcheck=True)
    except ProjError as error:
        found = f"geojson: there is no known way from {source.name} to WGS 84 for these coordinates."
        raise Refused("RUN422", found, "Ask for geopackage, which keeps the system as it is.") from error
    return np.column_stack([longitude, latitude])


def _mark(a: Adjustment, job: Job, row: int, lonlat: Floats) -> dict[str, Any]:
    m, small, s = a.marks, job.units.small_length_of, _SMALL[job.units.length]
    unit = METRES[job.units.length]
    properties: dict[str, Any] = {"mark": str(m.mark[row])}
    for name in ("east", "north", "height"):
        properties[name] = _number(float(getattr(m, name)[row]) / unit)
    for name in ("sigma_east", "sigma_north", "sigma_height", "semi_major", "semi_minor"):
        properties[f"{name}_{s}"] = _number(small(float(getattr(m, name)[row])))
    properties |= {
        "azimuth_deg": _number(math.degrees(m.ellipse_azimuth[row])),
        "confidence": a.settings.confidence,
        "control": str(m.control[row]),
        "unchecked": bool(m.unchecked[row]),
    }
    return _feature({"type": "Point", "coordinates": _position(lonlat)}, properties)


def _feature(geometry: dict[str, Any], properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _position(lonlat: Floats) -> list[float]:
    return [round(float(lonlat[0]), 9), round(float(lonlat[1]), 9)]


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None

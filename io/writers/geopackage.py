"""network.gpkg: map layers for a geographic information system (OGC GeoPackage).

Layers, all in the job's length unit (or in the unit of the CRS where the job states one):
    marks     Point Z       one a mark with a position: sigmas, six covariance terms, control, ellipse, unchecked
    marks_2d  Point         marks that have a position and no height, same columns
    ellipses  Polygon       confidence and exaggeration are columns
    sights    LineString Z  one a pair of marks: observations, worst standardized residual, smallest redundancy
    sights_2d LineString    pairs of which one has no height, same columns
    setups    Point         where each setup stands: support, height kind, height, estimated errors, flagged
    run       no geometry   version, job, unit, datum, hashes of what was read, as key and value
Small lengths (sigmas, errors) are in mm or thousandths of a foot, as the column names say (`_mm`, `_mft`); covariances
in their squares. Without a CRS the coordinates are in srs_id −1, undefined Cartesian, as the standard has it for local
grids. The bytes depend on the versions of GDAL and SQLite; with the same ones they are the same.
"""

from __future__ import annotations

import os
import tempfile
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats, Ints
from hubtack.io.about import version
from hubtack.io.units import METRES

from .deliverables import crs_of
from .places import ellipse_points, exaggeration, placed, sight_lines

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

FILE = "network.gpkg"
_CLOCK = "2000-01-01T00:00:00.000Z"  # time of the last change in the contents table: same input, same bytes
Fields = dict[str, Any]


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write network.gpkg into `folder`."""
    import pyogrio

    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _CLOCK})
    try:
        # Made elsewhere and moved: the data base leaves nothing else in the folder of results.
        with tempfile.TemporaryDirectory() as scratch:
            made = Path(scratch) / FILE
            layers = _Layers(made, crs_of(job))
            _marks(layers, adjustment, job)
            _ellipses(layers, adjustment, job)
            _sights(layers, adjustment, job)
            _setups(layers, adjustment, job)
            _run(layers, adjustment, job)
            (folder / FILE).write_bytes(made.read_bytes())
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def metres_of(job: Job) -> float:
    """Metres in one unit of the file: the CRS's where there is one, else the job's."""
    crs = crs_of(job)
    if not crs:
        return METRES[job.units.length]
    from pyproj import CRS

    return float(CRS.from_user_input(crs).axis_info[0].unit_conversion_factor)


class _Layers:
    """Writes layers into one file."""

    def __init__(self, path: Path, crs: str) -> None:
        self._path, self._crs = path, crs

    def add(self, name: str, geometry_type: str | None, shapes: Any, fields: Fields) -> None:
        """One layer; `shapes` are shapely geometries, None for a table without."""
        import shapely
        from pyogrio import raw

        geometry = None if geometry_type is None else shapely.to_wkb(np.array(shapes, dtype=object))
        options = {} if geometry_type is None or self._crs else {"layer_options": {"SRID": "-1"}}
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="'crs' was not provided")  # meant: local coordinates
            raw.write(
                os.fspath(self._path),
                geometry,
                [_column(values) for values in fields.values()],
                list(fields),
                layer=name,
                driver="GPKG",
                geometry_type=geometry_type,
                crs=self._crs or None,
                **options,
            )


def _column(values: Any) -> Any:
    """Text as objects, everything else as its own kind of number."""
    array = np.asarray(values)
    return array.astype(object) if array.dtype.kind in "OU" else array


def _marks(layers: _Layers, a: Adjustment, job: Job) -> None:
    import shapely

    m, unit, small, s = a.marks, metres_of(job), job.units.small_length_of, _suffix(job)
    rows = placed(a)
    high = np.isfinite(m.height[rows])
    for name, kind, mine in (("marks", "Point Z", rows[high]), ("marks_2d", "Point", rows[~high])):
        if not len(mine) and name == "marks_2d":
            continue
        plan = np.column_stack([m.east[mine], m.north[mine]]) / unit
        shapes = shapely.points(np.column_stack([plan, m.height[mine] / unit]) if kind == "Point Z" else plan)
        c = m.covariance[mine] * small(1.0) ** 2
        fields: Fields = {
            "mark": _texts(m.mark[mine]),
            "control": _texts(m.control[mine]),
            f"sigma_east_{s}": small(1.0) * m.sigma_east[mine],
            f"sigma_north_{s}": small(1.0) * m.sigma_north[mine],
            f"sigma_height_{s}": small(1.0) * m.sigma_height[mine],
        }
        for i, j, term in (
            (0, 0, "ee"),
            (0, 1, "en"),
            (0, 2, "eh"),
            (1, 1, "nn"),
            (1, 2, "nh"),
            (2, 2, "hh"),
        ):
            fields[f"cov_{term}_{s}2"] = c[:, i, j]
        fields |= {
            f"semi_major_{s}": small(1.0) * m.semi_major[mine],
            f"semi_minor_{s}": small(1.0) * m.semi_minor[mine],
            "azimuth_deg": np.degrees(m.ellipse_azimuth[mine]),
            "confidence": np.full(len(mine), a.settings.confidence),
            "unchecked": m.unchecked[mine],
            "rests_on": _texts(", ".join(map(str, names)) for names in m.unchecked_by[mine]),
            "flagged": _flagged_marks(a)[mine],
        }
        layers.add(name, kind, shapes, fields)


def _ellipses(layers: _Layers, a: Adjustment, job: Job) -> None:
    import shapely

    m, unit, factor, s = a.marks, metres_of(job), exaggeration(a), _suffix(job)
    rows = [i for i in placed(a).tolist() if m.semi_major[i] > 0.0]
    shapes = []
    for i in rows:
        ring = ellipse_points(m.semi_major[i] * factor, m.semi_minor[i] * factor, m.ellipse_azimuth[i])
        shapes.append(shapely.Polygon((ring + np.array([m.east[i], m.north[i]])) / unit))
    fields: Fields = {
        "mark": _texts(m.mark[rows]),
        "confidence": np.full(len(rows), a.settings.confidence),
        "exaggeration": np.full(len(rows), factor, dtype=np.int64),
        f"semi_major_{s}": job.units.small_length_of(1.0) * m.semi_major[rows],
        f"semi_minor_{s}": job.units.small_length_of(1.0) * m.semi_minor[rows],
        "azimuth_deg": np.degrees(m.ellipse_azimuth[rows]),
    }
    layers.add("ellipses", "Polygon", shapes, fields)


def _sights(layers: _Layers, a: Adjustment, job: Job) -> None:
    import shapely

    m, unit = a.marks, metres_of(job)
    there = set(placed(a).tolist())
    lines = [x for x in sight_lines(a) if x.start in there and x.end in there]
    high = [bool(np.isfinite(m.height[x.start] + m.height[x.end])) for x in lines]
    place = np.column_stack([m.east, m.north, m.height]) / unit
    for name, kind, axes in (("sights", "LineString Z", 3), ("sights_2d", "LineString", 2)):
        mine = [x for x, z in zip(lines, high, strict=True) if z == (axes == 3)]
        if not mine and axes == 2:
            continue
        fields: Fields = {
            "from_mark": _texts(m.mark[x.start] for x in mine),
            "to_mark": _texts(m.mark[x.end] for x in mine),
            "observations": _texts(", ".join(x.ids) for x in mine),
            "count": np.array([len(x.ids) for x in mine], dtype=np.int64),
            "worst_w": np.array([x.worst for x in mine], dtype=float),
            "smallest_redundancy": np.array([x.redundancy for x in mine], dtype=float),
            "flagged": np.array([x.flagged for x in mine], dtype=bool),
        }
        shapes = [shapely.LineString(place[[x.start, x.end], :axes]) for x in mine]
        layers.add(name, kind, shapes, fields)


def _setups(layers: _Layers, a: Adjustment, job: Job) -> None:
    import shapely

    m, net, setups, unit = a.marks, a.network, a.setups, metres_of(job)
    small, s = job.units.small_length_of(1.0), _suffix(job)
    rows: Ints = np.flatnonzero(np.isin(net.setups.mark, placed(a)))
    on = net.setups.mark[rows]
    support = net.setups.support[rows]
    fields: Fields = {
        "setup": _texts(setups.setup[rows]),
        "role": _texts(np.where(net.setups.instrument[rows], "instrument", "target")),
        "mark": _texts(m.mark[on]),
        "support": _texts(net.supports.support[support]),
        "height_kind": _texts(net.supports.height_kind[support]),
        f"height_{job.units.length.replace('-', '_')}": net.setups.height[rows] / METRES[job.units.length],
        f"sigma_centring_{s}": small * setups.sigma_centring[rows],
        f"sigma_height_{s}": small * setups.sigma_height[rows],
        f"centring_east_{s}": small * setups.centring_east[rows],
        f"centring_north_{s}": small * setups.centring_north[rows],
        f"height_error_{s}": small * setups.height_error[rows],
        "w_centring": setups.standardized_centring[rows],
        "w_height": setups.standardized_height[rows],
        "flagged": setups.flagged[rows],
    }
    plan: Floats = np.column_stack([m.east[on], m.north[on]]) / unit
    layers.add("setups", "Point", shapely.points(plan), fields)


def _run(layers: _Layers, a: Adjustment, job: Job) -> None:
    g = a.global_test
    pairs: dict[str, object] = {
        "version": version(),
        "job": job.name,
        "length": job.units.length,
        "small length": job.units.small_length_name,
        "crs": crs_of(job) or "none: local Cartesian",
        "reference height [m]": f"{a.reference_height:.4f}",
        "scale factor": f"{a.settings.scale_factor!r}",
        "degrees of freedom": a.degrees_of_freedom,
        "variance factor": f"{g.variance_factor:.4f}",
        "global test": "passed" if g.passed else "failed",
        "variance factor applied": "no",
        "confidence of ellipses": f"{a.settings.confidence!r}",
        "ellipse exaggeration": exaggeration(a),
        "datum": ", ".join(a.datum) or "control",
        "flagged": "yes" if a.flagged else "no",
        **{f"sha256 {file}": digest for file, digest in sorted(job.files.items())},
    }
    layers.add("run", None, None, {"key": _texts(pairs), "value": _texts(pairs.values())})


def _flagged_marks(a: Adjustment) -> Flags:
    """Marks on which a flagged setup stands, or whose control is flagged. (n_marks,)"""
    out = np.zeros(len(a.marks), dtype=bool)
    out[a.network.setups.mark[a.setups.flagged]] = True
    moved = {str(n) for n in a.control.mark[a.control.flagged]}
    out |= np.array([str(n) in moved for n in a.marks.mark], dtype=bool)
    return out


def _suffix(job: Job) -> str:
    """mm, mft (thousandths of a foot) or mus_ft: the unit of small lengths as a part of a column's name."""
    return {"m": "mm", "ft": "mft", "us-ft": "mus_ft"}[job.units.length]


def _texts(items: Any) -> Any:
    """Text as an array of objects, also where there is none."""
    return np.array([str(i) for i in items], dtype=object)

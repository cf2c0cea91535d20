"""Files of undulations and deflections that the user supplies: a regular lattice, as .csv or .gtx.

.csv   columns latitude, longitude (decimal degrees), undulation (m), and where known deflection_north, deflection_east
       (arc seconds); every node once, rows in any order
.gtx   undulations only: big-endian, latitude and longitude of the south-west node and the two steps in degrees (four
       doubles), rows and columns (two integers), then the values from the south-west (floats); −88.8888 is no value.
       The layout is that of the vertical grids of NOAA's VDatum, from memory.
"""

from __future__ import annotations

import hashlib
import math
from pathlib import Path

import numpy as np

from hubtack.adjust.earth.gravity import Lattice
from hubtack.io.faults import FaultList, listed
from hubtack.io.readers.jobfile import FILE, JobFile
from hubtack.io.readers.tables import read_bytes
from hubtack.io.units import ARCSEC, quoted

NEEDED = ("latitude", "longitude", "undulation")
ALSO = ("deflection_north", "deflection_east")
NO_VALUE = -88.8888


def read_geoid(folder: Path, job: JobFile, files: dict[str, str], faults: FaultList) -> Lattice | None:
    """The file that [site] geoid names; None with faults noted where it can't be read."""
    name = str(job.site["geoid"])
    path = folder / name
    if not path.is_file():
        near = listed(p.name for p in folder.glob("*") if p.suffix.lower() in (".csv", ".gtx"))
        found = f"geoid = {quoted(name)}: there is no such file in the job's folder"
        job.fault(
            faults, ("site", "geoid"), "JOB157", found, f"There are: {near}." if near else "Put it there."
        )
        return None
    data = read_bytes(path, faults)
    if data is None:
        return None
    files[name] = hashlib.sha256(data).hexdigest()
    try:
        return from_gtx(data) if path.suffix.lower() == ".gtx" else from_csv(data)
    except ValueError as error:
        faults.add(name, 0, "", "JOB157", str(error), f"See hubtack explain JOB157; {FILE} names the file.")
        return None


def from_gtx(data: bytes) -> Lattice:
    """Raises ValueError where the bytes are no .gtx grid."""
    if len(data) < 40:
        raise ValueError("This is no .gtx grid: it is shorter than its header")
    south, west, step_lat, step_lon = (float(v) for v in np.frombuffer(data, ">f8", 4))
    rows, columns = (int(n) for n in np.frombuffer(data, ">i4", 2, 32))
    if not (rows > 1 and columns > 1 and len(data) == 40 + 4 * rows * columns):
        raise ValueError(f"This is no .gtx grid: {len(data)} bytes for {rows} rows of {columns} nodes")
    _on_the_globe(south, south + (rows - 1) * step_lat, west, west + (columns - 1) * step_lon)
    values = np.full((rows, columns, 3), np.nan)
    values[:, :, 0] = np.frombuffer(data, ">f4", rows * columns, 40).reshape(rows, columns)
    values[np.abs(values[:, :, 0] - NO_VALUE) < 1e-3, 0] = np.nan
    if np.isinf(values).any():
        raise ValueError("This is no .gtx grid: an undulation is infinite")
    corner = math.radians(south), math.radians(west)
    return Lattice(*corner, math.radians(step_lat), math.radians(step_lon), values)


def from_csv(data: bytes) -> Lattice:
    """Raises ValueError where the text is no full regular lattice."""
    import csv

    text = data.decode("utf-8-sig", errors="replace")
    separator = max(",;\t", key=text.partition("\n")[0].count)
    try:
        records = [r for r in csv.reader(text.splitlines(), delimiter=separator) if any(c.strip() for c in r)]
    except csv.Error as error:
        raise ValueError(f"This is no table: {error}") from None
    header = [c.strip().lower() for c in records[0]] if records else []
    missing = [n for n in NEEDED if n not in header]
    if missing:
        raise ValueError(f"The columns {' and '.join(missing)} are missing")
    names = [*NEEDED, *(n for n in ALSO if n in header)]
    table = np.full((len(records) - 1, 5), np.nan)
    for k, record in enumerate(records[1:]):
        for j, name in enumerate(names):
            cell = record[header.index(name)].strip() if header.index(name) < len(record) else ""
            try:
                table[k, j] = float(cell) if cell else np.nan
            except ValueError:
                raise ValueError(f"Row {k + 2}: {quoted(cell)} is no {name}") from None
            if math.isinf(table[k, j]):
                raise ValueError(f"Row {k + 2}: {quoted(cell)} is no {name}")
    lat, lon = np.unique(table[:, 0]), np.unique(table[:, 1])
    if np.isnan(table[:, :2]).any() or len(lat) < 2 or len(lon) < 2:
        raise ValueError("A lattice needs two latitudes and two longitudes at least, and both in every row")
    _on_the_globe(float(lat[0]), float(lat[-1]), float(lon[0]), float(lon[-1]))
    if len(table) != len(lat) * len(lon):
        raise ValueError(
            f"{len(lat)} latitudes and {len(lon)} longitudes make {len(lat) * len(lon)} nodes, found {len(table)}"
        )
    for name, axis in (("latitudes", lat), ("longitudes", lon)):
        step = np.diff(axis)
        if np.ptp(step) > 1e-6 * step.mean():
            raise ValueError(f"The {name} are not evenly spaced")
    values = np.full((len(lat), len(lon), 3), np.nan)
    values[np.searchsorted(lat, table[:, 0]), np.searchsorted(lon, table[:, 1])] = table[:, 2:] * [
        1.0,
        ARCSEC,
        ARCSEC,
    ]
    step_lat, step_lon = (float((a[-1] - a[0]) / (len(a) - 1)) for a in (lat, lon))
    return Lattice(
        math.radians(lat[0]), math.radians(lon[0]), math.radians(step_lat), math.radians(step_lon), values
    )


def _on_the_globe(south: float, north: float, west: float, east: float) -> None:
    """Raises ValueError where a lattice with these edges, in degrees, lies nowhere."""
    if not (-90.0 <= south < north <= 90.0 and -360.0 <= west < east <= 360.0 and east - west <= 360.0):
        raise ValueError(
            f"A lattice from {south:.6g} to {north:.6g} in latitude and {west:.6g} to {east:.6g} in longitude is none"
        )

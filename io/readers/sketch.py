"""Rough coordinates from a sketch: a CSV with mark, east, north (and height), or GeoJSON points that name their mark."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from hubtack.io.faults import FaultList, Nearest, listed
from hubtack.io.job import Job
from hubtack.io.readers.tables import records_of
from hubtack.io.units import Unreadable


def with_sketch(job: Job, path: Path) -> Job:
    """The job with start values from a sketch where marks.csv leaves them blank. Raises Faults.

    CSV coordinates are in the job's unit. GeoJSON is taken as it stands, as east, north (and height) of the job's frame, in
    the job's unit; longitudes and latitudes, which the standard wants, would be no plane coordinates and are refused.
    """
    faults = FaultList()
    text = _text(path, faults)
    faults.raise_if_any()
    points = (
        _geojson(path.name, text, faults)
        if text.lstrip().startswith("{")
        else _csv(path.name, text, job, faults)
    )
    marks = job.network.marks
    row = {str(m): i for i, m in enumerate(marks.mark)}
    nearest = Nearest(row)
    values = np.column_stack([marks.east, marks.north, marks.height])
    for line, name, point in points:
        if name not in row:
            wanted = nearest.advice(name, f"Known in marks.csv: {listed(row)}.")
            faults.add(path.name, line, "mark", "TAB210", f'There is no mark "{name}"', wanted)
            continue
        metres = [job.units.parse_length(repr(v)) if math.isfinite(v) else math.nan for v in point]
        values[row[name]] = np.where(np.isnan(values[row[name]]), metres, values[row[name]])
    faults.raise_if_any()
    new = marks.replace(east=values[:, 0], north=values[:, 1], height=values[:, 2])
    return replace(job, network=replace(job.network, marks=new))


def _text(path: Path, faults: FaultList) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        found = (
            "This is no text in UTF-8"
            if isinstance(error, UnicodeDecodeError)
            else f"It can't be read: {error.strerror}"
        )
        faults.add(str(path), 0, "", "RUN427", found, "Name a CSV or GeoJSON file.")
        return ""


def _csv(name: str, text: str, job: Job, faults: FaultList) -> list[tuple[int, str, list[float]]]:
    head = text.split("\n", 1)[0]
    separator = next((s for s in (";", "\t") if s in head), ",")
    records, lines, whole = records_of(name, text, separator, faults)
    if not whole:
        return []
    header = [h.strip().lower() for h in records[0]] if records else []
    missing = [c for c in ("mark", "east", "north") if c not in header]
    if missing:
        faults.add(
            name,
            1,
            "",
            "TAB201",
            f"The sketch has no column {listed(missing)}",
            "Write the header mark,east,north,height.",
        )
        return []
    points = []
    for line, cells in zip(lines[1:], records[1:], strict=True):
        point = []
        for column in ("east", "north", "height"):
            at = header.index(column) if column in header else -1
            cell = cells[at].strip() if 0 <= at < len(cells) else ""
            try:
                point.append(job.units.length_of(job.units.parse_length(cell)) if cell else math.nan)
            except Unreadable as error:
                faults.add(name, line, column, "TAB204", error.found, error.wanted)
                point.append(math.nan)
        at = header.index("mark")
        points.append((line, cells[at].strip() if at < len(cells) else "", point))
    return points


def _geojson(name: str, text: str, faults: FaultList) -> list[tuple[int, str, list[float]]]:
    try:
        data: Any = json.loads(text)
        features = data.get("features", []) if isinstance(data, dict) else []
        points = []
        for f in features:
            geometry, about = f.get("geometry") or {}, f.get("properties") or {}
            if geometry.get("type") != "Point":
                continue
            mark = str(about.get("mark", about.get("name", "")))
            c = [float(v) for v in geometry["coordinates"][:3]]
            points.append((0, mark, [*c, math.nan][:3]))
    # what is nested without end, and a whole number of four hundred digits, are no ValueError
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError) as error:
        line = error.lineno if isinstance(error, json.JSONDecodeError) else 0
        faults.add(
            name,
            line,
            "",
            "RUN427",
            f"This is not GeoJSON: {error}",
            "Points with a property mark are wanted.",
        )
        return []
    if not points:
        faults.add(
            name, 0, "", "RUN427", "There are no points in it", "Points with a property mark are wanted."
        )
    elif (
        len(points) > 1
        and all(abs(p[0]) <= 180 and abs(p[1]) <= 90 for _, _, p in points)
        and np.ptp([p[:2] for _, _, p in points], axis=0).max() < 1.0
    ):
        found = "These look like longitudes and latitudes"
        faults.add(name, 0, "", "RUN427", found, "Give east and north of the job's frame.")
    return points

"""sights.csv, reduced.csv and vectors.csv to the tables of the network."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from hubtack.adjust.ground.network import Reduced, Sessions, Setups, Sights, Vectors
from hubtack.adjust.ground.table import Flags, Ints
from hubtack.io.faults import Nearest, listed
from hubtack.io.readers.cells import Cells, rows_where
from hubtack.io.readers.columns import GEOCENTRIC, LOCAL
from hubtack.io.readers.jobfile import JobFile
from hubtack.io.readers.jobkeys import SessionKeys
from hubtack.io.readers.referred import REFERENCES, referred, repeated
from hubtack.io.units import Unreadable, parse_sigma_angle, parse_sigma_length, parse_sigma_per_km, quoted

TURN = 2 * math.pi


def vertical_setups(sights: Cells | None, vectors: Cells | None) -> set[str]:
    """Names of the setups that a zenith angle, a slope distance or a vector needs the height of."""
    names: set[str] = set()
    if vectors:
        for row in range(len(vectors)):
            if (row, "") not in vectors.table.excused:
                names |= {vectors.text("from")[row], vectors.text("to")[row]}
    return names | (_vertical_ends(sights) if sights else set())


def _vertical_ends(cells: Cells) -> set[str]:
    zenith, slope = cells.given("zenith"), cells.given("slope")
    for row, column in cells.table.excused:
        zenith[row] &= column not in ("", "zenith")
        slope[row] &= column not in ("", "slope")
    rows = zenith | slope
    return {name for column in ("from", "to") for name in cells.names(column)[rows]}


def read_sights(cells: Cells, setups: Setups, roles: Sequence[str], names: dict[str, int] | None) -> Sights:
    """The raw readings. `roles` are the cells of the setups' column; without `names` no end is checked."""
    cells.identities("id")
    start = cells.indices("from", names, "TAB211", "setup", "setups.csv")
    end = cells.indices("to", names, "TAB211", "setup", "setups.csv")
    _check_roles(cells, setups, roles, start, end)
    face = cells.counts("face", 1, (1, 2))
    if "face" in cells.table.columns:
        needed = cells.given("circle") | cells.given("zenith")  # distances are the same on both
        for row in rows_where(needed & ~cells.given("face")):
            cells.mistake(row, "face", "TAB208", "There is no face", "Write 1 or 2.")
    circle, zenith = cells.angles("circle"), cells.angles("zenith")
    slope, horizontal = cells.lengths("slope"), cells.lengths("horizontal")
    for row in rows_where((circle <= -TURN) | (circle > TURN)):
        found = f"The circle reading {quoted(cells.text('circle')[row])} is more than a turn"
        cells.mistake(row, "circle", "TAB219", found, "Circle readings lie between 0 and a full turn.")
    _check_zeniths(cells, zenith, face)
    for name, values in (("slope", slope), ("horizontal", horizontal)):
        for row in rows_where(values <= 0):
            what = "negative" if values[row] < 0 else "zero"
            found = f"The distance {quoted(cells.text(name)[row])} is {what}"
            cells.mistake(row, name, "TAB218", found, "Leave it blank if none was measured.")
    for row in rows_where(cells.given("slope") & cells.given("horizontal")):
        found = "Both a slope and a horizontal distance are given"
        wanted = "Keep the one that was measured."
        slope_cell, cell = cells.text("slope")[row], cells.text("horizontal")[row]
        if cell.isdigit() and slope_cell.isdigit():
            wanted += f" If {slope_cell}.{cell} is meant: the decimal mark is a point."
        cells.mistake(row, "horizontal", "TAB220", found, wanted)
    return Sights(
        id=cells.names("id"),
        start=start,
        end=end,
        round=cells.counts("round", 1),
        face=face,
        circle=circle,
        zenith=zenith,
        slope=slope,
        horizontal=horizontal,
    )


def _check_roles(cells: Cells, setups: Setups, roles: Sequence[str], start: Ints, end: Ints) -> None:
    """From an instrument to a target, and not on the same mark."""
    if not len(setups):
        return
    for column, index, wanted in (("from", start, "instrument"), ("to", end, "target")):
        other = "target" if wanted == "instrument" else "instrument"
        wrong = np.array([role == other for role in roles], dtype=bool)
        for row in rows_where((index >= 0) & wrong[index]):
            found = f"{quoted(cells.text(column)[row])} is {_a(other)} setup"
            cells.fault(row, column, "TAB221", found, f"{column} names {_a(wanted)} setup.")
    same = (start >= 0) & (end >= 0) & (setups.mark[start] == setups.mark[end]) & (setups.mark[start] >= 0)
    for row in rows_where(same):
        found = f"{cells.text('from')[row]} and {cells.text('to')[row]} stand on the same mark"
        cells.mistake(row, "to", "TAB222", found, "See the marks of the two setups.")


def _check_zeniths(cells: Cells, zenith: np.ndarray[tuple[int], np.dtype[np.float64]], face: Ints) -> None:
    """Face 1 reads below half a turn, face 2 above."""
    half = math.pi
    fits_one, fits_two = (zenith > 0) & (zenith < half), (zenith > half) & (zenith < TURN)
    for row in rows_where(~np.isnan(zenith) & np.where(face == 1, ~fits_one, ~fits_two)):
        found = f"The zenith angle {quoted(cells.text('zenith')[row])} can't be of face {face[row]}"
        other = fits_two[row] if face[row] == 1 else fits_one[row]
        wanted = f"It would fit face {3 - face[row]}."
        if not other:
            wanted = "Zenith angles count from the vertical down: face 1 below, face 2 above half a turn."
        cells.mistake(row, "zenith", "TAB219", found, wanted)


def read_reduced(cells: Cells, marks: dict[str, int] | None, earth: bool = False) -> Reduced:
    """Observations between marks; value and sigma in the unit of their kind. `earth`: what azimuths and distances refer
    to must be said.
    """
    cells.identities("id")
    kind = cells.choices("kind", list(REFERENCES))
    length = cells.lengths("length")
    start = cells.indices("from", marks, "TAB210", "mark", "marks.csv")
    at = cells.indices("at", marks, "TAB210", "mark", "marks.csv", required=False)
    end = cells.indices("to", marks, "TAB210", "mark", "marks.csv")
    given = cells.given("at")
    values, sigmas = [], []
    for row, name in enumerate(kind):
        if name == "angle" and not given[row]:
            cells.fault(row, "at", "TAB226", "An angle needs the mark at which it stands", "Name it.")
        elif name and name != "angle" and given[row]:
            cells.fault(row, "at", "TAB226", f"{_a(name).capitalize()} stands at no mark", "Leave at blank.")
        ends = [i for i in (start[row], at[row], end[row]) if i >= 0]
        if len(set(ends)) < len(ends):
            cells.fault(row, "to", "TAB222", "It runs from a mark to itself", "See from, at and to.")
        values.append(repeated(cells, row, name, _value(cells, row, name)))
        sigmas.append(_sigma(cells, row, name, float(length[row])))
    return Reduced(
        id=cells.names("id"),
        kind=referred(cells, kind, earth),
        start=start,
        at=at,
        end=end,
        value=np.array(values, dtype=float),
        sigma=np.array(sigmas, dtype=float),
    )


def _value(cells: Cells, row: int, kind: str) -> float:
    cell = cells.text("value")[row]
    if not cell:
        cells.mistake(row, "value", "TAB208", "There is no value", "Give what was observed.")
    if not cell or not kind or cells.units is None:
        return math.nan
    angle = kind in ("azimuth", "angle")
    try:
        value = cells.units.parse_angle(cell) if angle else cells.units.parse_length(cell)
    except Unreadable as error:
        cells.mistake(row, "value", "TAB205" if angle else "TAB204", error.found, error.wanted)
        return math.nan
    if angle and not -TURN < value <= TURN:
        cells.mistake(
            row, "value", "TAB219", f"{quoted(cell)} is more than a turn", "Write it within one turn."
        )
    if kind == "horizontal" and value <= 0:
        what = "negative" if value < 0 else "zero"
        cells.mistake(row, "value", "TAB218", f"The distance {quoted(cell)} is {what}", "See the value.")
    return value


def _sigma(cells: Cells, row: int, kind: str, length: float) -> float:
    """The sigma of a row; of a rise also by its length: σ = σ_km·√(L / 1 km).

    Errors of the set-ups of a levelled line add up as those of independent steps do (common practice, no source).
    """
    cell = cells.text("sigma")[row]
    if not cell:
        cells.mistake(row, "sigma", "TAB208", "There is no sigma", "Give it with its unit: 1.2 mm, 3 arcsec.")
    if not cell or not kind:
        return math.nan
    try:
        per_km = parse_sigma_per_km(cell) if "km" in cell else None
        if per_km is not None:
            return per_km * math.sqrt(_line(cells, row, kind, length) / 1000.0)
        return parse_sigma_angle(cell) if kind in ("azimuth", "angle") else parse_sigma_length(cell)
    except Unreadable as error:
        cells.mistake(row, "sigma", "TAB224", f"Sigma of {_a(kind)}: {error.found}", error.wanted)
        return math.nan


def _line(cells: Cells, row: int, kind: str, length: float) -> float:
    """The length of a levelled line, m; NaN with a fault where there is none."""
    if kind != "rise":
        found = f"A sigma per root of a kilometre is for rises, not for {_a(kind)}"
        cells.mistake(row, "sigma", "TAB224", found, "Give the sigma of the row itself.")
    elif not cells.given("length")[row]:
        found = "The sigma is per root of a kilometre, and the line has no length"
        cells.mistake(row, "length", "TAB208", found, "Give the length of the line: 350, or 0.35 km.")
    elif length <= 0:
        what = "negative" if length < 0 else "zero"
        cells.mistake(row, "length", "TAB218", f"The length of the line is {what}", "See the length.")
    else:
        return length
    return math.nan


def read_vectors(
    cells: Cells, marks: dict[str, int] | None, setups: Setups, names: dict[str, int] | None, job: JobFile
) -> tuple[Vectors, Sessions]:
    """Coordinate differences between marks or setups, with their covariance, and the sessions they were made in."""
    cells.identities("id")
    known = marks is not None and names is not None
    marks, names = marks or {}, names or {}
    ends = {}
    for column in ("from", "to"):
        at_mark = [marks.get(c, -1) for c in cells.text(column)]
        at_setup = [names.get(c, -1) for c in cells.text(column)]
        if known:
            _check_ends(cells, column, at_mark, at_setup, [*marks, *names])
        of_setup = [int(setups.mark[s]) if s >= 0 else m for m, s in zip(at_mark, at_setup, strict=True)]
        ends[column] = (np.array(of_setup, dtype=np.int64), np.array(at_setup, dtype=np.int64))
    for row, (a, b) in enumerate(zip(ends["from"][0], ends["to"][0], strict=True)):
        if a == b and a >= 0:
            cells.mistake(row, "to", "TAB222", "The vector runs from a mark to itself", "See from and to.")
    geocentric = "earth" in (job.settings.frame, job.site.get("frame"))  # also where its site is at fault
    wanted = GEOCENTRIC if geocentric else LOCAL
    _check_frame(cells, wanted, LOCAL if geocentric else GEOCENTRIC)
    difference = np.stack([cells.lengths(c) for c in wanted], axis=1)
    for column in (c for c in wanted if c in cells.table.columns):
        for row in rows_where(~cells.given(column)):
            cells.mistake(row, column, "TAB208", f"There is no {column}", "A vector has three components.")
    session, sessions = _sessions(cells, job)
    vectors = Vectors(
        id=cells.names("id"),
        start_mark=ends["from"][0],
        end_mark=ends["to"][0],
        start_setup=ends["from"][1],
        end_setup=ends["to"][1],
        difference=difference,
        covariance=_covariances(cells),
        session=session,
        geocentric=np.full(len(cells), geocentric),
    )
    return vectors, sessions


def _check_frame(cells: Cells, wanted: tuple[str, ...], others: tuple[str, ...]) -> None:
    """The differences must be those of the job's frame."""
    table = cells.table
    there = [c for c in others if c in table.columns]
    lost = [c for c in wanted if c not in table.columns and c not in table.told]
    if lost and there:
        geocentric = wanted == GEOCENTRIC
        found = f"The columns {listed(there)} are of the {'plane' if geocentric else 'earth'} frame"
        cure = "write another frame in [site]" if geocentric else 'write frame = "earth" and crs in [site]'
        cells.faults.add(table.file, 1, "", "TAB233", found, f"Give {listed(wanted)}, or {cure}.")
    elif lost:
        found = (
            f"The column {lost[0]} is missing"
            if len(lost) == 1
            else f"The columns {listed(lost)} are missing"
        )
        cells.faults.add(
            table.file, 1, "", "TAB201", found, f"Add them. The header has {listed(table.columns)}."
        )


def _sessions(cells: Cells, job: JobFile) -> tuple[Ints, Sessions]:
    """Session of every vector, −1 where blank. A job that states sessions states all; otherwise a name is just a label."""
    names = dict.fromkeys(job.sessions)
    if not names:
        names = dict.fromkeys(filter(None, cells.text("session")))
    rows = {name: i for i, name in enumerate(names)}
    specs = [job.sessions.get(name) or SessionKeys() for name in names]
    columns: dict[str, Any] = {
        key: [getattr(s, key) for s in specs] for key in ("scale_sigma", "turn_sigma", "tilt_sigma")
    }
    session = cells.indices("session", rows, "TAB246", "session", "job.toml", required=False)
    return session, Sessions(**columns | {"session": list(names)})


def _check_ends(cells: Cells, column: str, marks: list[int], setups: list[int], known: list[str]) -> None:
    nearest = Nearest(known)
    for row, cell in enumerate(cells.text(column)):
        if marks[row] >= 0 and setups[row] >= 0:
            found = f"{quoted(cell)} is a mark and a setup"
            cells.fault(row, column, "TAB230", found, "Give the setup another name.")
        elif not cell:
            cells.fault(row, column, "TAB208", f"There is no {column}", "Name a mark or a setup.")
        elif marks[row] < 0 and setups[row] < 0:
            wanted = nearest.advice(cell, f"Known: {listed(known)}.")
            cells.fault(row, column, "TAB211", f"There is no mark or setup {quoted(cell)}", wanted)


def _covariances(cells: Cells) -> np.ndarray[tuple[int, int, int], np.dtype[np.float64]]:
    covariance = np.zeros((len(cells), 3, 3))
    complete: Flags = np.ones(len(cells), dtype=bool)
    for i, j in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)):
        column = f"cov_{i + 1}{j + 1}"
        values, given = cells.numbers(column), cells.given(column)
        if i == j:
            for row in rows_where(~given):
                cells.mistake(row, column, "TAB208", "There is no variance", "Give it in m².")
            complete &= given
        complete &= ~(given & np.isnan(values))
        covariance[:, i, j] = covariance[:, j, i] = np.where(given, values, 0.0)
    for row in rows_where(complete):
        block = covariance[row]
        scale = np.sqrt(np.clip(np.diag(block), 0.0, None))
        scale = np.where(scale > 0, scale, 1.0)
        # in correlations, so that rounding of printed digits is judged alike for mm and m
        if np.linalg.eigvalsh(block / np.outer(scale, scale)).min() < -1e-6:
            found = "The covariance can't be one: a combination of the components has a negative variance"
            cells.mistake(row, "cov_11", "TAB225", found, "See the six terms and their signs.")
    return covariance


def _a(word: str) -> str:
    return ("an " if word[0] in "aeiou" else "a ") + word

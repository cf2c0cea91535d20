"""A job that hubtack wrote as LandXML, read back from its Features (see `writers/landxml`): the same tables again."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from hubtack.io.readers.columns import TABLES
from hubtack.io.readers.jobkeys import NAMED, SECTIONS
from hubtack.io.readers.tables import TextTable

from ..faults import Spot
from ..units import Units
from .bookunits import unpack
from .landxml_units import FileUnits, cells_in
from .tomltext import toml
from .xmlfile import children, everywhere, first, line_of, properties

if TYPE_CHECKING:
    from collections.abc import Callable

    from lxml.etree import _Element

_TO_COLUMN = {
    "circle": "horizAngle",
    "zenith": "zenithAngle",
    "slope": "slopeDistance",
    "horizontal": "horizDistance",
}
_ANGLES = ("circle", "zenith")


def is_own(root: _Element) -> bool:
    """Whether a file holds a whole job of ours."""
    header = first(root, "Survey", "SurveyHeader")
    return header is not None and any(True for _ in _features(header, "job"))


def _features(parent: _Element, what: str) -> list[_Element]:
    return [f for f in children(parent, "Feature") if f.get("code") == f"hubtack {what}"]


def job_text(root: _Element) -> tuple[str, list[int]]:
    """job.toml as it was, and for each of its lines the line of the file that it comes from."""
    header = first(root, "Survey", "SurveyHeader")
    assert header is not None  # is_own has looked
    lines: list[str] = []
    places: list[int] = []

    def add(element: _Element, *texts: str) -> None:
        lines.extend(texts)
        places.extend([line_of(element)] * len(texts))

    for feature in _features(header, "job"):
        given = properties(feature)
        add(feature, f"format = {given.get('format', '1')}", "[job]")
        if given.get("name"):
            add(feature, f"name = {toml(given['name'])}")
        add(feature, "[units]", *(f"{k} = {toml(given[k])}" for k in ("length", "angle") if k in given))
    for section in ("site", "tests"):
        for feature in _features(header, section):
            add(feature, f"[{section}]", *_keys(SECTIONS[section], properties(feature)))
    for feature in _features(header, "datum"):
        marks = [p.get("value", "") for p in children(feature, "Property") if p.get("label") == "mark"]
        add(feature, "[datum]", f"marks = [{', '.join(map(toml, marks))}]")
    pairs = [(f, properties(f)) for f in _features(header, "pair")]
    if pairs:
        texts = [f"[{toml(p.get('from', ''))}, {toml(p.get('to', ''))}]" for _, p in pairs]
        add(pairs[0][0], "[relative]", f"pairs = [{', '.join(texts)}]")
    for what in ("instrument", "support", "target", "session"):
        section = f"{what}s"
        for feature in _features(header, what):
            name = feature.get("name", "")
            if what == "target" and name == "prism":
                continue  # exists without being stated
            add(feature, f"[{section}.{toml(name)}]", *_keys(NAMED[section], properties(feature)))
    for feature in _features(header, "together"):
        every = [(p.get("label", ""), p.get("value", "")) for p in children(feature, "Property")]
        names = ", ".join(toml(value) for label, value in every if label == "constant")
        correlation = ", ".join(f"[{', '.join(v.split())}]" for label, v in every if label == "row")
        add(feature, "[[together]]", f"constants = [{names}]", f"correlation = [{correlation}]")
    for feature in _features(header, "decision"):
        given = properties(feature)
        add(feature, "[[decision]]", f"{given.get('action', 'leave_out')} = {toml(given.get('what', ''))}")
        add(feature, *(f"{k} = {toml(given[k])}" for k in ("value", "reason", "by") if given.get(k)))
    return "\n".join(lines) + "\n", places


def _keys(section: type, given: dict[str, str]) -> list[str]:
    """Properties as lines of a section; numbers without quotation marks."""
    kinds = {f.name: f.metadata["kind"] for f in dataclasses.fields(section)}
    return [f"{k} = {v if kinds.get(k) == 'number' else toml(v)}" for k, v in given.items()]


def tables(root: _Element, file: str, units: Units, in_file: FileUnits) -> dict[str, TextTable]:
    """The tables as they were, before any decision."""
    length, angle, _ = cells_in(units, in_file)
    survey = first(root, "Survey")
    assert survey is not None  # is_own has looked
    rows: dict[str, list[tuple[int, dict[str, str], int]]] = {name: [] for name in TABLES}
    for points in children(root, "CgPoints"):
        for feature in _features(points, "mark"):
            rows["marks"].append((len(rows["marks"]), properties(feature), line_of(feature)))
    for setup in everywhere(survey, "TargetSetup", "InstrumentSetup"):
        for feature in _features(setup, "setup"):
            number = setup.get("id", "").rpartition("-")[2]
            order = int(number) if number.isascii() and number.isdigit() and len(number) < 10 else 10**9
            rows["setups"].append((order, _before(properties(feature)), line_of(setup)))
    for sight in everywhere(survey, "RawObservation"):
        for feature in _features(sight, "sight"):
            given = _before(properties(feature))
            for column, attribute in _TO_COLUMN.items():
                text = str(sight.get(attribute, ""))
                given[column] = angle(text) if column in _ANGLES and text else length(text) if text else ""
            number = given.get("row", "")
            order = int(number) if number.isascii() and number.isdigit() and len(number) < 10 else 10**9
            rows["sights"].append((order, given, line_of(sight)))
    for name, what in (("reduced", "reduced"), ("vectors", "vector")):
        for feature in _features(survey, what):
            given = properties(feature)
            if given.get("kind") in ("azimuth", "angle") and in_file.angle == "packed":
                given["value"] = unpack(given.get("value", "")) or given.get("value", "")
            rows[name].append((len(rows[name]), given, line_of(feature)))
    return {name: _table(name, found, file) for name, found in rows.items() if found}


def _before(given: dict[str, str]) -> dict[str, str]:
    """Cells as they were before the decisions that the header lists: those are applied again."""
    for label in [k for k in given if k.startswith("before ")]:
        cell = given[label]
        given[label.removeprefix("before ")] = "" if cell == "blank" else cell
    return given


def _table(name: str, rows: list[tuple[int, dict[str, str], int]], file: str) -> TextTable:
    rows.sort(key=lambda row: row[0])
    columns = {
        c.name: [given.get(c.name, "") for _, given, _ in rows]
        for c in TABLES[name]
        if c.required or any(given.get(c.name) for _, given, _ in rows)
    }
    if name == "sights":
        columns.setdefault("face", [""] * len(rows))
    return TextTable(
        f"{name}.csv", columns, [line for _, _, line in rows], spots=spots(file, [r[2] for r in rows])
    )


def spots(file: str, lines: list[int]) -> Callable[[int, str], Spot]:
    """Where the rows of a table stand in the file: `day.xml:812`."""
    return lambda row, column: Spot(file, lines[row], column)

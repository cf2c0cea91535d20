"""What a job's files hold, in words: made from the same descriptions as the reader, so it can't fall behind."""

from __future__ import annotations

import dataclasses
import textwrap
from typing import Any

from hubtack.io.readers.columns import BESIDE, TABLES, InputColumn
from hubtack.io.readers.jobkeys import LISTS, NAMED, QUANTITIES, SECTIONS

FILES = ("job.toml", *(f"{name}.csv" for name in TABLES))
_PURPOSE = {
    "marks": "Physical points. Control is held or weighted; coordinates of other marks are start values only.",
    "setups": "One row a placing of a device on a mark, instrument or target. Needed with sights.csv.",
    "sights": "Raw readings, one row a pointing on one face, from an instrument setup to a target setup.",
    "reduced": "Observations between marks: rise, horizontal distance, azimuth, angle.",
    "vectors": "Coordinate differences between marks or setups, with their covariance.",
    "scanner": "Targets as a scanner saw them, in its own frame: for hubtack register, beside the job's tables.",
}
_RULES = """\
Tables are CSV in UTF-8; the separator (comma, semicolon, tab) is told from the header. Columns may stand in any order,
and those that are not marked as needed may be absent. The decimal mark is a point. A bare number is in the job's unit;
a cell may carry its own: 1.5 mm, 5.02 ft, 3 arcsec, 12 gon, 123°45'06.7"."""


_BOOK = """\
field book  One table with headers of its own in the place of setups.csv and sights.csv; it stays as
it is.

[columns] in job.toml names its file and maps our keys to its headers:

    [columns]
    file = "book.csv"
    from_mark = "Stn"       # mark under the instrument; hi, from_support, from_device go with it
    hi = "HI [m]"           # units in brackets at the end of a header hold for the bare numbers below it
    to_mark = "Pt"          # mark under the target; ht, to_support, to_device go with it
    ht = "HT [m]"
    circle = "Hz (gon)"
    zenith = "V (gon)"
    slope = "SD"

The separator, decimal commas, UTF-8 and UTF-16 are told from the file; other encodings are asked
for. The job's first instrument and first support stand in for a column that the book lacks. Setups
that the book does not name (from_setup, to_setup) are inferred: rows of one mark, support, device
and height are one setup; blank rows, any change, or for a target the next instrument setup, start a
new one. With same_target = "until height or support changes" a target stays one setup though the
instrument moves on. No book shows whether a target stayed or was set up anew at the same height:
the result names such marks, and a column to_setup may name those alone that the rule gets wrong.
A blank cell under the instrument means "as above". Marks that are not in marks.csv are new ones.
hubtack new --from BOOK JOB guesses all this and writes tables for correction."""
_WORKBOOK = """\
workbook  A job as one day.xlsx: sheets named marks, setups, sights, reduced, vectors with the same
columns as the tables, and a sheet job whose first column holds the lines of job.toml.

Other sheets are passed over. Numbers may be stored as text. Cells in which a spreadsheet made a
date of a reading, shows an error, or has not computed a formula are faults: day.xlsx:sights!F14.
Results go to day-out beside the workbook."""
_LANDXML = """\
landxml  LandXML 1.0, 1.1 or 1.2. A file that hubtack wrote (--write landxml) is a job by itself:
hubtack adjust day.xml.

A survey of another program says nothing about supports and sigmas. Either hubtack new --from
day.xml JOB writes it out as tables, or a job.toml names it, with instruments and supports:

    [source]
    landxml = "day.xml"
    to_support = "pole"

marks.csv beside it goes before the points of the file. Observations marked as unused are left out
by decisions."""
_OTHERS = {
    "book": _BOOK, "book.csv": _BOOK, "field book": _BOOK, "columns": _BOOK,
    "workbook": _WORKBOOK, "xlsx": _WORKBOOK, "landxml": _LANDXML, "xml": _LANDXML, "source": _LANDXML,
}  # fmt: skip


def describe(name: str) -> str | None:
    """The format of one file (`sights.csv`, `sights`, `job.toml`, `field book`), or of all (`format`); else None."""
    name = name.strip().lower()
    if name == "format":
        return "\n\n".join(filter(None, map(describe, (*FILES, "book", "workbook", "landxml"))))
    if name in _OTHERS:
        return _OTHERS[name]
    if name in ("job.toml", "job"):
        return _job()
    table = name.removesuffix(".csv")
    known = TABLES | BESIDE
    return _table(table, known[table]) if table in known else None


def _table(name: str, schema: tuple[InputColumn, ...]) -> str:
    rows = [
        (c.name, "needed" if c.required else "", c.words + (f" ({c.unit})" if c.unit else "")) for c in schema
    ]
    return "\n".join([f"{name}.csv  {_PURPOSE[name]}", "", *_columns(rows), "", *textwrap.wrap(_RULES, 100)])


def _job() -> str:
    lines = [
        "job.toml  What is not a reading: units, instruments, supports, targets, choices, decisions.",
        "",
    ]
    lines += ["format = 1"]
    sections = [(f"[{name}]", keys) for name, keys in SECTIONS.items()]
    sections += [(f"[{name}.NAME]", keys) for name, keys in NAMED.items()]
    sections += [(f"[[{name}]]", keys) for name, keys in LISTS.items()]
    for header, keys in sections:
        rows = [(f.name, *_need_and_words(f)) for f in dataclasses.fields(keys)]
        lines += ["", header, *_columns(rows)]
    return "\n".join(lines)


def _need_and_words(f: dataclasses.Field[Any]) -> tuple[str, str]:
    """Whether a key is needed, and its words with what may be written."""
    kind, choices = f.metadata["kind"], f.metadata["choices"]
    if choices:
        example = " | ".join(choices)
    elif kind in QUANTITIES:
        example = f'"{QUANTITIES[kind][1]}"'
    else:
        example = {
            "number": "0.5",
            "names": '["A", "B"]',
            "pairs": '[["A", "B"]]',
            "rows of numbers": "[[0.5], [0.1, 0.2]]",
        }.get(kind, "text")
    if kind == "number" and isinstance(f.default, int | float):
        example = f"default {f.default:g}"
    elif choices and isinstance(f.default, str):
        example += f"; default {f.default}"
    return "needed" if f.default is dataclasses.MISSING else "", f"{f.metadata['words']}: {example}"


def _columns(rows: list[tuple[str, str, str]]) -> list[str]:
    width = max(len(row[0]) for row in rows)
    lines = []
    for name, need, words in rows:
        first, *more = textwrap.wrap(words, 100 - width - 12)
        lines += [f"  {name:<{width}}  {need:<6}  {first}", *(" " * (width + 12) + line for line in more)]
    return lines

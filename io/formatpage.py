"""What a job's files hold, in words: made from the same descriptions as the reader, so it can't fall behind."""

from __future__ import annotations

import dataclasses
import textwrap
from typing import Any

from .columns import TABLES, InputColumn
from .jobkeys import NAMED, QUANTITIES, SECTIONS, DecisionKeys

FILES = ("job.toml", *(f"{name}.csv" for name in TABLES))
_PURPOSE = {
    "marks": "Physical points. Control is held or weighted; coordinates of other marks are start values only.",
    "setups": "One row a placing of a device on a mark, instrument or target. Needed with sights.csv.",
    "sights": "Raw readings, one row a pointing on one face, from an instrument setup to a target setup.",
    "reduced": "Observations between marks: rise, horizontal distance, azimuth, angle.",
    "vectors": "Coordinate differences between marks or setups, with their covariance.",
}
_RULES = """\
Tables are CSV in UTF-8; the separator (comma, semicolon, tab) is told from the header. Columns may stand in any order,
and those that are not marked as needed may be absent. The decimal mark is a point. A bare number is in the job's unit;
a cell may carry its own: 1.5 mm, 5.02 ft, 3 arcsec, 12 gon, 123°45'06.7"."""


def describe(name: str) -> str | None:
    """The format of one file (`sights.csv`, `sights`, `job.toml`), or of all (`format`); None for anything else."""
    name = name.strip().lower()
    if name == "format":
        return "\n\n".join(filter(None, map(describe, FILES)))
    if name in ("job.toml", "job"):
        return _job()
    table = name.removesuffix(".csv")
    return _table(table, TABLES[table]) if table in TABLES else None


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
    sections += [(f"[{name}.NAME]", keys) for name, keys in NAMED.items()] + [("[[decision]]", DecisionKeys)]
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
        example = {"number": "0.5", "names": '["A", "B"]', "pairs": '[["A", "B"]]'}.get(kind, "text")
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

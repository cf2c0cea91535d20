"""The columns and keys in README.md, made from what the reader itself goes by.

python -m tests.golden.readme_tables          writes them anew
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

from hubtack.io.readers import columns, jobkeys

README = Path(__file__).resolve().parents[2] / "README.md"
UNITS = {
    "length": "length", "angle": "angle", "ratio": "ppm", "sigma of a length": "length",
    "air": "°C, hPa, %", "wavelength": "nm",
    "angle of either sign": "angle", "ratio of either sign": "ppm", "rows of numbers": "numbers",
    "sigma of a distance": "length + ppm", "names": "names", "pairs": "pairs of names",
}  # fmt: skip
IN_ONE_ROW = {"columns": "reading a flat field book: each names a header, or says how the book is written"}


def column_table() -> str:
    """One row a table; the columns that must be there in bold, first."""
    lines = ["| table | columns (**needed**) |", "|---|---|"]
    for name, table in (columns.TABLES | columns.BESIDE).items():
        needed = ", ".join(c.name for c in table if c.required)
        others = ", ".join(c.name for c in table if not c.required)
        lines.append(f"| `{name}.csv` | **{needed}**, {others} |")
    return "\n".join(lines)


def key_table() -> str:
    """One row a key of job.toml."""
    lines = [
        "| section | key | unit | default | meaning |",
        "|---|---|---|---|---|",
        "| | `format` | | needed | 1 |",
    ]
    sections = [(f"`[{name}]`", keys, IN_ONE_ROW.get(name)) for name, keys in jobkeys.SECTIONS.items()]
    sections += [(f"`[{name}.NAME]`", keys, None) for name, keys in jobkeys.NAMED.items()]
    sections += [(f"`[[{name}]]`", keys, None) for name, keys in jobkeys.LISTS.items()]
    for head, keys, words in sections:
        fields = dataclasses.fields(keys)
        if words is not None:
            lines.append(f"| {head} | {', '.join(f'`{f.name}`' for f in fields)} | | | {words} |")
            continue
        for f in fields:
            lines.append(
                f"| {head} | `{f.name}` | {UNITS.get(f.metadata['kind'], '')} | {default(f)} | {meaning(f)} |"
            )
            head = ""
    return "\n".join(line.replace("|  |", "| |").replace("|  |", "| |") for line in lines)


def default(f: dataclasses.Field[object]) -> str:
    """What a key is where it is absent."""
    if f.default is dataclasses.MISSING:
        return "needed"
    if isinstance(f.default, str):
        return f"`{f.default}`" if f.default else ""
    return f"{f.default:g}" if isinstance(f.default, int | float) else ""


def meaning(f: dataclasses.Field[object]) -> str:
    """The reader's words, and what may be chosen."""
    choices = ", ".join(f"`{c}`" for c in f.metadata["choices"])
    return str(f.metadata["words"]).replace("|", "\\|") + (f": {choices}" if choices else "")


PARTS = {"columns": column_table, "keys": key_table}


def marks(part: str) -> tuple[str, str]:
    """The comments between which a part stands."""
    return f"<!-- {part}: python -m tests.golden.readme_tables -->\n\n", f"\n\n<!-- end of {part} -->"


def written(part: str) -> str:
    """What README.md has of a part."""
    start, end = marks(part)
    return README.read_text(encoding="utf-8").split(start)[1].split(end)[0]


def write() -> None:
    """Put the tables between their marks in README.md."""
    text = README.read_text(encoding="utf-8")
    for part, make in PARTS.items():
        start, end = marks(part)
        before, rest = text.split(start)
        text = before + start + make() + end + rest.split(end)[1]
    README.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    write()

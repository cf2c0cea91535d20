"""Rows of words on a terminal: 80 columns of plain text, colour only where there is a terminal that shows
it."""

from __future__ import annotations

import os
import textwrap
import unicodedata
from collections.abc import Iterable, Mapping
from typing import TextIO

from hubtack.io.pages.words import Row, Section, Sign

WIDTH = 80
_SIGNS: dict[str, tuple[str, str]] = {
    "ok": ("✓", "+"),
    "flagged": ("✗", "x"),
    "watch": ("!", "!"),
    "": (" ", " "),
}
_COLOURS = {"ok": "\x1b[32m", "flagged": "\x1b[1;31m", "watch": "\x1b[33m", "bold": "\x1b[1m"}
_PLAIN = str.maketrans({"→": ">", "−": "-", "…": "~", "°": " deg"})
_WIDEST = 24  # columns of one cell of a table


def wants_colour(stream: TextIO, environment: Mapping[str, str] | None = None) -> bool:
    """FORCE_COLOR and NO_COLOR decide where they are set and not empty (NO_COLOR wins); else a terminal
    does."""
    environment = os.environ if environment is None else environment
    if environment.get("NO_COLOR"):
        return False
    if environment.get("FORCE_COLOR"):
        return True
    return stream.isatty() and environment.get("TERM") != "dumb"


def as_text(title: str, sections: Iterable[Section], colour: bool = False, unicode: bool = True) -> str:
    """The sections as lines of at most 80 columns, the verdict apart from the rest by an empty line."""
    lines = [_bold(line, colour) for line in textwrap.wrap(_clean(title, unicode), WIDTH)]
    for section in sections:
        if section.key == "verdict":
            lines += [line for row in section.rows for line in _sentence(row, colour, unicode)] + [""]
            continue
        lines.append(_bold(_clean(section.title, unicode), colour))
        lines += _table(section, colour, unicode) if section.headings else _list(section, colour, unicode)
    return "\n".join(lines).rstrip() + "\n"


def line(sign: Sign, words: str, name: str, colour: bool, unicode: bool) -> str:
    """The verdict on one job in one line, however long."""
    return f"{_sign(sign, colour, unicode)} {_clean(name, unicode)}: {words}"


def speaks_unicode(stream: TextIO) -> bool:
    """Whether the stream can take the signs."""
    try:
        "✓✗→−".encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _sentence(row: Row, colour: bool, unicode: bool) -> list[str]:
    lines = textwrap.wrap(_clean(" ".join(row.words), unicode), WIDTH - 4, break_on_hyphens=False)
    sign = _sign(row.sign, colour, unicode)
    return [f"  {sign} {line}" if k == 0 else f"    {line}" for k, line in enumerate(lines)]


def _table(section: Section, colour: bool, unicode: bool) -> list[str]:
    count = len(section.headings)
    headings = [_clean(h, unicode) for h in section.headings]
    cells = [[_clean(w, unicode) for w in r.words] for r in section.rows if len(r.words) == count]
    for widest in range(_WIDEST, 4, -1):
        rows = [[_shortened(cell, widest) for cell in row] for row in cells]
        widths = [max(_width(r[k]) for r in [headings, *rows]) for k in range(count)]
        if sum(widths) + 2 * count + 2 <= WIDTH:
            break
    # Numbers stand to the right.
    right = [all(_is_number(r[k]) for r in rows) for k in range(count)]
    lines = ["    " + _joined(headings, widths, right)]
    signs = [_sign(r.sign, colour, unicode) for r in section.rows if len(r.words) == count]
    lines += [f"  {sign} {_joined(row, widths, right)}" for sign, row in zip(signs, rows, strict=True)]
    lines += _more(section)
    return lines + [x for r in section.rows if len(r.words) != count for x in _sentence(r, colour, unicode)]


def _list(section: Section, colour: bool, unicode: bool) -> list[str]:
    return [line for row in section.rows for line in _sentence(row, colour, unicode)] + _more(section)


def _more(section: Section) -> list[str]:
    return [f"    and {section.more} more"] if section.more else []


def _joined(cells: Iterable[str], widths: list[int], right: list[bool]) -> str:
    padded = []
    for cell, width, to_right in zip(cells, widths, right, strict=True):
        room = " " * (width - _width(cell))
        padded.append(room + cell if to_right else cell + room)
    return "  ".join(padded).rstrip()


def _is_number(cell: str) -> bool:
    return not cell.strip("+-.0123456789 ")


def _shortened(cell: str, widest: int) -> str:
    if _width(cell) <= widest:
        return cell
    while _width(cell) >= widest:
        cell = cell[:-1]
    return cell + ("~" if cell.isascii() else "…")


def _clean(text: str, unicode: bool) -> str:
    """Control characters in a user's names would steer the terminal: shown as a question mark."""
    if not text.isprintable():
        text = "".join("?" if unicodedata.category(c) in ("Cc", "Cf", "Cs") else c for c in text)
    return text if unicode else text.translate(_PLAIN).encode("ascii", "replace").decode()


def _width(text: str) -> int:
    """Columns that a terminal gives a text: two for wide characters, none for combining ones."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text
    )


def _sign(sign: Sign, colour: bool, unicode: bool) -> str:
    text = _SIGNS[sign][0 if unicode else 1]
    return f"{_COLOURS[sign]}{text}\x1b[0m" if colour and sign else text


def _bold(text: str, colour: bool) -> str:
    return f"{_COLOURS['bold']}{text}\x1b[0m" if colour else text

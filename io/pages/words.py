"""Rows of words: what the terminal and the report page both print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Sign = Literal["ok", "flagged", "watch", ""]


@dataclass(frozen=True)
class Row:
    """One line: a sign, and words (several where the section is a table)."""

    sign: Sign
    words: tuple[str, ...]


@dataclass(frozen=True)
class Section:
    """A title, rows, and how many more there were. `headings` makes a table of it."""

    key: str
    title: str
    rows: tuple[Row, ...]
    headings: tuple[str, ...] = ()
    more: int = 0


def joined(words: Sequence[str]) -> str:
    """`east`, `east and north`, `east, north and height`."""
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else words[0]

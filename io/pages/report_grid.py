"""A table of the report page: sorted, filtered and copied by the page's script, whole and readable without it.

Up to MOST_STILL rows stand in the page as rows, and the script works on those. Of longer tables the page shows that many,
flagged ones first, and holds all cells as data that the script pages through.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from hubtack.adjust.ground.table import Ints
from hubtack.io.pages.embed import visible
from hubtack.io.writers.sheets import Heading, Sheet

MOST_STILL = 600
_LONG = 26  # letters beyond which a column of text is broken into lines
_CUT = "\x1f"  # stands between cells while a row is escaped; `visible` leaves none in a text
_SIGNS = {"fits": "✓", "checked": "✓", "meets": "✓", "unchecked": "!", "cannot tell": "?", "left out": "–"}
VERDICTS = ("verdict", "checked")  # columns whose words get a sign


@dataclass(frozen=True)
class Grid:
    """Cells by column. `marks` are rows of the marks that a row of the table is about: one, or both ends of a sight."""

    key: str
    title: str
    headings: tuple[Heading, ...]
    columns: tuple[list[str], ...]
    flagged: frozenset[int] = frozenset()
    note: str = ""
    band: str = "flag"
    marks: tuple[Ints, ...] = ()

    @property
    def count(self) -> int:
        """How many rows there are."""
        return len(self.columns[0]) if self.columns else 0

    @property
    def cut(self) -> str:
        """What is said below a table whose rows do not all stand on a still page."""
        if self.count <= MOST_STILL:
            return ""
        return f"Shown are {MOST_STILL} of {self.count} rows, flagged ones first. The CSV file holds all."

    @property
    def html(self) -> Any:
        """The rows that stand on the still page."""
        from markupsafe import Markup

        rows = self._still()
        columns = [[c[i] for i in rows] for c in self.columns]
        lines = []
        for i, cells in zip(rows, zip(*columns, strict=True), strict=True):
            # end tags of cells and rows may be left out in HTML, and a third of the bytes with them
            text = escape(_CUT.join(cells), quote=False).replace(_CUT, "<td>")
            look = f" class={self.band}" if i in self.flagged else ""
            lines.append(f"<tr{look}><th scope=row>{text}")
        return Markup("\n".join(lines))

    def rules(self) -> str:
        """The look of its columns: numbers to the right, short words unbroken, long ones not too narrow."""
        looks: dict[str, list[int]] = {
            "text-align:right": [],
            "min-width:11rem": [],
            "white-space:nowrap": [],
        }
        for k, (heading, column) in enumerate(zip(self.headings, self.columns, strict=True), 1):
            if heading.number:
                looks["text-align:right"].append(k)
            if heading.number or max(map(len, column), default=0) <= _LONG:
                looks["white-space:nowrap"].append(k)
            else:
                looks["min-width:11rem"].append(k)
        within = {"white-space:nowrap": "tbody "}  # headings may be broken
        return "".join(
            f"#g-{self.key} {within.get(look, '')}tr>:is({','.join(_runs(places))}){{{look}}}"
            for look, places in looks.items()
            if places
        )

    def data(self) -> dict[str, Any]:
        """What the script needs beyond the rows on the page; all cells where those are not all."""
        found: dict[str, Any] = {"title": self.title, "numbers": [h.number for h in self.headings]}
        found |= {"heads": [str(h) for h in self.headings]}
        if self.marks:
            found["marks"] = [m.tolist() for m in self.marks]
        if self.cut:
            found |= {"band": self.band, "flagged": sorted(self.flagged)}
            found["columns"] = [_packed(c) for c in self.columns]
        return found

    def _still(self) -> list[int]:
        if not self.cut:
            return list(range(self.count))
        first = sorted(self.flagged)[:MOST_STILL]
        others = (i for i in range(self.count) if i not in self.flagged)
        return sorted([*first, *(i for _, i in zip(range(MOST_STILL - len(first)), others, strict=False))])


def _runs(places: list[int]) -> list[str]:
    """Selectors of columns by their places, which ascend: neighbours in one."""
    starts = [k for k in places if k - 1 not in places]
    ends = [k for k in places if k + 1 not in places]
    return [
        f":nth-child({a})" if a == b else f":nth-child(n+{a}):nth-child(-n+{b})"
        for a, b in zip(starts, ends, strict=True)
    ]


def grid(
    sheet: Sheet, key: str, columns: Sequence[int] = (), marks: Sequence[Ints] = (), title: str = ""
) -> Grid:
    """A sheet of the writers as a table of the page: with these of its columns, in this order; none: all."""
    chosen = tuple(columns) or tuple(range(len(sheet.headings)))
    headings = tuple(sheet.headings[c] for c in chosen)
    cells = sheet.columns
    return made(
        key,
        title or sheet.title,
        headings,
        [cells[c] for c in chosen],
        sheet.flagged,
        sheet.note + (" The CSV file has more columns." if len(chosen) < len(sheet.headings) else ""),
        sheet.band,
        tuple(marks),
    )


def made(
    key: str,
    title: str,
    headings: tuple[Heading, ...],
    columns: Sequence[Sequence[str]],
    flagged: frozenset[int] = frozenset(),
    note: str = "",
    band: str = "flag",
    marks: tuple[Ints, ...] = (),
) -> Grid:
    """A grid with its cells made visible, its verdicts signed, and no column in which nothing stands."""
    said = [k for k, column in enumerate(columns) if not k or any(column)]
    shown = tuple(_verdicts(columns[k]) if headings[k].words in VERDICTS else _seen(columns[k]) for k in said)
    return Grid(key, title, tuple(headings[k] for k in said), shown, flagged, note.strip(), band, marks)


def verdict(words: str) -> str:
    """A verdict with its sign: `✓ fits`, `✗ height flagged`."""
    if not words:
        return words
    sign = "✗" if "flagged" in words or words.startswith("misses") else _SIGNS.get(words, "")
    return f"{sign} {words}".strip()


def _verdicts(column: Sequence[str]) -> list[str]:
    signed = {words: verdict(words) for words in set(column)}
    return [signed[words] for words in column]


def _seen(column: Sequence[str]) -> list[str]:
    whole = "".join(column)
    if whole.isascii() and whole.isprintable():
        return list(column)
    return [visible(c).replace("\n", " ") for c in column]


def _packed(column: list[str]) -> str | dict[str, Any]:
    """A column as one text, a line a cell, or as its distinct texts and where they stand, whichever is shorter."""
    words = set(column)
    if 3 * len(words) > len(column):
        return "\n".join(column)
    place = {w: k for k, w in enumerate(sorted(words))}
    return {"words": list(place), "at": [place[c] for c in column]}

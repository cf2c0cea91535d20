"""results.xlsx: summary, coordinates, residuals and setups as sheets, ready to sort and print.

Numbers are cells of numbers, with the decimals that the CSV files show (those of coordinates are tied to the
smallest sigma); user text is only ever written as text, so no name runs as a formula. Same input, same bytes.
"""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from . import coordinates, residuals, setups
from .atomic import Refused
from .sheets import Sheet

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

FILE = "results.xlsx"
_CREATED = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)  # no clock: same input, same bytes
_WIDEST = 40  # characters of a column
_LONGEST = 32_767  # characters that a cell of the format holds
MOST_ROWS = 1_048_576  # of a sheet: the format's own limit


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write results.xlsx into `folder`. Raises atomic.Refused where a table has more rows than a sheet."""
    import xlsxwriter

    sheets = {
        "coordinates": coordinates.sheet(adjustment, job),
        "residuals": residuals.sheet(adjustment, job),
        "setups": setups.sheet(adjustment, job),
    }
    for name, sheet in sheets.items():
        if len(sheet.rows) + 3 > MOST_ROWS:
            found = f"workbook: {len(sheet.rows)} rows of {name} are more than a sheet holds."
            raise Refused("RUN423", found, f"Take {name}.csv, or leave workbook out.")
    options = {
        "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False, "in_memory": True,
    }  # fmt: skip
    with xlsxwriter.Workbook(str(folder / FILE), options) as book:
        book.set_properties({"title": job.name, "created": _CREATED.replace(tzinfo=None)})
        formats = _Formats(book)
        _summary(book.add_worksheet("summary"), formats, adjustment, job)
        for name, sheet in sheets.items():
            _table(book.add_worksheet(name), formats, sheet)


class _Formats:
    """Cell formats, each made once: by number format, and whether the row is rejected or to be watched."""

    def __init__(self, book: Any) -> None:
        self._book = book
        self._made: dict[tuple[str, str], Any] = {}
        self.heading = book.add_format(
            {"bold": True, "text_wrap": True, "valign": "top", "bottom": 1, "bg_color": "#E8EEF2"}
        )
        self.title = book.add_format({"bold": True, "font_size": 14})
        self.section = book.add_format({"bold": True, "top": 1})
        self.note = book.add_format({"italic": True, "text_wrap": True, "valign": "top"})

    def cell(self, number: str = "", band: str = "") -> Any:
        """Format of a cell; `number` such as 0.0000, `band` "flag" or "watch"."""
        if (number, band) not in self._made:
            look: dict[str, Any] = {"num_format": number} if number else {}
            if band:
                look |= {"bg_color": "#F7D4CF" if band == "flag" else "#FFF2CC", "bold": band == "flag"}
            self._made[number, band] = self._book.add_format(look)
        return self._made[number, band]


def _summary(page: Any, formats: _Formats, adjustment: Adjustment, job: Job) -> None:
    """The sections that the terminal prints, one cell a word."""
    from hubtack.io.pages.summary import summary
    from hubtack.io.pages.verdict import headline

    sign, words = headline(adjustment)
    _text(page, 0, 0, job.name, formats.title)
    _text(page, 1, 0, words, formats.cell("", "flag" if sign == "flagged" else ""))
    row = 3
    for section in summary(adjustment, job, most=12):  # a sheet has room
        _text(page, row, 0, section.title, formats.section)
        row += 1
        for column, heading in enumerate(section.headings):
            _text(page, row, column, heading, formats.heading)
        row += bool(section.headings)
        for line in section.rows:
            look = formats.cell("", {"flagged": "flag", "watch": "watch"}.get(line.sign, ""))
            for column, cell in enumerate(line.words):
                _text(page, row, column, cell, look)
            row += 1
        if section.more:
            _text(page, row, 0, f"and {section.more} more", formats.note)
            row += 1
        row += 1
    page.set_column(0, 0, 28)
    page.set_column(1, 12, 18)
    page.freeze_panes(2, 0)
    page.set_landscape()
    page.fit_to_pages(1, 0)


def _table(page: Any, formats: _Formats, sheet: Sheet) -> None:
    """Headings in row 1 (frozen with the first column), one row a row; the note stands below the table."""
    for column, heading in enumerate(sheet.headings):
        _text(page, 0, column, str(heading), formats.heading)
        cells = [len(row[column]) for row in sheet.rows]
        longest_word = max(len(word) for word in str(heading).split())
        page.set_column(column, column, min(max([longest_word, 9, *cells]) + 2, _WIDEST))
    for row, cells_of_row in enumerate(sheet.rows, start=1):
        band = sheet.band if row - 1 in sheet.flagged else ""
        for column, cell in enumerate(cells_of_row):
            number = _number(cell) if sheet.headings[column].number else None
            if number is None:
                _text(page, row, column, cell, formats.cell("", band))
            else:
                page.write_number(row, column, number, formats.cell(_pattern(cell), band))
    page.freeze_panes(1, 1)
    if sheet.rows:
        page.autofilter(0, 0, len(sheet.rows), len(sheet.headings) - 1)
    if sheet.note:
        _text(page, len(sheet.rows) + 2, 0, sheet.note, formats.cell())
    page.set_landscape()
    page.repeat_rows(0)
    page.fit_to_pages(1, 0)


def _text(page: Any, row: int, column: int, text: str, look: Any) -> None:
    """A cell of text. What the format can't hold is cut; blank cells keep their look."""
    if text:
        page.write_string(row, column, text[:_LONGEST], look)
    else:
        page.write_blank(row, column, None, look)


def _number(cell: str) -> float | None:
    """The cell as a number; None for `none`, d-m-s angles and blanks."""
    try:
        return float(cell)
    except ValueError:
        return None


def _pattern(cell: str) -> str:
    """Number format with the decimals that the cell shows."""
    if "e" in cell:
        return "General"
    decimals = len(cell.partition(".")[2])
    return "0." + "0" * decimals if decimals else "0"

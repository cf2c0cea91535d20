"""A workbook: sheets named as the tables, and a sheet `job` whose first column holds the lines of job.toml.

Numbers come as numbers or as text, and are turned back to the text that a CSV would hold. What a spreadsheet
makes of readings on its own (dates, errors, formulas that were never computed) is a fault at its cell: day.xlsx:sights!F14.
"""

from __future__ import annotations

import datetime
import hashlib
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hubtack.adjust.trouble import Trouble
from hubtack.io.readers.columns import TABLES, InputColumn
from hubtack.io.readers.jobfile import FILE, JobFile
from hubtack.io.readers.tables import TextTable, read_bytes, table_of

from ..faults import FaultList, Spot, listed, nearest_name
from ..units import quoted
from .bookfile import Book, Hits, any_of, book_of, letter
from .zipped import Sheets, Unsafe, look_into

if TYPE_CHECKING:
    from python_calamine import CalamineWorkbook

_CURLY = re.compile(
    r"""[^#"']*[=\[,]\s*[“”„‟«»‘’]"""
)  # where a value starts, as spreadsheets like to write it
Cell = Any  # str, float, int, bool, date, datetime, time, timedelta


class WorkbookSource:
    """A job in one workbook."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.files: dict[str, str] = {}
        self._open: _Workbook | None = None

    def job_text(self, faults: FaultList) -> str | None:
        """The first column of the sheet `job`, a line a row."""
        self._open = open_workbook(self.path, faults, self.files)
        if self._open is None:
            return None
        rows = self._open.rows("job")
        faults.elsewhere[FILE] = self._mover("job", [])
        if rows is None:
            found = f"There is no sheet job; there are {listed(self._open.names())}"
            wanted = "Add one whose first column holds the lines of job.toml."
            faults.at(Spot(self.path.name, 0, ""), "RUN411", found, wanted)
            return None
        for i, row in enumerate(rows):
            for j, cell in enumerate(row[1:], 1):
                if text_of(cell).strip() and not text_of(cell).lstrip().startswith("#"):
                    spot = Spot(f"{self.path.name}:job", i + 1, "", f"{letter(j)}{i + 1}")
                    faults.at(
                        spot, "RUN433", "Only the first column is read", "Put the whole line into column A."
                    )
        lines = [text_of(row[0]) if row else "" for row in rows]
        curly = [i for i, line in enumerate(lines) if _CURLY.match(line)]
        for i in curly:
            faults.add(
                FILE, i + 1, "", "JOB121", "The quotation marks are typographic", 'Write straight ones: "m".'
            )
        return None if curly else "\n".join(lines) + "\n"

    def beside(self, name: str, faults: FaultList) -> str | None:
        """The text of a file that [include] names."""
        from .includes import read_beside

        return read_beside(self.path.parent, name, faults, self.files)

    def tables(self, job: JobFile, faults: FaultList, remarks: list[Trouble]) -> dict[str, TextTable]:
        """The sheets that are named as tables."""
        if self._open is None:
            return {}
        book = job.columns
        if job.source is not None:
            job.fault(
                faults, ("source", "landxml"), "RUN418", "A workbook is a source itself", "Remove [source]."
            )
        there = {name for name in TABLES if self._open.rows(name) is not None}
        meant = self._misspelt([n for n in TABLES if n not in there], faults)
        if book is not None:
            for name in sorted(there & {"setups", "sights"}):
                found = f"[columns] names a field book, and there is a sheet {name} too"
                faults.at(Spot(f"{self.path.name}:{name}", 0, ""), "RUN418", found, "Keep one of the two.")
            there -= {"setups", "sights"}
        else:
            if not (there | meant) & {"sights", "reduced", "vectors"}:
                found = "There are no observations: none of the sheets sights, reduced, vectors is there"
                faults.at(Spot(self.path.name, 0, ""), "RUN412", found, "Add at least one of them.")
            needed = {"marks"} | ({"setups"} if "sights" in there else set())
            for name in sorted(needed - there - meant):
                wanted = f"There are {listed(self._open.names())}."
                faults.at(Spot(self.path.name, 0, ""), "RUN412", f"There is no sheet {name}", wanted)
        tables = {}
        for name, schema in TABLES.items():
            if name in there:
                table = self._table(name, schema, faults, name != "setups" or "sights" in there)
                if table is not None:
                    tables[name] = table
        if book is not None:
            from .fieldbook import headers_of, tables_of

            if book.file not in ("", self.path.name):
                found = f"{quoted(book.file)} is not this workbook"
                job.fault(faults, ("columns", "file"), "JOB117", found, f'Write file = "{self.path.name}".')
                return tables
            read = _book(self._open, book.sheet, any_of(headers_of(job).values()), faults)
            if read is not None:
                tables |= tables_of(read, job, tables.get("marks"), faults, remarks)
        return tables

    def _table(
        self, name: str, schema: tuple[InputColumn, ...], faults: FaultList, needs_rows: bool
    ) -> TextTable | None:
        assert self._open is not None  # only called then
        rows = self._open.rows(name) or []
        where = f"{self.path.name}:{name}"
        numbers = [i for i, row in enumerate(rows) if any(text_of(c).strip() for c in row)]
        if not numbers:
            faults.at(
                Spot(where, 0, ""),
                "RUN413",
                "The sheet is empty",
                "Fill it, or remove it if it isn't needed.",
            )
            return None
        header = [text_of(c).strip() for c in rows[numbers[0]]]
        move = faults.elsewhere[f"{name}.csv"] = self._mover(name, header)
        self._open.tell_lost(name, faults)
        kinds = {c.name: c.kind for c in schema}
        records = [[(c if c.__class__ is str else text_of(c)).strip() for c in rows[i]] for i in numbers]
        for record, i in zip(records[1:], numbers[1:], strict=True):
            for j, cell in enumerate(rows[i][: len(header)]):
                kind = kinds.get(header[j], "text")
                if kind != "text" and isinstance(cell, datetime.date | datetime.time | datetime.timedelta):
                    found = "The spreadsheet holds a date or time here"
                    wanted = "Format the column as text and type the cell anew."
                    faults.at(move(i + 1, header[j]), "TAB243", found, wanted)
                    if kind not in ("name", "word"):
                        record[j] = ""  # told once
        lines = [i + 1 for i in numbers]
        table = table_of(f"{name}.csv", records, lines, schema, faults)
        if table is not None:
            table.spots = lambda row, column: move(table.lines[row], column)
            if not table.lines and needs_rows:
                found = "The sheet has a header and no rows"
                faults.at(
                    Spot(where, 1, "", "A1"), "TAB227", found, "Fill it, or remove it if it isn't needed."
                )
        return table

    def _mover(self, sheet: str, header: list[str]) -> Callable[[int, str | int], Spot]:
        """Makes `day.xlsx:sights!F14` of a line and a column's name or number."""

        def move(row: int, column: str | int) -> Spot:
            file = f"{self.path.name}:{sheet}"
            if not row:
                return Spot(file, 0, "")
            at = 0
            if isinstance(column, str) and column in header:
                at = header.index(column)
            elif isinstance(column, int) and header:
                at = max(column - 1, 0)
            return Spot(file, row, column if isinstance(column, str) else "", f"{letter(at)}{row}")

        return move

    def _misspelt(self, absent: list[str], faults: FaultList) -> set[str]:
        """The tables that are absent while a sheet of almost their name is there."""
        assert self._open is not None  # only called then
        meant = set()
        for sheet in self._open.names():
            near = (
                None if sheet.casefold() in (*TABLES, "job") else nearest_name(sheet.casefold(), absent, 0.8)
            )
            if near:
                meant.add(near)
                wanted = f"Rename it to {near}, or give it a name less like it."
                found = f"No job reads a sheet {quoted(sheet)}"
                faults.at(Spot(f"{self.path.name}:{sheet}", 0, ""), "RUN417", found, wanted)
        return meant


class _Workbook:
    """An open workbook; sheets are found whatever their upper and lower case."""

    def __init__(self, name: str, workbook: CalamineWorkbook, inside: Sheets) -> None:
        self.name = name
        self.inside = inside
        self._workbook = workbook
        self._names = {n.strip().casefold(): n for n in workbook.sheet_names}
        self._rows: dict[str, list[list[Cell]] | None] = {}

    def names(self) -> list[str]:
        return list(self._names.values())

    def rows(self, sheet: str) -> list[list[Cell]] | None:
        """All rows from the first on, so that row i stands on line i + 1; None where there is no such sheet."""
        key = sheet.casefold()
        if key not in self._rows:
            found = self._names.get(key)
            self._rows[key] = None
            if found is not None:
                read = self._workbook.get_sheet_by_name(found)
                self._rows[key] = read.to_python(skip_empty_area=False) if read.height else []
        return self._rows[key]

    def tell_lost(self, sheet: str, faults: FaultList) -> None:
        """Cells whose value is lost: they would be read as blank."""
        for cells, found, wanted in (
            (
                self.inside.errors,
                "The spreadsheet shows an error here",
                "Correct the formula, or type the value.",
            ),
            (
                self.inside.empty_formulas,
                "The formula here was never computed",
                "Open the workbook and save it anew.",
            ),
        ):
            for cell in cells.get(sheet.casefold(), [])[:100]:
                row = int("".join(c for c in cell if c.isdigit()))
                faults.at(Spot(f"{self.name}:{sheet}", row, "", cell), "TAB244", found, wanted)


def open_workbook(path: Path, faults: FaultList, files: dict[str, str]) -> _Workbook | None:
    """The workbook at a path; None (with a fault) where it can't be read."""
    name = path.name
    try:
        from python_calamine import CalamineWorkbook
    except ImportError:
        wanted = 'Run: pip install "hubtack[xlsx]"'
        faults.add(name, 0, "", "RUN434", "Reading workbooks needs the library python-calamine", wanted)
        return None
    data = read_bytes(path, faults)
    if data is None:
        return None
    files[name] = hashlib.sha256(data).hexdigest()
    try:
        inside = look_into(data)
    except Unsafe as unsafe:
        faults.add(name, 0, "", "RUN416", f"The workbook can't be read. {unsafe.found}", unsafe.wanted)
        return None
    from io import BytesIO

    try:
        workbook = _Workbook(name, CalamineWorkbook.from_filelike(BytesIO(data)), inside)
        for sheet in ("job", *TABLES):
            workbook.rows(sheet)
    except BaseException as error:  # the library's own, of many kinds; a panic of its core is no Exception
        if isinstance(error, KeyboardInterrupt | SystemExit):
            raise
        found = f"The workbook can't be read. {str(error)[:200] or type(error).__name__}"
        faults.add(name, 0, "", "RUN416", found, "Save it as .xlsx anew.")
        return None
    return workbook


def holds_job(path: Path) -> bool:
    """Whether a workbook can be read and has a sheet `job`."""
    workbook = open_workbook(path, FaultList(), {})
    return workbook is not None and workbook.rows("job") is not None


def sheet_as_book(
    path: Path, sheet: str, hits: Hits, faults: FaultList, files: dict[str, str]
) -> Book | None:
    """A sheet as a field book: the one named, else the first."""
    workbook = open_workbook(path, faults, files)
    return _book(workbook, sheet, hits, faults) if workbook else None


def _book(workbook: _Workbook, sheet: str, hits: Hits, faults: FaultList) -> Book | None:
    others = [n for n in workbook.names() if n.casefold() not in (*TABLES, "job")]
    name = sheet or (others or workbook.names() or [""])[0]
    try:
        rows = workbook.rows(name)
    except Exception as error:  # as above
        faults.add(
            workbook.name, 0, "", "RUN416", f"The sheet {quoted(name)} can't be read. {str(error)[:200]}"
        )
        return None
    if rows is None:
        found = f"There is no sheet {quoted(name)}"
        faults.add(workbook.name, 0, "", "RUN412", found, f"There are {listed(workbook.names())}.")
        return None
    workbook.tell_lost(name, faults)
    texts = [[c if c.__class__ is str else text_of(c) for c in row] for row in rows]
    numbers = [i for i, row in enumerate(texts) if any(map(str.strip, row))]
    gaps = {n for n, i in enumerate(numbers) if n and i != numbers[n - 1] + 1}
    lines = [i + 1 for i in numbers]
    book = book_of(f"{workbook.name}:{name}", [texts[i] for i in numbers], lines, gaps, hits, faults)
    if book is not None:
        book.letters = True
    return book


def text_of(cell: Cell) -> str:
    """A cell as a CSV would hold it: 101.0 → 101, 1.532 → 1.532, a time → 08:30:00, a date → 2026-05-07."""
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime.datetime):
        return cell.date().isoformat() if cell.time() == datetime.time() else cell.isoformat(" ")
    if isinstance(cell, datetime.date | datetime.time):
        return cell.isoformat()
    return "" if cell is None else str(cell)

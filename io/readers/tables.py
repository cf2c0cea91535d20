"""CSV to columns of text that remember the editor's line of every row.

`csv.reader` does the parsing; its `line_num` gives the line on which a record starts even where a quoted cell
holds line breaks. Cells are stripped; blank rows are passed over; what the cells mean is for others to say.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path

from hubtack.io.faults import FaultList, Nearest, Spot, listed
from hubtack.io.guard import unguarded
from hubtack.io.readers.columns import TEXTS, InputColumn
from hubtack.io.units import quoted

LARGEST_FILE = (
    500_000_000  # bytes: some millions of rows; more is not a day's work, and would fill the memory
)
LONGEST_CELL = 1000  # characters, except in a note: longer ones are a stray quotation mark, not a reading
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}


@dataclass
class TextTable:
    """One file as read: columns of stripped text and the line of each row. What the file lacks is absent."""

    file: str
    columns: dict[str, list[str]]
    lines: list[int]
    whole: bool = True  # False where names are lost: then other tables' names are not held against this one
    broken: set[int] = field(default_factory=set)  # rows with too few or too many cells: told once
    told: set[str] = field(default_factory=set)  # columns misspelt or missing: told once
    excused: set[tuple[int, str]] = field(
        default_factory=set
    )  # cells a decision left out; column "": the row
    spots: Callable[[int, str], Spot] | None = None  # where a cell really stands, if not in a file of its own

    def __len__(self) -> int:
        return len(self.lines)

    def spot(self, row: int, column: str) -> Spot:
        """Where the user finds a cell: `setups.csv`, 14, `height`."""
        return self.spots(row, column) if self.spots else Spot(self.file, self.lines[row], column)

    def get(self, name: str) -> list[str]:
        """The cells of a column, all blank where the file lacks it."""
        return self.columns[name] if name in self.columns else [""] * len(self.lines)


def read_bytes(path: Path, faults: FaultList) -> bytes | None:
    """The bytes of a file; None and a fault where there are none to be had."""
    try:
        if path.exists() and not path.is_dir() and not path.is_file():
            raise OSError(0, "it is a device")  # reading a pipe would wait for ever
        size = path.stat().st_size
        if size > LARGEST_FILE:
            found = f"The file has {size // 1_000_000} MB, more than {LARGEST_FILE // 1_000_000}"
            faults.add(path.name, 0, "", "RUN419", found, "Part it into days.")
            return None
        data = path.read_bytes()
    except IsADirectoryError:
        faults.add(
            path.name, 0, "", "RUN415", "This is a folder, not a file", "Put a file of this name here."
        )
    except FileNotFoundError:
        faults.add(
            path.name, 0, "", "RUN412", "There is no such file", f"Put {path.name} into the job's folder."
        )
    except OSError as error:
        found = f"The file can't be read: {error.strerror or type(error).__name__}"
        faults.add(path.name, 0, "", "RUN415", found, "See to its permissions.")
    else:
        if data.strip(b"\xef\xbb\xbf \t\r\n"):
            return data
        faults.add(
            path.name, 0, "", "RUN413", "The file is empty", "Fill it, or remove it if it isn't needed."
        )
    return None


def decode(file: str, data: bytes, faults: FaultList) -> str | None:
    """UTF-8 text without its byte order mark; None and a fault for anything else."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        faults.add(file, 0, "", "RUN414", "The text is UTF-16", "Save it as UTF-8.")
        return None
    if b"\0" in data:
        row = data[: data.index(b"\0")].count(b"\n") + 1
        faults.add(
            file, row, "", "RUN414", "This is not text: there is a zero byte", "Save it as UTF-8 text."
        )
        return None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        byte = f"byte {data[error.start]:02x} is not UTF-8"
        faults.add(file, row, "", "RUN414", f"This is not UTF-8 text: {byte}", "Save it as UTF-8.")
        return None
    if text.isascii():
        return text
    from unicodedata import normalize

    return normalize("NFC", text)  # an accent may be written in two ways, and names must meet


def read_table(
    path: Path, schema: tuple[InputColumn, ...], faults: FaultList, files: dict[str, str]
) -> TextTable | None:
    """A CSV file as text columns; None (with faults noted) where its rows can't be told.

    `files` takes the sha256 of what was read, under the file's name.
    """
    data = read_bytes(path, faults)
    if data is None:
        return None
    files[path.name] = hashlib.sha256(data).hexdigest()
    text = decode(path.name, data, faults)
    return None if text is None else parse_table(path.name, text, schema, faults)


def parse_table(file: str, text: str, schema: tuple[InputColumn, ...], faults: FaultList) -> TextTable | None:
    """The text of a CSV file as columns; see `read_table`."""
    separator = _separator(text, schema)
    records, lines, whole = records_of(file, text, separator, faults)
    return table_of(file, records, lines, schema, faults, separator, whole) if records else None


def table_of(
    file: str,
    records: list[list[str]],
    lines: list[int],
    schema: tuple[InputColumn, ...],
    faults: FaultList,
    separator: str = "",
    whole: bool = True,
) -> TextTable | None:
    """Records that aren't blank, the header first, as columns. A sheet has no separator."""
    header = [cell.strip() for cell in records[0]]
    width = max((i + 1 for i, name in enumerate(header) if name), default=0)
    found = _header(file, lines[0], header[:width], schema, separator, faults)
    if found is None:
        return None
    places, told = found
    records, lines = records[1:], lines[1:]
    broken = _square(file, records, lines, width, separator, faults)
    columns = [[cell.strip() for cell in column] for column in zip(*records, strict=True)] if records else []
    cells = {name: columns[i] if records else [] for name, i in places.items()}
    table = TextTable(file, cells, lines, whole and schema[0].name in places and bool(records), broken, told)
    for column in schema:
        if separator and column.name in cells and column.kind in TEXTS and "'" in "".join(cells[column.name]):
            cells[column.name] = list(map(unguarded, cells[column.name]))
        if column.name in table.columns and column.kind in ("name", "word"):
            _check_cells(table, column.name, faults)
    return table


def _separator(text: str, schema: tuple[InputColumn, ...]) -> str:
    """The separator that splits the header into most of our names, else into most cells."""
    line = next((x for x in text.splitlines() if x.strip()), "")
    names = {c.name for c in schema}

    def score(separator: str) -> tuple[int, int]:
        cells = [c.strip().strip('"') for c in line.split(separator)]
        return sum(c in names for c in cells), len(cells)

    return max(SEPARATORS, key=score)


def records_of(
    file: str, text: str, separator: str, faults: FaultList
) -> tuple[list[list[str]], list[int], bool]:
    """The records of CSV text that are not blank, the line on which each starts, and whether a wrong quotation ended them."""
    records: list[list[str]] = []
    lines: list[int] = []
    reader = csv.reader(StringIO(text, newline=""), delimiter=separator, strict=True)
    start = 1
    try:
        for record in reader:
            if record and any(map(str.strip, record)):
                records.append(record)
                lines.append(start)
            start = reader.line_num + 1
    except csv.Error as error:
        if "limit" in str(error):
            found = "A cell is longer than 131072 characters"
        else:
            found = "A quotation mark is not closed, or text follows it"
        wanted = 'Close it, or double the marks inside: "a 3"" pipe".'
        faults.add(file, start, "", "TAB228", found, wanted)
        return records, lines, False
    return records, lines, True


def _header(
    file: str,
    line: int,
    header: list[str],
    schema: tuple[InputColumn, ...],
    separator: str,
    faults: FaultList,
) -> tuple[dict[str, int], set[str]] | None:
    """Where each column stands, and those told as misspelt, doubled or missing; None where it is no header."""
    names = [c.name for c in schema]
    nearest = Nearest(names)
    if not any(name in names or nearest.find(name) for name in header):
        found = f"The first line names no column: {listed(map(quoted, header))}"
        faults.add(file, line, "", "TAB201", found, f"Let the table start with a header: {', '.join(names)}.")
        return None
    places: dict[str, int] = {}
    told: set[str] = set()
    for i, name in enumerate(header):
        if name in places:
            faults.add(file, line, name, "TAB203", f"The column {quoted(name)} is there twice", "Remove one.")
        elif name in names:
            places[name] = i
        else:
            near = nearest.find(name)
            if near:
                told.add(near)
            wanted = f'Is "{near}" meant?' if near else f"Known columns: {', '.join(names)}."
            found = f"There is no column {quoted(name)}" if name else f"Column {i + 1} has no name"
            faults.add(file, line, name or i + 1, "TAB202", found, wanted)
    for column in schema:
        if column.required and column.name not in places and column.name not in told:
            found = f"The column {column.name} ({column.words}) is missing"
            wanted = f"Add it. The header has {listed(header)}."
            if separator:
                parted = f"The cells were taken as parted by {SEPARATORS[separator]}s"
                wanted = f"Add it. {parted}; the header has {listed(header)}."
            faults.add(file, line, "", "TAB201", found, wanted)
            told.add(column.name)
    return places, told


def _square(
    file: str, records: list[list[str]], lines: list[int], width: int, separator: str, faults: FaultList
) -> set[int]:
    """Cuts or pads each record to the header's width; the rows that lost more than blanks, each with its fault."""
    broken = set()
    for i, record in enumerate(records):
        if len(record) == width:
            continue
        extra = [cell for cell in record[width:] if cell.strip()]
        if extra or len(record) < width:
            found = f"The row has {len(record)} cells, the header {width}"
            wanted = "Blank cells need their separators too."
            if not separator:
                wanted = "Give the column a header, or move the remark to the column note."
            elif extra:
                wanted = "A cell that holds the separator stands in quotation marks."
                if separator == ",":
                    wanted += " The decimal mark is a point."
            faults.add(file, lines[i], "", "TAB207", found, wanted)
            broken.add(i)
        records[i] = (record + [""] * width)[:width]
    return broken


def _check_cells(table: TextTable, name: str, faults: FaultList) -> None:
    """A name must be short and printable. (What can't be a reading is told by those that read it.)"""
    column = table.columns[name]
    if "".join(column).isprintable() and max(map(len, column), default=0) <= LONGEST_CELL:
        return
    for i, cell in enumerate(column):
        if cell.isprintable() and len(cell) <= LONGEST_CELL:
            continue
        what = (
            f"is {len(cell)} characters long"
            if len(cell) > LONGEST_CELL
            else "holds characters that can't be seen"
        )
        faults.at(table.spot(i, name), "TAB229", f"{quoted(cell)} {what}", "Type the cell anew.")

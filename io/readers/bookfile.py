"""A foreign table as it was saved: its text whatever the encoding, its separator, its header, its columns.

Nothing is guessed that can't be told: bytes that are neither UTF-8 nor UTF-16 are asked for by a fault.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path

from hubtack.io.readers.tables import SEPARATORS, read_bytes

from ..faults import FaultList, Spot

HEADER_WITHIN = 30  # records: titles may stand above the header
ENCODINGS = {"utf-8": "utf-8-sig", "utf-16": "utf-16", "latin-1": "latin-1",
             "windows-1252": "cp1252", "windows-1250": "cp1250"}  # fmt: skip
_SIGNS = {"comma": ",", "semicolon": ";", "tab": "\t"}


@dataclass
class Book:
    """A table with a header of its own. `lines` are the editor's lines; `gaps` the rows with blank ones before them."""

    file: str
    header: list[str]
    header_line: int
    columns: list[list[str]]
    lines: list[int]
    gaps: set[int] = field(default_factory=set)
    letters: bool = False  # of a sheet: cells are told as F14

    def __len__(self) -> int:
        return len(self.lines)

    def spot(self, row: int, column: int | None) -> Spot:
        """Where the user finds a cell; a column of None is the whole row, a row of −1 the header."""
        line = self.lines[row] if row >= 0 else self.header_line
        name = self.header[column] if column is not None else ""
        if self.letters:
            return Spot(self.file, line, name, f"{letter(column or 0)}{line}")
        return Spot(self.file, line, name)


def letter(column: int) -> str:
    """0 → A, 25 → Z, 26 → AA."""
    name = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(65 + rest) + name
    return name


def read_text(path: Path, encoding: str, faults: FaultList, files: dict[str, str]) -> str | None:
    """The text of a file. `encoding` is one of ENCODINGS, or "" where it is to be told from the bytes."""
    data = read_bytes(path, faults)
    if data is None:
        return None
    files[path.name] = hashlib.sha256(data).hexdigest()
    guess = encoding or _encoding(data)
    if guess is None:
        row = _undecodable(data)
        found = "The text is neither UTF-8 nor UTF-16"
        wanted = 'Say what it is in [columns]: encoding = "windows-1252" (or "latin-1", "windows-1250").'
        faults.add(path.name, row, "", "RUN431", found, wanted)
        return None
    try:
        text = data.decode(ENCODINGS[guess])
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        faults.add(path.name, row, "", "RUN431", f"The text is not {guess}", "See encoding in [columns].")
        return None
    text = text.removeprefix("\ufeff")
    if "\0" in text:
        row = text[: text.index("\0")].count("\n") + 1
        found = "This is not text: there is a zero byte"
        faults.add(path.name, row, "", "RUN414", found, "Export the book as CSV.")
        return None
    if text.isascii():
        return text
    from unicodedata import normalize

    return normalize("NFC", text)


def _encoding(data: bytes) -> str | None:
    """`utf-8`, `utf-16`, or None where it can't be told."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    try:
        data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return None
    return "utf-8"


def _undecodable(data: bytes) -> int:
    try:
        data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        return data[: error.start].count(b"\n") + 1
    return 1


Hits = Callable[[list[str]], int]  # of a row: how many headers that are looked for stand in it


def any_of(names: Iterable[str]) -> Hits:
    """Counts the headers of a list in a row."""
    wanted = {fold(name) for name in names}
    return lambda record: len({fold(cell) for cell in record} & wanted)


def parse_book(file: str, text: str, separator: str, hits: Hits, faults: FaultList) -> Book | None:
    """The table in a text. `separator` is comma, semicolon, tab or "", where it is told from the header."""
    sign = _SIGNS[separator] if separator else _separator(text, hits)
    records: list[list[str]] = []
    lines: list[int] = []
    gaps: set[int] = set()
    reader = csv.reader(StringIO(text, newline=""), delimiter=sign, strict=True)
    start, blank = 1, False
    try:
        for record in reader:
            if any(map(str.strip, record)):
                if blank and records:
                    gaps.add(len(records))
                blank = False
                records.append(record)
                lines.append(start)
            else:
                blank = True
            start = reader.line_num + 1
    except csv.Error as error:
        found = "A quotation mark is not closed, or text follows it"
        if "limit" in str(error):
            found = f"A cell is longer than {csv.field_size_limit()} characters"
        advice = 'Close it, or double the marks inside: "a 3"" pipe".'
        faults.add(file, start, "", "TAB228", found, advice)
        return None
    return book_of(
        file, records, lines, gaps, hits, faults, f"cells were taken as parted by {SEPARATORS[sign]}s"
    )


def book_of(
    file: str,
    records: list[list[str]],
    lines: list[int],
    gaps: set[int],
    hits: Hits,
    faults: FaultList,
    how: str = "",
) -> Book | None:
    """A book of records that aren't blank: the header is the row that holds most of the headers looked for."""
    if not records:
        faults.add(file, 0, "", "RUN413", "There is nothing in it", "Name the file that holds the readings.")
        return None
    first = max(range(min(HEADER_WITHIN, len(records))), key=lambda i: (hits(records[i]), -i))
    header = [cell.strip() for cell in records[first]]
    while header and not header[-1]:
        header.pop()
    width = len(header)
    body, body_lines = records[first + 1 :], lines[first + 1 :]
    for i, record in enumerate(body):
        if len(record) != width:
            if any(map(str.strip, record[width:])):
                found = f"The row has {len(record)} cells, the header {width}"
                advice = "A cell that holds the separator stands in quotation marks"
                faults.add(
                    file, body_lines[i], "", "TAB207", found, f"{advice}; {how}." if how else f"{advice}."
                )
            body[i] = (record + [""] * width)[:width]
    columns = (
        [[cell.strip() for cell in column] for column in zip(*body, strict=True)] if body else [[]] * width
    )
    shifted = {g - first - 1 for g in gaps if g > first + 1}
    return Book(file, header, lines[first], columns, body_lines, shifted)


def _separator(text: str, hits: Hits) -> str:
    """The separator that splits one of the first lines into most of the headers looked for, else into most cells."""
    from itertools import islice

    head = [x[:10_000] for x in islice(StringIO(text, newline=None), HEADER_WITHIN) if x.strip()]

    def score(sign: str) -> tuple[int, int]:
        rows = [[c.strip().strip('"') for c in x.split(sign)] for x in head]
        return max(map(hits, rows)), max(map(len, rows))

    return max(_SIGNS.values(), key=score) if head else ","


def fold(name: str) -> str:
    """A header as it is compared: upper and lower case and doubled blanks don't count."""
    return " ".join(name.split()).casefold()

"""A workbook's container looked at before it is believed: how large it unpacks, and what its cells are.

A workbook is a zip of XML files. A small one can unpack to gigabytes, and one stray cell at the far corner of a sheet
makes a dense table of billions. Both are refused here, before any library builds the table. The cells that carry no
value (a formula never computed, an error) are found here too, for the library hands them on as blank.
"""

from __future__ import annotations

import re
import string
import zipfile
import zlib
from dataclasses import dataclass, field
from io import BytesIO

MOST_BYTES = 300_000_000  # unpacked, all members together: some 500 000 rows of sights
MOST_MEMBERS = 5_000
MOST_CELLS = 20_000_000  # of one sheet's rectangle
# wherever it stands: an attribute before it may hold a ">", and a name that is none would be taken as a far column
_PLACE = re.compile(rb"""\sr\s*=\s*["']([^"']*)["']""")
_USUAL_PLACE = re.compile(rb''' r="([^"]*)"''')  # a literal to search for: five times as fast
_DIGITS, _LETTERS = string.digits.encode(), string.ascii_uppercase.encode()
_NAMED = re.compile(rb"""(?:[A-Z]{0,3}[0-9]{1,7}")*+""")
_CELL = re.compile(rb"<(?:\w+:)?c\b([^>]*?)(?:/>|>(.*?)</(?:\w+:)?c>)", re.DOTALL)
_NAME = re.compile(rb"""\sr=["']([A-Z]{1,3}[0-9]{1,7})["']""")
_ERROR = re.compile(rb"""\st=["']e["']""")
_VALUE = re.compile(rb"<(?:\w+:)?v[^>/]*>[^<]")
_SHEET = re.compile(rb"""<(?:\w+:)?sheet\b[^>]*>""")
_RELATION = re.compile(rb"""<(?:\w+:)?Relationship\b[^>]*>""")


class Unsafe(Exception):  # noqa: N818  (named by what it says)
    """The container can't be read: `found`, and what would be right."""

    def __init__(self, found: str, wanted: str) -> None:
        self.found, self.wanted = found, wanted
        super().__init__(found)


@dataclass
class Sheets:
    """What the container's XML says of its sheets, by lower-case name."""

    empty_formulas: dict[str, list[str]] = field(default_factory=dict)  # cells: F14
    errors: dict[str, list[str]] = field(default_factory=dict)


def look_into(data: bytes) -> Sheets:
    """Unpack within bounds. Raises Unsafe where it is no sound workbook, or a very large one."""
    members: dict[str, bytes] = {}
    total = 0
    try:
        with zipfile.ZipFile(BytesIO(data)) as archive:
            infos = archive.infolist()
            if len(infos) > MOST_MEMBERS:
                raise Unsafe(f"It holds {len(infos)} files", "Save the sheets into a new workbook.")
            for info in infos:
                kept = info.filename.startswith("xl/") and info.filename.endswith((".xml", ".rels"))
                parts = []
                with archive.open(info) as member:
                    while chunk := member.read(1 << 20):
                        total += len(chunk)
                        if total > MOST_BYTES:
                            found = f"It unpacks to more than {MOST_BYTES // 1_000_000} MB"
                            raise Unsafe(found, "Copy the sheets of the job alone into a new workbook.")
                        if kept and "sharedStrings" not in info.filename:
                            parts.append(chunk)
                if kept:
                    members[info.filename] = b"".join(parts)
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        OSError,
        NotImplementedError,
        RuntimeError,
        ValueError,
    ) as error:
        what = (
            "It is locked by a password"
            if "password" in str(error)
            else "It is damaged, or no workbook at all"
        )
        raise Unsafe(what, "Save it as .xlsx anew.") from error
    if "xl/workbook.xml" not in members:
        raise Unsafe("It is damaged, or no workbook at all", "Save it as .xlsx anew.")
    return _sheets(members)


def _sheets(members: dict[str, bytes]) -> Sheets:
    targets = {}
    for tag in _RELATION.findall(members.get("xl/_rels/workbook.xml.rels", b"")):
        targets[_attribute(tag, "Id")] = "xl/" + _attribute(tag, "Target").removeprefix("/xl/")
    names = {}
    for tag in _SHEET.findall(members["xl/workbook.xml"]):
        names[targets.get(_attribute(tag, r"\w+:id"), "")] = _attribute(tag, "name")
    sheets = Sheets()
    for file, xml in members.items():
        if not file.startswith("xl/worksheets/") or not file.endswith(".xml"):
            continue
        name = names.get(file, file)
        _check_size(name, xml)
        if b"<f" not in xml and b":f" not in xml and b't="e"' not in xml and b"t='e'" not in xml:
            continue
        for head, body in _CELL.findall(xml):
            cell = _NAME.search(head)
            if cell is None:
                continue
            if _ERROR.search(head):
                sheets.errors.setdefault(name.casefold(), []).append(cell[1].decode())
            elif re.search(rb"<(?:\w+:)?f\b", body) and not _VALUE.search(body):
                sheets.empty_formulas.setdefault(name.casefold(), []).append(cell[1].decode())
    return sheets


def _check_size(name: str, xml: bytes) -> None:
    if b"\0" in xml:
        raise Unsafe(f"The sheet {name} is damaged, or not UTF-8", "Save the workbook anew.")
    # single bytes are looked for at the speed of memory; only the declaration may end in a line break
    odd = any(sign in xml for sign in (b"\t", b"\f", b"\v", b"r='", b"r ="))
    usual = not odd and xml.find(b"\n", 200) < 0 and xml.find(b"\r", 200) < 0
    pattern = _USUAL_PLACE if usual else _PLACE
    letters: set[bytes] = set()
    numbers: set[bytes] = set()
    start = 0
    while start < len(xml):  # a million cells at once would not stay in the cache
        end = xml.find(b"<", start + 500_000)
        end = len(xml) if end < 0 else end
        places = b'"'.join([*pattern.findall(xml, start, end), b""])
        if not _NAMED.fullmatch(places):
            wrong = next(p for p in places.split(b'"') if not _NAMED.fullmatch(p + b'"'))
            shown = wrong[:20].decode("utf-8", "replace")
            raise Unsafe(
                f"The sheet {name} is damaged: a cell is called {shown!r}", "Save the workbook anew."
            )
        letters.update(places.translate(None, _DIGITS).split(b'"'))
        numbers.update(places.translate(None, _LETTERS).split(b'"'))
        start = end
    last_row = max(map(int, numbers - {b""}), default=1)
    columns = 1
    for each in letters:
        number = 0
        for character in each:
            number = number * 26 + character - 64
        columns = max(columns, number)
    if columns * last_row > MOST_CELLS:
        found = f"The sheet {name} reaches to row {last_row} and column {columns}"
        raise Unsafe(found, "Delete the stray cells beyond the table, rows and columns whole.")


def _attribute(tag: bytes, name: str) -> str:
    from html import unescape

    match = re.search(rb"\s" + name.encode() + rb"""=["']([^"']*)["']""", tag)
    return unescape(match[1].decode("utf-8", "replace")) if match else ""

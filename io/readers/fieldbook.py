"""A flat field book: one table with foreign headers, mapped by [columns] of job.toml, to setups and sights.

The rows stay as they are; what was told from them (setups, faces, new marks, decimal commas) is said in remarks.
Every cell keeps its place: a fault names `book.csv:14:HT [ft]`.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

from hubtack.adjust.trouble import Trouble
from hubtack.io.readers.columns import MARKS
from hubtack.io.readers.jobfile import FILE, JobFile
from hubtack.io.readers.jobkeys import ColumnsKeys
from hubtack.io.readers.tables import TextTable

from ..faults import FaultList, Nearest, Spot, listed
from ..units import Unreadable, quoted
from .bookfile import Book, any_of, fold, parse_book, read_text
from .bookunits import converter, decimal_commas, header_unit, square_bracket, with_points
from .visits import Draft, Visits, left_open

LENGTHS = ("hi", "ht", "prism_constant", "slope", "horizontal")
ANGLES = ("circle", "zenith")
READINGS = ("circle", "zenith", "slope", "horizontal")
OPTIONS = ("file", "sheet", "same_target", "separator", "encoding", "decimal", "length", "angle")
FROM = {"mark": "from_mark", "support": "from_support", "device": "from_device", "height": "hi",
        "base": "from_base", "height_base": "from_height_base"}  # fmt: skip
TO = {"mark": "to_mark", "support": "to_support", "device": "to_device", "height": "ht", "base": "to_base",
      "height_base": "to_height_base", "prism_constant": "prism_constant"}  # fmt: skip
FACES = {"1": "1", "i": "1", "l": "1", "d": "1", "f1": "1", "left": "1", "direct": "1", "1.0": "1",
         "2": "2", "ii": "2", "r": "2", "f2": "2", "right": "2", "reverse": "2", "2.0": "2"}  # fmt: skip


def read_book(
    folder: Path, job: JobFile, marks: TextTable | None, files: dict[str, str], faults: FaultList,
    remarks: list[Trouble],
) -> dict[str, TextTable]:  # fmt: skip
    """The tables setups and sights of the book that job.toml names, and marks with those that only the book has."""
    keys = job.columns
    assert keys is not None  # only called for those
    path = folder / keys.file
    if path.resolve().parent != folder.resolve():
        found = f"{quoted(keys.file)} is not in the job's folder"
        job.fault(faults, ("columns", "file"), "JOB117", found, "Put the field book beside job.toml.")
        return {}
    if path.suffix.lower() == ".xlsx":
        from .workbook import sheet_as_book

        book = sheet_as_book(path, keys.sheet, any_of(headers_of(job).values()), faults, files)
    else:
        text = read_text(path, keys.encoding, faults, files)
        book = None
        if text is not None:
            book = parse_book(keys.file, text, keys.separator, any_of(headers_of(job).values()), faults)
    return {} if book is None else tables_of(book, job, marks, faults, remarks)


def headers_of(job: JobFile) -> dict[str, str]:
    """Key of [columns] → the header that it names, for those that are given."""
    assert job.columns is not None
    given = dataclasses.asdict(job.columns)
    return {key: header for key, header in given.items() if header and key not in OPTIONS}


def tables_of(
    book: Book, job: JobFile, marks: TextTable | None, faults: FaultList, remarks: list[Trouble]
) -> dict[str, TextTable]:
    """A book that could be read as setups, sights and marks."""
    return _Reader(book, job, faults, remarks).tables(marks)


class _Reader:
    """One book on its way to tables."""

    def __init__(self, book: Book, job: JobFile, faults: FaultList, remarks: list[Trouble]) -> None:
        self.book, self.job, self.faults, self.remarks = book, job, faults, remarks
        self.places: dict[str, int] = {}  # key of [columns] → column of the book
        self.cells: dict[str, list[str]] = {}
        self.blank = [""] * len(book)

    def tables(self, marks: TextTable | None) -> dict[str, TextTable]:
        if not self._map() or not self._columns():
            return {}
        faces = self._faces()
        visits = Visits(self._contradiction, self._keys().same_target != "in one visit")
        rows, starts, ends = self._setups(visits)
        if not rows:
            found = "No row of the book has a target and a reading"
            self.faults.at(self.book.spot(-1, None), "TAB227", found, "See [columns] in job.toml.")
            return {}
        unsure = [s for s in visits.setups if s.instrument or self._may_err(s.cells.get("support", ""))]
        self._tell(visits, left_open(unsure, set(zip(starts, ends, strict=True))))
        tables = {
            "setups": self._setup_table(visits.setups),
            "sights": self._sights(rows, starts, ends, faces),
        }
        if marks is None or marks.whole:
            tables["marks"] = self._marks(marks, visits.setups)
        return tables

    # -- the mapping --

    def _map(self) -> bool:
        """Finds the columns that job.toml names; a header that isn't there is a fault at its key."""
        before = len(self.faults)
        header, folded = self.book.header, [fold(h) for h in self.book.header]
        for key, name in headers_of(self.job).items():
            found = [i for i, h in enumerate(header) if h == name] or [
                i for i, h in enumerate(folded) if h == fold(name)
            ]
            if len(found) == 1:
                self.places[key] = found[0]
                continue
            what = f"{self.book.file} has no column {quoted(name)}"
            wanted = Nearest(header).advice(name, f"It has {listed(header, 20)}.")
            if found:
                what = f"{self.book.file} has {len(found)} columns {quoted(name)}"
                wanted = "Give each a header of its own."
            self.job.fault(self.faults, ("columns", key), "JOB118", what, wanted)
        named = [k for k in (*READINGS, "hi", "ht") if k in self.places]
        for i, key in enumerate(named):
            other = next((k for k in named[:i] if self.places[k] == self.places[key]), None)
            if other:
                what = f"{quoted(header[self.places[key]])} is named for {other} and for {key}"
                self.job.fault(self.faults, ("columns", key), "JOB118", what, "A column holds one of them.")
        told = headers_of(self.job)
        for key, words in (("from_mark", "mark under the instrument"), ("to_mark", "mark under the target")):
            if key not in told:
                line, column = self.job.places.table(("columns",))
                found_text = f"[columns] has no {key}: the {words}"
                self.faults.add(
                    FILE, line, column, "JOB119", found_text, "Name the header of the book's column."
                )
        if not set(READINGS) & set(told):
            line, column = self.job.places.table(("columns",))
            wanted = f"Name the header of at least one of {', '.join(READINGS)}."
            self.faults.add(FILE, line, column, "JOB119", "[columns] names no reading", wanted)
        return len(self.faults) == before

    def _columns(self) -> bool:
        """Takes the cells of the columns that are named, in the job's units and with decimal points."""
        before = len(self.faults)
        readings = [k for k in (*LENGTHS, *ANGLES) if k in self.places]
        self.cells = {k: self.book.columns[i] for k, i in self.places.items()}
        if decimal_commas([self.cells[k] for k in readings], self._keys().decimal):
            for key in readings:
                self.cells[key] = with_points(self.cells[key])
            if not self._keys().decimal:
                self._remark("REM521", f"The decimal mark of {self.book.file} is taken to be a comma.")
        for key in readings:
            header = self.book.header[self.places[key]]
            unit, unknown = header_unit(header, key in ANGLES)
            if unknown and square_bracket(header):
                what = "an angle" if key in ANGLES else "a length"
                found = f"{quoted(unknown)} is not a unit of {what}"
                wanted = "Known are m, mm, ft, us-ft, dms, deg, gon, ddd.mmss."
                self.faults.at(self.book.spot(-1, self.places[key]), "TAB241", found, wanted)
            if not unit:
                unit = {"ddd.mmss": "packed"}.get(self._keys().angle, self._keys().angle)
                unit = unit if key in ANGLES else self._keys().length
            convert = converter(unit, self.job.units) if self.job.units_known else None
            if convert:
                self.cells[key] = [convert(c) if c else "" for c in self.cells[key]]
        return len(self.faults) == before

    def _faces(self) -> list[str]:
        """The face of each row: as the book says it, else told from the zenith angle."""
        if "face" in self.cells:
            return [FACES.get(c.casefold(), c) for c in self.cells["face"]]
        zenith = self.cells.get("zenith")
        if zenith is None or not self.job.units_known:
            self._remark("REM503", f"{self.book.file} says no face; all readings are taken as of face 1.")
            return ["1"] * len(self.book)
        half, faces = 3.141592653589793, []
        for cell in zenith:
            try:
                faces.append("2" if cell and self.job.units.parse_angle(cell) > half else "1")
            except Unreadable:  # told when the cell is read
                faces.append("1")
        self._remark("REM522", f"{self.book.file} says no face; it is told from the zenith angles.")
        return faces

    # -- setups --

    def _setups(self, visits: Visits) -> tuple[list[int], list[str], list[str]]:
        """The rows that are sights, and the names of the two setups of each."""
        column = self._column
        starts, ends = [column(c) for c in FROM.values()], [column(c) for c in TO.values()]
        from_names, to_names, times = column("from_setup"), column("to_setup"), column("time")
        sights = [any(r) for r in zip(*(self.cells[k] for k in READINGS if k in self.cells), strict=True)]
        instrument_default = next(iter(self.job.instruments), "")
        support_default = next(iter(self.job.supports), "")
        defaults = {"support": "" if "from_support" in self.cells else support_default,
                    "device": "" if "from_device" in self.cells else instrument_default}  # fmt: skip
        support = "" if "to_support" in self.cells else support_default
        rows: list[int] = []
        names: tuple[list[str], list[str]] = ([], [])
        last: dict[str, str] = {}
        instrument: Draft | None = None
        before: tuple[str, ...] = ()  # what the row before said of its instrument
        known: dict[tuple[str, ...], Draft] = {}  # what rows said of their targets
        passed = 0
        for row, (start, stop) in enumerate(
            zip(zip(*starts, strict=True), zip(*ends, strict=True), strict=True)
        ):
            gap, sighted = row in self.book.gaps, sights[row]
            if gap:
                visits.gap()
            if not start[0] and not sighted and not stop[0]:
                passed += 1
                continue
            same = start == before and not gap and instrument and not instrument.named and not from_names[row]
            if not same or instrument is None:
                at = dict(zip(FROM, start, strict=True))
                before = ()
                if not at["mark"] and last and not from_names[row]:
                    at = last | {k: c for k, c in at.items() if c}
                elif at["mark"] and at["mark"] == last.get("mark") and not gap:
                    at = {k: c or last[k] for k, c in at.items()}
                if not at["mark"] and from_names[row] not in visits.named:
                    found = "There is no mark under the instrument"
                    self._fault(
                        row, "from_mark", "TAB208", found, "Name it, at least in the first row of a setup."
                    )
                    continue
                at = {k: c or defaults.get(k, "") for k, c in at.items()}
                instrument = visits.instrument(row, from_names[row], at)
                last = {k: at[k] or instrument.cells.get(k, "") for k in FROM}
                before = start
            instrument.started = instrument.started or times[row]
            if not sighted and not stop[0]:
                continue
            if not stop[0] and to_names[row] not in visits.named:
                found = "There is no mark under the target"
                self._fault(row, "to_mark", "TAB208", found, "Name it, or leave the readings blank.")
                continue
            target = None if to_names[row] else known.get(stop)
            if target is None or not visits.stands(target):
                end = dict(zip(TO, stop, strict=True))
                end["support"] = end["support"] or support
                target = visits.target(row, to_names[row], end)
                known[stop] = target
            target.started = target.started or times[row]
            rows.append(row)
            names[0].append(instrument.name)
            names[1].append(target.name)
        if passed:
            self._remark("REM523", f"{passed} rows of {self.book.file} name no mark and were passed over.")
        return rows, *names

    def _contradiction(self, row: int, instrument: bool, attribute: str, draft: Draft) -> None:
        """A setup that the book names, and that says two things of itself."""
        keys = FROM if instrument else TO
        first = self.book.spot(draft.rows.get(attribute, draft.row), None)
        key = keys.get(attribute, "from_setup" if instrument else "to_setup")
        if attribute == "role":
            found = f"Setup {draft.name} is an instrument's and a target's; the first is at {first}"
        else:
            here = self._column(key)[row]
            found = f"Setup {draft.name} has {attribute} {here} here and {draft.cells[attribute]} at {first}"
        self._fault(row, key, "TAB242", found, "A setup that changes needs a new name.")

    def _may_err(self, support: str) -> bool:
        """Whether a support has a centring or height error at all: without, one setup and two are the same."""
        keys = self.job.supports.get(support)
        return keys is None or keys.centring_sigma != 0 or keys.height_sigma != 0

    # -- the tables --

    def _setup_table(self, setups: list[Draft]) -> TextTable:
        columns = {"setup": [s.name for s in setups],
                   "role": ["instrument" if s.instrument else "target" for s in setups]}  # fmt: skip
        for name in TO:
            if name in ("mark", "support", "device", "height") or any(s.cells.get(name) for s in setups):
                columns[name] = [s.cells.get(name, "") for s in setups]
        columns["started"] = [s.started for s in setups]

        def spot(row: int, column: str) -> Spot:
            setup = setups[row]
            keys = (FROM if setup.instrument else TO) | {
                "setup": "from_setup" if setup.instrument else "to_setup"
            }
            place = self.places.get(keys.get(column, ""))
            if column and place is None:
                place = self.places.get("from_mark" if setup.instrument else "to_mark")
            return self.book.spot(setup.rows.get(column, setup.row), place)

        lines = [self.book.lines[s.row] for s in setups]
        return TextTable("setups.csv", columns, lines, spots=spot)

    def _sights(self, rows: list[int], starts: list[str], ends: list[str], faces: list[str]) -> TextTable:
        lines = [self.book.lines[row] for row in rows]
        ids = self.cells.get("id")
        columns = {"id": [ids[r] for r in rows] if ids else [str(line) for line in lines]}
        columns |= {"from": starts, "to": ends, "face": [faces[r] for r in rows]}
        for key in ("round", *READINGS, "time", "note"):
            if key in self.cells:
                cells = self.cells[key]
                columns[key] = [cells[r] for r in rows]
        if not ids:
            self._remark("REM524", f"Sights are named by their line in {self.book.file}.")
        keys = {"from": "from_setup" if "from_setup" in self.places else "from_mark",
                "to": "to_setup" if "to_setup" in self.places else "to_mark"}  # fmt: skip

        def spot(row: int, column: str) -> Spot:
            return self.book.spot(rows[row], self.places.get(keys.get(column, column)))

        return TextTable("sights.csv", columns, lines, spots=spot)

    def _marks(self, marks: TextTable | None, setups: list[Draft]) -> TextTable:
        """marks.csv with a row for each mark that only the book has: it has no coordinates, and needs none."""
        known = set(marks.get("mark")) if marks else set()
        lowered = {m.casefold(): m for m in known}
        new: dict[str, Draft] = {}
        for setup in setups:
            mark = setup.cells["mark"]
            if mark in known or mark in new:
                continue
            if mark.casefold() in lowered:
                key = "from_mark" if setup.instrument else "to_mark"
                found = f"There is no mark {quoted(mark)}"
                self._fault(setup.row, key, "TAB210", found, f'Is "{lowered[mark.casefold()]}" meant?')
            new[mark] = setup
        if not new and marks is not None:
            return marks
        old = len(marks) if marks else 0
        columns = {
            c.name: marks.columns[c.name] + [""] * len(new)
            for c in MARKS
            if marks and c.name in marks.columns
        }
        columns["mark"] = (marks.get("mark") if marks else []) + list(new)
        if marks and new:
            text = f"Marks of {self.book.file} that are not in marks.csv are taken as new: {listed(new)}."
            self._remark("REM525", text, tuple(new))
        elif new:
            self._remark("REM525", f"There is no marks.csv; all marks of {self.book.file} are taken as new.")
        drafts = list(new.values())

        def spot(row: int, column: str) -> Spot:
            if marks is not None and row < old:
                return marks.spot(row, column)
            draft = drafts[row - old]
            return self.book.spot(draft.row, self.places["from_mark" if draft.instrument else "to_mark"])

        lines = (marks.lines if marks else []) + [self.book.lines[d.row] for d in drafts]
        table = TextTable("marks.csv", columns, lines, spots=spot)
        if marks:
            table.broken, table.told = marks.broken, marks.told
        return table

    # -- words --

    def _tell(self, visits: Visits, open_marks: list[str]) -> None:
        """What was told from the book without its saying so."""
        if visits.inferred:
            drafts = [s for s in visits.setups if not s.named]
            count = {kind: sum(s.instrument == kind for s in drafts) for kind in (True, False)}
            text = (
                f"{count[True]} instrument setups and {count[False]} target setups are inferred from "
                f"{self.book.file}: {listed(s.name for s in drafts)}."
            )
            lasts = "height or support changes" if visits.beyond_visit else "the instrument moves on"
            wanted = f"A target setup lasts until {lasts}; hubtack new --from JOB DIR writes them out as tables, for correction."
            self.remarks.append(Trouble("REM520", text, wanted))
        if open_marks:
            taken = "one setup" if visits.beyond_visit else "set up anew each time"
            text = (
                f"{self.book.file} can't say whether the targets on {listed(open_marks)} stayed where they were "
                f"while the instrument moved on; they are taken as {taken}."
            )
            wanted = "Say so by same_target in [columns], or name in a column to_setup those that differ."
            self.remarks.append(Trouble("REM528", text, wanted, marks=tuple(open_marks)))
        used = set(self.places.values())
        rest = [
            h for i, h in enumerate(self.book.header) if i not in used and h and any(self.book.columns[i])
        ]
        if rest:
            self._remark("REM526", f"Columns of {self.book.file} that are not used: {listed(rest)}.")

    def _remark(self, code: str, text: str, marks: tuple[str, ...] = ()) -> None:
        self.remarks.append(Trouble(code, text, marks=marks))

    def _fault(self, row: int, key: str, code: str, found: str, wanted: str) -> None:
        self.faults.at(self.book.spot(row, self.places.get(key)), code, found, wanted)

    def _column(self, key: str) -> list[str]:
        return self.cells.get(key, self.blank)

    def _keys(self) -> ColumnsKeys:
        assert self.job.columns is not None
        return self.job.columns

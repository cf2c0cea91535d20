"""A job folder: job.toml and the tables beside it; or, in the place of setups and sights, what job.toml names."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from hubtack.adjust.trouble import Trouble
from hubtack.io.readers.columns import TABLES
from hubtack.io.readers.jobfile import FILE, JobFile
from hubtack.io.readers.tables import TextTable, decode, read_bytes, read_table

from ..faults import FaultList, nearest_name
from ..units import quoted


class FolderSource:
    """The files of one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.files: dict[str, str] = {}

    def job_text(self, faults: FaultList) -> str | None:
        """The text of job.toml."""
        data = read_bytes(self.folder / FILE, faults)
        if data is None:
            return None
        self.files[FILE] = hashlib.sha256(data).hexdigest()
        return decode(FILE, data, faults)

    def beside(self, name: str, faults: FaultList) -> str | None:
        """The text of a file that [include] names."""
        from .includes import read_beside

        return read_beside(self.folder, name, faults, self.files)

    def tables(self, job: JobFile, faults: FaultList, remarks: list[Trouble]) -> dict[str, TextTable]:
        """The tables that could be read. Missing ones are faults where the others need them."""
        if job.source is not None:
            return self._landxml(job, faults, remarks)
        there = {name for name in TABLES if os.path.lexists(self.folder / f"{name}.csv")}
        book = job.columns
        absent = [name for name in TABLES if name not in there]
        sought = [n for n in absent if book is None or n not in ("setups", "sights")]
        meant = self._misspelt(sought, "" if book is None else book.file, faults)
        wanted = ({"marks"} | ({"setups"} if "sights" in there else set())) - meant
        if book is not None:
            wanted -= {"marks", "setups"}
            _refuse_both(there & {"setups", "sights"}, job, faults)
            there -= {"setups", "sights"}
        elif not (there | meant) & {"sights", "reduced", "vectors"}:
            found = "There are no observations: none of sights.csv, reduced.csv, vectors.csv is there"
            faults.add("sights.csv", 0, "", "RUN412", found, "Add at least one of them.")
        tables = {}
        for name, schema in TABLES.items():
            if name in there | wanted:
                table = read_table(self.folder / f"{name}.csv", schema, faults, self.files)
                if table is not None:
                    tables[name] = table
                    if not table.lines and (name != "setups" or "sights" in there):
                        found = "The table has a header and no rows"
                        advice = "Fill it, or remove it if it isn't needed."
                        faults.add(table.file, 1, "", "TAB227", found, advice)
        if book is not None:
            from .fieldbook import read_book

            tables |= read_book(self.folder, job, tables.get("marks"), self.files, faults, remarks)
        return tables

    def _landxml(self, job: JobFile, faults: FaultList, remarks: list[Trouble]) -> dict[str, TextTable]:
        """What the LandXML file that job.toml names holds; tables of the folder take the place of its own."""
        from .landxml import tables_beside

        return tables_beside(self.folder, job, self.files, faults, remarks)

    def _misspelt(self, absent: list[str], book: str, faults: FaultList) -> set[str]:
        """The tables that are absent while a file of almost their name is there: it would be passed over in silence."""
        initials = {name[0] for name in absent}
        others = sorted(
            p.name
            for p in self.folder.glob("*.csv")
            if p.stem not in TABLES and p.stem[:1].lower() in initials and p.name != book
        )
        meant: set[str] = set()
        for file in others:
            near = nearest_name(file[:-4].lower(), absent, 0.8)
            if near:
                meant.add(near)
                wanted = f"Rename it to {near}.csv, or give it a name less like it."
                faults.add(file, 0, "", "RUN417", f"No job reads a file {quoted(file)}", wanted)
        return meant


def _refuse_both(there: set[str], job: JobFile, faults: FaultList) -> None:
    """A job has setups and sights once: as tables, or in a field book."""
    for name in sorted(there):
        found = f"{FILE} names a field book in [columns], and {name}.csv is there too"
        faults.add(f"{name}.csv", 0, "", "RUN418", found, "Keep one of the two.")

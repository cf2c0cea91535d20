"""Where a job comes from: a folder, a workbook or a LandXML file, each giving the same text tables.

A source knows its places: what it reads remembers where the user finds it (`TextTable.spots`, `FaultList.elsewhere`).
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Protocol

from hubtack.adjust.trouble import Trouble
from hubtack.io.readers.jobfile import JobFile
from hubtack.io.readers.tables import TextTable

from ..faults import FaultList, Nearest, listed


class Source(Protocol):
    """One job as it lies on the disk."""

    files: dict[str, str]  # file name → sha256 of its bytes

    def job_text(self, faults: FaultList) -> str | None:
        """The text of job.toml; None (with faults noted) where it can't be had."""

    def beside(self, name: str, faults: FaultList) -> str | None:
        """The text of a file that [include] names, its path from the job's folder; None with faults noted."""

    def tables(self, job: JobFile, faults: FaultList, remarks: list[Trouble]) -> dict[str, TextTable]:
        """The tables that could be read, by their names in columns.TABLES."""


def open_source(path: Path, faults: FaultList) -> Source | None:
    """The source at a path; None (with a fault noted) where there is no job to read anything of."""
    from .folder import FolderSource

    name = str(path)
    try:
        exists, is_folder = path.exists(), path.is_dir()
        siblings = [] if exists else [p.name for p in path.parent.iterdir()]
    except (OSError, ValueError):  # a name too long, with a zero byte in it, or not for this user
        exists, is_folder, siblings = False, False, []
    kind = path.suffix.lower()
    if not exists:
        near = Nearest(siblings).find(path.name)
        wanted = f'Is "{path.parent / near}" meant?' if near else "Name the folder that holds job.toml."
        what = "file" if kind in (".xlsx", ".xml") else "folder"
        faults.add(name, 0, "", "RUN401", f"There is no such {what}", wanted)
        return None
    if not is_folder:
        return _open_file(path, kind, faults)
    if not os.path.lexists(path / "job.toml"):
        inside = sorted(p.parent.name for p in path.glob("*/job.toml"))
        inside += sorted(
            p.name for p in path.iterdir() if p.suffix.lower() == ".xlsx" and p.name[0] not in "~."
        )
        wanted = f"Jobs in it: {listed(inside)}." if inside else "A job starts with a file job.toml."
        faults.add(name, 0, "", "RUN411", "There is no job.toml in this folder", wanted)
        return None
    return FolderSource(path)


def _open_file(path: Path, kind: str, faults: FaultList) -> Source | None:
    """A job that is one file."""
    name = str(path)
    if kind == ".xlsx":
        from .workbook import WorkbookSource

        return WorkbookSource(path)
    if kind == ".xml":
        from .landxml import LandXmlSource

        return LandXmlSource(path)
    if path.name in ("job.toml", "marks.csv", "setups.csv", "sights.csv", "reduced.csv", "vectors.csv"):
        wanted = "Name the folder that holds job.toml."
    elif kind in (".csv", ".txt", ".tsv"):
        wanted = f"A field book becomes a job with: hubtack new --from {name} JOB."
    elif kind in (".xls", ".ods", ".xlsm", ".xlsb"):
        wanted = "Save it as .xlsx."
    else:
        wanted = "Name the folder that holds job.toml."
    faults.add(name, 0, "", "RUN402", "This is a file, not a folder", wanted)
    return None

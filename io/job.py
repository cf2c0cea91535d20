"""A job: the network, the settings, and what is needed to speak of them in the user's own words and units."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, field
from pathlib import Path

from hubtack.adjust.ground.network import Marks, Network, Reduced, Setups, Sights, Vectors
from hubtack.adjust.ground.table import Names
from hubtack.adjust.settings import Settings
from hubtack.adjust.trouble import Trouble

from . import ground, sightings
from .cells import Cells
from .columns import TABLES
from .decisions import Decision, Decisions
from .faults import FaultList, Nearest, listed, nearest_name
from .jobfile import FILE, JobFile, read_jobfile, unread_jobfile
from .tables import TextTable, decode, read_bytes, read_table
from .units import Units, quoted

__all__ = ["Decision", "Job", "read_job"]


@dataclass(frozen=True)
class Job:
    """What `read_job` returns. `places[table][row]` is a row's line: places["setups"][11] → 14."""

    name: str
    folder: Path
    network: Network
    settings: Settings
    units: Units
    decisions: tuple[Decision, ...] = ()
    places: dict[str, tuple[int, ...]] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)  # file name → sha256 of its bytes
    remarks: tuple[Trouble, ...] = ()  # defaults taken, columns not used, …

    def place(self, table: str, row: int) -> str:
        """`setups.csv:14` for a row of a table."""
        lines = self.places.get(table, ())
        return f"{table}.csv:{lines[row]}" if 0 <= row < len(lines) else f"{table}.csv"


def read_job(folder: Path | str) -> Job:
    """The job in a folder: job.toml, marks.csv, and what there is of setups, sights, reduced and vectors.

    Raises Faults with every fault of every file.
    """
    folder = Path(folder)
    faults = FaultList()
    _check_folder(folder, faults)
    files: dict[str, str] = {}
    data = read_bytes(folder / "job.toml", faults)
    text = decode("job.toml", data, faults) if data is not None else None
    if data is not None:
        files["job.toml"] = hashlib.sha256(data).hexdigest()
    tables = _read_tables(folder, faults, files)

    jobfile = unread_jobfile() if text is None else read_jobfile(text, faults)
    remarks: list[Trouble] = []
    decisions = Decisions(jobfile, tables, faults)
    network = _network(jobfile, tables, faults, remarks)
    if "marks" in tables and tables["marks"].whole:
        _check_names(jobfile, network, faults)
    if not faults:
        network = decisions.leave_out(network)
    faults.raise_if_any()
    _remark(jobfile, tables, remarks)
    return Job(
        name=jobfile.name or folder.resolve().name,
        folder=folder,
        network=network,
        settings=jobfile.settings,
        units=jobfile.units,
        decisions=tuple(decisions.applied),
        places={name: tuple(table.lines) for name, table in tables.items()},
        files=files,
        remarks=tuple(remarks),
    )


def _check_folder(folder: Path, faults: FaultList) -> None:
    """Raises at once where there is no job to read anything of."""
    name = str(folder)
    try:
        exists, is_folder = folder.exists(), folder.is_dir()
        siblings = [] if exists else [p.name for p in folder.parent.iterdir() if p.is_dir()]
    except (OSError, ValueError):  # a name too long, with a zero byte in it, or not for this user
        exists, is_folder, siblings = False, False, []
    if folder.suffix.lower() == ".xlsx" and exists and not is_folder:
        faults.add(
            name, 0, "", "RUN416", "Workbooks are not read yet", "Save its sheets as CSV into a folder."
        )
    elif not exists:
        near = Nearest(siblings).find(folder.name)
        wanted = f'Is "{folder.parent / near}" meant?' if near else "Name the folder that holds job.toml."
        faults.add(name, 0, "", "RUN401", "There is no such folder", wanted)
    elif not is_folder:
        faults.add(
            name, 0, "", "RUN402", "This is a file, not a folder", "Name the folder that holds job.toml."
        )
    elif not os.path.lexists(folder / "job.toml"):
        inside = sorted(p.parent.name for p in folder.glob("*/job.toml"))
        wanted = f"Jobs in it: {listed(inside)}." if inside else "A job starts with a file job.toml."
        faults.add(name, 0, "", "RUN411", "There is no job.toml in this folder", wanted)
    faults.raise_if_any()


def _read_tables(folder: Path, faults: FaultList, files: dict[str, str]) -> dict[str, TextTable]:
    """The tables that could be read. Missing ones are faults where the others need them."""
    there = {name for name in TABLES if os.path.lexists(folder / f"{name}.csv")}
    meant = _misspelt(folder, [name for name in TABLES if name not in there], faults)
    wanted = ({"marks"} | ({"setups"} if "sights" in there else set())) - meant
    if not (there | meant) & {"sights", "reduced", "vectors"}:
        found = "There are no observations: none of sights.csv, reduced.csv, vectors.csv is there"
        faults.add("sights.csv", 0, "", "RUN412", found, "Add at least one of them.")
    tables = {}
    for name, schema in TABLES.items():
        if name in there | wanted:
            table = read_table(folder / f"{name}.csv", schema, faults, files)
            if table is not None:
                tables[name] = table
                if not table.lines and (name != "setups" or "sights" in there):
                    found = "The table has a header and no rows"
                    faults.add(
                        table.file, 1, "", "TAB227", found, "Fill it, or remove it if it isn't needed."
                    )
    return tables


def _misspelt(folder: Path, absent: list[str], faults: FaultList) -> set[str]:
    """The tables that are absent while a file of almost their name is there: it would be passed over in silence."""
    initials = {name[0] for name in absent}
    others = sorted(
        p.name for p in folder.glob("*.csv") if p.stem not in TABLES and p.stem[0].lower() in initials
    )
    meant: set[str] = set()
    for file in others:
        near = nearest_name(file[:-4].lower(), absent, 0.8)
        if near:
            meant.add(near)
            wanted = f"Rename it to {near}.csv, or give it a name less like it."
            faults.add(file, 0, "", "RUN417", f"No job reads a file {quoted(file)}", wanted)
    return meant


def _network(
    jobfile: JobFile, tables: dict[str, TextTable], faults: FaultList, remarks: list[Trouble]
) -> Network:
    """The network, with faults noted. What points into a table that could not be read whole is not checked."""
    units = jobfile.units if jobfile.units_known else None
    cells = {name: Cells(table, units, faults) for name, table in tables.items()}
    marks = ground.read_marks(cells["marks"]) if "marks" in cells else Marks.empty()
    mark_rows = _rows_of(marks.mark) if "marks" in cells and tables["marks"].whole else None
    targets = ground.read_targets(jobfile)
    vertical = sightings.vertical_setups(cells.get("sights"), cells.get("vectors"))
    setups = Setups.empty()
    if "setups" in cells:
        setups = ground.read_setups(cells["setups"], jobfile, mark_rows, _rows_of(targets.target), vertical)
    names: dict[str, int] | None = _rows_of(setups.setup)
    needed = "sights" in tables or ("setups" in tables and bool(tables["setups"].lines))
    if needed and not ("setups" in tables and tables["setups"].whole):
        names = None
    sights, reduced, vectors = Sights.empty(), Reduced.empty(), Vectors.empty()
    if "sights" in cells:
        roles = tables["setups"].get("role") if "setups" in tables else []
        sights = sightings.read_sights(cells["sights"], setups, roles, names)
    if "reduced" in cells:
        reduced = sightings.read_reduced(cells["reduced"], mark_rows)
    if "vectors" in cells:
        vectors = sightings.read_vectors(cells["vectors"], mark_rows, setups, names)
    return Network(
        marks=marks,
        setups=setups,
        sights=sights,
        reduced=reduced,
        vectors=vectors,
        supports=ground.read_supports(jobfile, remarks),
        instruments=ground.read_instruments(jobfile),
        targets=targets,
    )


def _rows_of(names: Names) -> dict[str, int]:
    rows: dict[str, int] = {}
    for row, name in enumerate(names):
        if name:
            rows.setdefault(str(name), row)
    return rows


def _check_names(jobfile: JobFile, network: Network, faults: FaultList) -> None:
    """The marks that [datum] and [relative] name."""
    known = _rows_of(network.marks.mark)
    nearest = Nearest(known)
    named: list[tuple[tuple[str | int, ...], str]] = [
        (("datum", "marks", i), mark) for i, mark in enumerate(jobfile.settings.datum_marks)
    ]
    for i, pair in enumerate(jobfile.settings.pairs):
        named += [(("relative", "pairs", i, j), mark) for j, mark in enumerate(pair)]
        if pair[0] == pair[1]:
            found = f"The pair {pair[0]}, {pair[1]} is one mark"
            jobfile.fault(faults, ("relative", "pairs", i), "JOB114", found, "Name two marks.")
    for path, mark in named:
        if mark not in known:
            wanted = nearest.advice(mark, f"Known in marks.csv: {listed(known)}.")
            jobfile.fault(faults, path, "JOB114", f"There is no mark {quoted(mark)}", wanted)


def _remark(jobfile: JobFile, tables: dict[str, TextTable], remarks: list[Trouble]) -> None:
    """What was taken for granted, and what was read and not used."""
    setups, sights = tables.get("setups"), tables.get("sights")
    for name in ("temperature", "pressure"):
        if setups and any(setups.get(name)):
            text = f"The column {name} of setups.csv is kept, and not applied to the distances."
            remarks.append(
                Trouble("REM502", text, "Distances are taken as already corrected for the atmosphere.")
            )
    if sights and "face" not in sights.columns:
        remarks.append(
            Trouble("REM503", "sights.csv has no column face; all readings are taken as of face 1.")
        )
    for name, default in (("length", "m"), ("angle", "dms")):
        if name not in jobfile.units_told and not (name == "angle" and sights is None):
            text = (
                f"{FILE} states no unit of {'lengths' if name == 'length' else 'angles'}; {default} is taken."
            )
            remarks.append(Trouble("REM504", text, f'State [units] {name} = "{default}".'))
    if setups:
        blank = [
            s
            for s, role, device in zip(
                setups.get("setup"), setups.get("role"), setups.get("device"), strict=True
            )
            if role == "target" and not device
        ]
        if blank:
            text = f"Target setups without a device are taken as prism, constant 0: {listed(blank)}."
            remarks.append(Trouble("REM505", text, setups=tuple(blank)))

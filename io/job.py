"""A job: the network, the settings, and what is needed to speak of them in the user's own words and units."""

from __future__ import annotations

import gc
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hubtack.adjust.ground.network import Marks, Network, Reduced, Sessions, Setups, Sights, Vectors
from hubtack.adjust.ground.table import Names
from hubtack.adjust.settings import Settings
from hubtack.adjust.trouble import Trouble
from hubtack.io.readers import ground, sightings
from hubtack.io.readers.cells import Cells
from hubtack.io.readers.columns import ON_EARTH, TABLES
from hubtack.io.readers.decisions import Decision, Decisions
from hubtack.io.readers.jobfile import FILE, JobFile, read_jobfile, unread_jobfile
from hubtack.io.readers.jobkeys import NAMED
from hubtack.io.readers.tables import TextTable
from hubtack.io.readers.together import overruled, read_together

from .faults import FaultList, Faults, Nearest, Spot, listed
from .readers.source import open_source
from .units import Units, quoted

if TYPE_CHECKING:
    from .readers.site import Site

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
    write: tuple[str, ...] = ()  # deliverables that job.toml asks for
    site: Site | None = None  # where on the earth; None in a plane of its own
    crs: str = ""  # the system of east and north, in words that PROJ reads; blank where the job states none
    goals: dict[str, dict[str, Any]] = field(
        default_factory=dict
    )  # [tolerance] and [times] of a plan, [scanner]
    devices: dict[str, dict[str, Any]] = field(
        default_factory=dict
    )  # section → name → keys, as job.toml has them
    # table → column → cells: notes, times, names of bases and whatever else the network does not hold
    texts: dict[str, dict[str, tuple[str, ...]]] = field(default_factory=dict)

    spots: dict[str, Callable[[int, str], Spot]] = field(default_factory=dict)  # of tables that are no files

    @property
    def system(self) -> str:
        """The same for people: EPSG:25833 (ETRS89 / UTM zone 33N)."""
        if self.site is None:
            return ""
        crs = self.site.crs
        own = f"{crs.name} ({crs.about['name']})"
        return own if self.site.grid is crs else f"{self.site.grid.name}"

    def place(self, table: str, row: int) -> str:
        """`setups.csv:14` for a row of a table."""
        return str(self.spot(table, row, ""))

    def spot(self, table: str, row: int, column: str) -> Spot:
        """Where the user finds a cell of a table."""
        lines = self.places.get(table, ())
        if not 0 <= row < len(lines):
            return Spot(f"{table}.csv", 0, "")
        return (
            self.spots[table](row, column)
            if table in self.spots
            else Spot(f"{table}.csv", lines[row], column)
        )


def read_job(folder: Path | str, without: Collection[int] = ()) -> Job:
    """The job in a folder (job.toml, marks.csv, and what there is of setups, sights, reduced and vectors), in a
    workbook or in a LandXML file. `without` are decisions, by their number from 0, to be passed over.

    Raises Faults with every fault of every file.
    """
    collecting = gc.isenabled()
    gc.disable()  # millions of cells are born and none is garbage: looking for some takes a tenth of the time
    try:
        return _read(Path(folder), without)
    finally:
        if collecting:
            gc.enable()


def _read(folder: Path, without: Collection[int]) -> Job:
    faults = FaultList()
    source = open_source(folder, faults)
    if source is None:
        raise Faults(faults.faults)
    text = source.job_text(faults)
    jobfile = unread_jobfile() if text is None else read_jobfile(text, faults, source.beside)
    remarks: list[Trouble] = overruled(jobfile)
    tables = source.tables(jobfile, faults, remarks)
    jobfile.decisions = [None if i in without else d for i, d in enumerate(jobfile.decisions)]
    decisions = Decisions(jobfile, tables, faults)
    network, site = _network(jobfile, tables, _folder_of(folder), source.files, faults, remarks)
    if "marks" in tables and tables["marks"].whole:
        _check_names(jobfile, network, faults)
    if not faults:
        network = decisions.leave_out(network)
    faults.raise_if_any()
    _remark(jobfile, tables, remarks)
    return Job(
        name=jobfile.name or (folder.resolve().name if folder.is_dir() else folder.stem),
        folder=folder,
        network=network,
        settings=jobfile.settings,
        units=jobfile.units,
        decisions=tuple(decisions.applied),
        places={name: tuple(table.lines) for name, table in tables.items()},
        files=source.files,
        remarks=tuple(remarks),
        write=jobfile.write,
        devices={section: dict(getattr(jobfile, section)) for section in NAMED},
        site=site,
        crs=site.grid.definition if site is not None else "",
        goals=jobfile.goals,
        texts={name: _texts(name, table) for name, table in tables.items()},
        spots={name: table.spots for name, table in tables.items() if table.spots},
    )


def _speaks_of_the_earth(tables: dict[str, TextTable]) -> bool:
    return "marks" in tables and any(name in tables["marks"].columns for name in ON_EARTH)


def _folder_of(path: Path) -> Path:
    return path if path.is_dir() else path.parent


def _texts(name: str, table: TextTable) -> dict[str, tuple[str, ...]]:
    """The columns of a table that people read and the engine does not, and control as it stands in the file."""
    kept = {c.name for c in TABLES[name] if c.kind == "text"} | {"base", "height_base"}
    kept |= {"temperature", "pressure", "humidity"}
    kept |= {"control", "sigma_east", "sigma_north", "sigma_height"}
    return {column: tuple(cells) for column, cells in table.columns.items() if column in kept}


def _network(
    jobfile: JobFile,
    tables: dict[str, TextTable],
    folder: Path,
    files: dict[str, str],
    faults: FaultList,
    remarks: list[Trouble],
) -> tuple[Network, Site | None]:
    """The network and where it lies, with faults noted. What points into a table that could not be read whole is not checked."""
    units = jobfile.units if jobfile.units_known else None
    cells = {name: Cells(table, units, faults) for name, table in tables.items()}
    site, positions = None, None
    if set(jobfile.site) - {"frame"} or jobfile.site.get("frame") == "earth" or _speaks_of_the_earth(tables):
        from .readers.site import read_site

        jobfile.settings, site, positions = read_site(jobfile, cells.get("marks"), folder, files, faults)
    marks = ground.read_marks(cells["marks"], positions) if "marks" in cells else Marks.empty()
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
    sights, reduced, vectors, sessions = Sights.empty(), Reduced.empty(), Vectors.empty(), Sessions.empty()
    if "sights" in cells:
        roles = tables["setups"].get("role") if "setups" in tables else []
        sights = sightings.read_sights(cells["sights"], setups, roles, names)
    if "reduced" in cells:
        reduced = sightings.read_reduced(cells["reduced"], mark_rows, jobfile.settings.frame == "earth")
    if "vectors" in cells:
        vectors, sessions = sightings.read_vectors(cells["vectors"], mark_rows, setups, names, jobfile)
    network = Network(
        marks=marks,
        setups=setups,
        sights=sights,
        reduced=reduced,
        vectors=vectors,
        supports=ground.read_supports(jobfile, remarks),
        instruments=ground.read_instruments(jobfile),
        targets=targets,
        together=read_together(jobfile, faults) if jobfile.together else (),
        sessions=sessions,
    )
    if names is not None and (
        any(spec is not None and spec.atmosphere for spec in jobfile.instruments.values())
        or ("setups" in cells and any(map(any, map(tables["setups"].get, ("temperature", "pressure")))))
    ):
        from .readers.air import check_air

        check_air(jobfile, network, cells.get("setups"), faults, remarks)
    return network, site


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
            own = jobfile.targets.get("prism")
            constant = f"{own.constant * 1e3:g} mm" if own is not None else "0"
            text = f"Target setups without a device are taken as prism, constant {constant}: {listed(blank)}."
            remarks.append(Trouble("REM505", text, setups=tuple(blank)))

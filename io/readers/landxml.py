"""LandXML as a source: a file of our own is a whole job; a foreign one needs a job.toml beside it.

`[source] landxml = "day.xml"` in a job folder takes marks, setups and sights from the file, and instruments, supports and
sigmas from job.toml. `hubtack new --from day.xml JOB` writes both out as tables.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from hubtack.adjust.trouble import Trouble
from hubtack.io.readers.columns import TABLES
from hubtack.io.readers.jobfile import FILE, JobFile
from hubtack.io.readers.jobkeys import DecisionKeys
from hubtack.io.readers.tables import TextTable, read_table

from ..faults import FaultList, Nearest, Spot, listed
from ..units import Units, quoted
from . import landxml_own as own
from .landxml_azimuths import doubt
from .landxml_survey import Stand, Survey, read_survey
from .landxml_units import FileUnits, units_of
from .xmlfile import everywhere, parse_landxml

if TYPE_CHECKING:
    from lxml.etree import _Element


class LandXmlSource:
    """A LandXML file that is a job by itself: one of our own."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.files: dict[str, str] = {}
        self._root: _Element | None = None

    def job_text(self, faults: FaultList) -> str | None:
        """job.toml from the Features of the header."""
        root = parse_landxml(self.path, faults, self.files)
        if root is None:
            return None
        if not own.is_own(root):
            found = "The file does not say what the devices stood on, nor how good the instruments are"
            folder = self.path.parent / self.path.stem
            wanted = (
                f"Run: hubtack new --from {self.path} {folder}. Or put a job.toml beside it, with instruments, "
                f'supports and [source] landxml = "{self.path.name}".'
            )
            faults.add(self.path.name, 0, "", "RUN437", found, wanted)
            return None
        self._root = root
        text, places = own.job_text(root)

        def move(row: int, column: str | int) -> Spot:
            return Spot(self.path.name, places[row - 1] if 0 < row <= len(places) else 0, "")

        faults.elsewhere[FILE] = move
        return text

    def beside(self, name: str, faults: FaultList) -> str | None:
        """The text of a file that [include] names."""
        from .includes import read_beside

        return read_beside(self.path.parent, name, faults, self.files)

    def tables(self, job: JobFile, faults: FaultList, remarks: list[Trouble]) -> dict[str, TextTable]:
        """The tables from the Features."""
        if self._root is None:
            return {}
        units = units_of(self._root, self.path.name, faults)
        return own.tables(self._root, self.path.name, job.units, units) if units else {}


def tables_beside(
    folder: Path, job: JobFile, files: dict[str, str], faults: FaultList, remarks: list[Trouble]
) -> dict[str, TextTable]:
    """The tables of the file that job.toml names; marks, reduced and vectors of the folder go before its own."""
    keys = job.source
    assert keys is not None  # only called for those
    path = folder / keys.landxml
    if path.resolve().parent != folder.resolve():
        found = f"{quoted(keys.landxml)} is not in the job's folder"
        job.fault(faults, ("source", "landxml"), "JOB117", found, "Put the file beside job.toml.")
        return {}
    for name in ("setups", "sights"):
        if (folder / f"{name}.csv").exists():
            found = f"{FILE} names a LandXML file in [source], and {name}.csv is there too"
            faults.add(f"{name}.csv", 0, "", "RUN418", found, "Keep one of the two.")
    beside = {}
    for name in ("marks", "reduced", "vectors"):
        if (folder / f"{name}.csv").exists():
            table = read_table(folder / f"{name}.csv", TABLES[name], faults, files)
            if table is not None:
                beside[name] = table
    root = parse_landxml(path, faults, files)
    units = units_of(root, path.name, faults) if root is not None else None
    if root is None or units is None:
        return beside
    if own.is_own(root):
        tables = own.tables(root, path.name, job.units, units)
    else:
        stand = _stand(job, faults)
        survey = read_survey(root, path.name, job.units, units, stand, faults)
        tables = survey.tables
        survey.notes += filter(None, [doubt(tables, job.units)])
        _ask_sigmas(survey, job, faults)
        _decide(survey, path.name, job)
        remarks += [Trouble("REM527", f"{path.name}: {note}") for note in survey.notes]
        if not set(tables) & {"sights", "reduced", "vectors"} and not set(beside) & {"reduced", "vectors"}:
            found = "The file holds no observation that can be read"
            wanted = "RawObservation and ReducedObservation are read; GPSVector in the earth frame."
            faults.add(path.name, 0, "", "RUN438", found, wanted)
    for name, table in beside.items():
        tables[name] = _with_marks_of(table, tables.get("marks")) if name == "marks" else table
    return tables


def _stand(job: JobFile, faults: FaultList) -> Stand:
    """What [source] says of supports, targets and sigmas; a name that job.toml does not know is told here, once."""
    keys = job.source
    assert keys is not None  # only called then
    named: dict[str, str] = {}
    for key, known, what in (
        ("from_support", list(job.supports), "support"),
        ("to_support", list(job.supports), "support"),
        ("to_device", ["prism", *job.targets], "target"),
        ("antenna_support", list(job.supports), "support"),
    ):
        name = getattr(keys, key)
        if name and name not in known and job.readable:
            wanted = Nearest(known).advice(name, f"Known in job.toml: {listed(known)}.")
            code = "TAB212" if what == "support" else "TAB213"
            job.fault(faults, ("source", key), code, f"There is no {what} {quoted(name)}", wanted)
            name = ""
        named[key] = name or (known[0] if known and key in ("from_support", "to_support") else "")
    azimuth = "" if keys.azimuth_sigma is None else f"{keys.azimuth_sigma!r} rad"
    horizontal = "" if keys.horizontal_sigma is None else f"{keys.horizontal_sigma!r} m"
    return Stand(
        tuple(job.instruments),
        **named,
        geocentric=job.site.get("frame") == "earth",
        azimuth_sigma=azimuth,
        horizontal_sigma=horizontal,
    )


def _ask_sigmas(survey: Survey, job: JobFile, faults: FaultList) -> None:
    """Reduced observations without a sigma are asked for once, not in every row."""
    table = survey.tables.get("reduced")
    if table is None or job.source is None:
        return
    kinds = set(table.get("kind"))
    for kind in sorted(kinds):
        key = f"{kind}_sigma"
        if getattr(job.source, key) is None:
            found = f"The file has {table.get('kind').count(kind)} {kind}s, and LandXML fixes no unit for their accuracy"
            example = "5 mm" if kind == "horizontal" else "10 arcsec"
            line, column = job.places.table(("source",))
            faults.add(FILE, line, column, "JOB120", found, f'State {key} = "{example}" in [source].')
            table.told.add("sigma")


def _decide(survey: Survey, file: str, job: JobFile) -> None:
    """What the file marks as unused becomes a decision, unless job.toml has decided it already."""
    taken = {" ".join(d.leave_out.split()) for d in job.decisions if d is not None}
    for what, why, line in survey.left_out:
        if what not in taken:
            job.decision_places[len(job.decisions)] = f"{file}:{line}"
            job.decisions.append(DecisionKeys(reason=why, leave_out=what, by=file))


def _with_marks_of(table: TextTable, others: TextTable | None) -> TextTable:
    """marks.csv and, below it, the marks that only the file has; their coordinates are start values, not control."""
    if others is None or not table.whole:
        return table
    known = set(table.get("mark"))
    more = [i for i, mark in enumerate(others.get("mark")) if mark not in known]
    if not more:
        return table
    old = len(table)
    columns = dict(table.columns)
    for name in ("mark", "east", "north", "height"):
        columns[name] = table.get(name) + [others.get(name)[i] for i in more]
    for name in columns:
        columns[name] = columns[name] + [""] * (old + len(more) - len(columns[name]))

    def spot(row: int, column: str) -> Spot:
        return table.spot(row, column) if row < old else others.spot(more[row - old], column)

    joined = TextTable(table.file, columns, table.lines + [others.lines[i] for i in more], spots=spot)
    joined.broken, joined.told = table.broken, table.told
    return joined


def as_tables(path: Path, faults: FaultList) -> tuple[str, dict[str, TextTable], list[str]]:
    """job.toml, tables, and what is to be said, of any LandXML file: for `hubtack new`."""
    from hubtack.io.readers.jobfile import read_jobfile

    from ..new import assemble
    from .tomltext import toml

    root = parse_landxml(path, faults, {})
    units = units_of(root, path.name, faults) if root is not None else None
    if root is None or units is None:
        return "", {}, []
    if own.is_own(root):
        text, _ = own.job_text(root)
        return text, own.tables(root, path.name, read_jobfile(text, faults).units, units), []
    instruments = [str(e.get("id")) for e in everywhere(root, "InstrumentDetails") if e.get("id")] or ["ts-1"]
    text = assemble(path.stem, units.job_length, units.job_angle, instruments, ["tripod", "pole"], [])
    stand = Stand(tuple(instruments), "tripod", "pole")
    survey = read_survey(root, path.name, _units(units), units, stand, faults)
    if not set(survey.tables) & {"sights", "reduced"} and not faults:
        found = "The file holds no observation that can be read"
        faults.add(path.name, 0, "", "RUN438", found, "RawObservation and ReducedObservation are read.")
    for what, why, line in survey.left_out:
        text += f"\n[[decision]]\nleave_out = {toml(what)}\nreason = {toml(why)}\nby = {toml(f'{path.name}:{line}')}\n"
    words = [*survey.notes, *filter(None, [doubt(survey.tables, _units(units))])]
    if "setups" in survey.tables:
        words.append(
            "Instruments are taken to stand on tripod, targets on pole: correct setups.csv where they did not."
        )
    if "reduced" in survey.tables:
        words.append(
            "Sigmas of reduced.csv are blank: LandXML fixes no unit for its accuracies, so state them."
        )
    if survey.left_out:
        words.append(f"Left out by decisions in job.toml: {listed(what for what, _, _ in survey.left_out)}.")
    return text, survey.tables, words


def _units(units: FileUnits) -> Units:
    from typing import cast

    from ..units import AngleName, LengthName

    return Units(cast(LengthName, units.job_length), cast(AngleName, units.job_angle))

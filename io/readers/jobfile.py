"""job.toml: read by tomllib, validated by pydantic's core, every fault with its line and column.

What is faulty is taken out and the rest is kept, so that the tables can still be checked in the same go.
"""

from __future__ import annotations

import dataclasses
import tomllib
from dataclasses import dataclass, field
from typing import Any

from hubtack.adjust.settings import Settings
from hubtack.io.faults import FaultList, Nearest, one_line
from hubtack.io.readers import jobkeys
from hubtack.io.readers.tomlplaces import Path, TomlPlaces, syntax_place
from hubtack.io.units import Units, quoted

FILE = "job.toml"
TYPES = {
    "string_type": "a text in quotation marks",
    "float_type": "a number",
    "int_type": "a whole number",
    "finite_number": "a finite number",
    "dict_type": "a table",
    "list_type": "a list in square brackets",
    "text_or_count": "a text in quotation marks",
    "string_too_short": "a text that isn't blank",
    "string_too_long": "a text of less than 1000 characters",
    "too_short": "a pair of marks",
    "too_long": "a pair of marks",
}


@dataclass
class JobFile:
    """job.toml as read. Names of faulty instruments, supports and targets are kept with None."""

    places: TomlPlaces
    name: str = ""
    units: Units = field(default_factory=Units)
    units_told: frozenset[str] = frozenset()  # which of length and angle the job states
    units_known: bool = True  # False where [units] is faulty: then no cell can be checked
    settings: Settings = field(default_factory=Settings)
    instruments: dict[str, jobkeys.InstrumentKeys | None] = field(default_factory=dict)
    supports: dict[str, jobkeys.SupportKeys | None] = field(default_factory=dict)
    targets: dict[str, jobkeys.TargetKeys | None] = field(default_factory=dict)
    decisions: list[jobkeys.DecisionKeys | None] = field(default_factory=list)
    write: tuple[str, ...] = ()  # names of deliverables
    goals: dict[str, dict[str, Any]] = field(default_factory=dict)  # [tolerance], [times], [scanner], as read
    columns: jobkeys.ColumnsKeys | None = None  # a field book in the place of setups.csv and sights.csv
    source: jobkeys.SourceKeys | None = None
    decision_places: dict[int, str] = field(default_factory=dict)  # of decisions that stand in another file
    readable: bool = True  # False where the text is no TOML: then no name can be checked

    def fault(self, faults: FaultList, path: Path, code: str, found: str, wanted: str) -> None:
        """Note a fault at the value of a path."""
        line, column = self.places.value(path)
        faults.add(FILE, line, column, code, found, wanted)


def read_jobfile(text: str, faults: FaultList) -> JobFile:
    """The text of job.toml as a JobFile; faults are noted and what they concern is left at its default."""
    text = text.replace("\r\n", "\n")
    job = JobFile(TomlPlaces(text))
    try:
        data = tomllib.loads(text)
    except RecursionError:
        faults.add(FILE, 1, 1, "JOB101", "The tables are nested too deeply", "See the format page.")
        job.readable = job.units_known = False
        return job
    except ValueError as error:  # TOMLDecodeError, and whole numbers of thousands of digits
        (line, column), message = syntax_place(error, text)
        faults.add(
            FILE, line, column, "JOB101", f"This is not TOML: {message}", "Texts stand in quotation marks."
        )
        job.readable = job.units_known = False
        return job
    _refuse_later(data, job, faults)
    names = {s: list(data[s]) if isinstance(data.get(s), dict) else [] for s in jobkeys.NAMED}
    for section, given in names.items():
        for name in given:
            if not name.strip() or name != name.strip() or not name.isprintable():
                line, column = job.places.key((section, name))
                found = f"{quoted(name)} can't be a name in [{section}]"
                wanted = "Use letters that can be seen, without blanks at the ends."
                faults.add(FILE, line, column, "JOB116", found, wanted)
    valid = _validate(data, job, faults)
    _fill(job, valid, names)
    job.settings = _settings(valid, job, faults)
    return job


def unread_jobfile() -> JobFile:
    """What stands for a job.toml that can't be had: nothing that the tables name is checked against it."""
    return JobFile(TomlPlaces(""), units_known=False, readable=False)


def _refuse_later(data: dict[str, Any], job: JobFile, faults: FaultList) -> None:
    for section in jobkeys.LATER:
        if section in data:
            line, column = job.places.key((section,))
            faults.add(
                FILE,
                line,
                column,
                "JOB109",
                f"[{section}] is not supported yet",
                "Remove it, or wait for it.",
            )
            del data[section]
    site = data.get("site")
    if isinstance(site, dict) and site.get("frame") == "earth":
        job.fault(
            faults, ("site", "frame"), "JOB109", 'frame = "earth" is not supported yet', 'Write "plane".'
        )
        del site["frame"]


def _validate(data: dict[str, Any], job: JobFile, faults: FaultList) -> dict[str, Any]:
    """The data without what is wrong. Faults come from the first pass; others see what it left behind."""
    from pydantic_core import SchemaValidator, ValidationError

    validator = SchemaValidator(jobkeys.job_schema())
    first = True
    while True:
        try:
            valid: dict[str, Any] = validator.validate_python(data)
            return valid
        except ValidationError as invalid:
            for error in invalid.errors(include_url=False):
                path = error["loc"]
                if first:
                    _fault(error, path, data, job, faults)
                    job.units_known &= path[:1] != ("units",)
                _remove(data, path[:-1] if error["type"] == "missing" else path)
            first = False


def _remove(data: dict[str, Any], path: Path) -> None:
    """Takes out what stands at a path; a list keeps its length, and `format` its place."""
    if path in ((), ("format",)):
        data["format"] = 1
        return
    if path[0] == "decision":
        path = path[:2]  # half a decision would only bring forth another fault
    container: Any = data
    for step in path[:-1]:
        try:
            container = container[step]
        except (KeyError, IndexError, TypeError):  # gone with another fault
            return
    if isinstance(container, dict):
        container.pop(path[-1], None)
    elif path[0] == "decision" and isinstance(container, list) and isinstance(path[-1], int):
        container[path[-1]] = None
    else:
        _remove(data, path[:-1])


def _fault(error: Any, path: Path, data: dict[str, Any], job: JobFile, faults: FaultList) -> None:
    kind, key = error["type"], str(path[-1])
    if isinstance(path[-1], int) and len(path) > 2:
        key = str(path[-2])
    section = _section(path[:-1])
    if kind == "missing":
        line, column = job.places.table(path[:-1])
        found = f"{section} has no {key}" if len(path) > 1 else f"There is no {key}"
        code = "JOB102" if path == ("format",) else "JOB104"
        faults.add(FILE, line, column, code, found, f"Add {_example(path)}.")
    elif kind == "extra_forbidden":
        line, column = job.places.key(path)
        known = _known(path[:-1])
        what = (
            f"section [{key}]" if len(path) == 1 and isinstance(error["input"], dict | list) else f"key {key}"
        )
        near = Nearest(known).find(key)
        wanted = f'Is "{near}" meant?' if near else f"Known are {', '.join(known)}."
        faults.add(FILE, line, column, "JOB103", f"There is no {what} in {section}", wanted)
    elif path == ("format",):
        job.fault(faults, path, "JOB102", f"format = {error['input']!r} is not known", "Write format = 1.")
    elif kind == "literal_error":
        choices = _choices(path[:-1] if isinstance(path[-1], int) else path)
        near = Nearest(choices).find(str(error["input"]))
        wanted = f"Write one of {', '.join(choices)}" + (f'; is "{near}" meant?' if near else ".")
        job.fault(faults, path, "JOB105", f"{key} = {_shown(error['input'])} is not known", wanted)
    elif kind == "quantity":
        job.fault(faults, path, "JOB106", f"{key}: {error['ctx']['found']}", error["ctx"]["wanted"])
    else:
        wanted = TYPES.get(kind, "something else")
        job.fault(
            faults, path, "JOB107", f"{key} = {_shown(error['input'])} is not {wanted}", f"Write {wanted}."
        )


def _section(path: Path) -> str:
    """`[instruments.ts-a]`, `decision 2`, or job.toml itself."""
    if not path:
        return FILE
    if path[0] == "decision":
        return f"decision {int(path[1]) + 1}" if len(path) > 1 else "the decisions"
    return "[" + ".".join(map(str, path)) + "]"


def _keys_at(path: Path) -> type | None:
    if path[:1] == ("decision",):
        return jobkeys.DecisionKeys
    return jobkeys.SECTIONS.get(str(path[0])) or jobkeys.NAMED.get(str(path[0])) if path else None


def _known(path: Path) -> list[str]:
    keys = _keys_at(path)
    if keys is None:
        return ["format", *jobkeys.SECTIONS, *jobkeys.NAMED, "decision"]
    return [f.name for f in dataclasses.fields(keys)]


def _choices(path: Path) -> tuple[str, ...]:
    keys = _keys_at(path)
    fields = dataclasses.fields(keys) if keys else ()
    return next((f.metadata["choices"] for f in fields if f.name == path[-1]), ())


def _example(path: Path) -> str:
    """A line that would cure a missing key."""
    keys = _keys_at(path)
    if keys is None:
        return "format = 1"
    f = next(f for f in dataclasses.fields(keys) if f.name == path[-1])
    if f.metadata["choices"]:
        return f'{f.name} = "{f.metadata["choices"][0]}" (or {", ".join(f.metadata["choices"][1:])})'
    example = jobkeys.QUANTITIES.get(f.metadata["kind"], (None, "..."))[1]
    return f'{f.name} = "{example}"'


def _shown(value: Any) -> str:
    return quoted(value) if isinstance(value, str) else quoted(repr(value))[1:-1]


def _fill(job: JobFile, valid: dict[str, Any], names: dict[str, list[str]]) -> None:
    job.name = one_line(valid.get("job", {}).get("name", ""))
    told = {k: v for k, v in valid.get("units", {}).items() if v is not None}
    job.units = Units(**told)
    job.units_told = frozenset(told)
    for section, keys in jobkeys.NAMED.items():
        found = valid.get(section, {})
        specs = {n: keys(**found[n]) if n in found else None for n in names[section]}
        setattr(job, section, specs)
    job.goals = {name: valid[name] for name in ("tolerance", "times", "scanner") if valid.get(name)}
    job.write = tuple(valid.get("deliver", {}).get("write", ()))
    if "file" in valid.get("columns", {}):
        job.columns = jobkeys.ColumnsKeys(**valid["columns"])
    if "landxml" in valid.get("source", {}):
        job.source = jobkeys.SourceKeys(**valid["source"])
    job.decisions = [d and jobkeys.DecisionKeys(**d) for d in valid.get("decision", [])]


def _settings(valid: dict[str, Any], job: JobFile, faults: FaultList) -> Settings:
    """Settings from [site], [tests], [datum], [relative]; each alone, so that all faults are told."""
    given: dict[str, Any] = {}
    for section in ("site", "tests"):
        for name, value in valid.get(section, {}).items():
            if name == "frame":
                continue
            try:
                Settings(**{name: value})
            except ValueError as error:
                range_of = str(error).rpartition(", found")[0]
                job.fault(faults, (section, name), "JOB108", f"{name} = {value!r} can't be", f"{range_of}.")
            else:
                given[name] = value
    given["datum_marks"] = tuple(valid.get("datum", {}).get("marks", ()))
    given["pairs"] = tuple((a, b) for a, b in valid.get("relative", {}).get("pairs", ()))
    return Settings(**given)

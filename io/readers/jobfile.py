"""job.toml: read by tomllib, validated by pydantic's core, every fault with its line and column.

What is faulty is taken out and the rest is kept, so that the tables can still be checked in the same go.
"""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from hubtack.adjust.settings import Settings
from hubtack.io.faults import FaultList, Nearest, one_line
from hubtack.io.readers import jobkeys, jobschema
from hubtack.io.readers.tomlplaces import Path, TomlPlaces, syntax_place
from hubtack.io.units import Units, quoted

FILE = "job.toml"
Beside = Callable[
    [str, FaultList], str | None
]  # the text of a file beside the job, None with a fault where there is none
EARTH_KEYS = ("frame", "crs", "heights", "undulation", "geoid", "deflection_north", "deflection_east")
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
    """job.toml as read. Names of faulty instruments, supports, targets and sessions are kept with None."""

    places: TomlPlaces
    name: str = ""
    units: Units = field(default_factory=Units)
    units_told: frozenset[str] = frozenset()  # which of length and angle the job states
    units_known: bool = True  # False where [units] is faulty: then no cell can be checked
    settings: Settings = field(default_factory=Settings)
    instruments: dict[str, jobkeys.InstrumentKeys | None] = field(default_factory=dict)
    supports: dict[str, jobkeys.SupportKeys | None] = field(default_factory=dict)
    targets: dict[str, jobkeys.TargetKeys | None] = field(default_factory=dict)
    sessions: dict[str, jobkeys.SessionKeys | None] = field(default_factory=dict)
    decisions: list[jobkeys.DecisionKeys | None] = field(default_factory=list)
    write: tuple[str, ...] = ()  # names of deliverables
    goals: dict[str, dict[str, Any]] = field(default_factory=dict)  # [tolerance], [times], [scanner], as read
    together: list[tuple[jobkeys.TogetherKeys, JobFile, int]] = field(
        default_factory=list
    )  # with file and number
    file: str = FILE
    included: list[JobFile] = field(default_factory=list)
    origins: dict[Path, JobFile] = field(default_factory=dict)  # devices that only an included file describes
    removed: set[Path] = field(default_factory=set)  # what was taken out for a fault
    overruled: dict[Path, str] = field(
        default_factory=dict
    )  # keys of included files that the job states itself
    columns: jobkeys.ColumnsKeys | None = None  # a field book in the place of setups.csv and sights.csv
    source: jobkeys.SourceKeys | None = None
    site: dict[str, Any] = field(default_factory=dict)  # keys of [site] that say where on the earth, as read
    decision_places: dict[int, str] = field(default_factory=dict)  # of decisions that stand in another file
    readable: bool = True  # False where the text is no TOML: then no name can be checked

    def fault(self, faults: FaultList, path: Path, code: str, found: str, wanted: str) -> None:
        """Note a fault at the value of a path."""
        line, column = self.places.value(path)
        faults.add(self.file, line, column, code, found, wanted)


def read_jobfile(text: str, faults: FaultList, beside: Beside | None = None) -> JobFile:
    """The text of job.toml as a JobFile; faults are noted and what they concern is left at its default.

    `beside` gives the text of a file that [include] names; without it nothing is included.
    """
    text = text.replace("\r\n", "\n")
    job = JobFile(TomlPlaces(text))
    data = parse(text, job, faults)
    if data is None:
        job.readable = job.units_known = False
        return job
    check_names(data, job, faults)
    if beside is not None and "include" in data:
        from .includes import include

        include(data, job, faults, beside)
    names = {s: list(data[s]) if isinstance(data.get(s), dict) else [] for s in jobkeys.NAMED}
    valid = validate(data, job, faults, jobschema.job_schema())
    _fill(job, valid, names)
    job.settings = _settings(valid, job, faults)
    return job


def parse(text: str, job: JobFile, faults: FaultList) -> dict[str, Any] | None:
    """The text as tomllib reads it; None with a fault where it is no TOML."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        faults.add(job.file, 1, 1, "JOB101", "The tables are nested too deeply", "See the format page.")
    except ValueError as error:  # TOMLDecodeError, and whole numbers of thousands of digits
        (line, column), message = syntax_place(error, text)
        faults.add(
            job.file,
            line,
            column,
            "JOB101",
            f"This is not TOML: {message}",
            "Texts stand in quotation marks.",
        )
    return None


def check_names(data: dict[str, Any], job: JobFile, faults: FaultList) -> None:
    """Names of devices are for people to see."""
    for section in jobkeys.NAMED:
        for name in data[section] if isinstance(data.get(section), dict) else ():
            if not name.strip() or name != name.strip() or not name.isprintable():
                line, column = job.places.key((section, name))
                found = f"{quoted(name)} can't be a name in [{section}]"
                wanted = "Use letters that can be seen, without blanks at the ends."
                faults.add(job.file, line, column, "JOB116", found, wanted)


def unread_jobfile() -> JobFile:
    """What stands for a job.toml that can't be had: nothing that the tables name is checked against it."""
    return JobFile(TomlPlaces(""), units_known=False, readable=False)


def validate(data: dict[str, Any], job: JobFile, faults: FaultList, schema: Any) -> dict[str, Any]:
    """The data without what is wrong. Faults come from the first pass; others see what it left behind."""
    from pydantic_core import SchemaValidator, ValidationError

    validator = SchemaValidator(schema)
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
                    job.removed.add(path)
                _remove(data, path[:-1] if error["type"] == "missing" else path)
            first = False


def _remove(data: dict[str, Any], path: Path) -> None:
    """Takes out what stands at a path; a list keeps its length, and `format` its place."""
    if path in ((), ("format",)):
        data["format"] = 1
        return
    if path[0] in jobkeys.LISTS:
        path = path[:2]  # half a decision would only bring forth another fault
    container: Any = data
    for step in path[:-1]:
        try:
            container = container[step]
        except (KeyError, IndexError, TypeError):  # gone with another fault
            return
    if isinstance(container, dict):
        container.pop(path[-1], None)
    elif path[0] in jobkeys.LISTS and isinstance(container, list) and isinstance(path[-1], int):
        container[path[-1]] = None
    else:
        _remove(data, path[:-1])


def _fault(error: Any, path: Path, data: dict[str, Any], job: JobFile, faults: FaultList) -> None:
    kind, key = error["type"], str(path[-1])
    if isinstance(path[-1], int) and len(path) > 2:
        key = str(path[-2])
    section = _section(path[:-1], job.file)
    if kind == "missing":
        if any(path in part.removed for part in job.included):
            return  # told where it stands
        job = job.origins.get(path[:2], job)
        line, column = job.places.table(path[:-1])
        found = f"{section} has no {key}" if len(path) > 1 else f"There is no {key}"
        code = "JOB102" if path == ("format",) else "JOB104"
        faults.add(job.file, line, column, code, found, f"Add {_example(path)}.")
    elif kind == "extra_forbidden":
        line, column = job.places.key(path)
        known = _known(path[:-1], job.file)
        what = (
            f"section [{key}]" if len(path) == 1 and isinstance(error["input"], dict | list) else f"key {key}"
        )
        near = Nearest(known).find(key)
        wanted = f'Is "{near}" meant?' if near else f"Known are {', '.join(known)}."
        faults.add(job.file, line, column, "JOB103", f"There is no {what} in {section}", wanted)
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


def _section(path: Path, file: str) -> str:
    """`[instruments.ts-a]`, `decision 2`, or job.toml itself."""
    if not path:
        return file
    if path[0] in jobkeys.LISTS:
        one, several = {"decision": ("decision", "the decisions")}.get(
            str(path[0]), (f"[[{path[0]}]]", f"[[{path[0]}]]")
        )
        return f"{one} {int(path[1]) + 1}" if len(path) > 1 else several
    return "[" + ".".join(map(str, path)) + "]"


def _keys_at(path: Path) -> type | None:
    if not path:
        return None
    first = str(path[0])
    return jobkeys.LISTS.get(first) or jobkeys.SECTIONS.get(first) or jobkeys.NAMED.get(first)


def _known(path: Path, file: str) -> list[str]:
    keys = _keys_at(path)
    if keys is None and file != FILE:
        return ["format", "include", *jobkeys.NAMED, "together"]
    if keys is None:
        return ["format", *jobkeys.SECTIONS, *jobkeys.NAMED, *jobkeys.LISTS]
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
    for i, t in enumerate(valid.get("together", [])):
        if t is not None:
            job.together.append((jobkeys.TogetherKeys(**t), job, i))
    job.decisions = [d and jobkeys.DecisionKeys(**d) for d in valid.get("decision", [])]


def _settings(valid: dict[str, Any], job: JobFile, faults: FaultList) -> Settings:
    """Settings from [site], [tests], [datum], [relative]; each alone, so that all faults are told."""
    given: dict[str, Any] = {}
    for section in ("site", "tests"):
        for name, value in valid.get(section, {}).items():
            if section == "site" and name in EARTH_KEYS:
                job.site[name] = value
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

"""Files that [include] names: descriptions of devices that several jobs share, equipment passports first of all.

What job.toml states itself goes before what it includes, and an earlier file before a later one; what is passed over for that
is told. A path runs from the job's folder, also in a file that includes others.
"""

from __future__ import annotations

import hashlib
import posixpath
from pathlib import Path
from typing import Any

from hubtack.io.faults import FaultList
from hubtack.io.readers import jobkeys, jobschema
from hubtack.io.readers.jobfile import Beside, JobFile, check_names, parse, validate
from hubtack.io.readers.tables import decode, read_bytes
from hubtack.io.readers.tomlplaces import TomlPlaces

from ..units import quoted

CONSTANTS = {"distance_zero", "distance_scale", "collimation", "index", "constant", "height_offset"}


def read_beside(folder: Path, name: str, faults: FaultList, files: dict[str, str]) -> str | None:
    """The text of an included file, its hash noted under the path as it was written."""
    told = FaultList()
    data = read_bytes(folder / name, told)
    for f in told.faults:
        wanted = f"Paths run from the job's folder: {folder}." if f.code == "RUN412" else f.wanted
        faults.add(name, f.row, f.column, f.code, f.found, wanted)
    if data is None:
        return None
    files[name] = hashlib.sha256(data).hexdigest()
    return decode(name, data, faults)


def include(data: dict[str, Any], job: JobFile, faults: FaultList, beside: Beside) -> None:
    """Adds to the data of job.toml what the files that it includes say of devices."""
    stated = {
        (section, name): set(keys)
        for section in jobkeys.NAMED
        if isinstance(data.get(section), dict)
        for name, keys in data[section].items()
        if isinstance(keys, dict)
    }
    _Including(data, job, faults, beside, stated).follow(data, job, ())


class _Including:
    def __init__(
        self,
        data: dict[str, Any],
        job: JobFile,
        faults: FaultList,
        beside: Beside,
        stated: dict[tuple[str, str], set[str]],
    ) -> None:
        self.data, self.job, self.faults, self.beside, self.stated = data, job, faults, beside, stated
        self.read: set[str] = set()

    def follow(self, data: dict[str, Any], owner: JobFile, chain: tuple[str, ...]) -> None:
        """The files that one file includes, in their order."""
        section = data.get("include")
        names = section.get("files") if isinstance(section, dict) else None
        for i, name in enumerate(names if isinstance(names, list) else ()):
            if not isinstance(name, str) or not name.strip():
                continue  # told by the schema
            place = ("include", "files", i)
            same = posixpath.normpath(name.replace("\\", "/"))
            if posixpath.isabs(same) or same[1:2] == ":":
                found = f"{quoted(name)} is no path from the job's folder"
                owner.fault(self.faults, place, "JOB131", found, 'Write one such as "../crew.toml".')
            elif same in chain:
                found = (
                    f"{quoted(name)} includes itself, by {' → '.join((*chain[chain.index(same) :], same))}"
                )
                owner.fault(self.faults, place, "JOB131", found, "Take it out of one of them.")
            elif same == "job.toml" and not chain:
                owner.fault(self.faults, place, "JOB131", "job.toml includes itself", "Remove it.")
            elif same not in self.read:
                self.read.add(same)
                self._one(name, same, chain)

    def _one(self, name: str, same: str, chain: tuple[str, ...]) -> None:
        text = self.beside(name, self.faults)
        if text is None:
            return
        part = JobFile(TomlPlaces(text.replace("\r\n", "\n")), file=name)
        data = parse(part.places.text, part, self.faults)
        if data is None:
            return
        if "format" not in data:
            found, wanted = "There is no format", "Add format = 1."
            self.faults.add(name, 1, 1, "JOB102", found, wanted)
            data["format"] = 1
        check_names(data, part, self.faults)
        valid = validate(
            data, part, self.faults, jobschema.include_schema()
        )  # takes what is faulty out of data
        self.job.included.append(part)
        for section in jobkeys.NAMED:
            for device, keys in data.get(section, {}).items():
                self._device(section, device, keys, part)
        for i, one in enumerate(valid.get("together", [])):
            if one is not None:
                self.job.together.append((jobkeys.TogetherKeys(**one), part, i))
        self.follow(data, part, (*chain, same))

    def _device(self, section: str, device: str, keys: dict[str, Any], part: JobFile) -> None:
        """The keys of one device that nobody has stated before."""
        sections = self.data.setdefault(section, {})
        if not isinstance(sections, dict):
            return  # told by the schema
        own = sections.get(device)
        if own is None:
            own = sections[device] = {}
            self.job.origins[section, device] = part
        if not isinstance(own, dict):
            return
        # a constant's value and its sigma belong together: who states one of them otherwise means another constant
        otherwise = {
            key.removesuffix("_sigma") for key, value in keys.items() if key in own and own[key] != value
        }
        for key, value in keys.items():
            if key in own:
                told = own[key] != value
            else:
                told = key.removesuffix("_sigma") in otherwise & CONSTANTS
                if not told:
                    own[key] = value
            if told:
                self.job.overruled[section, device, key] = part.file

"""A decision added to job.toml: what stands there keeps every byte, and the file appears whole or not at all.

`[[decision]]` entries go to the end of the file, in its own line endings. Before the file is exchanged the new text is
read again: it must hold what the old one held and the new decisions, and nothing else.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import tempfile
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from hubtack.io.readers.jobfile import FILE
from hubtack.io.readers.tomlplaces import TomlPlaces

from .faults import FaultList
from .units import quoted
from .writers.atomic import Refused

KEYS = ("leave_out", "correct", "value", "reason", "by")


def block(decision: dict[str, str], reason: str = "", by: str = "") -> str:
    """One `[[decision]]` as lines of TOML, ready to be pasted."""
    values = decision | {"reason": reason} | ({"by": by} if by or not reason else {})
    lines = [f"{key} = {_string(values[key])}" for key in KEYS if key in values]
    return "\n".join(["[[decision]]", *lines])


def add_decisions(folder: Path, decisions: Sequence[dict[str, str]], reason: str, by: str) -> str:
    """Append decisions to job.toml of a folder; returns the lines that were added.

    Raises Refused where the job is no folder or the file can't be written, Faults where the same thing is decided
    already. In both cases job.toml is as it was.
    """
    path = _writable(folder)
    before = path.read_bytes()
    text = before.decode("utf-8-sig")
    data = tomllib.loads(text.replace("\r\n", "\n"))
    _refuse_same(data, decisions, text)
    added = [d | {"reason": reason, "by": by} for d in decisions]
    end = "\r\n" if text.count("\r\n") * 2 > text.count("\n") else "\n"
    blocks = "\n\n".join(block(d, reason, by) for d in decisions)
    new = _appended(text, data, added, blocks, end)
    wanted = data | {"decision": [*data.get("decision", []), *added]}
    if tomllib.loads(new.replace("\r\n", "\n")) != wanted:
        raise Refused(
            "RUN406",
            f"{quoted(str(path))} would not read as it should with the decision in it.",
            "Add the lines yourself.",
        )
    mark = b"\xef\xbb\xbf" if before.startswith(b"\xef\xbb\xbf") else b""
    _replace(path, mark + new.encode("utf-8"))
    return blocks


def _string(text: str) -> str:
    import tomlkit

    return tomlkit.string(text).as_string()


def _writable(folder: Path) -> Path:
    """job.toml itself, a link followed."""
    path = (folder / FILE).resolve()
    if not folder.is_dir():
        raise Refused(
            "RUN406",
            f"{quoted(str(folder))} is no folder with a job.toml.",
            "Add the lines to the sheet job, or to job.toml beside the file.",
        )
    if not os.stat(path).st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH) or not os.access(
        path, os.W_OK
    ):
        raise Refused(
            "RUN406",
            f"{quoted(str(folder / FILE))} is read-only.",
            "Make it writable, or add the lines yourself.",
        )
    return path


def _refuse_same(data: dict[str, Any], decisions: Sequence[dict[str, str]], text: str) -> None:
    """A thing is decided once. Raises Faults at the decision that stands there."""
    there: dict[str, int] = {}
    for number, d in enumerate(data.get("decision", [])):
        what = str(d.get("leave_out") or d.get("correct") or "")
        there.setdefault(" ".join(what.split()), number)
    faults = FaultList()
    places = TomlPlaces(text.replace("\r\n", "\n"))
    for d in decisions:
        what = d.get("leave_out") or d["correct"]
        if what in there:
            line, column = places.table(("decision", there[what]))
            faults.add(
                FILE,
                line,
                column,
                "JOB115",
                f"{quoted(what)} is decided here already",
                "Change that decision.",
            )
    faults.raise_if_any()


def _appended(text: str, data: dict[str, Any], added: list[dict[str, str]], blocks: str, end: str) -> str:
    import tomlkit
    from tomlkit.items import Array

    if "decision" in data:
        document = tomlkit.parse(text)
        inline = document["decision"]
        if isinstance(inline, Array):  # decision = [{...}]: tables of that name can't follow
            for d in added:
                entry = tomlkit.inline_table()
                entry.update({k: d[k] for k in KEYS if k in d})
                inline.append(entry)
            return tomlkit.dumps(document)
    start = "" if not text or text.endswith("\n") else end
    gap = end if text.strip() else ""
    return text + start + gap + blocks.replace("\n", end) + end


def _replace(path: Path, content: bytes) -> None:
    """Write beside it, flush, exchange in one step; permissions stay."""
    try:
        handle, name = tempfile.mkstemp(prefix=".job-", suffix=".toml", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
            shutil.copymode(path, name)
            os.replace(name, path)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
    except OSError as error:
        found = f"{quoted(str(path))} can't be written: {(error.strerror or str(error)).lower()}."
        raise Refused("RUN406", found, "Nothing was changed. Free space, or mend permissions.") from error

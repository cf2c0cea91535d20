"""Several jobs in one call of `hubtack adjust`: each by itself, a line each, one job's fault no hindrance to the next."""

from __future__ import annotations

import dataclasses
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from hubtack.io import cli
from hubtack.io.commands.talk import annotation

if TYPE_CHECKING:
    from hubtack.io.faults import Fault
    from hubtack.io.pages.job_index import JobLine
    from hubtack.io.pages.words import Sign


@dataclasses.dataclass(frozen=True)
class Options:
    """Those of the command line that hold for every job."""

    as_json: bool
    also: str | None
    force: bool
    exit_zero: bool
    output_format: str
    index: Path | None


def adjust_several(paths: Sequence[Path], options: Options) -> int:
    """Adjust each job into its own folder; returns the exit code: the worst of them."""
    paths = _once(paths, options.index)
    if options.index is not None:
        _check_index(options)
    lines: list[JobLine] = []
    documents: list[dict[str, Any]] = []
    code = cli.PASSED
    for path in paths:
        line, own, document = _one(path, options)
        lines.append(line)
        documents.append(document)
        code = max(code, own)
        if not options.as_json:
            _say(line.sign, line.words, line.path, aside=options.output_format == "json")
    if options.as_json:
        text = json.dumps({"format": 1, "exit": code, "jobs": documents}, ensure_ascii=False, indent=1)
        click.echo(text.encode("utf-8"))
    elif options.output_format == "json":
        faults = [f for d in documents for f in d.get("faults", ())]
        click.echo(json.dumps({"format": 1, "faults": faults}, ensure_ascii=False, indent=1).encode("utf-8"))
    if options.index is not None:
        _write_index(lines, options.index)
    return code


def _once(paths: Sequence[Path], index: Path | None) -> list[Path]:
    """Each job once, in the order given; an index that `*` takes for a job is none."""
    found: dict[Path, Path] = {}
    for path in paths:
        if index is not None and len(paths) > 1 and path.resolve() == index.resolve():
            continue
        found.setdefault(path.resolve(), path)
    return list(found.values())


def _one(path: Path, options: Options) -> tuple[JobLine, int, dict[str, Any]]:
    """One job: its line, its exit code, and what programs are told of it."""
    from hubtack.io.pages.job_index import JobLine, job_line
    from hubtack.io.pages.verdict import fails

    out = None if options.as_json else cli._default_out(path)
    try:
        read, adjustment, wanted = cli._adjusted(path, out, options.force, options.also)
        written = () if out is None else cli._written(adjustment, read, out, wanted)
    except cli._NotAdjusted as stop:
        faults = [_named(f, path) for f in stop.faults]
        many = f"{len(faults)} fault{'s' if len(faults) != 1 else ''}"
        if options.output_format != "json" and not options.as_json:
            for own, fault in zip(stop.faults, faults, strict=True):
                github = options.output_format == "github"
                click.echo(annotation(own, path) if github else str(fault), err=True)
        words = f"NOT ADJUSTED: {many}; nothing was written."
        line = JobLine(str(path), path.name or str(path), "flagged", words, faults=tuple(map(str, faults)))
        told = [{"job": str(path)} | dataclasses.asdict(f) for f in stop.faults]
        return line, cli.FAULTY, {"path": str(path), "exit": cli.FAULTY, "faults": told}
    except Exception as error:  # of the program: the other jobs are none the worse for it
        code = cli._internal(error)
        words = f"NOT ADJUSTED: internal error, {type(error).__name__}"
        line = JobLine(str(path), path.name or str(path), "flagged", words, faults=(f"{words}: {error}",))
        return line, code, {"path": str(path), "exit": code, "faults": []}
    code = cli.FLAGGED if fails(adjustment) and not options.exit_zero else cli.PASSED
    line = job_line(str(path), adjustment, read, out / "report.html" if out is not None else None)
    document: dict[str, Any] = {}
    if options.as_json:
        from hubtack.io.writers.result import result_document

        document = {"path": str(path), "exit": code}
        document["result"] = result_document(adjustment, read) | {"written": list(written)}
    return line, code, document


def _named(fault: Fault, path: Path) -> Fault:
    """A fault whose file says which job it is of."""
    folder = path.parent if os.path.isfile(path) or fault.file == path.name else path
    return dataclasses.replace(fault, file=str(folder / fault.file) if fault.file else str(path))


def _check_index(options: Options) -> None:
    from hubtack.io.pages.job_index import check_index
    from hubtack.io.writers.atomic import Refused

    assert options.index is not None
    try:
        check_index(options.index, options.force)
    except Refused as refused:
        raise click.UsageError(f"{refused.found} {refused.wanted}") from refused


def _write_index(lines: Sequence[JobLine], place: Path) -> None:
    from hubtack.io.pages.job_index import write_index
    from hubtack.io.writers.atomic import Refused

    try:
        write_index(lines, place)
    except Refused as refused:
        raise click.ClickException(f"{refused.found} {refused.wanted}") from refused
    click.echo(f"Index of {len(lines)} job{'s' if len(lines) != 1 else ''}: {place}", err=True)


def _say(sign: Sign, words: str, name: str, aside: bool) -> None:
    from hubtack.io.pages.terminal import line, speaks_unicode, wants_colour

    stream = sys.stderr if aside else sys.stdout
    colour = wants_colour(stream)
    click.echo(line(sign, words, name, colour, speaks_unicode(stream)), err=aside, color=colour)

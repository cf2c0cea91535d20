"""What all commands of this folder share: reading a job, telling faults, printing sections."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from hubtack.io.faults import Fault
    from hubtack.io.job import Job
    from hubtack.io.pages.words import Section, Sign

faults_option = click.option(
    "--output-format",
    type=click.Choice(["text", "json", "github"]),
    default="text",
    show_default=True,
    help="How faults are told: lines, JSON on stdout, or annotations of a hosted build.",
)


def one_thread() -> None:
    """One BLAS thread, as for `adjust`."""
    from hubtack.io.cli import _one_thread

    _one_thread()


def read(path: Path) -> Job:
    """The job; raises Faults."""
    from hubtack.io.job import read_job

    return read_job(path)


@contextmanager
def faults_told(ctx: click.Context, path: Path, output_format: str) -> Iterator[None]:
    """Faults of input, geometry and files end a command with their lines and exit code 2."""
    from hubtack.adjust.trouble import NotConverged, Undetermined
    from hubtack.io.cli import FAULTY, _tell
    from hubtack.io.faults import Fault, Faults, locate
    from hubtack.io.writers.atomic import Refused

    try:
        yield
    except Faults as faults:
        _tell(faults.faults, output_format, path)
    except (Undetermined, NotConverged) as trouble:
        _tell(locate(trouble.troubles, read(path)), output_format, path)
    except Refused as refused:
        _tell([Fault("", 0, "", refused.code, refused.found, refused.wanted)], output_format, path)
    else:
        return
    ctx.exit(FAULTY)


def quantities(given: dict[str, str | None], parse: Callable[[str], Any]) -> dict[str, Any]:
    """Options with units, read; a wrong one ends the command with words."""
    from hubtack.io.units import Unreadable

    out = {}
    for name, text in given.items():
        if text is None:
            continue
        try:
            out[name] = parse(text)
        except Unreadable as error:
            raise click.BadParameter(
                f"{error.found}. {error.wanted}", param_hint=f"--{name.replace('_', '-')}"
            ) from None
    return out


def show(title: str, sections: Iterable[Section]) -> None:
    """Sections on stdout, in colour where that is wanted."""
    from hubtack.io.pages.terminal import as_text, speaks_unicode, wants_colour

    unicode, colour = speaks_unicode(sys.stdout), wants_colour(sys.stdout)
    click.echo(as_text(title, sections, colour, unicode), nl=False, color=colour)


def verdict(sign: Sign, words: str, name: str) -> None:
    """The verdict in one line on stdout."""
    from hubtack.io.pages.terminal import line, speaks_unicode, wants_colour

    unicode, colour = speaks_unicode(sys.stdout), wants_colour(sys.stdout)
    click.echo(line(sign, words, name, colour, unicode), color=colour)


def annotation(fault: Fault, job: Path) -> str:
    """One fault in the form in which hosted builds take annotations from a log."""

    def escaped(text: str, more: str = "") -> str:
        for character in "%\r\n" + more:
            text = text.replace(character, f"%{ord(character):02X}")
        return text

    where: list[tuple[str, Any]] = []
    if fault.file:
        base, name = (job.parent, fault.file) if os.path.isfile(job) else (job, fault.file)
        where.append(("file", (base / (name.rpartition(":")[0] if fault.cell else name)).as_posix()))
    if fault.row:
        where.append(("line", fault.row))
    if isinstance(fault.column, int) and fault.column:
        where.append(("col", fault.column))
    where.append(("title", fault.code))
    places = ",".join(f"{key}={escaped(str(value), ':,')}" for key, value in where)
    column = f"{fault.column}: " if isinstance(fault.column, str) and fault.column else ""
    return f"::error {places}::{escaped(f'{column}{fault.found} {fault.wanted}'.rstrip())}"

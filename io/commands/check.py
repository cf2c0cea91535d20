"""`hubtack check`: before leaving, what disagrees and what nothing checks yet."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from . import talk

if TYPE_CHECKING:
    from hubtack.adjust.checks.story import FieldCheck
    from hubtack.io.job import Job

LOOK_EVERY = 0.5  # s between two looks at the files


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="JOB")
@click.option(
    "--watch", is_flag=True, help="Check again whenever a table or job.toml changes; end with Ctrl-C."
)
@click.option("--json", "as_json", is_flag=True, help="Print faults, checks, unchecked and next as JSON.")
@click.option("-q", "--quiet", is_flag=True, help="Print the verdict alone, in one line.")
@talk.faults_option
@click.pass_context
def check(ctx: click.Context, job: Path, watch: bool, as_json: bool, quiet: bool, output_format: str) -> None:
    """Example: hubtack check sample_networks/braced-traverse

    Check a day's work, or half of it, before packing up. Nothing is written.

    Face pairs, rounds, lines measured twice, closures against what they may be, names, heights; then what nothing
    checks yet, and the one sight that would help most. What needs no adjustment is checked without one.
    Exit code 0: all agrees and every mark is checked; 1: something disagrees or is unchecked; 2: faults in the input.
    """
    talk.one_thread()
    if not watch:
        ctx.exit(_once(ctx, job, as_json, quiet, output_format))
    for _ in _changes(job):
        with suppress(click.exceptions.Exit):  # faults were told; the next save may cure them
            _once(ctx, job, as_json, quiet, output_format)
        click.echo(f"Checked {time.strftime('%H:%M:%S')}. Watching {job}; Ctrl-C ends.", err=True)


def _once(ctx: click.Context, path: Path, as_json: bool, quiet: bool, output_format: str) -> int:
    from hubtack.io.faults import Faults
    from hubtack.io.pages.check_report import check_document

    if as_json:
        try:
            job = talk.read(path)
        except Faults as faults:
            click.echo(
                json.dumps(check_document(None, faults.faults, None), ensure_ascii=False, indent=1).encode()
            )
            return 2
        found = _found(job)
        click.echo(json.dumps(check_document(job, (), found), ensure_ascii=False, indent=1).encode())
        return _code(found)
    with talk.faults_told(ctx, path, output_format):
        job = talk.read(path)
    found = _found(job)
    _show(found, job, quiet)
    return _code(found)


def _found(job: Job) -> FieldCheck:
    from hubtack.adjust.checks.story import check as check_network
    from hubtack.io.pages.check_report import written_of

    return check_network(job.network, job.settings, written_of(job))


def _code(found: FieldCheck) -> int:
    from hubtack.io.pages.check_report import headline

    return 0 if headline(found)[0] == "ok" else 1


def _show(found: FieldCheck, job: Job, quiet: bool) -> None:
    from hubtack.io.pages.check_report import check_sections, headline

    if quiet:
        talk.verdict(*headline(found), job.name)
    else:
        talk.show(f"{job.name}: check", check_sections(found, job))


def _changes(path: Path) -> Iterator[None]:
    """Once at the start, then after every change of a file of the job."""
    before: object = None
    while True:
        now = _state(path)
        if now != before:
            before = now
            yield
        time.sleep(LOOK_EVERY)


def _included(folder: Path) -> list[Path]:
    """Files that job.toml includes; none while it can't be read."""
    import tomllib

    try:
        names = tomllib.loads((folder / "job.toml").read_text(encoding="utf-8"))["include"]["files"]
        return [folder / name for name in names]
    except (OSError, ValueError, LookupError, TypeError):
        return []


def _state(path: Path) -> tuple[tuple[str, int, int], ...]:
    files = [*sorted(path.iterdir()), *_included(path)] if path.is_dir() else [path]
    found = []
    for file in files:
        try:
            if file.is_file():
                about = file.stat()
                found.append((file.name, about.st_mtime_ns, about.st_size))
        except OSError:  # gone between two looks
            continue
    return tuple(found)

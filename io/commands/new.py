"""`hubtack new`: a job to start from."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from . import talk

if TYPE_CHECKING:
    from hubtack.io.faults import Fault


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option(
    "--from",
    "book",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="What to make the tables of: a field book (.csv, .txt, .xlsx), a LandXML file (.xml), or a job that names one.",
)
@click.option(
    "--map", "maps", multiple=True, metavar="KEY=HEADER", help="What a column of the book is: hi='HI [m]'."
)
@talk.faults_option
@click.pass_context
def new(
    ctx: click.Context, folder: Path, book: Path | None, maps: tuple[str, ...], output_format: str
) -> None:
    """Example: hubtack new first-day

    Make a new job folder DIR: a small sample that runs at once; or, with --from, the tables of a field book.

    The columns of a book are guessed from their headers, setups from its rows, and every guess is said; correct the
    tables before you trust them. The book itself stays as it is, and nothing is overwritten.
    """
    from hubtack.io.new import from_file, sample

    told = {}
    for text in maps:
        key, equals, header = text.partition("=")
        if not equals:
            raise click.BadParameter(f'"{text}" has no "=". Write KEY=HEADER.', param_hint="--map")
        told[key.strip()] = header.strip()
    if told and book is None:
        raise click.UsageError("--map says what the columns of a book are: name the book with --from.")
    with talk.faults_told(ctx, folder, output_format):
        lines = sample(folder) if book is None else from_file(book, folder, told)
        for line in lines:
            click.echo(line)
        remaining = _faults_of(folder) if book is not None else []
        if remaining:
            click.echo(f"{len(remaining)} faults are left to correct, the first of them:")
            for fault in remaining[:5]:
                click.echo(f"  {fault}")
        elif book is not None:
            click.echo("Before you trust a result: control and coordinates in marks.csv, sigmas in job.toml.")
        click.echo(f"Next: hubtack adjust {shlex.quote(str(folder))}")


def _faults_of(folder: Path) -> list[Fault]:
    """What a reader of the new job would complain of."""
    from hubtack.io.faults import Faults
    from hubtack.io.job import read_job

    try:
        read_job(folder)
    except Faults as faults:
        return faults.faults
    return []

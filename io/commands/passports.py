"""`hubtack passports`: what several days say of a crew's own devices."""

from __future__ import annotations

from pathlib import Path

import click

from . import talk


@click.command()
@click.argument("jobs", type=click.Path(path_type=Path), metavar="JOB...", nargs=-1, required=True)
@click.option("--toml", "as_toml", is_flag=True, help="Print the passport as TOML instead.")
@click.option(
    "--write",
    "target",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write it to a new file, which later jobs name in [include].",
)
@talk.faults_option
@click.pass_context
def passports(
    ctx: click.Context, jobs: tuple[Path, ...], as_toml: bool, target: Path | None, output_format: str
) -> None:
    """Example: hubtack passports sample_networks/braced-traverse sample_networks/free-stations

    Pool several days: the sigmas that supports and instruments really had, constants of instruments, prisms and heights with
    their correlations, and what drifts from day to day.

    Devices are pooled by their names, so one name must mean one device. Where a job states no sigma of a constant, it is
    looked for with a wide one. Exit code 0: nothing needs checking; 1: something does; 2: faults in the input.
    """
    talk.one_thread()
    read, days, learnt, flagged = [], [], [], []
    for path in jobs:
        with talk.faults_told(ctx, path, output_format):
            from hubtack.adjust import adjust
            from hubtack.adjust.checks.constants import freed

            job = talk.read(path)
            day = adjust(job.network, job.settings)
            learnt.append(adjust(freed(job.network), job.settings))
        read.append(job)
        days.append(day)
        if day.flagged:
            flagged.append(job.name)
    from hubtack.adjust.checks.constants import known
    from hubtack.adjust.checks.passports import constants, sigmas
    from hubtack.io.pages.passports_report import needs_checking, passport_sections
    from hubtack.io.writers.passport import passport_text, write_passport

    found, steady, together = sigmas(days), constants(days), known(learnt)
    names = [job.name for job in read]
    if as_toml or target is not None:
        text = passport_text(read, found, together, steady, flagged)
        if as_toml:
            click.echo(text, nl=False)
        if target is not None:
            with talk.faults_told(ctx, target, output_format):
                write_passport(text, target)
            click.echo(f"Written: {target}", err=True)
    if not as_toml:
        title = f"Passports from {len(names)} job{'s' * (len(names) != 1)}"
        talk.show(title, passport_sections(found, steady, together, flagged, names, read[0].units))
    ctx.exit(1 if needs_checking(found, steady, together) else 0)

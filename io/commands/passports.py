"""`hubtack passports`: what several days say of a crew's own devices."""

from __future__ import annotations

from pathlib import Path

import click

from . import talk


@click.command()
@click.argument("jobs", type=click.Path(path_type=Path), metavar="JOB...", nargs=-1, required=True)
@click.option(
    "--toml", "as_toml", is_flag=True, help="Print what was found in job.toml's language, to copy from."
)
@talk.faults_option
@click.pass_context
def passports(ctx: click.Context, jobs: tuple[Path, ...], as_toml: bool, output_format: str) -> None:
    """Example: hubtack passports sample_networks/braced-traverse sample_networks/free-stations

    Pool several days: the sigmas that supports and instruments really had, with intervals, and constants that drift.

    Devices are pooled by their names. Exit code 0: nothing needs checking; 1: something does; 2: faults in the input.
    """
    talk.one_thread()
    days, names, flagged = [], [], []
    for path in jobs:
        with talk.faults_told(ctx, path, output_format):
            from hubtack.adjust import adjust

            job = talk.read(path)
            day = adjust(job.network, job.settings)
        days.append(day)
        names.append(job.name)
        if day.flagged:
            flagged.append(job.name)
    from hubtack.adjust.checks.passports import constants, sigmas
    from hubtack.io.pages.passports_report import passport_sections, passport_toml

    found, steady = sigmas(days), constants(days)
    if as_toml:
        click.echo(passport_toml(found, names), nl=False)
    else:
        title = f"Passports from {len(names)} job{'s' * (len(names) != 1)}"
        talk.show(title, passport_sections(found, steady, flagged, job.units))
    bad = any(s.verdict == "needs checking" for s in found) or any(c.verdict == "drifts" for c in steady)
    ctx.exit(1 if bad else 0)

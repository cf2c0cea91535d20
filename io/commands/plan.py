"""`hubtack plan`: what a network will be good for, before anybody goes out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import talk

if TYPE_CHECKING:
    from hubtack.adjust.planning.changes import Change, Times
    from hubtack.adjust.planning.equipment import Equipment
    from hubtack.adjust.planning.goals import Tolerance
    from hubtack.io.job import Job


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="JOB")
@click.option("--position", metavar="LENGTH", help='Largest semi-major axis allowed, such as "5 mm".')
@click.option("--height", metavar="LENGTH", help='Largest half-width of a height allowed, such as "3 mm".')
@click.option(
    "--relative",
    metavar="A+B",
    help='Largest semi-major axis between sighted marks, such as "2 mm + 10 ppm".',
)
@click.option(
    "--sketch",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Rough coordinates: CSV with mark, east, north (, height) in metres, or GeoJSON points with a property mark.",
)
@click.option(
    "--compare",
    is_flag=True,
    help="The same plan with each support of the job and of the catalogue under each role.",
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Error budgets of the worst mark as a picture (.png, .svg or .pdf); with --compare, one bar a support.",
)
@click.option(
    "--changes/--no-changes", "ask", default=True, help="Try single changes and rank them.  [default: yes]"
)
@click.option("--json", "as_json", is_flag=True, help="Print the prediction in the shape of result.json.")
@talk.faults_option
@click.pass_context
def plan(
    ctx: click.Context,
    job: Path,
    position: str | None,
    height: str | None,
    relative: str | None,
    sketch: Path | None,
    compare: bool,
    picture: Path | None,
    ask: bool,
    as_json: bool,
    output_format: str,
) -> None:
    """Example: hubtack plan sample_networks/braced-traverse --position "4 mm" --compare

    Predict a network from its plan: marks with rough coordinates, setups, and sights without readings.

    A row of sights.csv is one pointing on one face; where it has no reading at all, circle, zenith angle and slope
    distance are meant. Tolerances hold at the confidence level of the job and may stand in job.toml, in [tolerance];
    minutes of set-ups in [times]. Exit code 0: predicted, meets the tolerance and every mark is checked; 1: predicted, not
    all of that; 2: not predicted, the faults are listed.
    """
    talk.one_thread()
    with talk.faults_told(ctx, job, output_format):
        read = talk.read(job)
        tolerance = _tolerance(read, position, height, relative)
        if sketch is not None:
            from hubtack.io.readers.sketch import with_sketch

            read = with_sketch(read, sketch)
        code = _run(read, tolerance, compare, picture, ask, as_json)
    ctx.exit(code)


def _run(
    job: Job, tolerance: Tolerance, compare: bool, picture: Path | None, ask: bool, as_json: bool
) -> int:
    from hubtack.adjust.plan import blank, fill
    from hubtack.adjust.planning.budget import budget
    from hubtack.adjust.planning.changes import changes, predicted
    from hubtack.adjust.planning.equipment import compare_equipment
    from hubtack.adjust.planning.goals import figures, meets
    from hubtack.io.catalogue import choices_for

    planned = fill(job.network, job.settings)
    tried: list[Change] | None = None
    if ask:
        base, tried = changes(
            planned, job.settings, tolerance, choices_for(job, with_catalogue=False), _times(job)
        )
    else:
        base = predicted(planned, job.settings)
    equipment: list[Equipment] = []
    if compare:
        equipment = compare_equipment(planned, job.settings, tolerance, choices_for(job), base)
    worst = figures(base, tolerance)
    mark = worst.position_mark if worst.position_mark >= 0 else worst.height_mark
    share = budget(base.solved, mark) if base.solved is not None and mark >= 0 else None
    prediction = blank(base)
    if picture is not None:
        from hubtack.io.pictures.budget_figure import draw

        draw(base, share, equipment, job, picture)
    if as_json:
        from hubtack.io.pages.plan_document import plan_document
        from hubtack.io.writers.result import as_text

        click.echo(
            as_text(plan_document(prediction, job, tolerance, share, tried or [], equipment)).encode(),
            nl=False,
        )
    else:
        from hubtack.io.pages.plan_report import plan_sections

        talk.show(f"{job.name}: plan", plan_sections(prediction, job, tolerance, share, tried, equipment))
        if picture is not None:
            click.echo(f"Drawn: {picture}", err=True)
    good = meets(base, tolerance) and not base.marks.unchecked.any()
    return 0 if good else 1


def _tolerance(job: Job, position: str | None, height: str | None, relative: str | None) -> Tolerance:
    from hubtack.adjust.planning.goals import Tolerance
    from hubtack.io.units import parse_distance_sigma, parse_sigma_length

    given: dict[str, Any] = dict(job.goals.get("tolerance", {}))
    given |= talk.quantities({"position": position, "height": height}, parse_sigma_length)
    given |= talk.quantities({"relative": relative}, parse_distance_sigma)
    return Tolerance(**{k: v for k, v in given.items() if v is not None})


def _times(job: Job) -> Times:
    from hubtack.adjust.planning.changes import Times

    return Times(**{k: float(v) for k, v in job.goals.get("times", {}).items() if v is not None})

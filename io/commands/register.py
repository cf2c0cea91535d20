"""`hubtack register`: how wrong a cloud will be away from its targets, and whether a scan fits them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import talk

if TYPE_CHECKING:
    from hubtack.io.job import Job


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="JOB")
@click.option(
    "--scanner",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Targets as the scanner saw them: CSV with target, x, y, z.  [default: scanner.csv of the job, if any]",
)
@click.option("--predict", is_flag=True, help="Predict alone, though there is a scanner.csv.")
@click.option(
    "--targets",
    metavar="A,B,C",
    help="These targets, by setup, mark or kind.  [default: of each mark the last]",
)
@click.option("--without", metavar="A,B,C", help="Keep these out; where there is a scan they become checks.")
@click.option(
    "--sigma",
    metavar="LENGTH",
    help='Sigma per axis of the scanner at a target.  [default: the job\'s, or "2 mm"]',
)
@click.option(
    "--levelled",
    metavar="ANGLE",
    help='Let the scanner\'s own levelling count, with this sigma: "10 arcsec".',
)
@click.option(
    "--box",
    metavar="E,N,H,E,N,H",
    help="Two opposite corners of what is scanned.  [default: around all marks]",
)
@click.option(
    "--points",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Points at which the error is wanted: CSV with point, east, north, height, or names of marks.",
)
@click.option(
    "--candidates", metavar="A,B,C", help="Marks on which one more target might stand.  [default: anywhere]"
)
@click.option("--tolerance", metavar="LENGTH", help="Longest semi-axis allowed at the worst place.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Map of the error (.png, .svg or .pdf).",
)
@click.option(
    "--parameters",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The transformation with its covariance, as CSV in metres and radians; needs a scan.",
)
@click.option("--json", "as_json", is_flag=True, help="Print all of it as JSON, in metres and radians.")
@talk.faults_option
def register(
    job: Path,
    scanner: Path | None,
    predict: bool,
    picture: Path | None,
    parameters: Path | None,
    points: Path | None,
    as_json: bool,
    output_format: str,
    **options: str | None,
) -> None:
    """Example: hubtack register sample_networks/free-stations

    Predict how wrong a cloud will be at the corners of a site once it is laid on the adjusted targets, and which one more
    target would help most. With the scanner's coordinates of the targets too: fit six parameters, test each target, and
    watch the scale.

    Exit code 0: all fits, and the tolerance is kept; 1: something does not fit, or the tolerance is not kept; 2: no
    registration is possible, the faults are listed.
    """
    ctx = click.get_current_context()
    talk.one_thread()
    with talk.faults_told(ctx, job, output_format):
        read = talk.read(job)
        if scanner is None and not predict:
            scanner = _beside(read)
        code = _run(read, scanner, picture, parameters, points, as_json, options)
    ctx.exit(code)


def _run(
    job: Job,
    scanner: Path | None,
    picture: Path | None,
    parameters: Path | None,
    points: Path | None,
    as_json: bool,
    options: dict[str, str | None],
) -> int:
    import numpy as np

    from hubtack.adjust import adjust
    from hubtack.adjust.registration.story import box_of
    from hubtack.adjust.registration.story import register as registered
    from hubtack.io.pages.register_report import Report
    from hubtack.io.readers.scanned import read_points, read_scanned
    from hubtack.io.writers.atomic import Refused

    given = _options(job, options)
    if parameters is not None and scanner is None:
        raise Refused(
            "RUN439", "There is no scan, and without one no transformation.", "Name one with --scanner."
        )
    adjustment = adjust(job.network, job.settings)
    scan = read_scanned(
        job, adjustment, scanner, _list(options["targets"]), _list(options["without"]), given["sigma"]
    )
    names, wanted = read_points(points, job, adjustment) if points is not None else ([], np.zeros((0, 3)))
    low, high = given["box"] or box_of(adjustment)
    candidates = None
    if options["candidates"]:
        candidates = _candidates(job, _list(options["candidates"]))
    result = registered(
        adjustment, scan.targets, scan.used, low, high, wanted,
        scanned=scan.points, levelled=given["levelled"], scan_sigma=scan.scan_sigma, candidates=candidates,
    )  # fmt: skip
    report = Report(result, adjustment, job, tuple(names), scan.assumed, given["tolerance"], scan.doubts)
    if picture is not None:
        from hubtack.io.pictures.register_figure import draw

        draw(report, low, high, picture)
    if parameters is not None:
        from hubtack.io.writers.transformation import write

        write(result, parameters)
    if as_json:
        from hubtack.io.pages.register_document import register_document
        from hubtack.io.writers.result import as_text

        click.echo(as_text(register_document(report)).encode(), nl=False)
    else:
        from hubtack.io.pages.register_report import register_sections

        talk.show(f"{job.name}: registration", register_sections(report))
        for path in (p for p in (picture, parameters) if p is not None):
            click.echo(f"Written: {path}", err=True)
    return 0 if report.good else 1


def _beside(job: Job) -> Path | None:
    from hubtack.io.readers.scanned import FILE

    path = job.folder / FILE
    return path if path.is_file() else None


def _list(text: str | None) -> list[str]:
    return [t.strip() for t in (text or "").split(",") if t.strip()]


def _options(job: Job, options: dict[str, str | None]) -> dict[str, Any]:
    """Options with units, in SI; what is not given takes [scanner] of the job."""
    import numpy as np

    from hubtack.io.units import Unreadable, parse_sigma_angle, parse_sigma_length

    stated = job.goals.get("scanner", {})
    out: dict[str, Any] = {
        "sigma": None,
        "levelled": stated.get("levelled"),
        "tolerance": stated.get("tolerance"),
    }
    out |= talk.quantities({k: options[k] for k in ("sigma", "tolerance")}, parse_sigma_length)
    out |= talk.quantities({"levelled": options["levelled"]}, parse_sigma_angle)
    for name in ("sigma", "levelled"):
        if out[name] is not None and out[name] <= 0.0:
            raise click.BadParameter("It must be above zero.", param_hint=f"--{name}")
    out["box"] = None
    if options["box"]:
        parts = options["box"].split(",")
        try:
            numbers = [job.units.parse_length(p.strip()) for p in parts]
        except Unreadable as error:
            raise click.BadParameter(f"{error.found}. {error.wanted}", param_hint="--box") from None
        if len(numbers) != 6:
            raise click.BadParameter(
                f"Six coordinates are wanted, {len(numbers)} found: east, north, height of two corners.",
                param_hint="--box",
            )
        corners = np.array(numbers).reshape(2, 3)
        out["box"] = corners.min(axis=0), corners.max(axis=0)
    return out


def _candidates(job: Job, names: list[str]) -> list[int]:
    """Rows of marks; a name that is none ends the command."""
    from hubtack.io.faults import FaultList, Nearest, listed
    from hubtack.io.units import quoted

    at = {str(m): i for i, m in enumerate(job.network.marks.mark)}
    faults, nearest = FaultList(), Nearest(at)
    for name in names:
        if name not in at:
            wanted = nearest.advice(name, f"Known in marks.csv: {listed(at)}.")
            faults.add("", 0, "", "TAB210", f"--candidates: there is no mark {quoted(name)}", wanted)
    faults.raise_if_any()
    return [at[name] for name in names]

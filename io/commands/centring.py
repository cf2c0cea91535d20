"""`hubtack centring`: how well one device stands over its mark, and what that does."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import talk

if TYPE_CHECKING:
    from hubtack.adjust.ground.network import Supports
    from hubtack.io.units import Units


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="[JOB]", required=False)
@click.option(
    "--support",
    metavar="NAME",
    help="A support of the job or of the catalogue; without it the options below make one.",
)
@click.option(
    "--height",
    metavar="LENGTH",
    help='Device over the mark, such as "1.5 m".  [default: the support\'s, or 1.5 m]',
)
@click.option("--bubble", metavar="ANGLE", help='Tilt for 2 mm of bubble run, such as "8 arcmin".')
@click.option("--off-centre", metavar="LENGTH", help='How far off centre it is left.  [default: "0.5 mm"]')
@click.option("--bubble-error", metavar="ANGLE", help='Bubble out of adjustment, such as "2 arcmin".')
@click.option("--plummet", metavar="LENGTH", help="Sigma of the plummet per axis, at 1.5 m.")
@click.option("--mark", metavar="LENGTH", help="Sigma per axis of the definition of the mark.")
@click.option("--height-sigma", metavar="LENGTH", help="Sigma of the height.")
@click.option(
    "--zenith", metavar="ANGLE", help='Steepness of the sights, such as "70 deg".  [default: level]'
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The curve over height as a picture (.png, .svg or .pdf), with the catalogue's supports beside it.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the budget as JSON, in metres and radians.")
@talk.faults_option
def centring(
    job: Path | None,
    support: str | None,
    picture: Path | None,
    as_json: bool,
    output_format: str,
    **options: Any,
) -> None:
    """Example: hubtack centring --bubble "8 arcmin" --height "1.5 m" --mark "0.5 mm"

    The centring budget of one setup: each term, the curve over height, and what it does to readings.

    With --support NAME the figures come from a job's support or from the catalogue (stand, pole-40, pole-8,
    tribrach-optical, tribrach-laser, bolt, adhesive); single options replace single figures.
    """
    ctx = click.get_current_context()
    talk.one_thread()
    with talk.faults_told(ctx, job or Path(), output_format):
        from hubtack.io.units import Units

        read = talk.read(job) if job is not None else None
        units = read.units if read is not None else Units()
        own = list(_supports_of(read))
        name, row, height = _chosen(support, own, options)
        height = _lengths(options, "height", height)
        zenith = talk.quantities({"zenith": options["zenith"]}, _angle()).get("zenith", math.pi / 2)
        if not 0.0 < zenith < math.pi or height < 0.0:
            raise click.BadParameter("Zenith angles lie between 0 and 180 deg, heights above 0.")
        _tell(name, row, height, zenith, units, as_json)
        if picture is not None:
            _picture(name, row, units, picture)
    ctx.exit(0)


def _supports_of(read: Any) -> list[tuple[str, Any, float]]:
    """Name, table of one row and usual height of the job's supports and of the catalogue's, the job's first."""
    from hubtack.io.catalogue import catalogue, choices_for

    choices = choices_for(read) if read is not None else catalogue().choices
    return [(c.name, c.support, c.height) for c in choices]


def _chosen(
    name: str | None, known: list[tuple[str, Any, float]], options: dict[str, str | None]
) -> tuple[str, Supports, float]:
    from hubtack.adjust.ground.network import Supports
    from hubtack.io.faults import Nearest, listed
    from hubtack.io.units import parse_sigma_angle, parse_sigma_length

    changes = talk.quantities({k: options[k] for k in ("bubble", "bubble_error")}, parse_sigma_angle)
    lengths = talk.quantities(
        {k: options[k] for k in ("off_centre", "plummet", "mark", "height_sigma")}, parse_sigma_length
    )
    if "off_centre" in lengths:
        lengths["bubble_off_centre"] = lengths.pop("off_centre")
    changes |= lengths
    if name is None:
        if not changes:
            raise click.UsageError(
                'Say what it stands on: --support pole-8, or --bubble "8 arcmin" and the like.'
            )
        changes.setdefault("bubble_off_centre", 0.5e-3)
        columns: dict[str, Any] = {"support": ["as given"], "kind": ["pole"], "height_kind": ["taped"]}
        one = Supports(**columns | {k: [v] for k, v in changes.items()})
        return "As given", one, 1.5
    found = {n: (row, h) for n, row, h in reversed(known)}
    if name not in found:
        advice = Nearest(found).advice(name, f"Known are {listed(found, 20)}.")
        raise click.BadParameter(f'There is no support "{name}". {advice}', param_hint="--support")
    row, height = found[name]
    if changes:
        row = row.replace(**{k: [v] for k, v in changes.items()})
    return name, row, 1.5 if math.isnan(height) else height


def _lengths(options: dict[str, str | None], name: str, default: float) -> float:
    from hubtack.io.units import parse_length_quantity

    return float(talk.quantities({name: options[name]}, parse_length_quantity).get(name, default))


def _angle() -> Any:
    from hubtack.io.units import parse_angle_quantity

    return parse_angle_quantity


def _tell(name: str, support: Supports, height: float, zenith: float, units: Units, as_json: bool) -> None:
    from hubtack.adjust.planning.centring import in_sight, setup_budget
    from hubtack.io.pages.centring_report import DISTANCES, centring_sections

    if not as_json:
        talk.show(f"Centring of one setup: {name}", centring_sections(name, support, height, zenith, units))
        return
    import dataclasses
    import json

    budget = setup_budget(support, height)
    sights = [
        {"slope": S} | dataclasses.asdict(in_sight(budget.total, budget.sigma_height, S, zenith))
        for S in DISTANCES
    ]
    document = {
        "format": 1,
        "support": name,
        "zenith": zenith,
        **dataclasses.asdict(budget),
        "sights": sights,
    }
    click.echo(json.dumps(document, ensure_ascii=False, indent=1))


def _picture(name: str, support: Supports, units: Units, path: Path) -> None:
    from hubtack.io.catalogue import catalogue
    from hubtack.io.pages.centring_report import draw_curves

    rest = [
        c
        for c in catalogue().choices
        if c.name != name and c.name not in ("forced-centring", "bolt", "adhesive")
    ]
    draw_curves([name, *(c.name for c in rest)], [support, *(c.support for c in rest)], units, path)
    click.echo(f"Drawn: {path}", err=True)

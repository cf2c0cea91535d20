"""`hubtack compare`: two epochs of the same marks."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from . import talk

if TYPE_CHECKING:
    from hubtack.io.job import Job


@click.command()
@click.argument("first", type=click.Path(path_type=Path), metavar="FIRST")
@click.argument("second", type=click.Path(path_type=Path), metavar="SECOND")
@click.option(
    "--datum",
    metavar="A,B,C",
    help="Marks that carry the datum of free networks.  [default: those of [datum], where both jobs name the same; else all "
    "common marks]",
)
@click.option(
    "--same-bases",
    is_flag=True,
    help="Bases of the same name on the same mark stood through both epochs. Those on bolts always do.",
)
@click.option(
    "--alpha",
    type=click.FloatRange(1e-6, 0.5),
    default=0.05,
    show_default=True,
    help="False alarm rate of the congruency test.",
)
@click.option(
    "--pooled",
    is_flag=True,
    help="Test with the variance factor of both epochs (F) instead of the stated sigmas.",
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Differences over their ellipses as a picture (.png, .svg or .pdf).",
)
@click.option("--json", "as_json", is_flag=True, help="Print the comparison as JSON, in metres.")
@talk.faults_option
@click.pass_context
def compare(
    ctx: click.Context,
    first: Path,
    second: Path,
    datum: str | None,
    same_bases: bool,
    alpha: float,
    pooled: bool,
    picture: Path | None,
    as_json: bool,
    output_format: str,
) -> None:
    """Example: hubtack compare sample_networks/kiln-wall/epoch-1 sample_networks/kiln-wall/epoch-2

    Compare two epochs, or two jobs, on the marks that bear the same name in both.

    Congruency test, which marks moved and by how much, the smallest movement that would show, and marks that can't be told
    from one another. Weighted control with the same coordinates, and shared bases, count once: their errors cancel.
    Exit code 0: congruent; 1: something moved; 2: not compared, the faults are listed.
    """
    talk.one_thread()
    with talk.faults_told(ctx, first, output_format):
        from hubtack.adjust import adjust
        from hubtack.adjust.compare import compare as compare_epochs

        one, a = talk.read(first), None
        a = adjust(one.network, one.settings)
    with talk.faults_told(ctx, second, output_format):
        two = talk.read(second)
        b = adjust(two.network, two.settings)
    with talk.faults_told(ctx, first, output_format):
        marks = [m.strip() for m in (datum or "").split(",") if m.strip()]
        if datum is None and one.settings.datum_marks == two.settings.datum_marks:
            marks = list(one.settings.datum_marks)
        same = _same_setups(one, two, same_bases)
        c = compare_epochs(a, b, datum=marks, same_setups=same, alpha=alpha, pooled=pooled)
        if picture is not None:
            from hubtack.io.pictures.epochs_figure import draw

            draw(c, a, one, f"{one.name} → {two.name}", picture)
            click.echo(f"Drawn: {picture}", err=True)
    if as_json:
        from hubtack.io.pages.compare_report import compare_document

        click.echo(json.dumps(compare_document(c, (one.name, two.name)), ensure_ascii=False, indent=1))
    else:
        from hubtack.io.pages.compare_report import compare_sections

        title = f"{one.name} → {two.name}: two epochs"
        talk.show(title, compare_sections(c, a, b, one.units, alpha))
    ctx.exit(0 if c.congruent else 1)


def _same_setups(one: Job, two: Job, all_bases: bool) -> list[tuple[int, int]]:
    """Setups whose errors are the same in both epochs: on bases that bear the same name on the same mark.

    A base on a bolt always stays; without the name of a base an adapter is screwed in anew each time, and errs anew.
    """
    kept: list[dict[tuple[str, str], int]] = []
    for job in (one, two):
        setups, supports = job.network.setups, job.network.supports
        bases = job.texts.get("setups", {}).get("base", ())
        found: dict[tuple[str, str], int] = {}
        for i in range(len(setups)):
            mark, support = str(job.network.marks.mark[setups.mark[i]]), int(setups.support[i])
            name = bases[i] if i < len(bases) else ""
            if name and (all_bases or str(supports.kind[support]) == "bolt"):
                found.setdefault((mark, name), i)
        kept.append(found)
    return [(i, kept[1][key]) for key, i in kept[0].items() if key in kept[1]]

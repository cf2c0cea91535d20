"""`hubtack explain`: a code or a file in words; or one observation of a job, from its reading to what it does."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hubtack.io.commands import talk

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job
    from hubtack.io.pages.explanation import Explanation


@click.command()
@click.argument("what", metavar="CODE|FILE|JOB")
@click.argument("observation", required=False, metavar="[OBSERVATION]")
@click.option("--json", "as_json", is_flag=True, help="Of an observation: print SI values as JSON.")
@talk.faults_option
@click.pass_context
def explain(
    ctx: click.Context, what: str, observation: str | None, as_json: bool, output_format: str
) -> None:
    """Example: hubtack explain sample_networks/braced-traverse 22.direction

    Alone, a word is a fault code, or a file of a job; a job and an observation explain that:

    \b
      hubtack explain TAB204               what a code means, its usual cause and the cure
      hubtack explain sights.csv           what a file of a job holds, column by column
      hubtack explain JOB 22.direction     one reading, from the circle to the coordinates
      hubtack explain JOB 22               all that row 22 of sights.csv gave
      hubtack explain JOB T014             the centring and height error of a setup
      hubtack explain JOB G1               the control of a mark

    Of an observation: what was read, how it was reduced, what its sigma is made of, its residual and test, and which
    marks it moves. Exit code 0: explained; 2: not known.
    """
    if observation is None:
        _words(ctx, what)
        return
    talk.one_thread()
    path = Path(what)
    with talk.faults_told(ctx, path, output_format):
        job = talk.read(path)
        adjustment = _adjusted(job)
        made = _explained(adjustment, job, observation)
        if as_json:
            document = {"format": 1, "job": job.name, "observations": [e.document for e in made]}
            click.echo(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False).encode())
        else:
            for k, e in enumerate(made):
                if k:
                    click.echo()
                talk.show(e.title, e.sections)


def _words(ctx: click.Context, word: str) -> None:
    from hubtack.io.cli import FAULTY
    from hubtack.io.faults import explain as words_of
    from hubtack.io.faults import nearest_code

    words = words_of(word)
    if words is not None:
        click.echo(words)
        return
    near = nearest_code(word)
    if os.path.exists(word):
        advice = f"Of a job, name an observation too: hubtack explain {word} OBSERVATION."
    else:
        advice = f'Is "{near}" meant?' if near else "Codes look like TAB204."
    click.echo(f'There is no code "{word}". {advice}', err=True)
    ctx.exit(FAULTY)


def _adjusted(job: Job) -> Adjustment:
    from hubtack.adjust import adjust

    return adjust(job.network, job.settings)


def _explained(a: Adjustment, job: Job, name: str) -> tuple[Explanation, ...]:
    from hubtack.adjust.explained import named
    from hubtack.io.faults import listed, nearest_name
    from hubtack.io.pages.explanation import explanations
    from hubtack.io.writers.atomic import Refused

    rows, left_out, held = named(a, name)
    if len(rows) or len(left_out) or held >= 0:
        return explanations(a, job, rows.tolist(), left_out.tolist(), held)
    n = a.network
    known = [
        *map(str, (*a.observations.id, *a.left_out.id)),
        *(str(r) for rows_of in a.observations.rows for r in rows_of),
        *map(str, (*n.setups.setup, *n.marks.mark)),
    ]
    if name in map(str, n.marks.mark):
        raise Refused(
            "RUN409", f"{name} is no control: nothing is entered for it.", "Name a reading or a setup."
        )
    if name in map(str, n.setups.setup):
        found = f"The errors of setup {name} are no unknowns: its sigmas are 0, or go into the readings."
        raise Refused("RUN409", found, "Name a reading.")
    near = nearest_name(name, known)
    first = [str(i) for i in a.observations.id[:4]]
    wanted = f'Is "{near}" meant?' if near else f"Observations are named like {listed(first)}."
    raise Refused("RUN409", f'There is no observation, setup or control mark "{name}".', wanted)

"""`hubtack diagnose`: one finding at length, and a decision accepted into job.toml."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import talk

if TYPE_CHECKING:
    from hubtack.adjust.judge.finding import Finding
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job
    from hubtack.io.pages.choices import Choice


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="JOB")
@click.argument("name", required=False, metavar="[NAME]")
@click.option(
    "--accept", metavar="N", help="Add the decision of finding or choice N (1, or 1.2) to job.toml."
)
@click.option("--reason", metavar="TEXT", help="Why, for the record; asked for with --accept.")
@click.option("--by", metavar="NAME", help="Who decides; asked for with --accept.")
@click.option("--json", "as_json", is_flag=True, help="Print findings, evidence and choices as JSON.")
@click.option("-q", "--quiet", is_flag=True, help="Print the verdict alone, in one line.")
@talk.faults_option
@click.pass_context
def diagnose(
    ctx: click.Context,
    job: Path,
    name: str | None,
    accept: str | None,
    reason: str | None,
    by: str | None,
    as_json: bool,
    quiet: bool,
    output_format: str,
) -> None:
    """Example: hubtack diagnose sample_networks/braced-traverse T014

    What went wrong, why, and what else could explain it. NAME is the setup, sight, mark or instrument of a finding, or
    its number; without NAME all findings are told in short. Nothing is ever left out or corrected by itself:

    \b
      hubtack diagnose JOB --accept 1 --reason "photo of the pole" --by "party chief"

    adds the decision to job.toml, where every byte that stands there is kept, and says what it changes.
    Exit code 0: no finding, or the decision was added; 1: there are findings; 2: faults, or nothing was added.
    """
    talk.one_thread()
    if accept and not (reason and reason.strip() and by and by.strip()):
        raise click.UsageError("--accept wants --reason and --by: a decision without them can't be defended.")
    if (reason or by) and not accept:
        raise click.UsageError("--reason and --by go with --accept.")
    with talk.faults_told(ctx, job, output_format):
        read = talk.read(job)
        adjustment = _judged(read)
        finding = None if name is None else _named(adjustment, read, name)
        if accept:
            choice = _chosen(adjustment, read, accept, finding)
            done = _accepted(job, read, adjustment, choice, str(reason).strip(), str(by).strip())
            click.echo(json.dumps(done, ensure_ascii=False, indent=1).encode()) if as_json else _tell(
                done, read
            )
            ctx.exit(0)
        if as_json:
            click.echo(
                json.dumps(_document(adjustment, read, finding), ensure_ascii=False, indent=1).encode()
            )
        else:
            _show(adjustment, read, finding, str(job), quiet)
    ctx.exit(1 if adjustment.findings else 0)


def _judged(job: Job) -> Adjustment:
    from hubtack.adjust import adjust
    from hubtack.adjust.judged import judged
    from hubtack.io.findings import written_in

    return judged(adjust(job.network, job.settings), written_in(job.units), heights=False)


def _named(a: Adjustment, job: Job, name: str) -> Finding:
    from hubtack.io.faults import listed, nearest_name
    from hubtack.io.pages.diagnosis import find
    from hubtack.io.writers.atomic import Refused

    found = find(a, name)
    if found is not None:
        return found
    known = {e.name for f in a.findings for e in (f.first, *f.rivals)}
    near = nearest_name(name, known)
    if near:
        wanted = f'Is "{near}" meant?'
    elif a.findings:
        wanted = f"Findings are about {listed(f.first.name for f in a.findings)}."
    else:
        wanted = "There are no findings at all."
    raise Refused("RUN407", f'No finding is about "{name}".', wanted)


def _chosen(a: Adjustment, job: Job, accept: str, finding: Finding | None) -> Choice:
    """The choice of that number. Raises Refused where there is none, or where the number leaves it open."""
    from hubtack.io.faults import listed
    from hubtack.io.pages.choices import choices
    from hubtack.io.writers.atomic import Refused

    rank, _, which = accept.strip().partition(".")
    match = next((f for f in a.findings if str(f.rank) == rank), None)
    if match is None:
        wanted = (
            f"Findings: {listed(str(f.rank) for f in a.findings)}."
            if a.findings
            else "There are no findings."
        )
        raise Refused("RUN407", f"There is no finding {accept}.", wanted)
    if finding is not None and finding.rank != match.rank:
        raise Refused(
            "RUN407", f"{accept} is not of the finding that was named.", f"That one is {finding.rank}."
        )
    made = choices(a, job, match)
    numbers = [c.number for c in made if c.decisions]
    if not which and len(made) > 1 and not match.told:
        wanted = f"Say which: {listed(numbers)}; and in the reason, how it is known."
        raise Refused("RUN408", f"The geometry can't tell the choices of finding {rank} apart.", wanted)
    wanted_number = accept.strip() if which else made[0].number
    choice = next((c for c in made if c.number == wanted_number), None)
    if choice is None:
        raise Refused(
            "RUN407", f"There is no choice {accept}.", f"Choices: {listed(c.number for c in made)}."
        )
    if not choice.decisions:
        wanted = "Mend the tables or the settings by hand."
        raise Refused("RUN407", f"No decision of job.toml would put {wanted_number} right.", wanted)
    return choice


def _accepted(path: Path, job: Job, a: Adjustment, choice: Choice, reason: str, by: str) -> dict[str, Any]:
    """Add the decisions, read the job again, and say what changed. What would leave nothing to adjust is refused."""
    from hubtack.io.accept import add_decisions
    from hubtack.io.pages.choices import decided, outcome
    from hubtack.io.pages.diagnosis import effect_words
    from hubtack.io.writers.atomic import Refused

    tried = outcome(a, decided(a.network, choice.decisions))
    if tried.adjustment is None:
        raise Refused(
            "RUN408",
            f"With {choice.number} nothing could be adjusted: {tried.trouble}",
            "Nothing was changed.",
        )
    added = add_decisions(path, choice.decisions, reason, by)
    again = talk.read(path)
    after = _judged(again)
    return {
        "format": 1,
        "accepted": choice.number,
        "decisions": list(choice.decisions),
        "added": added,
        "effect": effect_words(a, after),
        "moved": [{"mark": m, "east": e, "north": n, "height": h} for m, e, n, h in tried.moved],
        "freed": list(tried.freed),
        "findings_left": len(after.findings),
    }


def _tell(done: dict[str, Any], job: Job) -> None:
    from hubtack.io.pages.words import Row, Section, joined

    lines = tuple(Row("", (line,)) for line in done["added"].splitlines() if line)
    moved = ", ".join(f"{m['mark']} {_move(m, job)}" for m in done["moved"])
    left = done["findings_left"]
    rest = "no finding is left" if not left else f"{left} finding{'' if left == 1 else 's'} left"
    effect = [Row("ok" if not left else "watch", (f"{done['effect']}; {rest}.",))]
    if moved:
        effect.append(Row("", (f"Moved (east, north, height): {moved}.",)))
    if done["freed"]:
        effect.append(
            Row("watch", (f"Nothing holds the {joined(done['freed'])} any more: see to the control.",))
        )
    sections = (
        Section("added", "Added to job.toml", lines),
        Section("effect", "What it changes", tuple(effect)),
    )
    talk.show(f"{job.name}: decision {done['accepted']} accepted", sections)


def _move(m: dict[str, Any], job: Job) -> str:
    from hubtack.io.writers.sheets import plain

    small = [plain(job.units.small_length_of(m[axis]), 1) for axis in ("east", "north", "height")]
    return f"{', '.join(small)} {job.units.small_length_name}"


def _document(a: Adjustment, job: Job, finding: Finding | None) -> dict[str, Any]:
    from hubtack.io.findings import record
    from hubtack.io.pages.choices import choices
    from hubtack.io.pages.diagnosis import choice_record, diagnosis, document

    if finding is not None:
        told = [document(diagnosis(a, job, finding), a, job)]
    else:
        told = [
            record(f, job) | {"choices": [choice_record(c) for c in choices(a, job, f)]} for f in a.findings
        ]
    return {"format": 1, "job": job.name, "findings": told}


def _show(a: Adjustment, job: Job, finding: Finding | None, path: str, quiet: bool) -> None:
    from hubtack.io.pages.diagnosis import diagnosis, long_sections, short_sections
    from hubtack.io.pages.verdict import headline
    from hubtack.io.pages.words import Row, Section

    if quiet:
        talk.verdict(*headline(a), job.name)
    elif finding is not None:
        talk.show(job.name, long_sections(diagnosis(a, job, finding), a, job))
    elif a.findings:
        talk.show(job.name, short_sections(a, job, path))
    else:
        sign, words = headline(a)
        none = "Nothing stands out: no cause is larger than chance would make it among all that were tried."
        if a.degrees_of_freedom == 0:
            none = "So nothing can be told of any mistake."
        talk.show(job.name, (Section("verdict", "", (Row(sign, (words,)), Row("", (none,)))),))

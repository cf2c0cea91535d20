"""The command line: each command parses, calls, prints and exits; no arithmetic here.

Exit codes (public): 0 adjusted and all tests pass, 1 adjusted and something is flagged or found, 2 not adjusted:
input, geometry or use at fault, 3 internal error, 130 interrupted. Results go to stdout, talk to stderr.
Only click is imported before a command runs, so that `--help` answers at once.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hubtack.adjust.results import Adjustment
    from hubtack.io.faults import Fault
    from hubtack.io.job import Job
    from hubtack.io.writers.atomic import Refused
    from hubtack.io.writers.deliverables import Deliverable

PASSED, FLAGGED, FAULTY, INTERNAL, INTERRUPTED, PIPE_CLOSED = 0, 1, 2, 3, 130, 141
# Commands in a file of their own, imported when they are wanted; each file imports only click at its top.
_COMMANDS = {
    "new": "hubtack.io.commands.new",
    "doctor": "hubtack.io.commands.doctor",
    "plan": "hubtack.io.commands.plan",
    "check": "hubtack.io.commands.check",
    "diagnose": "hubtack.io.commands.diagnose",
    "explain": "hubtack.io.commands.explain",
    "centring": "hubtack.io.commands.centring",
    "simulate": "hubtack.io.commands.simulate",
    "compare": "hubtack.io.commands.compare",
    "passports": "hubtack.io.commands.passports",
    "register": "hubtack.io.commands.register",
}
_TIDY = {"joblib", "distributed", "coverage"}  # have something to put away when the process ends
_BLAS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


class _Group(click.Group):
    """A group that imports a command when it is wanted, and answers a wrong word with the nearest right one."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted({*super().list_commands(ctx), *_COMMANDS})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in _COMMANDS:
            from importlib import import_module

            command: click.Command = getattr(import_module(_COMMANDS[cmd_name]), cmd_name)
            return command
        return super().get_command(ctx, cmd_name)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and self.get_command(ctx, args[0]) is None:
            import difflib

            near = difflib.get_close_matches(args[0], self.list_commands(ctx), 1, 0.5)
            ctx.fail(f'No such command "{args[0]}".' + (f' Is "{near[0]}" meant?' if near else ""))
        return super().resolve_command(ctx, args)


def _print_version(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted and not ctx.resilient_parsing:
        from hubtack.io.about import version

        click.echo(f"hubtack {version()}")
        ctx.exit()


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_version,
    help="Show the version.",
)
def cli() -> None:
    """Example: hubtack adjust sample_networks/braced-traverse

    Turns a day's raw total-station work into adjusted coordinates that can be defended.
    """


@cli.command()
@click.argument("jobs", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="JOB...")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for the results of one job.  [default: JOB/out; of day.xlsx day-out]",
)
@click.option(
    "--index",
    type=click.Path(path_type=Path, dir_okay=True),
    metavar="FILE",
    help="Write a page over all jobs of the call, with links to their reports.",
)
@click.option(
    "--json", "as_json", is_flag=True, help="Print result.json alone; no files unless --out is given."
)
@click.option(
    "--write",
    "also",
    metavar="A,B,C",
    help="Write these too, besides those of [deliver] in job.toml: workbook, dxf, geopackage, "
    "geojson, landxml, layout, scan-control, figures, pdf, covariance.",
)
@click.option("--force", is_flag=True, help="Use an --out folder that holds other files; they are kept.")
@click.option("--exit-zero", is_flag=True, help="Exit with 0 though something is flagged.")
@click.option("-q", "--quiet", is_flag=True, help="Print the verdict alone, in one line.")
@click.option(
    "--output-format",
    type=click.Choice(["text", "json", "github"]),
    default="text",
    show_default=True,
    help="How faults are told: lines, JSON on stdout, or annotations of a hosted build.",
)
@click.pass_context
def adjust(
    ctx: click.Context,
    jobs: tuple[Path, ...],
    out: Path | None,
    index: Path | None,
    as_json: bool,
    also: str | None,
    force: bool,
    exit_zero: bool,
    quiet: bool,
    output_format: str,
) -> None:
    """Example: hubtack adjust sample_networks/braced-traverse

    Adjust the network of a job: a folder with job.toml, marks.csv, setups.csv, sights.csv (or a field book);
    a workbook day.xlsx with the same as sheets; or a LandXML file day.xml.

    Writes report.html, coordinates.csv, residuals.csv, setups.csv, network.png, heights.png and result.json, all or
    none. Exit code 0: all tests pass; 1: something is flagged or found; 2: not adjusted, the faults are listed.

    Of several jobs each is adjusted by itself, into its own folder, and told in one line; the exit code is the worst.
    """
    _one_thread()
    if len(jobs) > 1 or index is not None:
        from hubtack.io.commands.several import Options, adjust_several

        if out is not None:
            raise click.UsageError("--out is for one job; of several each has its results in its own folder.")
        if as_json and also:
            raise click.UsageError("--json of several jobs writes no files: leave --write away.")
        ctx.exit(adjust_several(jobs, Options(as_json, also, force, exit_zero, output_format, index)))
    (job,) = jobs
    folder = None if as_json and out is None else out or _default_out(job)
    if folder is None and also:
        raise click.UsageError("--json without --out writes no files: name an --out for --write.")
    from hubtack.io.waiting import waiting
    from hubtack.io.writers.beside import pays

    try:
        with waiting() as tell:
            read, adjustment, wanted = _adjusted(job, folder, force, also, tell)
            tell("write")
            shared = pays(
                len(adjustment.observations)
            )  # by two processes, which suffer no bar: it lives in a thread
            written = () if folder is None or shared else _written(adjustment, read, folder, wanted)
        if folder is not None and shared:
            written = _written(adjustment, read, folder, wanted)
    except _NotAdjusted as stop:
        _tell(stop.faults, output_format, job)
        ctx.exit(FAULTY)
    if as_json:
        from hubtack.io.writers.result import as_text, document_of

        document = document_of(adjustment, read) | {"written": list(written)}
        click.echo(as_text(document).encode("utf-8"), nl=False)
    else:
        _print_summary(adjustment, read, written, folder, quiet)
    from hubtack.io.pages.verdict import fails

    ctx.exit(FLAGGED if fails(adjustment) and not exit_zero else PASSED)


def _default_out(job: Path) -> Path:
    """`JOB/out`; of a job that is one file (day.xlsx) `day-out` beside it."""
    return job.with_name(f"{job.stem}-out") if os.path.isfile(job) else job / "out"


class _NotAdjusted(Exception):  # noqa: N818
    """The faults that stand in the way."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = faults


def _adjusted(
    path: Path, out: Path | None, force: bool, also: str | None = None, tell: Any = None
) -> tuple[Job, Adjustment, tuple[Deliverable, ...]]:
    """Read, adjust and judge; every fault of input, geometry or output folder comes out as _NotAdjusted.

    The audit of heights stands in the files and in the summary: without an `out` there is none.
    """
    from hubtack.adjust import adjust as adjust_network
    from hubtack.adjust.judged import judged
    from hubtack.adjust.trouble import NotConverged, Undetermined
    from hubtack.io.faults import Faults, locate
    from hubtack.io.findings import unsettled_faults, written_in
    from hubtack.io.job import read_job

    tell = tell or (lambda step, count=0: None)
    tell("read")
    try:
        job = read_job(path)
    except Faults as faults:
        raise _NotAdjusted(faults.faults) from faults
    wanted: tuple[Deliverable, ...] = ()
    if out is not None:
        _check_out(out, path, force)
        wanted = _wanted(job, also)
    try:
        adjustment = adjust_network(job.network, job.settings, tell)
    except Undetermined as trouble:
        raise _NotAdjusted(locate(trouble.troubles, job)) from trouble
    except NotConverged as trouble:
        raise _NotAdjusted([*locate(trouble.troubles, job), *unsettled_faults(trouble, job)]) from trouble
    tell("judge")
    return job, judged(adjustment, written_in(job.units), heights=out is not None), wanted


def _check_out(out: Path, job: Path, force: bool) -> None:
    from hubtack.io.writers.atomic import Refused, check_out

    try:
        check_out(out, job, force)
    except Refused as refused:
        raise _NotAdjusted([_refusal(refused)]) from refused


def _wanted(job: Job, also: str | None) -> tuple[Deliverable, ...]:
    """The deliverables that the job and `--write` ask for, checked before anything is computed."""
    from hubtack.io.writers.atomic import Refused
    from hubtack.io.writers.deliverables import check, chosen, named

    try:
        wanted = chosen((*job.write, *named(also or "")))
        check(wanted, job)
    except Refused as refused:
        raise _NotAdjusted([_refusal(refused)]) from refused
    return wanted


def _written(
    adjustment: Adjustment, job: Job, out: Path, also: Sequence[Deliverable] = ()
) -> tuple[str, ...]:
    from hubtack.io.writers import write_all
    from hubtack.io.writers.atomic import Refused

    try:
        return write_all(adjustment, job, out, also)
    except Refused as refused:
        raise _NotAdjusted([_refusal(refused)]) from refused


def _refusal(refused: Refused) -> Fault:
    from hubtack.io.faults import Fault

    return Fault("", 0, "", refused.code, refused.found, refused.wanted)


def _print_summary(a: Adjustment, job: Job, written: tuple[str, ...], out: Path | None, quiet: bool) -> None:
    from hubtack.io.pages.summary import summary
    from hubtack.io.pages.terminal import as_text, line, speaks_unicode, wants_colour
    from hubtack.io.pages.verdict import headline
    from hubtack.io.pages.words import Row, Section

    unicode, colour = speaks_unicode(sys.stdout), wants_colour(sys.stdout)
    if quiet:
        click.echo(line(*headline(a), job.name, colour, unicode), color=colour)
        return
    files = Section("files", "Written", (Row("", (f"{', '.join(sorted(written))} in {out}",)),))
    click.echo(
        as_text(job.name, (*summary(a, job, path=str(job.folder)), files), colour, unicode),
        nl=False,
        color=colour,
    )


def _tell(faults: Sequence[Fault], output_format: str, job: Path) -> None:
    """All faults, sorted, and how many: lines or annotations on stderr, JSON on stdout."""
    if output_format == "json":
        import dataclasses
        import json

        document = {"format": 1, "faults": [dataclasses.asdict(f) for f in faults]}
        click.echo(json.dumps(document, ensure_ascii=False, indent=1).encode("utf-8"))
        return
    from hubtack.io.commands.talk import annotation

    for fault in faults:
        click.echo(annotation(fault, job) if output_format == "github" else str(fault), err=True)
    files = len({f.file for f in faults if f.file})
    many = f"{len(faults)} fault{'s' if len(faults) != 1 else ''}"
    where = f" in {files} file{'s' if files != 1 else ''}" if files else ""
    click.echo(
        f"{many}{where}. Nothing was written. `hubtack explain {faults[0].code}` tells more.", err=True
    )


def _one_thread() -> None:
    """One BLAS thread: jobs of this size are quicker, and their last digits the same, without more."""
    if "numpy" not in sys.modules:
        for name in _BLAS:
            os.environ.setdefault(name, "1")


def main(arguments: Sequence[str] | None = None) -> None:
    """Runs a command and exits with its code, never with a traceback."""
    sys.exit(_run(arguments))


def command() -> None:
    """Entry point of `hubtack`: a process of its own, with a short life. Collecting garbage as often as by default, and
    taking numpy apart at the end, would cost a small job a fifth of its time.
    """
    import gc

    gc.set_threshold(1_000_000, 20, 20)
    code = _run(None)
    if not sys.modules.keys().isdisjoint(_TIDY):
        sys.exit(code)
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except BrokenPipeError:
        code = PIPE_CLOSED
    os._exit(code)


def _run(arguments: Sequence[str] | None) -> int:
    try:
        code = cli.main(args=arguments, prog_name="hubtack", standalone_mode=False)
        sys.stdout.flush()
        return code if isinstance(code, int) else PASSED
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("Interrupted. Results of an earlier run are as they were.", err=True)
        return INTERRUPTED
    except BrokenPipeError:
        # The reader has enough; Python would complain once more when it flushes at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PIPE_CLOSED
    except SystemExit:  # click's own answer to a closed pipe would read as "flagged"
        return PIPE_CLOSED
    except Exception as error:
        return _internal(error)


def _internal(error: Exception) -> int:
    if os.environ.get("HUBTACK_DEBUG"):
        import traceback

        traceback.print_exc()
    from hubtack.io.about import version

    click.echo(
        f"Internal error in hubtack {version()}: {type(error).__name__}: {error}\n"
        "This is a fault of the program, not of your data; nothing was written. Please report it with the\n"
        "job folder and with what is printed when HUBTACK_DEBUG=1 is set.",
        err=True,
    )
    return INTERNAL


if __name__ == "__main__":
    command()

"""`hubtack simulate`: how often this network would show a mistake, and whether its ellipses hold."""

from __future__ import annotations

import json
import re
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from . import talk

if TYPE_CHECKING:
    from collections.abc import Callable

    from hubtack.adjust.catch_rate.ground import Ground
    from hubtack.adjust.catch_rate.tally import CatchRate
    from hubtack.adjust.catch_rate.trials import Kind
    from hubtack.io.job import Job

PATIENCE = 0.5  # s before a progress bar appears
INTERRUPTED = 130


@click.command()
@click.argument("job", type=click.Path(path_type=Path), metavar="JOB")
@click.option(
    "--blunders", is_flag=True, help="Plant mistakes of every cause too, one a day, and count how they fare."
)
@click.option(
    "--runs", type=click.IntRange(1), default=40, show_default=True, metavar="N", help="Days of every kind."
)
@click.option(
    "--only", multiple=True, metavar="WORD", help="Only mistakes whose name holds the word; may be repeated."
)
@click.option(
    "--workers", type=click.IntRange(1), default=1, show_default=True, metavar="K",
    help="Processes on this machine; more than one needs hubtack[batch].",
)  # fmt: skip
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="A running dask scheduler, such as tcp://10.0.0.5:8786; needs hubtack[cluster].",
)
@click.option(
    "--seed",
    type=click.IntRange(0),
    default=1,
    show_default=True,
    metavar="S",
    help="The same seed gives the same answer.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the counts as JSON.")
@talk.faults_option
@click.pass_context
def simulate(
    ctx: click.Context,
    job: Path,
    blunders: bool,
    runs: int,
    only: tuple[str, ...],
    workers: int,
    cluster: str | None,
    seed: int,
    as_json: bool,
    output_format: str,
) -> None:
    """Example: hubtack simulate sample_networks/braced-traverse --blunders

    Invent days on the network of a job, adjust and judge each, and count.

    The adjusted coordinates (of a plan: the rough ones) are taken for true; setup errors and readings are drawn from the
    sigmas of the job. Days without a mistake show whether ellipses hold and how often something is flagged for nothing.
    With --blunders each further day has one mistake: is it noticed, is its cause named first, among the rivals, or not?
    The same seed gives the same answer whatever the number of workers. Ctrl-C prints what there is so far. Nothing is
    written. Exit code 0: done; 2: faults in the input; 130: interrupted.
    """
    talk.one_thread()
    if cluster is not None and not re.fullmatch(r"([a-z]+://)?(\[[0-9a-fA-F:]+\]|[^\s/:]+):\d+", cluster):
        wanted = "Write it as the scheduler prints it, such as tcp://10.0.0.5:8786."
        raise click.BadParameter(f'"{cluster}" is no address. {wanted}', param_hint="--cluster")
    from hubtack.adjust.catch_rate.trials import kinds

    rows = kinds(only) if blunders or only else ()
    if only and not rows:
        names = ", ".join(dict.fromkeys(k.plant.name for k in kinds()))
        raise click.BadParameter(f"No mistake is called so. There are: {names}.", param_hint="--only")
    with talk.faults_told(ctx, job, output_format):
        read = talk.read(job)
        ground = _ground(read)
    rate = _run(ground, rows, runs, seed, workers, cluster or "")
    _tell(rate, read, runs, seed, bool(rows), as_json)
    broken = rate.done < rate.wanted
    if broken:
        click.echo(f"Interrupted after {rate.done} of {rate.wanted} days.", err=True)
    ctx.exit(INTERRUPTED if broken else 0)


def _ground(job: Job) -> Ground:
    """The truth is the adjusted network, of a plan without any reading the rough coordinates."""
    import numpy as np

    from hubtack.adjust import adjust
    from hubtack.adjust.catch_rate.ground import ground_of
    from hubtack.adjust.plan import plan
    from hubtack.io.findings import written_in

    network = job.network
    readings = [getattr(network.sights, c) for c in ("circle", "zenith", "slope", "horizontal")]
    planned = all(np.isnan(column).all() for column in (*readings, network.reduced.value))
    planned &= not len(network.vectors)
    make = plan if planned else adjust
    return ground_of(make(network, job.settings), written_in(job.units))


def _run(
    ground: Ground, rows: tuple[Kind, ...], runs: int, seed: int, workers: int, cluster: str
) -> CatchRate:
    """All trials, counted; what has come so far where somebody interrupts."""
    from hubtack.adjust.catch_rate.spread import NoCluster, NoLibrary, outcomes
    from hubtack.adjust.catch_rate.tally import tally
    from hubtack.adjust.catch_rate.trials import tasks

    wanted = tasks(rows, runs)
    done: list[Any] = []
    try:
        with _progress(len(wanted)) as advance:
            for outcome in outcomes(ground, rows, seed, wanted, workers, cluster):
                done.append(outcome)
                advance(len(done))
    except KeyboardInterrupt:
        pass
    except NoLibrary as missing:
        option = "--cluster" if cluster else "--workers"
        raise click.UsageError(
            f'{option} needs {missing.library}: pip install "hubtack[{missing.extra}]"'
        ) from None
    except NoCluster as error:
        raise click.UsageError(f"--cluster: {error}.") from None
    return tally(done, rows, len(wanted))


@contextmanager
def _progress(total: int) -> Iterator[Callable[[int], None]]:
    """A bar with the time left on stderr, where that is a terminal, for what takes longer than half a second."""
    if not sys.stderr.isatty():
        yield lambda done: None
        return
    began = time.monotonic()
    bar: Any = None
    task: Any = None

    def advance(done: int) -> None:
        nonlocal bar, task
        if bar is None:
            if time.monotonic() - began < PATIENCE:
                return
            bar, task = _bar(total)
            bar.start()
        bar.update(task, completed=done)

    try:
        yield advance
    finally:
        if bar is not None:
            bar.stop()


def _bar(total: int) -> tuple[Any, Any]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("Days"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("left"),
    )
    bar = Progress(*columns, console=Console(stderr=True), transient=True)
    return bar, bar.add_task("days", total=total)


def _tell(rate: CatchRate, job: Job, runs: int, seed: int, blunders: bool, as_json: bool) -> None:
    from hubtack.io.pages.trials_report import trial_sections, trials_document

    if as_json:
        document = trials_document(rate, job, runs, seed)
        click.echo(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False).encode("utf-8"))
    else:
        talk.show(f"{job.name}: simulated", trial_sections(rate, job, runs, blunders))

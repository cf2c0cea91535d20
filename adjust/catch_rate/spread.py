"""Trials one after the other, over the cores of this machine, or over a cluster. Outcomes come as they are ready."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from importlib import import_module
from typing import Any

from .ground import Ground
from .trials import Kind, Outcome, Task, trial

PART = 20  # trials a core of a cluster is given at a time, about a second's work: what Ctrl-C may lose


class NoLibrary(Exception):  # noqa: N818
    """An optional library is wanted; the name of the extra that brings it."""

    def __init__(self, library: str, extra: str) -> None:
        self.library, self.extra = library, extra
        super().__init__(f"{library} ({extra})")


class NoCluster(Exception):  # noqa: N818
    """The scheduler does not answer, or its workers can't do the work."""


def outcomes(
    ground: Ground,
    rows: Sequence[Kind],
    seed: int,
    tasks: Sequence[Task],
    workers: int = 1,
    cluster: str = "",
) -> Iterator[tuple[Task, Outcome]]:
    """Every task with its outcome, in any order. Raises NoLibrary, NoCluster."""
    if cluster:
        yield from _on_cluster(ground, rows, seed, tasks, cluster)
    elif workers == 1:
        for task in tasks:
            yield task, trial(ground, rows, seed, task)
    else:
        yield from _on_cores(ground, rows, seed, tasks, workers)


def _on_cores(
    ground: Ground, rows: Sequence[Kind], seed: int, tasks: Sequence[Task], workers: int
) -> Iterator[tuple[Task, Outcome]]:
    try:
        from joblib import Parallel, delayed, parallel_config
    except ImportError:
        raise NoLibrary("joblib", "batch") from None
    with parallel_config(backend="loky", inner_max_num_threads=1):
        parallel = Parallel(n_jobs=workers, return_as="generator_unordered")
        yield from parallel(delayed(_apart)(ground, rows, seed, task) for task in tasks)


def _on_cluster(
    ground: Ground, rows: Sequence[Kind], seed: int, tasks: Sequence[Task], address: str
) -> Iterator[tuple[Task, Outcome]]:
    """joblib's own backend for dask. The ground is sent once; the work in parts, since this backend answers in one go."""
    try:
        from joblib import Parallel, delayed, parallel_config
    except ImportError:
        raise NoLibrary("joblib", "batch") from None
    try:
        distributed: Any = import_module("distributed")
    except ImportError:
        raise NoLibrary("distributed", "cluster") from None
    try:
        client = distributed.Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise NoCluster(f"no scheduler answers at {address}: {error}") from None
    with client:
        cores = sum(client.nthreads().values())
        if not cores:
            raise NoCluster(f"the scheduler at {address} has no workers")
        part = PART * cores
        try:
            with (
                client.as_current(),
                parallel_config(backend="dask", scheduler_host=address, wait_for_workers_timeout=10),
            ):
                for at in range(0, len(tasks), part):
                    yield from Parallel()(
                        delayed(_apart)(ground, rows, seed, task) for task in tasks[at : at + part]
                    )
        except ImportError as error:
            raise NoCluster(
                f"a worker of {address} lacks {error.name}: install hubtack[cluster] there"
            ) from None
        except OSError as error:
            raise NoCluster(f"the connection to {address} broke: {error}") from None


def _apart(ground: Ground, rows: Sequence[Kind], seed: int, task: Task) -> tuple[Task, Outcome]:
    """A trial in another process. There Ctrl-C is the main process's business."""
    import signal
    import threading

    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    return task, trial(ground, rows, seed, task)

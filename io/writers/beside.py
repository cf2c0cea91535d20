"""The other core: some files of a large job are written by a second process while this one writes the rest.

The second process is a copy of this one (fork), so it has the whole result at hand and nothing is sent. That is safe only where
no other thread runs, and quick only on Linux; elsewhere, for jobs that are small or so large that two would crowd each other's
memory, on one core, or where the copy comes to grief, everything is written here one after the other, with the same bytes.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

LEAST, MOST = 15_000, 400_000  # observations


def pays(observations: int) -> bool:
    """Whether a second process is worth its start for a job of this size, on this machine, as it is now.

    It costs a tenth of the work more: a core that is busy with other things would not give that back.
    """
    if sys.platform != "linux" or not LEAST <= observations <= MOST:
        return False
    cores = len(os.sched_getaffinity(0))
    return cores > 1 and os.getloadavg()[0] < cores


@contextmanager
def beside(work: Callable[[], None], wanted: bool) -> Iterator[Callable[[], None]]:
    """Begins `work` in a second process where it is `wanted`; the yielded function returns when it is done, here if need be.

    Files that `work` writes need not be whole where it fails there: it is then done again. An error within the block ends
    the second process as well, so that nothing is written after it.
    """
    child = _forked(work) if wanted and threading.active_count() == 1 else 0
    if not child:
        yield work
        return
    alive = True

    def done() -> None:
        nonlocal alive
        _, status = os.waitpid(child, 0)
        alive = False
        if status != 0:
            work()

    try:
        yield done
    finally:
        if alive:
            with suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)


def _forked(work: Callable[[], None]) -> int:
    """The number of a copy of this process that does the work and ends; 0 where none can be had."""
    try:
        child = os.fork()
    except OSError:
        return 0
    if child:
        return child
    code = 1
    try:  # nothing but the work: no words, no leave-taking of this process
        warnings.simplefilter("ignore")
        work()
        code = 0
    finally:
        os._exit(code)

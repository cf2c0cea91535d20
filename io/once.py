"""What several files of one run show is made once: the last thing that was made of an adjustment and its job."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, TypeVar
from weakref import ref

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

Made = TypeVar("Made")


def once(make: Callable[[Adjustment, Job], Made]) -> Callable[[Adjustment, Job], Made]:
    """Remembers what was made of the last adjustment and job, until either is gone; nobody may change it."""
    last: list[tuple[ref[Adjustment], ref[Job], Made]] = []

    @wraps(make)
    def known(adjustment: Adjustment, job: Job) -> Made:
        if last and last[0][0]() is adjustment and last[0][1]() is job:
            return last[0][2]
        made = make(adjustment, job)
        last[:] = [(ref(adjustment, lambda _: last.clear()), ref(job, lambda _: last.clear()), made)]
        return made

    return known

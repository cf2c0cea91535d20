"""Deliverables: one module a file, each with `write(adjustment, job, folder)`.

WRITERS are written by every run (heights.png only where there are heights to draw, lines.csv and geodetic.csv only in the
earth frame); `deliverables` lists what is written only where asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

    from .deliverables import Deliverable

# File name → module that writes it. Imported only when written: some lean on matplotlib or jinja2.
WRITERS: dict[str, str] = {
    "coordinates.csv": "hubtack.io.writers.coordinates",
    "residuals.csv": "hubtack.io.writers.residuals",
    "setups.csv": "hubtack.io.writers.setups",
    "lines.csv": "hubtack.io.writers.lines",
    "geodetic.csv": "hubtack.io.writers.geodetic",
    "network.png": "hubtack.io.writers.picture",
    "heights.png": "hubtack.io.writers.heights",
    "report.html": "hubtack.io.writers.page",
    "result.json": "hubtack.io.writers.result",
}


ONLY_ON_EARTH = frozenset({"lines.csv", "geodetic.csv"})


def write_all(
    adjustment: Adjustment, job: Job, out: Path, also: Sequence[Deliverable] = ()
) -> tuple[str, ...]:
    """Write every deliverable to the folder `out`, all or none (see `atomic`). Returns the file names.

    Raises atomic.Refused where the disk does not take them, or one that was asked for can't be made.
    """
    from .atomic import publish

    names = (*WRITERS, *(file for d in also for file in d.files))
    *first, last = WRITERS.values()  # result.json last: it lists the others
    modules = [*(d.module for d in also if not d.needs_browser), *first]
    modules += [*(d.module for d in also if d.needs_browser), last]

    written: set[str] = set()

    def write(folder: Path) -> None:
        for module in modules:
            import_module(module).write(adjustment, job, folder)
        written.update(p.name for p in folder.iterdir())

    publish(out, names, write)
    return tuple(n for n in names if n in written)

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


MEANWHILE = ("network.png", "heights.png")  # with all of result.json but the names of files
ONLY_ON_EARTH = frozenset({"lines.csv", "geodetic.csv"})


def write_all(
    adjustment: Adjustment, job: Job, out: Path, also: Sequence[Deliverable] = ()
) -> tuple[str, ...]:
    """Write every deliverable to the folder `out`, all or none (see `atomic`). Returns the file names.

    Of a large job pictures and result.json are written by a second process meanwhile (see `beside`). result.json is
    finished last: it lists the others. Raises atomic.Refused where the disk does not take them, or where one that
    was asked for can't be made.
    """
    from . import result
    from .atomic import publish
    from .beside import beside, pays

    names = (*WRITERS, *(file for d in also for file in d.files))
    here = [d.module for d in also if not d.needs_browser]
    here += [m for name, m in WRITERS.items() if name not in (*MEANWHILE, "result.json")]
    last = [d.module for d in also if d.needs_browser]
    written: set[str] = set()

    def write(folder: Path) -> None:
        def each(modules: Sequence[str]) -> None:
            for module in modules:
                import_module(module).write(adjustment, job, folder)

        def meanwhile() -> None:
            each([WRITERS[name] for name in MEANWHILE])
            result.begin(adjustment, job, folder)

        with beside(meanwhile, pays(len(adjustment.observations))) as done:
            each(here)
            done()
        each(last)
        result.finish(folder)
        written.update(p.name for p in folder.iterdir())

    publish(out, names, write)
    return tuple(n for n in names if n in written)

"""Deliverables: one module a file, each with `write(adjustment, job, folder)`; for a new one add a line
here."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

# File name → module that writes it. Imported only when written: some lean on matplotlib or jinja2.
WRITERS: dict[str, str] = {
    "coordinates.csv": "hubtack.io.writers.coordinates",
    "residuals.csv": "hubtack.io.writers.residuals",
    "setups.csv": "hubtack.io.writers.setups",
    "network.png": "hubtack.io.writers.picture",
    "report.html": "hubtack.io.writers.page",
    "result.json": "hubtack.io.writers.result",
}


def write_all(adjustment: Adjustment, job: Job, out: Path) -> tuple[str, ...]:
    """Write every deliverable to the folder `out`, all or none (see `atomic`). Returns the file names.

    Raises atomic.Refused where the disk does not take them.
    """
    from .atomic import publish

    def write(folder: Path) -> None:
        for module in WRITERS.values():
            import_module(module).write(adjustment, job, folder)

    publish(out, WRITERS, write)
    return tuple(WRITERS)

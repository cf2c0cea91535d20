"""heights.png: the height error of every setup, class by class, over what was declared; none where there is no height."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write heights.png into `folder`, if the audit knows a class of heights."""
    from hubtack.io.pictures.heights_figure import of_job

    drawing = of_job(adjustment, job)
    if drawing is None:
        return
    from hubtack.io.pictures.figures import save_png

    save_png(drawing, folder / "heights.png")

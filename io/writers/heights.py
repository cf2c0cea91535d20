"""heights.png: the height error of every setup, class by class, over what was declared; none where there is no height."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write heights.png into `folder`, if the audit knows a class of heights."""
    audit = adjustment.audit
    if audit is None or not len(audit.classes):
        return
    from hubtack.io.pictures.heights_figure import draw

    draw(adjustment, audit, job, folder / "heights.png")

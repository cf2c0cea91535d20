"""report.html: the whole result on one page that needs no network."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from hubtack.io.pages.report import report_page

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write report.html into `folder`."""
    (folder / "report.html").write_text(report_page(adjustment, job), encoding="utf-8", newline="\n")

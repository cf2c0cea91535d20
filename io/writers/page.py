"""report.html: the whole result on one page that needs no network."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from hubtack.io.pages.report import report_page

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write report.html into `folder`, with heights.png in it if that was written there before."""
    picture = folder / "heights.png"
    heights = picture.read_bytes() if picture.is_file() else b""
    (folder / "report.html").write_text(report_page(adjustment, job, heights), encoding="utf-8", newline="\n")

"""All figures as PNG and as SVG, one file each; none where a job has nothing to show. network.png and heights.png stand there in
any case."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from hubtack.io.pictures.figures import save_png
from hubtack.io.pictures.gallery import drawings
from hubtack.io.pictures.svgmap import svg_file

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write the figures into `folder`: the same bytes for the same result."""
    for name, drawing in drawings(adjustment, job):
        words = svg_file(drawing, drawing.title, drawing.words)
        (folder / f"{name}.svg").write_text(words, encoding="utf-8", newline="\n")
        if name not in ("network", "heights"):  # written by every run
            save_png(drawing, folder / f"{name}.png")

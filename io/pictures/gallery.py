"""The figures, each a drawing: one list for the page, which draws them into itself, and for the files of `--write figures`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from hubtack.io.pictures.day_figure import day_drawing
from hubtack.io.pictures.decisions_figure import decisions_drawing
from hubtack.io.pictures.heights_figure import of_job
from hubtack.io.pictures.netmap import network_drawing
from hubtack.io.pictures.residual_figures import distance_drawing, normal_drawing, zenith_drawing

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job
    from hubtack.io.pictures.drawing import Drawing

Draw = Callable[["Adjustment", "Job"], "Drawing | None"]
# Name of the file without its ending → the drawing, None where the job has nothing to show there.
FIGURES: dict[str, Draw] = {
    "network": network_drawing,
    "heights": of_job,
    "residuals_normal": normal_drawing,
    "residuals_distance": distance_drawing,
    "residuals_zenith": zenith_drawing,
    "day": day_drawing,
    "decisions": decisions_drawing,
}


def drawings(adjustment: Adjustment, job: Job, names: tuple[str, ...] = ()) -> Iterator[tuple[str, Drawing]]:
    """Name and drawing of every figure that the job has something for (of `names` alone where they are given).

    `svgmap.svg(drawing, drawing.title, drawing.words, name)` puts one into a page: `name` keeps its ids apart from those of the
    others, `words` say what is seen. Milliseconds each, but one adjustment a decision.
    Of thousands of readings only so many as a page bears are drawn.
    """
    for name in names or tuple(FIGURES):
        drawing = FIGURES[name](adjustment, job)
        if drawing is not None:
            yield name, drawing

"""Two epochs as a picture: how every common mark differs, over what the measurement alone would do."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.estimate.precision import ellipse_factor, ellipses
from hubtack.io.pictures.budget_figure import KINDS, save
from hubtack.io.pictures.drawing import nice
from hubtack.io.writers.atomic import Refused

if TYPE_CHECKING:
    from hubtack.adjust.compare import Comparison
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

QUIET, MOVED = "#0072b2", "#d55e00"
LEVEL = 0.95


def draw(c: Comparison, first: Adjustment, job: Job, title: str, path: Path) -> None:
    """From a cross (first epoch) to a dot (second), enlarged, over the ellipse that holds 95 % of chance differences.

    Heights stand beside the names. Raises Refused where the file can't be written or its kind is not known, or where no mark has
    a place in the plane.
    """
    kind = path.suffix.lower().lstrip(".")
    if kind not in KINDS:
        wanted = f"End it with {', '.join('.' + k for k in KINDS)}."
        raise Refused("RUN425", f'A picture can\'t be written as "{path.name}".', wanted)
    row = {str(m): i for i, m in enumerate(first.marks.mark)}
    at = np.array([row[m] for m in c.marks], dtype=np.int64)
    place = np.column_stack([first.marks.east, first.marks.north])[at]
    shown = np.isfinite(place).all(axis=1) & np.isfinite(c.difference[:, :2]).all(axis=1)
    if not shown.any():
        raise Refused(
            "RUN426", "No common mark has a place in the plane.", "Heights alone stand in the table."
        )
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Ellipse

    k = ellipse_factor(LEVEL)
    major, minor, azimuth = ellipses(np.nan_to_num(c.covariance[:, :2, :2]))
    reach = np.hypot(c.difference[shown, 0], c.difference[shown, 1]) + k * major[shown]
    extent = float(max(np.ptp(place[shown, 0]), np.ptp(place[shown, 1]), 1.0))
    scale = nice(0.25 * extent / max(float(reach.max()), 1e-6))
    moved = {m.mark for m in c.moved}
    with rc_context(
        {"font.family": "DejaVu Sans", "text.usetex": False, "svg.hashsalt": "epochs", "svg.fonttype": "none"}
    ):
        figure = Figure(figsize=(8.0, 6.0), layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        for j in np.flatnonzero(shown).tolist():
            colour = MOVED if c.marks[j] in moved else QUIET
            e, n = place[j]
            if major[j] > 0.0:
                size = 2.0 * k * scale * major[j], 2.0 * k * scale * minor[j]
                turn = 90.0 - float(np.degrees(azimuth[j]))
                axes.add_patch(
                    Ellipse(
                        (e, n),
                        *size,
                        angle=turn,
                        facecolor=colour,
                        alpha=0.25,
                        edgecolor=colour,
                        linewidth=0.8,
                    )
                )
            tip = e + scale * c.difference[j, 0], n + scale * c.difference[j, 1]
            axes.plot([e, tip[0]], [n, tip[1]], color=colour, linewidth=1.4, solid_capstyle="butt")
            axes.plot(*tip, "o", markersize=4.5, color=colour)
            axes.plot(e, n, "+", markersize=7, color="black", markeredgewidth=0.9)
            words = c.marks[j]
            high = c.difference[j, 2]
            if np.isfinite(high):
                words += f"\n{job.units.small_length_of(high):+.1f}".replace("-", "−")
            weight = "bold" if c.marks[j] in moved else "normal"
            axes.annotate(
                words, (e, n), (9, 0), textcoords="offset points", parse_math=False,
                fontsize=8, weight=weight, ha="left", va="center", linespacing=1.1,
            )  # fmt: skip
        axes.set_aspect("equal", adjustable="datalim")
        axes.margins(0.16)
        axes.tick_params(labelsize=8)
        axes.spines[["top", "right"]].set_visible(False)
        length, small = job.units.length_name, job.units.small_length_name
        axes.set_title(title, fontsize=10, loc="left", parse_math=False)
        axes.set_xlabel(
            f"east [{length}]; + first epoch, dot second; differences {scale:g} times too large, "
            f"as the ellipses that hold {100 * LEVEL:g} % of those by chance\n"
            f"beside the names: change of height [{small}]; orange: moved",
            fontsize=8,
        )
        axes.set_ylabel(f"north [{length}]", fontsize=8)
        save(figure, path, kind)

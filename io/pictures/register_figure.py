"""A map of how wrong a registered cloud will be: over the site, beyond the targets, at the height that is worst.

Lines of equal error, the targets with the hull around them, the box, and the place where one more target helps most.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hubtack.io.pictures.budget_figure import KINDS, save
from hubtack.io.pictures.drawing import nice
from hubtack.io.writers.atomic import Refused
from hubtack.io.writers.sheets import percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hubtack.adjust.ground.table import Floats
    from hubtack.io.pages.register_report import Report

STEPS = 90  # of the grid along its longer side
MARGIN = 0.15  # of the longer side, drawn around box and targets
INK, BLUE, ORANGE = "#222222", "#0072b2", "#d55e00"


def draw(r: Report, low: Floats, high: Floats, path: Path) -> None:
    """Draw the map into a picture. Raises Refused where it can't be written or its kind is not known."""
    kind = path.suffix.lower().lstrip(".")
    if kind not in KINDS:
        raise Refused(
            "RUN425",
            f'A picture can\'t be written as "{path.name}".',
            f"End it with {', '.join('.' + k for k in KINDS)}.",
        )
    from matplotlib import rc_context, rcdefaults
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    p, units = r.result.prediction, r.job.units
    centre = p.targets.centre
    start = np.minimum(low[:2], centre[:, :2].min(axis=0))
    end = np.maximum(high[:2], centre[:, :2].max(axis=0))
    margin = MARGIN * float((end - start).max())
    start, end = start - margin, end + margin
    span = end - start
    level = float(r.result.corners.points[r.result.corners.worst, 2])
    with rc_context(), np.errstate(all="ignore"):
        rcdefaults()
        from matplotlib import rcParams

        rcParams.update({"svg.hashsalt": "registration", "svg.fonttype": "none"})
        width = 9.0
        height = float(np.clip(width * 0.86 * span[1] / span[0] + 1.7, 3.6, 10.5))
        figure = Figure(figsize=(width, height), layout="constrained", facecolor="white")
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        _error(axes, r, start, end, level)
        _box(axes, r, low, high)
        _targets(axes, r)
        _more(axes, r)
        axes.set_aspect("equal")
        axes.set_xlim(*(units.length_of(float(v)) for v in (start[0], end[0])))
        axes.set_ylim(*(units.length_of(float(v)) for v in (start[1], end[1])))
        axes.set_xlabel(f"east [{units.length_name}]", fontsize=8)
        axes.set_ylabel(f"north [{units.length_name}]", fontsize=8)
        axes.tick_params(labelsize=7)
        axes.ticklabel_format(useOffset=False, style="plain")
        title = f"{r.job.name}: error of a cloud laid on {len(p.targets)} targets"
        axes.set_title(title, fontsize=10, loc="left", weight="bold", pad=20.0, parse_math=False)
        words = (
            f"longest semi-axis, {percent(r.result.confidence)}, {units.small_length_name}, at height "
            f"{units.show_length(level, 1)} {units.length_name}, where the worst corner lies"
        )
        axes.text(0.0, 1.012, words, fontsize=8, transform=axes.transAxes, color=INK, parse_math=False)
        figure.legend(loc="outside lower center", ncols=4, fontsize=8, frameon=False)
        save(figure, path, kind)


def _error(axes: Axes, r: Report, start: Floats, end: Floats, level: float) -> None:
    units = r.job.units
    step = float((end - start).max()) / STEPS
    east = np.linspace(start[0], end[0], max(12, round((end[0] - start[0]) / step)))
    north = np.linspace(start[1], end[1], max(12, round((end[1] - start[1]) / step)))
    E, N = np.meshgrid(east, north)
    points = np.column_stack([E.ravel(), N.ravel(), np.full(E.size, level)])
    error = r.result.prediction.errors(points, r.result.confidence).spatial
    value = units.small_length_of(1.0) * error.reshape(E.shape)
    each = nice(max((value.max() - value.min()) / 7.0, 1e-6))
    levels = each * np.arange(np.floor(value.min() / each), np.ceil(value.max() / each) + 1)
    x, y = units.length_of(1.0) * E, units.length_of(1.0) * N
    axes.contourf(x, y, value, levels=levels, cmap="Blues", alpha=0.75)
    lines = axes.contour(x, y, value, levels=levels, colors="#33566f", linewidths=0.6)
    axes.clabel(lines, fontsize=7, fmt=lambda v: f"{v:.4g}")


def _box(axes: Axes, r: Report, low: Floats, high: Floats) -> None:
    units, e = r.job.units, r.result.corners
    a, b = (units.length_of(1.0) * v for v in (low, high))
    axes.plot([a[0], b[0], b[0], a[0], a[0]], [a[1], a[1], b[1], b[1], a[1]], color=INK, linewidth=1.0, linestyle=":",
              label="what is scanned")  # fmt: skip
    # of the two corners above one another the worse one
    for i in range(4):
        worst = max(float(e.spatial[i]), float(e.spatial[i + 4]))
        east, north = (units.length_of(float(v)) for v in e.points[i, :2])
        inward = (4 if e.points[i, 0] == low[0] else -4, 6 if e.points[i, 1] == low[1] else -6)
        axes.annotate(
            f"{units.small_length_of(worst):.1f}", (east, north), inward, textcoords="offset points", fontsize=8,
            weight="bold", ha="left" if inward[0] > 0 else "right", va="bottom" if inward[1] > 0 else "top",
            color=INK, bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.7, "pad": 0.6},
        )  # fmt: skip


def _targets(axes: Axes, r: Report) -> None:
    from hubtack.adjust.registration.rigid import plan_hull

    units, t = r.job.units, r.result.prediction.targets
    plan = units.length_of(1.0) * t.centre[:, :2]
    hull = plan[plan_hull(t.centre)]
    hull = np.vstack([hull, hull[:1]])
    axes.plot(hull[:, 0], hull[:, 1], color=BLUE, linewidth=1.0, linestyle="--", label="around the targets")
    flagged = r.result.fit.flagged if r.result.fit is not None else np.zeros(len(t), dtype=bool)
    axes.plot(*plan[~flagged].T, "^", color=BLUE, markersize=6, linestyle="none", label="target")
    if flagged.any():
        axes.plot(
            *plan[flagged].T,
            "X",
            color=ORANGE,
            markersize=8,
            linestyle="none",
            label="target that does not fit",
        )
    if len(t) <= 40:
        for name, at in zip(t.name, plan, strict=True):
            axes.annotate(str(name), tuple(at), (4, 3), textcoords="offset points", fontsize=6.5, color=INK,
                          parse_math=False)  # fmt: skip
    for name, point in zip(r.names, r.result.points.points, strict=True):
        at = tuple(units.length_of(float(v)) for v in point[:2])
        axes.plot(*at, "+", color=INK, markersize=8)
        axes.annotate(
            name, at, (4, -8), textcoords="offset points", fontsize=6.5, color=INK, parse_math=False
        )


def _more(axes: Axes, r: Report) -> None:
    more = r.result.more
    if more is None or not len(more.worst) or more.worst[0] > 0.95 * more.before:
        return
    at = [r.job.units.length_of(float(v)) for v in more.places.point[0, :2]]
    worst = r.job.units.show_small_length(float(more.worst[0]))
    axes.plot(*at, "*", color=ORANGE, markersize=13, markeredgecolor="white", linestyle="none",
              label=f"one more target here: worst corner {worst}")  # fmt: skip

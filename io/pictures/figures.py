"""A drawing put on a canvas by matplotlib, without a window: the same bytes for the same drawing."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.io.pictures.drawing import STYLES, Drawing, Style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

DPI = 160
_PNG = {"compress_level": 4}  # a third of the time for a tenth more bytes
_MARKERS = {
    "triangle": "^",
    "open-triangle": "^",
    "circle": "o",
    "ring": "o",
    "square": "s",
    "down": "v",
    "diamond": "D",
    "cross": "x",
    "stick": "|",
    "dot": "o",
    "flag": "D",
    "open-down": "v",
}
_FACES = {"open-triangle": "white", "circle": "white", "open-down": "white", "ring": "none", "flag": "#d55e00",
          "dot": "#0072b2"}  # fmt: skip
_ORDER: tuple[Style, ...] = (
    "grid", "frame", "leader", "sight", "flagged", "area", "band", "ellipse", "limit", "curve", "bar", "axis",
)  # fmt: skip


def network_picture(adjustment: Adjustment, job: Job, path: Path) -> None:
    """Draw the network of an adjustment into a PNG file."""
    from hubtack.io.pictures.netmap import network_drawing

    save_png(network_drawing(adjustment, job), path)


def save_png(drawing: Drawing, path: Path) -> None:
    """Save a drawing as PNG. Neither a date nor the name of a program goes into the file."""
    import warnings

    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    # A user's own matplotlibrc must not change the picture; letters that the font lacks show as boxes, quietly.
    with rc_context({"font.family": "DejaVu Sans", "text.usetex": False}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")
        figure = Figure(figsize=(drawing.width / 72.0, drawing.height / 72.0), dpi=DPI, facecolor="white")
        FigureCanvasAgg(figure)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_axis_off()
        axes.set_xlim(0.0, drawing.width)
        axes.set_ylim(0.0, drawing.height)
        _areas(axes, drawing)
        _lines(axes, drawing)
        _ellipses(axes, drawing)
        _symbols(axes, drawing)
        _dots(axes, drawing)
        _texts(axes, drawing)
        figure.savefig(path, format="png", metadata={"Software": None}, pil_kwargs=_PNG)


def _areas(axes: Axes, drawing: Drawing) -> None:
    from matplotlib.collections import PolyCollection

    looks: tuple[Style, ...] = ("band", "area")
    for rank, style in enumerate(looks):
        chosen = [a.corners for a in drawing.areas if a.style == style]
        if chosen:
            colour, width, _, fill = STYLES[style]
            axes.add_collection(
                PolyCollection(
                    chosen, facecolors=fill or "none", edgecolors=colour, linewidths=width, zorder=0.5 + 0.1 * rank
                ),
                autolim=False,
            )  # fmt: skip


def _lines(axes: Axes, drawing: Drawing) -> None:
    from matplotlib.collections import LineCollection

    for rank, style in enumerate(_ORDER):
        chosen = [((p.x1, p.y1), (p.x2, p.y2)) for p in drawing.lines if p.style == style]
        if chosen:
            colour, width, dashes, _ = STYLES[style]
            pattern: Any = (0.0, tuple(d / width for d in dashes)) if dashes else "solid"
            axes.add_collection(
                LineCollection(
                    chosen, colors=colour, linewidths=width, linestyles=pattern, zorder=1.0 + 0.1 * rank
                ),
                autolim=False,
            )


def _ellipses(axes: Axes, drawing: Drawing) -> None:
    from matplotlib.collections import EllipseCollection

    if not drawing.ellipses:
        return
    colour, width, _, fill = STYLES["ellipse"]
    e = drawing.ellipses
    axes.add_collection(
        EllipseCollection(
            [2 * s.first for s in e], [2 * s.second for s in e], [math.degrees(s.turn) for s in e],
            units="xy", offsets=np.array([(s.x, s.y) for s in e]), offset_transform=axes.transData,
            facecolors=fill or "none", edgecolors=colour, linewidths=width, alpha=0.8, zorder=2.0,
        ),
        autolim=False,
    )  # fmt: skip


def _symbols(axes: Axes, drawing: Drawing) -> None:
    for shape, marker in _MARKERS.items():
        sizes = sorted({s.size for s in drawing.symbols if s.shape == shape})
        for size in sizes:
            chosen = [(s.x, s.y) for s in drawing.symbols if s.shape == shape and s.size == size]
            edge = "none" if shape == "dot" else "#222222"
            axes.plot(
                [c[0] for c in chosen], [c[1] for c in chosen], linestyle="none", marker=marker, markersize=size,
                markerfacecolor=_FACES.get(shape, "#222222"), markeredgecolor=edge,
                markeredgewidth=0.8 if shape in ("ring", "flag") else 1.1, zorder=3.0, clip_on=False,
            )  # fmt: skip


def _dots(axes: Axes, drawing: Drawing) -> None:
    for size in sorted({d.size for d in drawing.dots}):
        x, y = (np.concatenate([getattr(d, c) for d in drawing.dots if d.size == size]) for c in "xy")
        axes.plot(
            x, y, linestyle="none", marker=_MARKERS["dot"], markersize=size, markerfacecolor=_FACES["dot"],
            markeredgecolor="none", markeredgewidth=1.1, zorder=3.0, clip_on=False,
        )  # fmt: skip


def _texts(axes: Axes, drawing: Drawing) -> None:
    halo = {"boxstyle": "square,pad=0", "facecolor": "white", "edgecolor": "none", "alpha": 0.7}
    across: dict[str, Any] = {"start": "left", "middle": "center", "end": "right"}
    for t in drawing.texts:
        weight = "bold" if t.bold else "normal"
        axes.text(
            t.x, t.y, t.words, fontsize=t.size, ha=across[t.anchor], va="center_baseline", parse_math=False,
            fontweight=weight, bbox=halo if t.halo else None, color="#111111", zorder=4.0,
            rotation=t.turn, rotation_mode="anchor",
        )  # fmt: skip

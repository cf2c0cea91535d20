"""heights.png: what the network says of every height that was entered, class by class, over what was declared.

A dot is a setup's height error as the rest of the network sees it, its bar the 95 % interval of that, the band behind
it what the declared sigma allows (±1.96 σ). Fixed heights lie close to the line, taped ones scatter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats, Ints

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from hubtack.adjust.judge.audit import Audit
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

DPI = 150
STEPS = 10  # of a blend between two colours: what smooth edges need
FACTOR = 1.959963985  # N⁻¹(0.975)
ACROSS = 64  # setups side by side in one strip
LEAST = 15  # a class is at least as wide as its heading
HEADING, PLOT = 0.62, 1.75  # inches
STRIPS = 8  # more setups than these hold stand closer instead
INK, PALE, BAND, BLUE, ORANGE = "#222222", "#8a8a8a", "#dfe7ee", "#0072b2", "#d55e00"
ABOUT = (
    "dot and bar: height error (true minus entered) as the rest of the network sees it, with its 95 % interval; "
    "band: 1.96 declared sigmas either way"
)


@dataclass(frozen=True)
class _Panel:
    """Some setups of one class, side by side from `left` on a strip."""

    group: int
    rows: Ints
    left: float
    width: float
    continued: bool


def draw(adjustment: Adjustment, audit: Audit, job: Job, path: Path) -> None:
    """Draw the heights into a PNG file: the same bytes for the same result."""
    import warnings

    from matplotlib import rc_context, rcdefaults
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    strips = _strips(audit)
    longest = max((len(_short(str(n), 12)) for n in audit.setups.setup), default=0)
    strip = HEADING + PLOT + 0.22 + 0.055 * longest  # inches: names of setups hang below
    with rc_context(), warnings.catch_warnings():
        rcdefaults()  # a user's own matplotlibrc must not change the picture
        warnings.filterwarnings("ignore", message="Glyph")
        height = 1.0 + strip * max(1, len(strips))
        figure = Figure(figsize=(11.0, height), dpi=DPI, facecolor="white")
        canvas = FigureCanvasAgg(figure)
        inch = 1.0 / height
        figure.text(0.055, 1.0 - 0.27 * inch, f"{job.name}: heights of setups", fontsize=11, weight="bold",
                    va="center", color=INK, parse_math=False)  # fmt: skip
        _legend(figure, inch)
        if not strips:
            words = audit.reason or "no height to judge"
            figure.text(0.5, 0.5, words, fontsize=10, ha="center", color=INK)
        limit = _limit(adjustment, audit, job)
        for k, panels in enumerate(strips):
            bottom = 1.0 - (0.42 + strip * k + HEADING + PLOT) * inch
            axes = figure.add_axes((0.055, bottom, 0.935, PLOT * inch))
            _strip(axes, panels, adjustment, audit, job, limit, alone=len(strips) == 1)
        canvas.draw()  # type: ignore[no-untyped-call]
        _few_colours(canvas, path)


def _few_colours(canvas: FigureCanvasAgg, path: Path) -> None:
    """Save a quarter of the bytes, since the page carries the picture too: the figure's colours and their blends."""
    from PIL import Image

    # No blend of white and the band: they are so near that Pillow would take one for the other.
    palette = Image.new("P", (1, 1))
    blends: dict[tuple[int, ...], None] = {}
    for line in (("#ffffff", INK, BLUE, "#ffffff", ORANGE, INK, BAND, BLUE), (BAND, PALE, "#ffffff")):
        for one, other in pairwise(line):
            a, b = (tuple(int(c[i : i + 2], 16) for i in (1, 3, 5)) for c in (one, other))
            blends |= {
                tuple(round(p + (q - p) * k / STEPS) for p, q in zip(a, b, strict=True)): None
                for k in range(STEPS + 1)
            }
    palette.putpalette([v for colour in blends for v in colour])
    size = canvas.get_width_height()
    pixels = bytes(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    drawn = Image.frombuffer("RGBA", size, pixels, "raw", "RGBA", 0, 1)
    drawn.convert("RGB").quantize(palette=palette, dither=Image.Dither.NONE).save(
        path, "PNG", compress_level=6
    )


def _strips(audit: Audit) -> list[list[_Panel]]:
    """The classes laid out side by side, in as many strips as they need."""
    groups = [np.flatnonzero(audit.setups.group == g) for g in range(len(audit.classes))]
    total = sum(max(LEAST, len(g)) + 1 for g in groups)
    across = max(ACROSS, math.ceil(total / STRIPS))
    strips: list[list[_Panel]] = []
    used = math.inf
    for g, rows in enumerate(groups):
        at = 0
        while at < len(rows):
            room = across - used
            if room < LEAST + 1 or (room < len(rows) - at and room < 2 * LEAST):
                strips.append([])
                used, room = 0.0, float(across)
            part = rows[at : at + int(room)]
            width = float(max(LEAST, len(part)))
            strips[-1].append(_Panel(g, part, used, width, at > 0))
            used += width + 1.0
            at += len(part)
    return strips


def _limit(adjustment: Adjustment, audit: Audit, job: Job) -> float:
    """Half the height of every strip, in small units: all bands and most bars fit, one blunder does not flatten the rest."""
    told = np.isfinite(audit.setups.height_error) & np.isfinite(audit.setups.sigma)
    reach = np.abs(audit.setups.height_error[told]) + FACTOR * audit.setups.sigma[told]
    bands = FACTOR * adjustment.setups.sigma_height[audit.setups.group >= 0]
    usual = min(float(np.quantile(reach, 0.9)), 6.0 * float(np.median(reach))) if len(reach) else 0.0
    most = max(
        usual,
        1.15 * float(bands.max(initial=0.0)),
        1e-4,
    )
    return job.units.small_length_of(1.08 * most)


def _strip(
    axes: Axes,
    panels: list[_Panel],
    adjustment: Adjustment,
    audit: Audit,
    job: Job,
    limit: float,
    *,
    alone: bool,
) -> None:
    end = max(ACROSS // 2 if alone else ACROSS, panels[-1].left + panels[-1].width)
    axes.set_xlim(-0.8, end - 0.2)
    axes.set_ylim(-limit, limit)
    axes.set_ylabel(f"height error, {job.units.small_length_name}", fontsize=7.5, color=INK)
    axes.tick_params(axis="y", labelsize=7, colors=INK, width=0.6)
    axes.xaxis.set_visible(False)
    for side in ("top", "right", "bottom"):
        axes.spines[side].set_visible(False)
    axes.spines["left"].set_color(PALE)
    ticks: list[float] = []
    names: list[str] = []
    bold: list[bool] = []
    for panel in panels:
        _panel(axes, panel, adjustment, audit, job, limit)
        ticks += [panel.left + i for i in range(len(panel.rows))]
        names += [str(audit.setups.setup[i]) for i in panel.rows]
        bold += (np.abs(np.nan_to_num(audit.setups.statistic[panel.rows])) > adjustment.critical).tolist()
    close = end > 1.3 * ACROSS
    for x, name, odd in zip(
        ticks, names, bold, strict=True
    ):  # plain texts: tick marks cost three times as much
        if odd or not close:
            axes.text(
                x, -0.02, _short(name, 12), rotation=90, fontsize=6, weight="bold" if odd else "normal", color=INK,
                ha="center", va="top", transform=axes.get_xaxis_transform(), parse_math=False,
            )  # fmt: skip


def _panel(axes: Axes, panel: _Panel, adjustment: Adjustment, audit: Audit, job: Job, limit: float) -> None:
    small = job.units.small_length_of
    rows, table = panel.rows, audit.setups
    x: Floats = np.asarray(panel.left + np.arange(len(rows)), dtype=np.float64)
    bands = np.array([small(FACTOR * s) for s in adjustment.setups.sigma_height[rows]])
    axes.fill_between(
        np.append(x - 0.5, x[-1] + 0.5), -np.append(bands, bands[-1]), np.append(bands, bands[-1]),
        step="post", color=BAND, linewidth=0.0, zorder=1.0,
    )  # fmt: skip
    for sign in (-1.0, 1.0):  # a thin edge: a pale band alone is lost in print
        axes.step(np.append(x - 0.5, x[-1] + 0.5), sign * np.append(bands, bands[-1]), where="post",
                  color=PALE, linewidth=0.5, zorder=1.1)  # fmt: skip
    axes.plot([x[0] - 0.5, x[-1] + 0.5], [0.0, 0.0], color=PALE, linewidth=0.7, zorder=1.2)
    error: Floats = np.array([small(e) for e in table.height_error[rows]], dtype=np.float64)
    half = np.array([small(FACTOR * s) for s in table.sigma[rows]])
    told = np.isfinite(error) & np.isfinite(half)
    axes.vlines(
        x[told], error[told] - half[told], error[told] + half[told], color=INK, linewidth=0.8, zorder=2.0
    )
    odd = told & (np.abs(table.statistic[rows]) > adjustment.critical)
    inside = np.abs(error) <= 0.96 * limit
    _dots(
        axes,
        x,
        error,
        told & inside & ~odd,
        marker="o",
        markersize=4.0,
        markerfacecolor="white",
        markeredgecolor=BLUE,
    )
    _dots(
        axes,
        x,
        error,
        told & inside & odd,
        marker="D",
        markersize=5.0,
        markerfacecolor=ORANGE,
        markeredgecolor=INK,
    )
    for i in np.flatnonzero(told & ~inside):  # beyond the strip: an arrow with its figure
        up = error[i] > 0
        axes.plot([x[i]], [0.94 * limit if up else -0.94 * limit], marker="^" if up else "v", markersize=6.0,
                  markerfacecolor=ORANGE if odd[i] else "white", markeredgecolor=INK, linestyle="none", zorder=3.1)  # fmt: skip
    _names(
        axes,
        panel,
        x,
        error,
        odd,
        told & ~inside,
        limit,
        [str(n) for n in table.setup[rows]],
        job.units.small_length_name,
    )
    for i in np.flatnonzero(~told):
        axes.text(x[i], 0.0, "?", fontsize=7, ha="center", va="center", color=INK, zorder=3.0)
    _heading(axes, panel, audit, job)


def _dots(axes: Axes, x: Any, y: Any, chosen: Any, **look: Any) -> None:
    axes.plot(x[chosen], y[chosen], linestyle="none", markeredgewidth=1.0, zorder=3.0, **look)


def _names(
    axes: Axes,
    panel: _Panel,
    x: Floats,
    error: Floats,
    odd: Flags,
    beyond: Flags,
    limit: float,
    names: list[str],
    unit: str,
) -> None:
    """Names of the odd ones, the largest first, each beside its dot where there is room; figures of those off the strip.

    What finds no room is still named below the strip, in bold.
    """
    taken: list[tuple[float, float, float]] = []  # left, right, height
    for i in sorted(np.flatnonzero(odd | beyond).tolist(), key=lambda k: -abs(float(error[k]))):
        far = bool(beyond[i])
        words = _short(names[i], 14) + (f" {_figure(float(error[i]))} {unit}" if far else "")
        long, step = 0.62 * len(words), 0.17 * limit
        level = math.copysign(0.92 * limit, error[i]) if far else float(error[i])
        # beside the symbol; for arrows also a line or two further in, where nothing hides what they point at
        tries = [
            (side, level - math.copysign(step * k, level)) for k in range(3 if far else 1) for side in (1, -1)
        ]
        for side, y in tries:
            left = float(x[i]) + (0.55 if side > 0 else -0.55 - long)
            right = left + long
            dots = ~beyond & (x > left - 0.3) & (x < right + 0.3) & (np.abs(error - y) < 0.6 * step)
            dots[i] = False
            arrows = beyond & (x > left - 0.4) & (x < right + 0.4)
            arrows &= np.abs(np.sign(error) * 0.94 * limit - y) < 0.8 * step
            arrows[i] = False
            met = any(left < b and right > a and abs(y - h) < step for a, b, h in taken)
            if met or dots.any() or arrows.any() or right > panel.left + panel.width + 0.5 or left < -0.5:
                continue
            taken.append((left, right, y))
            axes.text(
                left if side > 0 else right, y, words, fontsize=7.5, weight="bold", ha="left" if side > 0 else "right",
                va="center", color=INK, zorder=4.0, parse_math=False,
                bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.8},
            )  # fmt: skip
            break


def _heading(axes: Axes, panel: _Panel, audit: Audit, job: Job) -> None:
    c, g = audit.classes, panel.group
    kind = str(c.height_kind[g])
    sigma = job.units.small_length_of(float(c.sigma_declared[g]))
    who = {"instrument": "instruments", "target": "targets", "base": "standing bases"}[str(c.role[g])]
    title = f"{_short(str(c.support[g]), 24)}: {who}" + (", continued" if panel.continued else "")
    lines = [(title, "bold", 8.0)]
    if not panel.continued:
        word = "height kind not declared" if kind == "undeclared" else f"declared {kind}"
        lines.append((f"{word}, sigma {sigma:.2g} {job.units.small_length_name}", "normal", 7.0))
        lines.append((_verdict(audit, g), "normal", 7.0))
    for k, (words, weight, size) in enumerate(lines):
        axes.annotate(
            words, (panel.left - 0.5, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 33 - 11 * k),
            textcoords="offset points", fontsize=size, weight=weight, color=INK, va="center", parse_math=False,
        )  # fmt: skip
    axes.plot([panel.left - 0.5, panel.left - 0.5 + panel.width], [1.03, 1.03], color=INK, linewidth=0.8,
              transform=axes.get_xaxis_transform(), clip_on=False)  # fmt: skip


def _verdict(audit: Audit, g: int) -> str:
    """`behaves like fixed, 340 : 1`, `can't tell (at most 4 : 1)`."""
    c = audit.classes
    verdict, evidence = str(c.verdict[g]), float(c.evidence[g])
    if verdict != "cannot tell":
        sign = "✓ " if not c.contradicts[g] else "! "
        sign = "" if c.height_kind[g] == "undeclared" else sign
        return f"{sign}behaves like {verdict}, {_odds(evidence)}"
    reason = str(c.reason[g])
    if c.ceiling[g] < math.log(1.05):
        return "can't tell: nothing sees these heights"
    if reason.startswith("the geometry"):
        return f"can't tell: at most {_odds(float(c.ceiling[g]))} for fixed"
    if reason.startswith("both"):
        return f"can't tell: {_odds(evidence)} for {'fixed' if evidence > 0 else 'measured'}"
    if reason.startswith("the rest"):
        return "can't tell: the rest of the network does not fit"
    return f"can't tell: {_short(reason, 40)}"


def _odds(evidence: float) -> str:
    if abs(evidence) > math.log(1000.0):
        return "over 1000 : 1"
    ratio = math.exp(abs(evidence))
    return f"{ratio:.0f} : 1" if ratio >= 10.0 else f"{ratio:.1f} : 1"


def _legend(figure: Figure, inch: float) -> None:
    from matplotlib.lines import Line2D

    def key(marker: str, size: float, face: str, edge: str, line: Literal["-", "none"], label: str) -> Line2D:
        return Line2D(
            [], [], marker=marker, markersize=size, markerfacecolor=face, markeredgecolor=edge, markeredgewidth=1.0,
            linestyle=line, linewidth=0.8, color=INK, label=label,
        )  # fmt: skip

    handles = [
        key("o", 4.0, "white", BLUE, "-", "fits its declared sigma"),
        key("D", 5.0, ORANGE, INK, "-", "does not fit it"),
        key("^", 6.0, "white", INK, "none", "lies beyond the strip"),
        key("$?$", 5.0, INK, INK, "none", "nothing sees it"),
    ]
    figure.legend(handles=handles, loc="center left", bbox_to_anchor=(0.047, 0.32 * inch), ncol=4, frameon=False,
                  fontsize=7.5, handletextpad=0.5, columnspacing=1.8)  # fmt: skip
    figure.text(0.055, 0.13 * inch, ABOUT, fontsize=7, color=INK, va="center")


def _figure(value: float) -> str:
    """A signed figure of two digits or more."""
    return f"{value:+.{0 if abs(value) >= 10.0 else 1}f}".replace("-", "−")


def _short(words: str, most: int) -> str:
    return words if len(words) <= most else words[: most - 1] + "…"

"""Error budgets as a picture: how large the error of a mark is, and which source gives how much of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.estimate.precision import ellipses
from hubtack.io.writers.atomic import Refused

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from hubtack.adjust.planning.budget import Budget
    from hubtack.adjust.planning.equipment import Equipment
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

KINDS = ("png", "svg", "pdf")
LEAST = 0.002  # a share that is too thin to be seen
# Okabe and Ito's colours, told apart by colour-blind readers; the hatches keep the sources apart in print.
_COLOURS = {
    "direction": ("#0072b2", ""), "zenith": ("#56b4e9", ""), "distance": ("#009e73", ""),
    "between marks": ("#bbbbbb", ""), "vector": ("#bbbbbb", "//"),
    "centring of instrument": ("#d55e00", ""), "centring of target": ("#e69f00", ""),
    "centring of common base": ("#cc79a7", ""), "height of instrument": ("#d55e00", "//"),
    "height of target": ("#e69f00", "//"), "height of common base": ("#cc79a7", "//"),
    "control": ("#222222", ""), "constants": ("#f0e442", ""),
}  # fmt: skip


def draw(a: Adjustment, budget: Budget | None, equipment: Sequence[Equipment], job: Job, path: Path) -> None:
    """One bar a support (or one for the plan), as long as the semi-major axis, split by shares of the variance.

    Raises Refused where the file can't be written or its kind is not known.
    """
    kind = path.suffix.lower().lstrip(".")
    if kind not in KINDS:
        raise Refused(
            "RUN425",
            f'A picture can\'t be written as "{path.name}".',
            f"End it with {', '.join('.' + k for k in KINDS)}.",
        )
    if budget is None:
        raise Refused(
            "RUN426", "There is no mark whose error could be drawn.", "All marks of the plan are held."
        )
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    level = a.ellipse_factor
    bars = [(label(e), e.budget) for e in equipment] or [("as planned", budget)]
    bars = bars[:1] + sorted(
        bars[1:], key=lambda bar: _length_and_shares(bar[1], level)[0]
    )  # the plan itself, then the best
    plane = np.isfinite(budget.plan_shares()).any()
    split = [
        dict(zip(b.sources, np.nan_to_num(_length_and_shares(b, level)[1]), strict=True)) for _, b in bars
    ]
    used = [s for s in _COLOURS if max(one.get(s, 0.0) for one in split) > LEAST]
    with rc_context(
        {"font.family": "DejaVu Sans", "text.usetex": False, "svg.hashsalt": "budget", "svg.fonttype": "none"}
    ):
        figure = Figure(figsize=(9.0, 1.6 + 0.34 * len(bars)), layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        for row, (_, b) in enumerate(bars):
            length, shares = _length_and_shares(b, level)
            left = 0.0
            for source in used:
                if source not in b.sources:
                    continue
                width = job.units.small_length_of(
                    length * float(np.nan_to_num(shares[b.sources.index(source)]))
                )
                colour, hatch = _COLOURS[source]
                axes.barh(row, width, left=left, color=colour, hatch=hatch, edgecolor="white", linewidth=0.4)
                left += width
            axes.text(left, row, f" {left:.1f}", va="center", fontsize=8)
        axes.set_yticks(range(len(bars)), [label for label, _ in bars], fontsize=8)
        axes.get_yticklabels()[0].set_fontweight("bold")
        axes.tick_params(labelsize=8, left=False)
        axes.set_ylim(len(bars) - 0.4, -0.6)
        asked = job.goals.get("tolerance", {}).get("position" if plane else "height")
        if asked:
            axes.axvline(job.units.small_length_of(asked), color="#222222", linestyle=":", linewidth=1.2)
        what = "semi-major axis" if plane else "height"
        unit, level_words = job.units.small_length_name, f"{100 * a.settings.confidence:g} %"
        dotted = "\ndotted: the tolerance of job.toml" if asked else ""
        whose = f"{what} of {a.marks.mark[budget.mark]} (worst as planned) at {level_words}, {unit}"
        words = f"{whose}; split by share of variance{dotted}"
        axes.set_xlabel(words, fontsize=8)
        axes.margins(x=0.08)
        axes.spines[["top", "right"]].set_visible(False)
        title = (
            f"{job.name}: the same plan on other supports"
            if equipment
            else f"{job.name}: where the error comes from"
        )
        figure.suptitle(title, fontsize=10, x=0.02, ha="left", parse_math=False)
        handles = [_patch(s) for s in used]
        figure.legend(handles=handles, loc="outside right upper", fontsize=8, frameon=False)
        save(figure, path, kind)


def save(figure: Figure, path: Path, kind: str) -> None:
    """Write a figure without date or program name. Raises Refused."""
    nothing = {
        "png": {"Software": None},
        "svg": {"Date": None, "Creator": None},
        "pdf": {"CreationDate": None},
    }
    try:
        figure.savefig(path, format=kind, dpi=150, metadata=nothing[kind])
    except OSError as error:
        found = f"{path} can't be written: {error.strerror}."
        raise Refused("RUN421", found, "Name a file in a folder that you may write to.") from error


def _length_and_shares(
    b: Budget, factor: float
) -> tuple[float, np.ndarray[tuple[int], np.dtype[np.float64]]]:
    shares = b.plan_shares()
    if np.isfinite(shares).any():
        return factor * float(ellipses(b.total[None, :2, :2])[0][0]), shares
    return 1.959964 * float(np.sqrt(max(b.total[2, 2], 0.0))), b.height_shares()


def label(e: Equipment) -> str:
    under = {"both": "everywhere", "instrument": "under instrument", "target": "under targets", None: ""}[
        e.role
    ]
    return f"{e.words} {under}".strip()


def _patch(source: str) -> object:
    from matplotlib.patches import Patch

    colour, hatch = _COLOURS[source]
    return Patch(facecolor=colour, hatch=hatch, edgecolor="white", label=source)

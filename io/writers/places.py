"""What map and drawing share: which marks have a place, how much ellipses are enlarged, which lines are sights."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Floats, Ints

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment


@dataclass(frozen=True)
class SightLine:
    """All observations between two marks as one line: the first's `id`, how many, and the worst of them."""

    start: int  # rows of marks
    end: int
    ids: tuple[str, ...]
    flagged: bool
    worst: float  # largest |w|, NaN where none was tested
    redundancy: float  # smallest redundancy number


def placed(adjustment: Adjustment) -> Ints:
    """Rows of the marks that have an east and a north."""
    m = adjustment.marks
    return np.flatnonzero(np.isfinite(m.east) & np.isfinite(m.north))


def spacing(adjustment: Adjustment) -> float:
    """Median distance from a mark to its nearest neighbour, m; 10 m where there is only one.

    Of many marks an evenly drawn sample is taken.
    """
    rows = placed(adjustment)
    east, north = adjustment.marks.east[rows], adjustment.marks.north[rows]
    if len(rows) < 2:
        return 10.0
    chosen = np.unique(np.linspace(0, len(rows) - 1, min(len(rows), 400)).astype(np.int64))
    away = np.hypot(east[chosen, None] - east, north[chosen, None] - north)
    away[np.arange(len(chosen)), chosen] = np.inf
    return max(float(np.median(away.min(axis=1))), 1e-3)


def exaggeration(adjustment: Adjustment) -> int:
    """A round factor that draws the median ellipse a seventh as large as marks lie apart, 1 at least."""
    axes = adjustment.marks.semi_major[placed(adjustment)]
    axes = axes[np.isfinite(axes) & (axes > 0.0)]
    if not len(axes):
        return 1
    wanted = min(spacing(adjustment) / 7.0 / float(np.median(axes)), spacing(adjustment) / float(axes.max()))
    if wanted <= 1.0:
        return 1
    power = 10.0 ** math.floor(math.log10(wanted) + 1e-12)
    return round(power * next(f for f in (5.0, 2.0, 1.0) if f * power <= wanted * (1.0 + 1e-9)))


def ellipse_points(major: float, minor: float, azimuth: float, count: int = 72) -> Floats:
    """Points (count + 1, 2), east and north from the centre, of a closed ellipse; the azimuth is of `major`."""
    t = np.linspace(0.0, 2.0 * np.pi, count + 1)
    along, across = major * np.cos(t), minor * np.sin(t)
    sin, cos = math.sin(azimuth), math.cos(azimuth)
    points = np.column_stack([along * sin + across * cos, along * cos - across * sin])
    points[-1] = points[0]
    return points


def sight_lines(adjustment: Adjustment) -> list[SightLine]:
    """One line a pair of marks with an observation between them, in the order of the marks."""
    o = adjustment.observations
    rows: dict[tuple[int, int], list[int]] = {}
    for i, (a, b) in enumerate(zip(o.start_mark.tolist(), o.end_mark.tolist(), strict=True)):
        if a >= 0 and b >= 0 and a != b:
            rows.setdefault((min(a, b), max(a, b)), []).append(i)
    lines = []
    for (a, b), mine in sorted(rows.items()):
        w = np.abs(o.standardized[mine])
        r = o.redundancy[mine]
        lines.append(
            SightLine(
                a,
                b,
                tuple(str(o.id[i]) for i in mine),
                bool(o.flagged[mine].any()),
                float(np.nanmax(w)) if np.isfinite(w).any() else math.nan,
                float(np.nanmin(r)) if np.isfinite(r).any() else math.nan,
            )
        )
    return lines

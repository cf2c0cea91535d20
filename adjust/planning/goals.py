"""How good a network is to be, and how good a predicted one is: tolerances and the few figures that decide."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..estimate.precision import interval_factor
from ..ground.table import Flags, Floats
from ..results import Adjustment


@dataclass(frozen=True)
class Tolerance:
    """What is asked for at the confidence level of the settings; None where nothing is.

    position: semi-major axis of every mark's ellipse, m; height: half-width of every height's interval, m; relative:
    constant (m) and part that grows with distance (a ratio), for the semi-major axis of every relative ellipse.
    """

    position: float | None = None
    height: float | None = None
    relative: tuple[float, float] | None = None

    def __bool__(self) -> bool:
        return self.position is not None or self.height is not None or self.relative is not None


@dataclass(frozen=True)
class Figures:
    """The worst of a predicted network, at the confidence level; NaN where there is none. Rows name marks and pairs.

    Control marks don't count: nothing that is planned makes given coordinates better.
    """

    position: float  # m, largest semi-major axis
    position_mark: int
    height: float  # m, largest half-width
    height_mark: int
    relative: (
        float  # largest ratio of a relative semi-major axis to its tolerance; without one, the axis in m
    )
    relative_pair: int
    unchecked: int  # marks
    blind_heights: int  # setups whose wrong height nothing would show


def figures(a: Adjustment, tolerance: Tolerance | None = None) -> Figures:
    """The figures that decide about a plan."""
    new = new_marks(a)
    position, height = np.where(new, a.marks.semi_major, np.nan), np.where(new, heights(a), np.nan)
    relative = relative_ratios(a, tolerance)
    return Figures(
        *_worst(position),
        *_worst(height),
        *_worst(relative),
        int(a.marks.unchecked.sum()),
        int(np.isinf(a.setups.minimal_detectable_height).sum()),
    )


def new_marks(a: Adjustment) -> Flags:
    """Marks without control; where there are none, all marks. (n_marks,)"""
    new: Flags = np.array([not c for c in a.marks.control], dtype=bool)
    return new if new.any() else np.ones(len(new), dtype=bool)


def heights(a: Adjustment) -> Floats:
    """Half-widths of the intervals of all heights at the confidence level, m; (n_marks,)."""
    return interval_factor(a.settings.confidence) * a.marks.sigma_height


def relative_ratios(a: Adjustment, tolerance: Tolerance | None = None) -> Floats:
    """Relative semi-major axes over their tolerance; the axes themselves, m, without one. (n_pairs,)"""
    if tolerance is None or tolerance.relative is None:
        return a.relative.semi_major
    constant, ratio = tolerance.relative
    allowed = constant + ratio * a.relative.distance
    with np.errstate(divide="ignore", invalid="ignore"):
        out: Floats = a.relative.semi_major / allowed
    return out


def beyond(a: Adjustment, tolerance: Tolerance) -> tuple[Flags, Flags, Flags]:
    """Marks beyond the tolerance of position, marks beyond that of height, pairs beyond the relative one."""
    none, new = np.zeros(len(a.marks), dtype=bool), new_marks(a)
    position = new & (a.marks.semi_major > tolerance.position) if tolerance.position is not None else none
    height = new & (heights(a) > tolerance.height) if tolerance.height is not None else none
    pairs = (
        relative_ratios(a, tolerance) > 1.0
        if tolerance.relative is not None
        else np.zeros(len(a.relative), bool)
    )
    return position, height, pairs


def meets(a: Adjustment, tolerance: Tolerance) -> bool:
    """Whether a predicted network meets all that is asked for."""
    return not any(bool(f.any()) for f in beyond(a, tolerance))


def _worst(values: Floats) -> tuple[float, int]:
    if not np.isfinite(values).any():
        return float("nan"), -1
    i = int(np.nanargmax(values))
    return float(values[i]), i

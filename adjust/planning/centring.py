"""The centring of one setup, term by term, and what it does to the readings through it.

All sigmas are per axis; a radial figure (root mean square of the length) is √2 larger, and books and makers mix the two.
With Δe = e_T − e_I horizontal, Δh = δh_T − δh_I, u along the sight and p to its right (derived, checked by differences):

    dα = p·Δe/D;   dD = u·Δe;   dz = (cos z·u·Δe − sin z·Δh)/S;   dS = sin z·u·Δe + cos z·Δh
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.network import Marks, Network, Supports
from ..ground.supports import BUBBLE_RUN, centring_terms


@dataclass(frozen=True)
class SetupBudget:
    """Terms of the centring sigma per axis, m, at one height, their root sum of squares, and the height's own sigma."""

    height: float
    terms: dict[str, float]
    total: float
    overridden: bool
    sigma_height: float


@dataclass(frozen=True)
class InSight:
    """What one setup's errors do to one sight: sigmas of direction, zenith angle (rad), slope distance (m), and the
    correlation of the last two."""

    direction: float
    zenith: float
    distance: float
    correlation: float


def vial_radius(sensitivity: float) -> float:
    """Radius of a vial, m, whose bubble runs 2 mm for a tilt of `sensitivity` rad."""
    return BUBBLE_RUN / sensitivity


def setup_budget(support: Supports, height: float) -> SetupBudget:
    """The budget of a device at `height` m on a support (a table of one row)."""
    network = Network(Marks.empty(), supports=support)
    terms = {
        k: float(v[0]) for k, v in centring_terms(network, np.zeros(1, np.int64), np.array([height])).items()
    }
    override = float(support.centring_sigma[0])
    total = float(np.sqrt(sum(t**2 for t in terms.values()))) if np.isnan(override) else override
    return SetupBudget(
        height, terms, total, not np.isnan(override), float(np.nan_to_num(support.height_sigma[0]))
    )


def in_sight(centring: float, height: float, slope: float, zenith: float) -> InSight:
    """One setup with sigmas `centring` (per axis) and `height`, m, at one end of a sight of `slope` m at `zenith` rad.

    Where the two differ and the sight is steep, zenith angle and slope distance become correlated.
    """
    sin, cos = np.sin(zenith), np.cos(zenith)
    A = np.array([[cos, -sin], [sin, cos]])  # (u·Δe, Δh) → (S·dz, dS)
    Q = A @ np.diag([centring**2, height**2]) @ A.T
    both = float(np.sqrt(Q[0, 0] * Q[1, 1]))
    return InSight(
        float(centring / (slope * sin)),
        float(np.sqrt(Q[0, 0])) / slope,
        float(np.sqrt(Q[1, 1])),
        float(Q[0, 1]) / both if both > 0.0 else 0.0,
    )


def angle_by_instrument(centring: float, first: float, second: float, angle: float) -> float:
    """Sigma (rad) of an angle between sights of `first` and `second` m by the instrument's centring, per axis, m.

    σ·D₃/(D₁D₂), D₃ the distance between the targets. Books print D₃/(D₁D₂√2) because their σ is radial.
    """
    third = np.sqrt(first**2 + second**2 - 2.0 * first * second * np.cos(angle))
    return float(centring * third / (first * second))


def angle_by_targets(centring: float, first: float, second: float) -> float:
    """Sigma (rad) of an angle by the centring of its two targets, each with `centring` per axis, m: σ√(1/D₁² + 1/D₂²)."""
    return float(centring * np.hypot(1.0 / first, 1.0 / second))

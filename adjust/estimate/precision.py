"""Covariance to what people read: ellipses and their factors.

Axes are √eigenvalues of the 2 × 2 covariance; azimuth of the major one, clockwise from north, is
½·atan2(2σ_EN, σ_N² − σ_E²).
Factor √χ²_q with σ0 known: 2.4477 for 95 % in the plane, 1.9600 for one dimension.
"""

from __future__ import annotations

import math

import numpy as np

from ..ground.table import Floats
from .quantiles import chi2_quantile


def ellipse_factor(confidence: float) -> float:
    """√χ²_2 at the confidence level: √(−2 ln(1 − p))."""
    return math.sqrt(-2.0 * math.log(1.0 - confidence))


def interval_factor(confidence: float) -> float:
    """√χ²_1 at the confidence level: half-width of an interval in sigmas."""
    return math.sqrt(chi2_quantile(confidence, 1))


def ellipses(covariance: Floats) -> tuple[Floats, Floats, Floats]:
    """Semi-major and semi-minor axis (1σ) and azimuth in [0, π) of (n, 2, 2) covariances, east first."""
    ee, nn, en = covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 0, 1]
    mean = 0.5 * (ee + nn)
    half = np.hypot(0.5 * (nn - ee), en)
    azimuth = np.mod(0.5 * np.arctan2(2.0 * en, nn - ee), np.pi)
    return np.sqrt(np.maximum(mean + half, 0.0)), np.sqrt(np.maximum(mean - half, 0.0)), azimuth

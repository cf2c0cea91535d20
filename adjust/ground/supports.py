"""A support to the sigma of its centring and of its height, term by term.

Centring per axis, root-sum-squared:

    bubble            h·tan(sensitivity × off-centre / 2 mm)       2 mm of bubble run: common practice, no source
    bubble error      h·tan(θ)/√2                                  turned at random between setups
    plummet           σ·h / 1.5 m                                  stated at 1.5 m
    mark              σ of the definition of the mark

`centring_sigma`, where given, overrides the lot. Heights: `height_sigma`.
"""

from __future__ import annotations

import numpy as np

from .network import Network
from .table import Floats, Ints

BUBBLE_RUN = 0.002  # m: the run for which the sensitivity of a vial is stated
PLUMMET_HEIGHT = 1.5  # m: the height at which a plummet's sigma is stated


def vertical_heights(network: Network) -> Floats:
    """Heights of all setups above their marks, slant ones reduced: √(s² − r²) + offset. (n_setups,) m, NaN unknown."""
    setups, supports = network.setups, network.supports
    heights = setups.height.copy()
    if len(supports):
        kind = supports.height_kind[setups.support] == "slant"
        radius, offset = supports.slant_radius[setups.support], supports.slant_offset[setups.support]
        with np.errstate(invalid="ignore"):
            heights[kind] = (np.sqrt(heights**2 - radius**2) + offset)[kind]
    return heights


def centring_terms(network: Network, support: Ints, height: Floats) -> dict[str, Floats]:
    """The terms of the centring sigma per axis, m, for devices at `height` (n,) m on `support` (n,) rows."""
    s = network.supports
    h = np.where(np.isnan(height), 0.0, np.abs(height))
    tilt = s.bubble[support] * s.bubble_off_centre[support] / BUBBLE_RUN
    return {
        "bubble": h * np.tan(tilt),
        "bubble_error": h * np.tan(s.bubble_error[support]) / np.sqrt(2.0),
        "plummet": s.plummet[support] * h / PLUMMET_HEIGHT,
        "mark": s.mark[support].copy(),
    }


def centring_sigmas(network: Network, heights: Floats) -> Floats:
    """Sigma of the centring per axis of every setup, (n_setups,) m; `heights` (n_setups,) m as from vertical_heights."""
    support = network.setups.support
    if not len(support):
        return np.zeros(0)
    total = np.sqrt(np.sum([t**2 for t in centring_terms(network, support, heights).values()], axis=0))
    override = network.supports.centring_sigma[support]
    return np.where(np.isnan(override), total, override)


def height_sigmas(network: Network) -> Floats:
    """Sigma of the height of every setup, (n_setups,) m; for a slant height the sigma is that of the vertical one."""
    support = network.setups.support
    return np.nan_to_num(network.supports.height_sigma[support], nan=0.0) if len(support) else np.zeros(0)

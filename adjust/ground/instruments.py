"""An instrument to the sigmas of what it reads.

A stated sigma of an angle means one pointing in both faces (ISO 17123-3; ISO 17123-4 for distances; from memory), so
one reading on one face has √2 σ and the mean of n of them σ·√(2/n). A distance "a + b" is the plain sum a + b·S of one
reading (common practice, no source); the mean of n has (a + b·S)/√n.
"""

from __future__ import annotations

import numpy as np

from .network import Instruments, Network
from .table import Flags, Floats, Ints


def angle_sigmas(stated: Floats, readings: Ints) -> Floats:
    """σ·√(2/n), rad, for the mean of n face readings."""
    return stated * np.sqrt(2.0 / readings)


def distance_sigmas(
    instruments: Instruments, device: Ints, distance: Floats, reflectorless: Flags, readings: Ints
) -> Floats:
    """(a + b·S)/√n, m. Where an instrument states no reflectorless figures, its prism figures serve."""
    constant, ppm = instruments.distance[device], instruments.distance_ppm[device]
    own, own_ppm = instruments.reflectorless[device], instruments.reflectorless_ppm[device]
    constant = np.where(reflectorless & ~np.isnan(own), own, constant)
    ppm = np.where(reflectorless & ~np.isnan(own_ppm), own_ppm, ppm)
    return (constant + ppm * distance) / np.sqrt(readings)


SPOT_SHARE = 0.2


def sighted_distance_sigmas(
    network: Network, start: Ints, end: Ints, distance: Floats, readings: Ints
) -> Floats:
    """Sigmas (m) of the means of distances read between setups: the instrument's, and what a slanting surface adds."""
    setups = network.setups
    device, bare = setups.device[start], network.targets.reflectorless[setups.device[end]]
    stated = distance_sigmas(network.instruments, device, distance, bare, readings)
    slant = np.where(bare, np.nan_to_num(np.tan(setups.incidence[end])), 0.0)
    if not slant.any():
        return stated
    pointing = distance * angle_sigmas(network.instruments.direction[device], readings) * slant
    return np.sqrt(stated**2 + pointing**2 + (SPOT_SHARE * network.instruments.spot[device] * slant) ** 2)

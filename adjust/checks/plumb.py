"""Zenith angles under known deflections, as checks in a plane understand them.

Checks of legs and loops reckon in a plane with one vertical. In the earth frame each mark has its own: a zenith angle taken
on the plumb line gives the rise over the ellipsoid once ξ cos α + η sin α is added, and that over the geoid once ΔN is
taken off. So rises from either end of a line agree, and loops with levelling close, as far as the readings do.
"""

from __future__ import annotations

import numpy as np

from ..ground.network import Network
from ..ground.table import Floats
from ..model.earth import Earth
from ..model.frames import frame_of
from ..model.reductions import Observations
from ..settings import Settings


def plumbed(network: Network, settings: Settings, obs: Observations, coordinates: Floats) -> Observations:
    """The observations with zenith angles that give rises of the job's heights; as they are in a plane frame.

    coordinates (n_marks, 3): approximate ones serve.
    """
    frame = frame_of(network, settings)
    if not isinstance(frame, Earth):
        return obs
    p = frame.places(coordinates)
    rows = np.flatnonzero(obs.kind == "zenith")
    a, b = obs.start_mark[rows], obs.end_mark[rows]
    delta = coordinates[b] - coordinates[a]
    far = np.hypot(delta[:, 0], delta[:, 1])
    azimuth = np.arctan2(delta[:, 0], delta[:, 1]) + p.factors.convergence[a]
    lean = p.deflection[a, 0] * np.cos(azimuth) + p.deflection[a, 1] * np.sin(azimuth)
    bent = np.nan_to_num(
        p.undulation[b] - p.undulation[a]
    )  # a level knows the geoid, whatever heights are over
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = lean + bent * np.sin(obs.value[rows]) ** 2 / far
    value = obs.value.copy()
    value[rows] += np.nan_to_num(shift, nan=0.0, posinf=0.0, neginf=0.0)
    return obs.replace(value=value)

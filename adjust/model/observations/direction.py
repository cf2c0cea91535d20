"""Direction: a reading of the horizontal circle.

    circle = atan2(d_e, d_n) − orientation + balance·c / sin z

c is the collimation (surveying texts, from memory), which both faces together remove (balance 0).
"""

from __future__ import annotations

import numpy as np

from ...ground.table import Floats
from ..frames import Ray
from .kind import Kind, azimuth_gradient, azimuth_value


def _orientation(ray: Ray, balance: Floats) -> Floats:
    return np.full(len(ray.d), -1.0)


def _collimation(ray: Ray, balance: Floats) -> Floats:
    across = np.maximum(np.hypot(ray.d[:, 0], ray.d[:, 1]), 1e-9)
    return np.asarray(balance * np.linalg.norm(ray.d, axis=1) / across)


KIND = Kind(
    name="direction",
    says="direction",
    label="direction",
    quantity="angle",
    between="setups",
    reading="circle",
    value=azimuth_value,
    gradient=azimuth_gradient,
    plan=True,
    height=False,
    line="sight",
    leans_on={"orientation": _orientation, "collimation": _collimation},
    whole_circle=True,
)

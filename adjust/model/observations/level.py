"""Horizontal distance between setups, at the level of the instrument: θ·(R + h_A). For books without zenith angles.

horizontal = level + zero + scale·level − constant
"""

from __future__ import annotations

import numpy as np

from ...ground.table import Floats
from ..frames import Ray
from .kind import Kind


def _gradient(ray: Ray) -> Floats:
    flat = np.maximum(np.hypot(ray.d[:, 0], ray.d[:, 1]), 1e-9)
    # ∂level/∂x = level/x up to θ²/3, which is 1e-8 at a kilometre
    return np.column_stack([ray.d[:, :2] * (ray.level / flat**2)[:, None], np.zeros(len(flat))])


KIND = Kind(
    name="level",
    says="horizontal",
    label="horizontal distance",
    quantity="length",
    between="setups",
    reading="horizontal",
    value=lambda ray: ray.level,
    gradient=_gradient,
    plan=True,
    height=False,
    line="sight",
    leans_on={
        "zero": lambda ray, balance: np.ones(len(ray.d)),
        "scale": lambda ray, balance: ray.level,
        "constant": lambda ray, balance: -np.ones(len(ray.d)),
    },
)

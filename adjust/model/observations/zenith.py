"""Zenith angle: from the vertical down to the line of sight, bent by refraction.

    zenith = atan2(x, d_u) − k·θ/2 + balance·j,   x = hypot(d_e, d_n)

k is the arc ratio of refraction (ray radius R/k), j the vertical index, which both faces together remove.
Source: all textbooks, from memory; checked against an exact circular ray.
"""

from __future__ import annotations

import numpy as np

from ...ground.table import Floats
from ..frames import Ray
from .kind import Kind


def _value(ray: Ray) -> Floats:
    return np.arctan2(np.hypot(ray.d[:, 0], ray.d[:, 1]), ray.d[:, 2])


def _gradient(ray: Ray) -> Floats:
    x = np.maximum(np.hypot(ray.d[:, 0], ray.d[:, 1]), 1e-9)
    u = ray.d[:, 2]
    square = x * x + u * u
    flat = (u / (x * square))[:, None] * ray.d[:, :2]
    return np.column_stack([flat, -x / square])


def _refraction(ray: Ray, balance: Floats) -> Floats:
    return -0.5 * ray.theta


def _index(ray: Ray, balance: Floats) -> Floats:
    return balance


KIND = Kind(
    name="zenith",
    says="zenith",
    label="zenith angle",
    quantity="angle",
    between="setups",
    reading="zenith",
    value=_value,
    gradient=_gradient,
    plan=True,
    height=True,
    line="sight",
    turns=-0.5,
    leans_on={"refraction": _refraction, "index": _index},
)

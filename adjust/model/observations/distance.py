"""Slope distance between the device centres, prism constant already added.

distance = |d| + zero + scale·|d| − constant,   zero and scale: errors of the EDM; constant: what is still to be added to
distances to this target beyond its stated constant
"""

from __future__ import annotations

import numpy as np

from ...ground.table import Floats
from ..frames import Ray
from .kind import Kind


def _value(ray: Ray) -> Floats:
    return np.asarray(np.linalg.norm(ray.d, axis=1))


def _gradient(ray: Ray) -> Floats:
    return np.asarray(ray.d / np.maximum(np.linalg.norm(ray.d, axis=1), 1e-9)[:, None])


def _zero(ray: Ray, balance: Floats) -> Floats:
    return np.ones(len(ray.d))


def _short(ray: Ray, balance: Floats) -> Floats:
    return -np.ones(len(ray.d))


KIND = Kind(
    name="distance",
    says="distance",
    label="slope distance",
    quantity="length",
    between="setups",
    reading="slope",
    value=_value,
    gradient=_gradient,
    plan=True,
    height=True,
    line="sight",
    leans_on={"zero": _zero, "scale": lambda ray, balance: _value(ray), "constant": _short},
)

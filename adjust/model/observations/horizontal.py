"""Horizontal distance between marks: hypot(ΔE, ΔN) / scale factor."""

from __future__ import annotations

import numpy as np

from ...ground.table import Floats
from ..frames import Ray
from .kind import Kind


def _gradient(ray: Ray) -> Floats:
    flat = np.maximum(np.hypot(ray.d[:, 0], ray.d[:, 1]), 1e-9)
    return np.column_stack([ray.d[:, :2] / flat[:, None], np.zeros(len(flat))])


KIND = Kind(
    name="horizontal",
    says="horizontal",
    label="horizontal distance",
    quantity="length",
    between="marks",
    reading="value",
    value=lambda ray: np.hypot(ray.d[:, 0], ray.d[:, 1]),
    gradient=_gradient,
    plan=True,
    height=False,
    line="level",
)

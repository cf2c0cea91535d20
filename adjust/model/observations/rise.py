"""Rise between marks, as from levelling: h_end − h_start."""

from __future__ import annotations

import numpy as np

from ...ground.table import Floats
from ..frames import Ray
from .kind import Kind


def _gradient(ray: Ray) -> Floats:
    g: Floats = np.zeros((len(ray.d), 3))
    g[:, 2] = 1.0
    return g


KIND = Kind(
    name="rise",
    says="rise",
    label="rise",
    quantity="length",
    between="marks",
    reading="value",
    value=lambda ray: ray.d[:, 2],
    gradient=_gradient,
    plan=False,
    height=True,
    line="rise",
)

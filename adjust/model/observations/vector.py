"""Components of a coordinate difference in the plane frame; the three of one vector share a full covariance."""

from __future__ import annotations

import numpy as np

from ...ground.table import Floats
from ..frames import Ray
from .kind import Kind


def _component(axis: int, name: str, words: str) -> Kind:
    def gradient(ray: Ray) -> Floats:
        g: Floats = np.zeros((len(ray.d), 3))
        g[:, axis] = 1.0
        return g

    return Kind(
        name=f"vector.{name}",
        says="vector",
        label=f"vector, {words}",
        quantity="length",
        between="either",
        reading="value",
        value=lambda ray: ray.d[:, axis],
        gradient=gradient,
        plan=axis < 2,
        height=axis == 2,
        line="difference",
    )


KINDS = (_component(0, "east", "east"), _component(1, "north", "north"), _component(2, "up", "up"))

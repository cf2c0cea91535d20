"""Components of a coordinate difference in the plane frame; the three of one vector share a full covariance.

What a GNSS session has in common is a small similarity: with a scale s, a turn τ in azimuth (clockwise, as azimuths run) and
tilts φ about east and ψ about north, a vector d reads

    d + s·d + (τ·d_n + ψ·d_u,  −τ·d_e − φ·d_u,  φ·d_n − ψ·d_e)
"""

from __future__ import annotations

import numpy as np

from ...ground.table import Floats
from ..frames import Ray
from .kind import Coefficient, Kind

# For each component, by which component of d each constant of the session enters, and with which sign.
_COMMON: tuple[dict[str, tuple[int, float]], ...] = (
    {"session_scale": (0, 1.0), "session_turn": (1, 1.0), "session_tilt_north": (2, 1.0)},
    {"session_scale": (1, 1.0), "session_turn": (0, -1.0), "session_tilt_east": (2, -1.0)},
    {"session_scale": (2, 1.0), "session_tilt_east": (1, 1.0), "session_tilt_north": (0, -1.0)},
)
SESSION = ("session_scale", "session_turn", "session_tilt_east", "session_tilt_north")


def _leaning(axis: int, name: str) -> Coefficient:
    place, sign = _COMMON[axis].get(name, (0, 0.0))
    return lambda ray, _: sign * ray.d[:, place]


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
        leans_on={constant: _leaning(axis, constant) for constant in SESSION},
        bends={constant: sign * np.eye(3)[place] for constant, (place, sign) in _COMMON[axis].items()},
    )


KINDS = (_component(0, "east", "east"), _component(1, "north", "north"), _component(2, "up", "up"))

"""Components of a coordinate difference; the three of one vector share a full covariance.

What a GNSS session has in common is a small similarity. With a scale s, a turn τ in azimuth (clockwise, as azimuths run),
tilts φ about east and ψ about north, and ê, n̂, û the axes of one horizon for the whole site, a vector d reads

    d + s·d + (φ·ê + ψ·n̂ − τ·û) × d

In the plane frame these are the axes of d: d + s·d + (τ·d_n + ψ·d_u,  −τ·d_e − φ·d_u,  φ·d_n − ψ·d_e). In the earth frame
d is geocentric, and they are those of `earth.site_horizon`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ...ground.table import Floats
from ..frames import Ray
from .kind import Coefficient, Kind

# About which axis of the site each turns, and with which sign.
_TURNS: dict[str, tuple[int, float]] = {
    "session_turn": (2, -1.0),
    "session_tilt_east": (0, 1.0),
    "session_tilt_north": (1, 1.0),
}
SESSION = ("session_scale", *_TURNS)
_PLANE = np.eye(3)


def _by_difference(axis: int, name: str) -> Callable[[Ray], Floats]:
    """∂(what one unit of a session's constant adds to a component of d)/∂d, (3,): the same for all vectors."""
    if name not in _TURNS:
        return lambda ray: _PLANE[axis]
    about, sign = _TURNS[name]
    i, j = (axis + 1) % 3, (axis + 2) % 3

    def row(ray: Ray) -> Floats:
        a = sign * (_PLANE if ray.axes is None else ray.axes)[about]
        out: Floats = np.zeros(3)
        out[i], out[j] = -a[j], a[i]  # (a × d) of this axis is a_i·d_j − a_j·d_i
        return out

    return row


def _leaning(axis: int, name: str) -> Coefficient:
    row = _by_difference(axis, name)
    return lambda ray, _: np.asarray(ray.d @ row(ray))


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
        bends={constant: _by_difference(axis, constant) for constant in SESSION},
    )


KINDS = (_component(0, "east", "east"), _component(1, "north", "north"), _component(2, "up", "up"))

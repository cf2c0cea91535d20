"""What a kind of observation is: a value and a gradient in terms of the vector d, and what else it leans on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from ...ground.table import Floats
from ..frames import Line, Ray

End = Literal["start", "at", "end"]
Coefficient = Callable[[Ray, Floats], Floats]


@dataclass(frozen=True)
class Kind:
    """One kind of observation.

    value(ray) (n,) m or rad and gradient(ray) (n, 3) = ∂value/∂d, per m. `leans_on` names further unknowns
    (orientation, refraction, zero, scale, collimation, index) with their coefficients, from the ray and the
    face balance. `plan` and `height` say which components of its ends it reaches. `legs` are the vectors it is a sum of,
    `line` what the frame takes as the vector d of a leg.
    """

    name: str
    says: str  # the name in results: levels and horizontals are both "horizontal"
    label: str
    quantity: Literal["angle", "length"]
    between: Literal["setups", "marks", "either"]
    reading: str  # the column of Sights it is read from, or "value"
    value: Callable[[Ray], Floats]
    gradient: Callable[[Ray], Floats]
    plan: bool
    height: bool
    line: Line
    leans_on: Mapping[str, Coefficient] = field(default_factory=dict)
    # ∂coefficient/∂d (3,), where it is felt
    bends: Mapping[str, Callable[[Ray], Floats]] = field(default_factory=dict)
    turns: float = 0.0  # what an arc θ between the plumb lines adds, per unit of refraction: ∂value / ∂(k·θ)
    legs: tuple[tuple[float, End, End], ...] = ((1.0, "start", "end"),)
    whole_circle: bool = False  # values live on [0, 2π)
    earth_only: bool = False  # a plane has no such thing


def azimuth_value(ray: Ray) -> Floats:
    """atan2(d_e, d_n), rad."""
    return np.arctan2(ray.d[:, 0], ray.d[:, 1])


def azimuth_gradient(ray: Ray) -> Floats:
    """(d_n, −d_e, 0) / (d_e² + d_n²)."""
    e, n = ray.d[:, 0], ray.d[:, 1]
    square = np.maximum(e * e + n * n, 1e-12)
    return np.stack([n / square, -e / square, np.zeros_like(e)], axis=1)

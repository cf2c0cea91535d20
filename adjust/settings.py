"""Every choice that is not a reading, checked where it is born. SI and radian."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from .earth.charts import Chart
    from .earth.gravity import Gravity

EARTH_RADIUS = 6_371_000.0  # m, mean radius; from memory, IUGG 1980 gives 6 371 008.8 m


@dataclass(frozen=True)
class Settings:
    """Choices of one adjustment.

    Raises ValueError where a value lies outside its range.
    """

    refraction: float = 0.13  # arc ratio k: ray radius is R/k
    refraction_sigma: float = 0.0  # 0: held, otherwise a weighted unknown
    scale_factor: float = 1.0  # grid length / ground length
    reference_height: float | None = None  # m; None: mean height of the control marks, else 0
    radius: float = EARTH_RADIUS  # of the plane frame
    frame: Literal["plane", "earth"] = "plane"
    chart: Chart | None = None  # the grid of the coordinates; the earth frame needs it
    heights: Literal["ellipsoidal", "orthometric"] = (
        "ellipsoidal"  # what heights are over, in the earth frame
    )
    gravity: Gravity | None = None  # undulation and deflections; a mark's own override it
    correlation: Literal["shared", "independent"] = "shared"
    confidence: float = 0.95  # error ellipses and global test
    alpha: float = 0.001  # false alarm rate of the test of one observation
    power: float = 0.80  # power at the minimal detectable bias
    unchecked_ratio: float = 20.0  # a mark is unchecked if an undetectable blunder may move it by more sigmas
    datum_marks: tuple[str, ...] = ()  # inner constraints over these marks; empty: over all
    pairs: tuple[tuple[str, str], ...] = ()  # relative precision wanted besides the sighted pairs
    max_iterations: int = 20

    def __post_init__(self) -> None:
        checks: tuple[tuple[str, float, float, float], ...] = (
            ("refraction", self.refraction, -20.0, 20.0),
            ("refraction_sigma", self.refraction_sigma, 0.0, 20.0),
            ("scale_factor", self.scale_factor, 0.9, 1.1),
            ("radius", self.radius, 6.0e6, 6.8e6),
            ("confidence", self.confidence, 0.5, 0.999999),
            ("alpha", self.alpha, 1e-9, 0.2),
            ("power", self.power, 0.5, 0.999999),
            ("unchecked_ratio", self.unchecked_ratio, 1.0, 1e6),
        )
        for name, value, low, high in checks:
            if not (math.isfinite(value) and low <= value <= high):
                raise ValueError(f"{name} must lie between {low:g} and {high:g}, found {value!r}")
        if self.correlation not in ("shared", "independent"):
            raise ValueError(f'correlation must be "shared" or "independent", found {self.correlation!r}')
        if self.frame not in ("plane", "earth"):
            raise ValueError(f'frame must be "plane" or "earth", found {self.frame!r}')
        if self.frame == "earth" and self.chart is None:
            raise ValueError("the earth frame needs a chart")
        if self.frame == "earth" and self.scale_factor != 1.0:
            raise ValueError("scale_factor must be 1 in the earth frame, which has its scale from the chart")
        if self.heights not in ("ellipsoidal", "orthometric"):
            raise ValueError(f'heights must be "ellipsoidal" or "orthometric", found {self.heights!r}')
        if self.reference_height is not None and not math.isfinite(self.reference_height):
            raise ValueError(f"reference_height must be a length, found {self.reference_height!r}")

"""Equations whose weights come to rest, so that an iteration can end."""

from __future__ import annotations

import numpy as np

from ..estimate.rows import Rows
from ..ground.table import Floats
from .equations import Equations

NEAR = 1e-4  # m: a step at which weights begin to stay


class Settling:
    """`evaluate` for an iteration. Under the independent rule weights hang on the geometry: they follow the coordinates until
    two steps of at most 0.1 mm, then stay. Else each step would solve another problem than the last, and where weights
    change fast the steps never end."""

    def __init__(self, equations: Equations) -> None:
        self._equations = equations
        self._weighed_at: Floats | None = None
        self._near = 0  # steps so short so far
        marks = equations.unknowns.marks
        self._marks = marks[marks >= 0]

    def __call__(self, x: Floats) -> list[Rows]:
        if self._equations.settings.correlation != "independent":
            return self._equations.evaluate(x)
        at = self._weighed_at
        far = at is None or np.abs(x - at)[self._marks].max(initial=0.0) > NEAR
        self._near = 0 if far else self._near + 1
        if self._near <= 2:
            self._weighed_at = x.copy()
            return self._equations.evaluate(x)
        return self._equations.evaluate(x, at)

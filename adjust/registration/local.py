"""Site coordinates as a scanner has them: straight and at ground scale, about the middle of the targets.

A cloud is rigid; a grid is not. Grid distances may be some hundred millionths shorter than those on the ground, and heights
follow the curved earth: over 45 m that is 18 mm at 400 ppm, over 400 m 3 mm by curvature. So targets, corners and marks are
put into the horizon of one origin first, by the frame of the network itself: what a total station there would see.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..ground.table import Floats
from ..model.frames import Ends, Frame
from ..results import Adjustment
from .targets import Targets


@dataclass(frozen=True)
class Local:
    """Straight axes through an origin (3,) m given in site coordinates; there they agree with the site's."""

    frame: Frame
    origin: Floats
    field: Floats | None = (
        None  # in the earth frame: undulation (m) and deflections (rad) away from marks, NaN: as its grids say
    )

    def of(self, points: Floats) -> Floats:
        """Site coordinates (n, 3) m in straight ones: origin + what a sight from there would see."""
        return self._rays(points)[0]

    def targets(self, targets: Targets) -> Targets:
        """Targets with centres, marks and covariance in straight coordinates."""
        centre, turn = self._rays(targets.centre)
        n = len(targets)
        C = targets.covariance.reshape(n, 3, n, 3)
        straight = np.einsum("iab,ibjc,jdc->iajd", turn, C, turn).reshape(3 * n, 3 * n)
        return replace(
            targets, centre=centre, mark_point=self._rays(targets.mark_point)[0], covariance=straight
        )

    @property
    def factor(self) -> float:
        """Grid length / ground length at the origin."""
        step = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]) * 10.0
        seen = self.of(self.origin + step) - self.origin
        return float(20.0 / (np.linalg.norm(seen[0]) + np.linalg.norm(seen[1])))

    def _rays(self, points: Floats) -> tuple[Floats, Floats]:
        if not len(points):
            return points.reshape(-1, 3), np.zeros((0, 3, 3))
        both = np.vstack([self.origin, points])
        none = np.zeros((len(points), 3))
        start = Ends(np.zeros(len(points), dtype=np.int64), np.repeat(both[:1], len(points), axis=0), none)
        end = Ends(np.arange(1, len(both)), points.copy(), none)
        frame = self.frame if self.field is None else _for_points(self.frame, self.field, len(both))
        ray = frame.ray("sight", start, end, frame.places(both))
        return np.asarray(self.origin + ray.d), ray.to_end


def local_at(adjustment: Adjustment, origin: Floats) -> Local:
    """The straight frame at an origin (3,) m. Raises ValueError for an adjustment that came without its solution."""
    solved = adjustment.solved
    if solved is None:
        raise ValueError("this adjustment carries no solution and with it no frame")
    frame = solved.equations.frame
    from ..model.earth import Earth

    field = None
    if isinstance(frame, Earth):
        own = frame.own[np.isfinite(frame.own[:, 0])]
        mean = np.nan_to_num(np.nanmean(own, axis=0)) if len(own) and frame.gravity is None else None
        field = np.full(3, np.nan) if mean is None else mean
    return Local(frame, np.asarray(origin, dtype=float), field)


def _for_points(frame: Frame, field: Floats, n: int) -> Frame:
    """The earth frame for n points that are no marks: in the gravity field, or with the mean of what single marks have of it."""
    from ..model.earth import Earth

    assert isinstance(frame, Earth)
    names = np.full(n, "a point of the site", dtype=object)
    return Earth(
        frame.chart, frame.gravity, frame.orthometric, frame.reference_height, np.tile(field, (n, 1)), names
    )

"""Two device centres to what lies between them: the only place where the shape of the earth is known.

A kind of observation sees the vector d of a *line*. What that is, the frame says:

    sight        between device centres, in the horizon of the start, grid north
    ground       the same between marks: angles
    level        between marks, horizontal, at the level of the ground
    grid         between marks, on the grid
    rise         between marks, upwards
    difference   coordinate differences, as vectors have them
    astronomic, geodetic, ellipsoid   see `earth`, the only frame that knows them

Plane frame: a sphere of radius R unrolled at the reference height h0. With A, B the centres,
D = hypot(ΔE, ΔN) / scale and θ = D / (R + h0):

    x = (R + h_B)·sin θ          horizontal part, in the horizon of A
    u = (h_B − h_A) − 2(R + h_B)·sin²(θ/2)
    level = θ·(R + h_A)          distance reduced to the level of A
    d = (x·ΔE/|Δ|, x·ΔN/|Δ|, u)

Between marks the frame is plain: (ΔE / scale, ΔN / scale, Δh), on the grid and for vectors (ΔE, ΔN, Δh).
Curvature: all textbooks, from memory; checked against an exact circle.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np

from ..ground.network import Network
from ..ground.table import Flags, Floats, Ints
from ..settings import Settings

Line = Literal[
    "sight", "ground", "level", "grid", "rise", "difference", "astronomic", "geodetic", "ellipsoid"
]


@dataclass(frozen=True)
class Ends:
    """One end of n lines.

    mark    (n,) rows of the marks
    centre  (n, 3) m: east, north, height of the device, or of the mark itself
    offset  (n, 3) m: of the device from its mark, part of the centre already
    """

    mark: Ints
    centre: Floats
    offset: Floats


@dataclass(frozen=True)
class Ray:
    """n lines from a start to an end.

    d      (n, 3) m: east, north, up at the start
    theta  (n,) rad: the arc between the plumb lines
    level  (n,) m: horizontal distance at the level of the start
    to_start, to_end  (n, 3, 3): ∂d / ∂(east, north, height) of the start and of the end
    axes   (3, 3): rows along east, north and up of the site in the axes of d; None where these are the axes of d
    """

    d: Floats
    theta: Floats
    level: Floats
    to_start: Floats
    to_end: Floats
    axes: Floats | None = None

    def arc(self) -> tuple[Floats, Floats]:
        """∂θ/∂d (n, 3), and ∂θ/∂(height of the start) (n,) where d is kept: θ = atan2(x, r + u), r the start's radius."""
        x = np.hypot(self.d[:, 0], self.d[:, 1])
        safe = np.where(self.theta > 0.0, self.theta, 1.0)
        radius = np.hypot(x, np.where(self.theta > 0.0, self.level / safe, np.inf) + self.d[:, 2])
        sin = np.sin(self.theta) / radius
        slope = np.empty((len(x), 3))
        slope[:, :2] = (np.cos(self.theta) / radius / np.where(x > 0.0, x, 1.0))[:, None] * self.d[:, :2]
        slope[:, 2] = -sin
        return slope, -sin

    def take(self, rows: Ints, derivatives: bool = True) -> Ray:
        """Some of the lines, or one of them several times; without derivatives where nobody asks for them."""
        to_start, to_end = self.to_start, self.to_end
        if derivatives:
            to_start, to_end = to_start[rows], to_end[rows]
        return Ray(self.d[rows], self.theta[rows], self.level[rows], to_start, to_end, self.axes)


class Places:
    """What a frame keeps of the marks at one point of the iteration; the plane keeps nothing."""


class Frame(Protocol):
    """A frame. reference_height (m): where marks of unknown height are taken to lie."""

    @property
    def reference_height(self) -> float: ...

    def places(self, coordinates: Floats) -> Places:
        """What all lines from the marks share, at coordinates (n_marks, 3) m, NaN where unknown."""

    def check(self, coordinates: Floats, levelled: Flags) -> None:
        """Raises Undetermined where the frame lacks something that marks (n_marks, 3) need; levelled (n_marks,)."""

    def ray(self, line: Line, start: Ends, end: Ends, places: Places) -> Ray:
        """What lies between the ends of n lines."""

    def grid_over_ground(self, coordinates: Floats) -> float:
        """Grid length / ground length in the middle of marks (n, 3) m."""

    def grid_scales(self, coordinates: Floats) -> Floats:
        """Grid length / length at the level of each mark, (n,)."""


@dataclass(frozen=True)
class Plane:
    """The plane frame. scale: grid length / ground length; radius and reference height in m."""

    radius: float
    reference_height: float
    scale: float

    def check(self, coordinates: Floats, levelled: Flags) -> None:
        """A plane needs nothing."""

    def places(self, coordinates: Floats) -> Places:
        """Nothing: every line of the plane is told by its ends alone."""
        return Places()

    def ray(self, line: Line, start: Ends, end: Ends, places: Places) -> Ray:
        """What lies between the ends of n lines."""
        if line == "sight":
            return self.between_setups(start.centre, end.centre)
        if line in ("astronomic", "geodetic", "ellipsoid"):
            raise ValueError(f"a plane has no {line} lines")
        return self._plain(start.centre, end.centre, 1.0 / self.scale if line in ("ground", "level") else 1.0)

    def between_setups(self, start: Floats, end: Floats) -> Ray:
        """Rays from device centres start (n, 3) to end (n, 3): east, north, height in m."""
        delta = end[:, :2] - start[:, :2]
        grid = np.hypot(delta[:, 0], delta[:, 1])
        safe = np.where(grid > 0.0, grid, 1.0)
        unit = delta / safe[:, None]
        rate = 1.0 / (self.scale * (self.radius + self.reference_height))  # dθ / d(grid length)
        theta = grid * rate
        r_end = self.radius + end[:, 2]
        sin, cos = np.sin(theta), np.cos(theta)
        x = r_end * sin
        d = np.empty((len(delta), 3))
        d[:, :2] = x[:, None] * unit
        d[:, 2] = (end[:, 2] - start[:, 2]) - 2.0 * r_end * np.sin(0.5 * theta) ** 2
        to_end = np.zeros((len(delta), 3, 3))
        across = x / safe
        along = r_end * cos * rate
        outer = unit[:, :, None] * unit[:, None, :]
        to_end[:, :2, :2] = across[:, None, None] * (np.eye(2) - outer) + along[:, None, None] * outer
        to_end[:, :2, 2] = sin[:, None] * unit
        to_end[:, 2, :2] = -(r_end * sin * rate)[:, None] * unit
        to_end[:, 2, 2] = cos
        to_start = -to_end
        to_start[:, :2, 2] = 0.0
        to_start[:, 2, 2] = -1.0
        return Ray(d, theta, theta * (self.radius + start[:, 2]), to_start, to_end)

    def grid_over_ground(self, coordinates: Floats) -> float:
        """Grid length / ground length: the scale factor."""
        return self.scale

    def grid_scales(self, coordinates: Floats) -> Floats:
        """scale·(R + h0)/(R + h), (n,); of a mark of unknown height the scale factor."""
        above = np.nan_to_num(coordinates[:, 2] - self.reference_height)
        level = self.radius + self.reference_height
        return np.asarray(self.scale * level / (level + above))

    def _plain(self, start: Floats, end: Floats, factor: float) -> Ray:
        d = np.asarray(end - start, dtype=float)
        d[:, :2] *= factor
        to_end = np.zeros((len(d), 3, 3))
        to_end[:, 0, 0] = to_end[:, 1, 1] = factor
        to_end[:, 2, 2] = 1.0
        level = np.hypot(d[:, 0], d[:, 1])
        return Ray(d, np.zeros(len(d)), level, -to_end, to_end)


def frame_of(network: Network, settings: Settings) -> Frame:
    """The frame that the settings ask for."""
    if settings.frame == "earth":
        from .earth import Earth, site_horizon

        marks = network.marks
        own = np.column_stack([marks.undulation, marks.deflection_north, marks.deflection_east])
        assert settings.chart is not None
        return Earth(
            settings.chart,
            settings.gravity,
            settings.heights == "orthometric",
            reference_height(network, settings),
            own,
            marks.mark,
            site_horizon(settings.chart, marks) if len(network.sessions) else None,
        )
    return Plane(settings.radius, reference_height(network, settings), settings.scale_factor)


def reference_height(network: Network, settings: Settings) -> float:
    """The height at which the plane is unrolled, and marks of unknown height are taken to lie: as set, else the mean
    of the control heights, else 0.
    """
    if settings.reference_height is not None:
        return settings.reference_height
    marks = network.marks
    control = marks.height[np.isfinite(marks.sigma_height) & ~np.isnan(marks.height)]
    return float(control.mean()) if len(control) else 0.0

"""The gravity field where a survey is: undulation of the geoid, and deflections of the vertical.

N: height of the geoid over the ellipsoid (m), h = H + N. ξ, η: how far the zenith leans north and east of the ellipsoid's
normal (rad), Φ = φ + ξ, Λ = λ + η sec φ. All come from the user; nothing here knows the earth's field.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from .ellipsoid import Floats


class Gravity(Protocol):
    """Undulation and deflections at a latitude and longitude (rad): (n, 3) N, ξ, η; NaN where nothing is known."""

    def at(self, latitude: Floats, longitude: Floats) -> Floats: ...


@dataclass(frozen=True)
class Uniform:
    """One value for the whole site; NaN where it is not given."""

    undulation: float = np.nan
    deflection_north: float = np.nan
    deflection_east: float = np.nan

    def at(self, latitude: Floats, longitude: Floats) -> Floats:
        """The same everywhere."""
        row = np.array([self.undulation, self.deflection_north, self.deflection_east])
        return np.broadcast_to(row, (len(latitude), 3))


@dataclass(frozen=True)
class Layered:
    """Several sources: each value comes from the first that knows it."""

    parts: tuple[Gravity, ...]

    def at(self, latitude: Floats, longitude: Floats) -> Floats:
        """Undulation and deflections, each from the first part that is not NaN there."""
        out = np.full((len(latitude), 3), np.nan)
        for part in self.parts:
            out = np.where(np.isnan(out), part.at(latitude, longitude), out)
        return out


@dataclass(frozen=True, eq=False)
class Lattice:
    """Values at the nodes of a regular lattice in latitude and longitude, linear between them; NaN outside.

    south, west, step_latitude, step_longitude (rad); values (rows from south, columns from west, 3).
    """

    south: float
    west: float
    step_latitude: float
    step_longitude: float
    values: Floats

    def at(self, latitude: Floats, longitude: Floats) -> Floats:
        """Bilinear."""
        rows, columns, _ = self.values.shape
        r = (np.asarray(latitude) - self.south) / self.step_latitude
        turned = np.mod(np.asarray(longitude) - self.west + np.pi, 2.0 * np.pi) - np.pi
        c = turned / self.step_longitude
        tiny = 1e-9  # of a step: a mark on the rim is inside
        inside = (r >= -tiny) & (r <= rows - 1 + tiny) & (c >= -tiny) & (c <= columns - 1 + tiny)
        i = np.clip(np.nan_to_num(np.floor(r)).astype(np.int64), 0, max(rows - 2, 0))
        j = np.clip(np.nan_to_num(np.floor(c)).astype(np.int64), 0, max(columns - 2, 0))
        i1, j1 = np.minimum(i + 1, rows - 1), np.minimum(j + 1, columns - 1)
        y, x = (r - i)[:, None], (c - j)[:, None]
        v = self.values
        low = (1.0 - x) * v[i, j] + x * v[i, j1]
        high = (1.0 - x) * v[i1, j] + x * v[i1, j1]
        return np.where(inside[:, None], (1.0 - y) * low + y * high, np.nan)

"""An ellipsoid of revolution: geodetic to geocentric and back, radii of curvature, geodesics, horizons.

φ latitude, λ longitude (rad, east positive), h height over the ellipsoid (m); X, Y, Z geocentric (m).

    N = a / √(1 − e² sin²φ)                 M = a(1 − e²) / (1 − e² sin²φ)^{3/2}
    X = (N + h) cos φ cos λ,  Y = (N + h) cos φ sin λ,  Z = (N(1 − e²) + h) sin φ

Closed formulas: textbooks of geodesy, from memory. Geodesics: Vincenty, Direct and inverse solutions of geodesics on the
ellipsoid, Survey Review 23 (1975), from memory. Tests hold all of it to general-purpose libraries.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Ellipsoid:
    """Semi-major axis a (m) and flattening f; f = 0 is a sphere. Raises ValueError outside of what can be an earth."""

    a: float
    f: float

    def __post_init__(self) -> None:
        if not (1e6 < self.a < 1e8 and 0.0 <= self.f < 0.02):
            raise ValueError(f"no ellipsoid of the earth: a = {self.a!r}, f = {self.f!r}")

    @property
    def e2(self) -> float:
        """First eccentricity squared, f(2 − f)."""
        return self.f * (2.0 - self.f)

    def radii(self, latitude: Floats) -> tuple[Floats, Floats]:
        """Radii of curvature in the meridian M and in the prime vertical N, m."""
        w = 1.0 - self.e2 * np.sin(latitude) ** 2
        normal = self.a / np.sqrt(w)
        return normal * (1.0 - self.e2) / w, normal

    def radius_along(self, latitude: Floats, azimuth: Floats) -> Floats:
        """Radius of the normal section in an azimuth, m (Euler): 1/R = cos²α/M + sin²α/N."""
        meridian, normal = self.radii(latitude)
        return np.asarray(1.0 / (np.cos(azimuth) ** 2 / meridian + np.sin(azimuth) ** 2 / normal))

    def geocentric(self, latitude: Floats, longitude: Floats, height: Floats) -> Floats:
        """X, Y, Z (n, 3) m."""
        normal = self.radii(latitude)[1]
        across = (normal + height) * np.cos(latitude)
        return np.stack(
            [
                across * np.cos(longitude),
                across * np.sin(longitude),
                (normal * (1.0 - self.e2) + height) * np.sin(latitude),
            ],
            axis=-1,
        )

    def geodetic(self, xyz: Floats) -> tuple[Floats, Floats, Floats]:
        """Latitude, longitude (rad) and height (m) of geocentric points (n, 3) that lie near the surface.

        Bowring's start and Newton's steps on the reduced latitude; from memory. Good to 1e-9 m from −10 to 10 000 km.
        """
        x, y, z = np.moveaxis(np.asarray(xyz, dtype=float), -1, 0)
        p = np.hypot(x, y)
        b = self.a * (1.0 - self.f)
        c = self.e2 * self.a
        beta = np.arctan2(z * self.a, p * b)
        for _ in range(3):  # converges in two from anywhere near the surface
            latitude = np.arctan2(z + c / (1.0 - self.f) * np.sin(beta) ** 3, p - c * np.cos(beta) ** 3)
            beta = np.arctan2((1.0 - self.f) * np.sin(latitude), np.cos(latitude))
        sin, cos = np.sin(latitude), np.cos(latitude)
        height = p * cos + z * sin - self.a * np.sqrt(1.0 - self.e2 * sin**2)
        return latitude, np.arctan2(y, x), np.asarray(height)

    def geodesic(
        self, latitude1: Floats, longitude1: Floats, latitude2: Floats, longitude2: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Length (m) of the geodesic between two points on the ellipsoid, and its azimuths there (rad, 0 … 2π).

        Both azimuths point forward, from the first to the second. Vincenty's inverse formula; meant for the lines of
        a survey, not for points half round the earth apart. A line of no length has azimuth 0.
        """
        f, b = self.f, self.a * (1.0 - self.f)
        u1, u2 = np.arctan((1.0 - f) * np.tan(latitude1)), np.arctan((1.0 - f) * np.tan(latitude2))
        s1, c1, s2, c2 = np.sin(u1), np.cos(u1), np.sin(u2), np.cos(u2)
        apart = np.mod(longitude2 - longitude1 + np.pi, 2.0 * np.pi) - np.pi
        lam = apart.copy()
        for _ in range(12):  # pragma: no branch - only lines half round the earth need more
            sl, cl = np.sin(lam), np.cos(lam)
            # c1·s2 − s1·c2·cos λ, written without the difference of two large numbers
            north = np.sin(u2 - u1) + 2.0 * s1 * c2 * np.sin(0.5 * lam) ** 2
            sin_sigma = np.hypot(c2 * sl, north)
            cos_sigma = s1 * s2 + c1 * c2 * cl
            sigma = np.arctan2(sin_sigma, cos_sigma)
            with np.errstate(divide="ignore", invalid="ignore"):
                sin_alpha = np.where(sin_sigma > 0.0, c1 * c2 * sl / sin_sigma, 0.0)
                cos2_alpha = 1.0 - sin_alpha**2
                middle = np.where(cos2_alpha > 1e-15, cos_sigma - 2.0 * s1 * s2 / cos2_alpha, 0.0)
            k = f / 16.0 * cos2_alpha * (4.0 + f * (4.0 - 3.0 * cos2_alpha))
            bent = middle + k * cos_sigma * (2.0 * middle**2 - 1.0)
            new = apart + (1.0 - k) * f * sin_alpha * (sigma + k * sin_sigma * bent)
            moved = float(np.max(np.abs(new - lam), initial=0.0))
            lam = new
            if moved < 1e-15:
                break
        u = cos2_alpha * (self.a**2 - b**2) / b**2
        big = 1.0 + u / 16384.0 * (4096.0 + u * (-768.0 + u * (320.0 - 175.0 * u)))
        small = u / 1024.0 * (256.0 + u * (-128.0 + u * (74.0 - 47.0 * u)))
        inner = cos_sigma * (2.0 * middle**2 - 1.0) - small / 6.0 * middle * (4.0 * sin_sigma**2 - 3.0) * (
            4.0 * middle**2 - 3.0
        )
        length = b * big * (sigma - small * sin_sigma * (middle + small / 4.0 * inner))
        sl = np.sin(lam)
        turn = 2.0 * np.pi
        north = np.sin(u2 - u1) + 2.0 * s1 * c2 * np.sin(0.5 * lam) ** 2
        north2 = np.sin(u2 - u1) - 2.0 * c1 * s2 * np.sin(0.5 * lam) ** 2
        first = np.mod(np.arctan2(c2 * sl, north), turn)
        return np.asarray(length), first, np.mod(np.arctan2(c1 * sl, north2), turn)


def horizons(latitude: Floats, longitude: Floats) -> Floats:
    """Rows east, north, up (n, 3, 3) of the horizon whose vertical points to latitude and longitude.

    Geodetic φ, λ give the ellipsoid's normal; astronomic Φ = φ + ξ, Λ = λ + η sec φ give the plumb line.
    """
    sp, cp, sl, cl = np.sin(latitude), np.cos(latitude), np.sin(longitude), np.cos(longitude)
    out = np.zeros((*np.shape(latitude), 3, 3))
    out[..., 0, 0], out[..., 0, 1] = -sl, cl
    out[..., 1, 0], out[..., 1, 1], out[..., 1, 2] = -sp * cl, -sp * sl, cp
    out[..., 2, 0], out[..., 2, 1], out[..., 2, 2] = cp * cl, cp * sl, sp
    return out


GRS80 = Ellipsoid(6_378_137.0, 1.0 / 298.257222101)
"""Moritz, Geodetic Reference System 1980; from memory."""
WGS84 = Ellipsoid(6_378_137.0, 1.0 / 298.257223563)
"""World Geodetic System 1984; from memory."""

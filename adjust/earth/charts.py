"""Charts: plane coordinates of points on an ellipsoid. A job's grid is one; what a grid is comes from outside.

`TransverseMercator` is our own, for engines without a grid: Krüger's series in the third flattening to its sixth power.
Coefficients: Karney, Transverse Mercator with an accuracy of a few nanometers, J. Geodesy 85 (2011), eqs. 35 and 36, from
memory; tests hold them to a general-purpose library.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from .ellipsoid import Ellipsoid, Floats


class Chart(Protocol):
    """East and north (m) to latitude and longitude (rad) on an ellipsoid, and back; NaN where a point has no place."""

    @property
    def name(self) -> str:
        """What people call it: EPSG:25832."""

    @property
    def ellipsoid(self) -> Ellipsoid: ...

    def geodetic(self, east: Floats, north: Floats) -> tuple[Floats, Floats]:
        """Latitude and longitude, rad."""

    def grid(self, latitude: Floats, longitude: Floats) -> tuple[Floats, Floats]:
        """East and north, m."""


@dataclass(frozen=True)
class Factors:
    """What a chart does to the surroundings of n points.

    ground (n, 2, 2): metres east and north on the ellipsoid for a metre of grid east and of grid north, ∂(e, n)/∂(E, N);
    scale (n,): grid length / length on the ellipsoid; convergence (n,) rad: azimuth of grid north, clockwise from true
    north, so geodetic azimuth = grid bearing of the projected line + convergence.
    """

    ground: Floats
    scale: Floats
    convergence: Floats


STEP = 50.0  # m: half of the base over which a chart is differentiated; its error is below 1e-9 of the scale


def factors(chart: Chart, east: Floats, north: Floats, latitude: Floats) -> Factors:
    """Scale, convergence and derivative of any chart at points of it, by central differences."""
    n = len(east)
    offset = np.array([[STEP, 0.0], [-STEP, 0.0], [0.0, STEP], [0.0, -STEP]])
    around = chart.geodetic((east + offset[:, :1]).reshape(-1), (north + offset[:, 1:]).reshape(-1))
    lat, lon = (a.reshape(4, n) for a in around)
    meridian, normal = chart.ellipsoid.radii(latitude)
    ground = np.empty((n, 2, 2))
    for k in range(2):
        turned = np.mod(lon[2 * k] - lon[2 * k + 1] + np.pi, 2.0 * np.pi) - np.pi
        ground[:, 0, k] = turned * normal * np.cos(latitude) / (2.0 * STEP)
        ground[:, 1, k] = (lat[2 * k] - lat[2 * k + 1]) * meridian / (2.0 * STEP)
    area = ground[:, 0, 0] * ground[:, 1, 1] - ground[:, 0, 1] * ground[:, 1, 0]
    with np.errstate(divide="ignore", invalid="ignore"):  # where a chart knows nothing
        scale = 1.0 / np.sqrt(np.abs(area))
    return Factors(ground, scale, np.arctan2(ground[:, 0, 1], ground[:, 1, 1]))


@dataclass(frozen=True)
class TransverseMercator:
    """Transverse Mercator on an ellipsoid: origin (rad), scale at the central meridian, false east and north (m).

    Points beyond a pole, or more than 6400 km from the central meridian, have no place: NaN.
    """

    ellipsoid: Ellipsoid
    latitude: float
    longitude: float
    scale: float = 1.0
    east: float = 0.0
    north: float = 0.0
    name: str = "transverse Mercator"

    def grid(self, latitude: Floats, longitude: Floats) -> tuple[Floats, Floats]:
        """East and north, m."""
        xi, eta = self._forward(np.asarray(latitude), np.asarray(longitude) - self.longitude)
        origin = float(self._forward(np.array([self.latitude]), np.zeros(1))[0][0])
        size = self.scale * self._rectifying()
        return self.east + size * eta, self.north + size * (xi - origin)

    def geodetic(self, east: Floats, north: Floats) -> tuple[Floats, Floats]:
        """Latitude and longitude, rad."""
        size = self.scale * self._rectifying()
        origin = float(self._forward(np.array([self.latitude]), np.zeros(1))[0][0])
        xi, eta = (north - self.north) / size + origin, (east - self.east) / size
        nowhere = (np.abs(xi) > 0.5 * np.pi) | (np.abs(eta) > 1.0)
        xi, eta = np.where(nowhere, np.nan, xi), np.where(nowhere, np.nan, eta)
        zeta = xi + 1j * eta
        for k, beta in enumerate(self._series()[1], start=1):
            zeta = zeta - beta * np.sin(2 * k * (xi + 1j * eta))
        sinh, cos = np.sinh(zeta.imag), np.cos(zeta.real)
        conformal = np.sin(zeta.real) / np.hypot(sinh, cos)  # tangent of the conformal latitude
        return self._latitude(conformal), self.longitude + np.arctan2(sinh, cos)

    def _forward(self, latitude: Floats, apart: Floats) -> tuple[Floats, Floats]:
        e = np.sqrt(self.ellipsoid.e2)
        tau = np.tan(latitude)
        shift = np.sinh(e * np.arctanh(e * np.sin(latitude)))
        conformal = tau * np.hypot(1.0, shift) - shift * np.hypot(1.0, tau)
        xi = np.arctan2(conformal, np.cos(apart))
        eta = np.arcsinh(np.sin(apart) / np.hypot(conformal, np.cos(apart)))
        zeta = xi + 1j * eta
        bent = zeta.copy()
        for k, alpha in enumerate(self._series()[0], start=1):
            bent = bent + alpha * np.sin(2 * k * zeta)
        return bent.real, bent.imag

    def _latitude(self, conformal: Floats) -> Floats:
        """Latitude of a conformal latitude given by its tangent: Newton on the tangent."""
        e2 = self.ellipsoid.e2
        e = np.sqrt(e2)
        tau = conformal / (1.0 - e2)
        for _ in range(5):
            sin = tau / np.hypot(1.0, tau)
            shift = np.sinh(e * np.arctanh(e * sin))
            there = tau * np.hypot(1.0, shift) - shift * np.hypot(1.0, tau)
            slope = (1.0 - e2) * np.hypot(1.0, tau) * np.hypot(1.0, there) / (1.0 + (1.0 - e2) * tau**2)
            tau = tau + (conformal - there) / slope
        return np.arctan(tau)

    def _rectifying(self) -> float:
        n = self.ellipsoid.f / (2.0 - self.ellipsoid.f)
        return self.ellipsoid.a / (1.0 + n) * (1.0 + n**2 / 4.0 + n**4 / 64.0 + n**6 / 256.0)

    def _series(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        n = self.ellipsoid.f / (2.0 - self.ellipsoid.f)
        alpha = (
            n / 2 - 2 * n**2 / 3 + 5 * n**3 / 16 + 41 * n**4 / 180 - 127 * n**5 / 288 + 7891 * n**6 / 37800,
            13 * n**2 / 48 - 3 * n**3 / 5 + 557 * n**4 / 1440 + 281 * n**5 / 630 - 1983433 * n**6 / 1935360,
            61 * n**3 / 240 - 103 * n**4 / 140 + 15061 * n**5 / 26880 + 167603 * n**6 / 181440,
            49561 * n**4 / 161280 - 179 * n**5 / 168 + 6601661 * n**6 / 7257600,
            34729 * n**5 / 80640 - 3418889 * n**6 / 1995840,
            212378941 * n**6 / 319334400,
        )
        beta = (
            n / 2 - 2 * n**2 / 3 + 37 * n**3 / 96 - n**4 / 360 - 81 * n**5 / 512 + 96199 * n**6 / 604800,
            n**2 / 48 + n**3 / 15 - 437 * n**4 / 1440 + 46 * n**5 / 105 - 1118711 * n**6 / 3870720,
            17 * n**3 / 480 - 37 * n**4 / 840 - 209 * n**5 / 4480 + 5569 * n**6 / 90720,
            4397 * n**4 / 161280 - 11 * n**5 / 504 - 830251 * n**6 / 7257600,
            4583 * n**5 / 161280 - 108847 * n**6 / 3991680,
            20648693 * n**6 / 638668800,
        )
        return alpha, beta

"""Azimuths and distances that somebody has reduced already, each with what it refers to.

    azimuth.astronomic    in the horizon of the plumb line: d on it, true north, so Laplace's correction is in the frame
    azimuth.geodetic      of the geodesic: deflections and the height of the target were taken out before
    horizontal.grid       hypot(ΔE, ΔN): scale and height were taken out before
    horizontal.ellipsoid  the geodesic: the height was taken out before

A bare azimuth is a bearing of the grid, a bare horizontal distance one on the ground.
"""

from __future__ import annotations

from dataclasses import replace

from . import azimuth, horizontal

KINDS = (
    replace(
        azimuth.KIND,
        name="azimuth.astronomic",
        label="astronomic azimuth",
        line="astronomic",
        earth_only=True,
    ),
    replace(
        azimuth.KIND, name="azimuth.geodetic", label="geodetic azimuth", line="ellipsoid", earth_only=True
    ),
    replace(horizontal.KIND, name="horizontal.grid", label="grid distance", line="grid"),
    replace(
        horizontal.KIND,
        name="horizontal.ellipsoid",
        label="distance on the ellipsoid",
        line="ellipsoid",
        earth_only=True,
    ),
)

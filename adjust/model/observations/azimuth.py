"""Azimuth between marks, clockwise from north: atan2(ΔE, ΔN)."""

from __future__ import annotations

from .kind import Kind, azimuth_gradient, azimuth_value

KIND = Kind(
    name="azimuth",
    says="azimuth",
    label="azimuth",
    quantity="angle",
    between="marks",
    reading="value",
    value=azimuth_value,
    gradient=azimuth_gradient,
    plan=True,
    height=False,
    line="grid",
    whole_circle=True,
)

"""Horizontal angle at a mark, clockwise from the backsight (start) to the foresight (end): azimuth less azimuth."""

from __future__ import annotations

from .kind import Kind, azimuth_gradient, azimuth_value

KIND = Kind(
    name="angle",
    says="angle",
    label="horizontal angle",
    quantity="angle",
    between="marks",
    reading="value",
    value=azimuth_value,
    gradient=azimuth_gradient,
    plan=True,
    height=False,
    line="ground",
    legs=((1.0, "at", "end"), (-1.0, "at", "start")),
    whole_circle=True,
)

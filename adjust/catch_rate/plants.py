"""The mistakes that are tried, with their sizes. Another one: a function in a file beside this one, and a line here.

Sizes in metres and radian are common practice, no source: what a careful and a careless hand miss by.
"""

from __future__ import annotations

from . import heights, places, readings
from .planted import Amount, Plant
from .readings import ARCSEC


def _lengths(*mm: float) -> tuple[Amount, ...]:
    return tuple(Amount(v * 1e-3, "length") for v in mm)


def _angles(*arcsec: float) -> tuple[Amount, ...]:
    return tuple(Amount(v * ARCSEC, "angle") for v in arcsec)


TWICE = (Amount(2.0, "least"),)

PLANTS: tuple[Plant, ...] = (
    Plant("height", heights.any_height, TWICE + _lengths(5, 20)),
    Plant("height: one notch", heights.notch),
    Plant("height: two digits", heights.digits_swapped),
    Plant("height: as before", heights.left_over),
    Plant("height: of another", heights.another_support),
    Plant("height: feet, metres", heights.feet),
    Plant("height: slant", heights.slant, _lengths(120, 180)),
    Plant("hi: as before", heights.not_updated),
    Plant("prism of one setup", readings.prism, _lengths(4.4, 17.5, 34.4)),
    Plant("prism of a device", readings.device, _lengths(4.4, 17.5, 34.4)),
    Plant("scale of distances", readings.scale, (Amount(50e-6, "ratio"), Amount(300e-6, "ratio"))),
    Plant("distance", readings.distance, TWICE + _lengths(20, 1000)),
    Plant("direction", readings.direction, TWICE + _angles(30, 3600)),
    Plant("zenith angle", readings.zenith, TWICE + _angles(30, 3600)),
    Plant("direction: digits", readings.direction_digits),
    Plant("wrong face noted", readings.face),
    Plant("circle turned", readings.turned, _angles(30, 120)),
    Plant("slow twist", readings.twisted, _angles(60, 180)),
    Plant("off its mark", places.off_mark, TWICE + _lengths(5, 20)),
    Plant("pole leans", places.leaning, (Amount(0.006, "angle"),)),
    Plant("on another mark", places.another_mark),
    Plant("station elsewhere", places.another_station),
    Plant("names swapped", places.names_swapped),
    Plant("one name, two points", places.two_points, _lengths(1500)),
    Plant("another target", readings.another_target),
    Plant("control moved", places.control_moved, _lengths(10, 50)),
    Plant("control: digits", places.control_digits),
    Plant("control: axes", places.control_axes),
    Plant("control height", places.control_height, _lengths(10, 50)),
    Plant("rise", readings.rise, TWICE + _lengths(5)),
    Plant("row between marks", readings.between, TWICE),
    Plant("vector", readings.vector, _lengths(20)),
)

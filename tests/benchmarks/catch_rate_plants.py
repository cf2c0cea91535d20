"""Mistakes to plant, by name: the list that the catch rate goes through."""

from __future__ import annotations

from tests.benchmarks import catch_rate_heights as heights
from tests.benchmarks import catch_rate_marks as marks
from tests.benchmarks import catch_rate_readings as readings
from tests.benchmarks.catch_rate_planting import Plant, Planted

__all__ = ["PLANTS", "Plant", "Planted"]

PLANTS: dict[str, Plant] = {
    "height, any amount": heights.any_height,
    "height, a notch": heights.notch,
    "height, digits swapped": heights.digits_of_height,
    "height left over": heights.left_over,
    "height, feet for metres": heights.feet,
    "height of another support": heights.pole_for_stand,
    "slant for vertical": heights.slant,
    "height of instrument not updated": heights.instrument_height,
    "prism of one setup": readings.prism,
    "prism of a device": readings.device,
    "scale of distances": readings.scale,
    "one distance": readings.distance,
    "one direction": readings.direction,
    "one zenith angle": readings.zenith,
    "direction, digits swapped": readings.digits_of_direction,
    "face wrongly noted": readings.face,
    "circle turned": readings.step,
    "slow twist": readings.ramp,
    "off its mark": marks.off_mark,
    "pole leans": marks.lean,
    "control moved": marks.control,
    "control, digits swapped": marks.control_digits,
    "control height": marks.control_height,
    "two names swapped": marks.swapped,
    "on another mark": marks.wrong_mark,
    "one name, two points": marks.two_points,
    "another target sighted": marks.wrong_target,
    "station on another mark": marks.station_elsewhere,
    "control, axes exchanged": marks.control_axes,
    "one rise": readings.rise,
}

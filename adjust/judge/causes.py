"""The list of causes: what can go wrong, each with a sentence whose slots `io` fills in the job's units.

Slots: {size} the size with its sigma, {value} what a discrete cause makes of it, {other} another name, {others} several,
{entered} what stands in the table, {right} what should stand there, {row} a row of sights, {way} a word such as "high".
`group` is the class of a cause; causes of one group that the geometry can't tell apart still send one to the same place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Unit = Literal["length", "angle", "ratio", "none"]


@dataclass(frozen=True)
class Cause:
    """One way to be wrong. `unit` is that of a finding's size; `shared`: one act, felt by several readings."""

    code: str
    group: str
    unit: Unit
    sentence: str
    short: str  # in a list of rivals


def _table(*causes: Cause) -> dict[str, Cause]:
    return {c.code: c for c in causes}


CAUSES: dict[str, Cause] = _table(
    # heights of setups; size: entered − true
    Cause("height_wrong", "height", "length", "the height {entered} looks {size} too {way}", "height wrong"),
    Cause("graduation_step", "height", "length",
          "the height {entered} looks {size} too {way}: {value} fits", "graduation steps"),
    Cause("height_digits_swapped", "height", "length",
          "the height {entered} looks {size} too {way}: two digits swapped, {right}, fits", "digits swapped"),
    Cause("height_left_over", "height", "length",
          "the height {entered} looks {size} too {way}: it is the height of {other}, perhaps left over", "height left over"),
    Cause("hi_not_updated", "height", "length",
          "the height of instrument {entered} looks {size} too {way}: it is that of {other}, perhaps not updated",
          "height of instrument not updated"),
    Cause("other_support_height", "height", "length",
          "the height {entered} looks {size} too {way}: {right}, a height of {other}, fits", "another support's height"),
    Cause("support_height_taken", "height", "length",
          "the height {entered} looks {size} too {way}: it is the height of {other}", "another support's height taken"),
    Cause("slant_as_vertical", "height", "length",
          "the height {entered} looks {size} too {way}: a slant height entered as vertical fits", "slant entered as vertical"),
    Cause("feet_as_metres", "height", "length",
          "the height {entered} looks {size} too {way}: feet entered for metres, {right}, fits", "feet for metres"),
    Cause("metres_as_feet", "height", "length",
          "the height {entered} looks {size} too {way}: metres entered for feet, {right}, fits", "metres for feet"),
    # distances; size: recorded − true
    Cause("distance_wrong", "reading", "length", "the distance looks {size} too {way}", "distance wrong"),
    Cause("distance_digits_swapped", "reading", "length",
          "the distance looks {size} too {way}: two digits swapped in row {row} fit", "digits swapped"),
    Cause("prism_constant", "prism", "length", "all distances to it look {size} too {way}: another prism constant",
          "prism constant"),
    Cause("other_prism", "prism", "length",
          "all distances to it look {size} too {way}: a prism constant {value} different fits", "another prism"),
    Cause("device_constant", "prism", "length", "all distances to this device look {size} too {way}: its prism constant",
          "prism constant of the device"),
    Cause("other_device", "prism", "length",
          "all distances to this device look {size} too {way}: a prism constant {value} different fits", "another prism"),
    Cause("distance_zero", "instrument", "length", "all its distances look {size} too {way}", "zero error of all distances"),
    Cause("distance_scale", "scale", "ratio", "all its distances look {size} too {way}: a scale or the atmosphere",
          "scale of all distances"),
    Cause("scale_twice", "scale", "ratio", "all its distances look {size} too {way}: the scale factor applied twice fits",
          "scale factor applied twice"),
    Cause("scale_missing", "scale", "ratio",
          "all its distances look {size} too {way}: a scale factor not applied, or to be removed, fits",
          "scale factor not applied"),
    # angles; size: read − true
    Cause("direction_wrong", "reading", "angle", "the direction looks {size} too {way}", "direction wrong"),
    Cause("direction_digits_swapped", "reading", "angle",
          "the direction looks {size} too {way}: two digits swapped in row {row} fit", "digits swapped"),
    Cause("zenith_wrong", "reading", "angle", "the zenith angle looks {size} too {way}", "zenith angle wrong"),
    Cause("zenith_digits_swapped", "reading", "angle",
          "the zenith angle looks {size} too {way}: two digits swapped in row {row} fit", "digits swapped"),
    Cause("wrong_face", "face", "none", "row {row} fits if it was read on the other face", "wrong face noted"),
    Cause("wrong_target", "mark", "none", "it fits if {other} was sighted instead", "another target sighted"),
    Cause("orientation_step", "orientation", "angle",
          "the circle turned by {size} before row {row}", "circle turned within the setup"),
    Cause("orientation_ramp", "orientation", "angle",
          "the circle twisted slowly by {size} in round {row}", "slow twist of the setup"),
    # centring; size: true − assumed position
    Cause("off_mark", "centring", "length", "the device looks {size} off its mark, towards {way}", "off its mark"),
    Cause("base_off_mark", "centring", "length", "the base looks {size} off its mark, towards {way}", "base off its mark"),
    Cause("pole_lean", "lean", "angle", "it looks {size} out of plumb, along the line of sight or across", "leans"),
    # marks
    Cause("wrong_mark", "mark", "none", "it fits if it stood on {other}", "stood on another mark"),
    Cause("names_swapped", "mark", "none", "it fits if it and {other} changed places", "names swapped"),
    Cause("other_point", "mark", "length", "it looks {size} away from its mark: one name on two points",
          "one name on two points"),
    Cause("same_point", "mark", "length", "it lies {size} from {other}: two names on one point", "two names on one point"),
    Cause("control_moved", "control", "length", "the control looks {size} from where it is given, towards {way}", "moved"),
    Cause("control_height", "control", "length", "the given height looks {size} too {way}", "height wrong or moved"),
    Cause("control_digits_swapped", "control", "length",
          "the given {other} {entered} looks {size} too {way}: two digits swapped, {right}, fit", "digits swapped"),
    Cause("control_axes_swapped", "control", "length", "east and north exchanged fit", "east and north exchanged"),
    # between marks
    Cause("reading_wrong", "reading", "length", "it looks {size} too {way}", "wrong"),
    Cause("angle_wrong", "reading", "angle", "it looks {size} too {way}", "wrong"),
    Cause("vector_wrong", "reading", "length", "it looks {size} off", "wrong"),
)  # fmt: skip

"""Kinds of observation, one file each. To add one: its file, its line here, and the column it is read from."""

from __future__ import annotations

from . import angle, azimuth, direction, distance, horizontal, level, referred, rise, vector, zenith
from .kind import Kind

KINDS: dict[str, Kind] = {
    k.name: k
    for k in (
        direction.KIND,
        zenith.KIND,
        distance.KIND,
        level.KIND,
        rise.KIND,
        horizontal.KIND,
        azimuth.KIND,
        angle.KIND,
        *referred.KINDS,
        *vector.KINDS,
    )
}
VECTOR = tuple(k.name for k in vector.KINDS)

__all__ = ["KINDS", "VECTOR", "Kind"]

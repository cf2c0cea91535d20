"""Devices as job.toml has them: the keys that differ from their defaults, as texts that read back as the same numbers."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from hubtack.io.readers.tomltext import toml

ARCSEC, MM, PPM = math.pi / 648_000, 1e-3, 1e-6


def written(kind: str, value: Any, digits: int = 12) -> str:
    """A value of a key as TOML."""
    if kind in ("length", "sigma of a length"):
        metres = abs(value) >= 0.1
        return toml(f"{_number(value, 1.0 if metres else MM, digits)} {'m' if metres else 'mm'}")
    if kind in ("angle", "angle of either sign"):
        return toml(f"{_number(value, ARCSEC, digits)} arcsec")
    if kind in ("ratio", "ratio of either sign"):
        return toml(f"{_number(value, PPM, digits)} ppm")
    if kind == "sigma of a distance":
        return toml(f"{_number(value[0], MM, digits)} mm + {_number(value[1], PPM, digits)} ppm")
    return toml(str(value))


def _number(value: float, unit: float, digits: int) -> str:
    return f"{value / unit:.{digits}g}"


def keys_of(spec: Any) -> dict[str, tuple[str, Any]]:
    """Key → kind and value, of what a device states."""
    return {
        f.name: (str(f.metadata["kind"]), getattr(spec, f.name))
        for f in dataclasses.fields(spec)
        if getattr(spec, f.name) is not None and getattr(spec, f.name) != f.default
    }


def header(section: str, name: str) -> str:
    """`[supports.pole]`, the name in quotation marks where TOML wants them."""
    bare = name and all(c.isascii() and (c.isalnum() or c in "-_") for c in name)
    return f"[{section}.{name if bare else toml(name)}]"

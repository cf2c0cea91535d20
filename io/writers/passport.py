"""An equipment passport: what several days say of a crew's devices, as TOML that later jobs include.

A stated sigma gives way to the one found only where the 95 % interval of what was found does not hold it; else it stays, with
what was found beside it. Constants that the days tell, alone or together with another, get their value and sigma, and the
correlations of all of them follow: so nothing is lost that the same days said of several of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.io.readers.tomltext import toml

from .atomic import Refused
from .devices import header, keys_of, written

if TYPE_CHECKING:
    from hubtack.adjust.checks.constants import Known
    from hubtack.adjust.checks.passports import Constant, Sigma
    from hubtack.io.job import Job

TOGETHER = (
    0.8  # correlation from which two constants that are not told alone are kept for what they say together
)
DIGITS = 5  # of sigmas: more than is known


def kept(known: Known) -> np.ndarray:
    """Which constants a passport holds: those stated in the jobs or told by the days, alone or with another."""
    R = np.abs(known.correlation) - np.eye(len(known.names))
    with_another = R.max(axis=1, initial=0.0) >= TOGETHER
    out: np.ndarray = known.told | with_another
    return out


def passport_text(
    jobs: Sequence[Job],
    sigmas: Sequence[Sigma],
    known: Known,
    faces: Sequence[Constant],
    flagged: Sequence[str],
) -> str:
    """The whole file."""
    names = [job.name for job in jobs]
    lines = [
        "# Equipment passport: what the readings of these jobs say of the devices they were made with.",
        *(f"#   {name}" for name in names),
        '# Include it in a later job:  [include]  files = ["../passport.toml"]',
        "# What a job.toml states itself goes before this file. Intervals hold at 95 %.",
    ]
    if flagged:
        lines.append(
            f"# FLAGGED, so these figures may hold a mistake; settle it first: {', '.join(flagged)}."
        )
    lines += ["", "format = 1"]
    constants = _constants(known, faces)
    for section in ("instruments", "supports", "targets"):
        for name in dict.fromkeys(n for job in jobs for n in job.devices.get(section, {})):
            stated, otherwise = _stated(jobs, section, name)
            lines += ["", header(section, name), *otherwise]
            lines += _device(section, name, stated, sigmas, constants.get((section, name), {}))
        for (s, name), found in constants.items():
            if s == section and name == "prism" and not any(name in j.devices[section] for j in jobs):
                lines += ["", header(section, name), *found.values()]  # exists without being stated
    return "\n".join([*lines, *_together(known), ""])


def _stated(jobs: Sequence[Job], section: str, name: str) -> tuple[dict[str, tuple[str, Any]], list[str]]:
    """What the jobs state of a device, the first that says it; and a comment on what others say otherwise."""
    stated: dict[str, tuple[str, Any]] = {}
    otherwise = []
    for job in jobs:
        spec = job.devices.get(section, {}).get(name)
        for key, (kind, value) in keys_of(spec).items() if spec is not None else ():
            if stated.setdefault(key, (kind, value))[1] != value:
                otherwise.append(f"# {key} = {written(kind, value)} in {job.name}")
    return stated, otherwise


def _device(
    section: str,
    name: str,
    stated: dict[str, tuple[str, Any]],
    sigmas: Sequence[Sigma],
    constants: dict[str, str],
) -> list[str]:
    """Lines of one device: as stated, with what was found."""
    found = {s.what: s for s in sigmas if s.group == section and s.name == name}
    lines: dict[str, str] = {}
    for key, (kind, value) in stated.items():
        if key not in constants:
            lines[key] = f"{key} = {written(kind, value)}"
    for what, s in found.items():
        key = {"height": "height_sigma", "centring": "centring_sigma"}.get(what, what)
        unit, scale = ("arcsec", 648_000 / math.pi) if what in ("direction", "zenith") else ("mm", 1e3)
        if s.verdict == "cannot tell":
            note = f"{what}: can't be told from {s.freedom:.1f} degrees of freedom"
            lines[key] = f"{lines[key]}  # {note}" if key in lines else f"# {note}"
            continue
        values = [f"{scale * v:.2f}" for v in (s.estimated, s.lower, s.upper, s.stated)]
        note = f"found {values[0]} ({values[1]} to {values[2]}) {unit}, stated {values[3]}: {s.verdict}"
        if s.verdict == "as stated":
            lines[key] = f"{lines[key]}  # {note}" if key in lines else f"# {what} {note}"
        elif what == "distance":
            ratio = s.estimated / s.stated
            lines[key] = (
                f"{key} = {written('sigma of a distance', tuple(ratio * v for v in stated[key][1]), 3)}  # {note}"
            )
        else:
            kind = "angle" if unit == "arcsec" else "sigma of a length"
            lines[key] = f"{key} = {written(kind, s.estimated, 3)}  # {note}"
    return [*lines.values(), *constants.values()]


def _constants(known: Known, faces: Sequence[Constant]) -> dict[tuple[str, str], dict[str, str]]:
    """Lines of constants, by device and key."""
    out: dict[tuple[str, str], dict[str, str]] = {}
    chosen = kept(known)
    for i, (section, name, key) in enumerate(known.names):
        own = out.setdefault((section, name), {})
        kind = {"length": "length", "angle": "angle of either sign"}.get(
            known.quantity[i], "ratio of either sign"
        )
        if not chosen[i]:
            own[f"{key} "] = f"# {key}: not told by these days"
            continue
        days = f"{known.days[i]} day{'s' * (known.days[i] != 1)}"
        note = known.verdict(i) if known.told[i] else "told with others only, see [[together]]"
        if note == "drifts":
            note = "DRIFTS: the days differ by more than their errors; check it, don't rely on this figure"
        grain = 10.0 ** (np.floor(np.log10(known.sigma[i])) - 4.0)  # a ten-thousandth of the sigma
        value = float(np.round(known.value[i] / grain) * grain)
        own[key] = f"{key} = {written(kind, value)}  # from {days}: {note}"
        own[f"{key}_sigma"] = f"{key}_sigma = {written(kind, known.sigma[i], DIGITS)}"
    for c in faces:
        own = out.setdefault(("instruments", c.name), {})
        if c.what in own:
            continue
        scale = 648_000 / math.pi
        words = f"{c.what}, from face pairs: {scale * c.mean:.1f} arcsec, sigma {scale * c.sigma:.1f}: {c.verdict}"
        own[f"{c.what} "] = f"# {words}"
    return out


def _together(known: Known) -> list[str]:
    """The block [[together]]."""
    at = np.flatnonzero(kept(known))
    if len(at) < 2:
        return []
    R = known.correlation[np.ix_(at, at)]
    names = [toml(f"{known.names[i][1]} {known.names[i][2]}") for i in at]
    rows = [f"  [{', '.join(f'{v:.8f}' for v in R[i, :i])}]," for i in range(1, len(at))]
    return [
        "",
        "[[together]]",
        "constants = [",
        *(f"  {n}," for n in names),
        "]",
        "correlation = [",
        *rows,
        "]",
    ]


def write_passport(text: str, path: Path) -> None:
    """Put the passport into a new file, whole or not at all. Raises Refused where one is there, or where none can be."""
    import os
    import tempfile

    if os.path.lexists(path):
        wanted = "Name a new file: people may have corrected the old one."
        raise Refused("RUN451", f"{path} is there already.", wanted)
    try:
        handle, name = tempfile.mkstemp(prefix=".passport-", suffix=".toml", dir=path.parent)
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, 0o644)
        os.rename(name, path)
    except OSError as error:
        found = f"{path} can't be written: {error.strerror or type(error).__name__}."
        raise Refused("RUN451", found, "Name a file in a folder that is there.") from None

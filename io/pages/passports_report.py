"""Passports in words, and as TOML to copy from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from hubtack.io.pages.words import Row, Section, Sign
from hubtack.io.writers.sheets import plain

if TYPE_CHECKING:
    from hubtack.adjust.checks.passports import Constant, Sigma
    from hubtack.io.units import Units

_KEYS = {("supports", "height"): "height_sigma", ("supports", "centring"): "centring_sigma"}


def passport_sections(
    sigmas: Sequence[Sigma], constants: Sequence[Constant], flagged: Sequence[str], units: Units
) -> tuple[Section, ...]:
    """Verdict, sigmas, constants."""
    return tuple(
        s
        for s in (_verdict(sigmas, constants, flagged), _sigmas(sigmas, units), _constants(constants, units))
        if s.rows
    )


def _verdict(sigmas: Sequence[Sigma], constants: Sequence[Constant], flagged: Sequence[str]) -> Section:
    worse = [f"{s.name} ({s.what})" for s in sigmas if s.verdict == "needs checking"]
    worse += [f"{c.name} ({c.what})" for c in constants if c.verdict == "drifts"]
    rows = [
        Row("flagged", (f"NEEDS CHECKING: {', '.join(worse)}.",))
        if worse
        else Row("ok", ("NOTHING needs checking by what these days tell.",))
    ]
    if flagged:
        words = (
            f"Flagged by itself, so its sigmas may hold a mistake: {', '.join(flagged)}. Settle that first."
        )
        rows.append(Row("watch", (words,)))
    untold = sum(s.verdict == "cannot tell" for s in sigmas)
    if untold:
        rows.append(Row("", (f"{untold} sigmas can't be told yet: fewer than five degrees of freedom.",)))
    return Section("verdict", "Verdict", tuple(rows))


def _sigmas(sigmas: Sequence[Sigma], units: Units) -> Section:
    rows = []
    for s in sigmas:
        sign: Sign = {"needs checking": "flagged", "cannot tell": "watch"}.get(s.verdict, "ok")  # type: ignore[assignment]
        values = [_value(v, s.what, units) for v in (s.stated, s.estimated)]
        interval = (
            f"{_value(s.lower, s.what, units)} … {_value(s.upper, s.what, units)}"
            if math.isfinite(s.lower)
            else ""
        )
        unit = units.small_angle_name if s.what in ("direction", "zenith") else units.small_length_name
        rows.append(
            Row(sign, (s.name, f"{s.what} [{unit}]", *values, interval, plain(s.freedom, 0), s.verdict))
        )
    headings = ("device", "sigma of", "stated", "found", "95 %", "f", "verdict")
    return Section("sigmas", "Sigmas: stated, and found by these days", tuple(rows), headings)


def _constants(constants: Sequence[Constant], units: Units) -> Section:
    rows = []
    for c in constants:
        cells = [plain(units.small_angle_of(v), 1) for v in (c.mean, c.sigma, c.first, c.last)]
        rows.append(Row("flagged" if c.verdict == "drifts" else "ok", (c.name, c.what, *cells, c.verdict)))
    unit = units.small_angle_name
    headings = ("instrument", "constant", f"mean [{unit}]", "sigma", "first day", "last day", "verdict")
    return Section("constants", "Constants, from face pairs", tuple(rows), headings)


def passport_toml(sigmas: Sequence[Sigma], names: Sequence[str]) -> str:
    """What was found, in job.toml's own language, with what was stated beside it; what can't be told stays a comment."""
    lines = [
        f"# Found from {len(names)} job{'s' * (len(names) != 1)}: {', '.join(names)}.",
        "# Intervals hold at 95 %. Copy what you believe.",
    ]
    head = ""
    for s in sigmas:
        header = f"[{s.group}.{_bare(s.name)}]"
        if header != head:
            lines += ["", header]
            head = header
        key = _KEYS.get((s.group, s.what), s.what)
        if s.verdict == "cannot tell":
            lines.append(f"# {key}: cannot be told from {s.freedom:.1f} degrees of freedom")
            continue
        angle = s.what in ("direction", "zenith")
        unit, scale = ("arcsec", 648_000 / math.pi) if angle else ("mm", 1e3)
        found, low, high, stated = (f"{scale * v:.2f}" for v in (s.estimated, s.lower, s.upper, s.stated))
        lines.append(f'{key} = "{found} {unit}"  # {low} to {high}, stated {stated}: {s.verdict}')
    return "\n".join(lines) + "\n"


def _bare(name: str) -> str:
    if name and all(c.isascii() and (c.isalnum() or c in "-_") for c in name):
        return name
    escaped = name.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _value(value: float, what: str, units: Units) -> str:
    angle = what in ("direction", "zenith")
    return plain(units.small_angle_of(value) if angle else units.small_length_of(value), 2)

"""Tables for people: cells as text in the job's units. CSV files and the report page print the same
sheets."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Floats
from hubtack.io.guard import guarded

if TYPE_CHECKING:
    from hubtack.adjust.results import AdjustedObservations, Adjustment
    from hubtack.io.units import Units


@dataclass(frozen=True)
class Heading:
    """One column: words, unit (blank for none), whether its cells are numbers or a user's text.

    `short` is for pages, where the note of the sheet says the rest once.
    """

    words: str
    unit: str = ""
    number: bool = True
    short: str = ""

    def __str__(self) -> str:
        return f"{self.words} [{self.unit}]" if self.unit else self.words

    @property
    def on_page(self) -> str:
        """The heading in few words."""
        return f"{self.short or self.words} [{self.unit}]" if self.unit else self.short or self.words


@dataclass(frozen=True)
class Sheet:
    """Rows of text below headings. `flagged` are the rows that a test rejects, `note` is needed to read
    it."""

    title: str
    headings: tuple[Heading, ...]
    rows: tuple[tuple[str, ...], ...]
    flagged: frozenset[int] = frozenset()
    note: str = ""
    band: str = "flag"  # how a page marks those rows: "flag", or "watch" where no test has failed


def write_csv(sheet: Sheet, path: Path) -> None:
    """Write a sheet as UTF-8 CSV. Text that a spreadsheet would run as a formula is guarded (see `guard`)."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        out = csv.writer(stream, lineterminator="\n")
        out.writerow([str(h) for h in sheet.headings])
        met = [None if h.number else {"": ""} for h in sheet.headings]  # words come again and again
        for row in sheet.rows:
            out.writerow([c if m is None else _met(m, c) for c, m in zip(row, met, strict=True)])


def _met(met: dict[str, str], text: str) -> str:
    """The guarded text, looked up."""
    known = met.get(text)
    if known is None:
        known = met[text] = guarded(text)
    return known


class Show:
    """Numbers of one adjustment as text: one number of decimals a job, tied to its smallest sigma."""

    def __init__(self, adjustment: Adjustment, units: Units) -> None:
        self.units = units
        m = adjustment.marks
        sigmas = np.concatenate([m.sigma_east, m.sigma_north, m.sigma_height])
        sigmas = sigmas[np.isfinite(sigmas) & (sigmas > 0.0)]
        self.decimals: int = units.decimals_for(float(sigmas.min())) if len(sigmas) else 4
        self.small_length_name, self.small_angle_name = units.small_length_name, units.small_angle_name

    def length(self, metres: float) -> str:
        """A coordinate or distance; blank where undefined."""
        return self.units.show_length(metres, self.decimals) if math.isfinite(metres) else ""

    def small(self, metres: float, decimals: int = 2) -> str:
        """A sigma or residual in small units, without the unit's name."""
        return plain(self.units.small_length_of(metres), decimals)

    def small_turn(self, radians: float, decimals: int = 2) -> str:
        """A sigma or residual of an angle, in arc seconds or milligons, without the unit's name."""
        return plain(self.units.small_angle_of(radians), decimals)

    def zenith(self, radians: float) -> str:
        """A zenith angle, to a tenth of a second of arc (gon and degrees: five places)."""
        return self.units.show_angle(radians, 1)

    def azimuth(self, radians: float) -> str:
        """A direction, angle or azimuth within one turn, as finely."""
        return self.units.show_azimuth(radians, 1)

    def number(self, value: float) -> str:
        """A number without a unit."""
        return f"{value:.6g}" if math.isfinite(value) else ""

    def bearing(self, radians: float) -> str:
        """Where an ellipse points: whole degrees or gon, 0 to 180° (200 gon)."""
        if not math.isfinite(radians):
            return ""
        half = 200.0 if self.units.angle == "gon" else 180.0
        return f"{round(radians / math.pi * half) % half:.0f}"

    @property
    def bearing_name(self) -> str:
        """Unit of `bearing`."""
        return "gon" if self.units.angle == "gon" else "deg"


def plain(value: float, decimals: int) -> str:
    """A number with fixed decimals; never a minus zero; blank for NaN, `none` for infinity."""
    if math.isnan(value):
        return ""
    if math.isinf(value):
        return "none"
    text = f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def fixed(values: Floats, decimals: int) -> list[str]:
    """`plain` for a whole column: a tenth of its time."""
    odd = {"nan": "", "inf": "none", "-inf": "none", f"{-0.0:.{decimals}f}": f"{0.0:.{decimals}f}"}
    form = f"%.{decimals}f"
    return [odd.get(t, t) for t in [form % v for v in values.tolist()]]


def one_dimensional_factor(confidence: float) -> float:
    """Half-width, in sigmas, of the interval that holds a normal variable with this confidence: 1.960 at 95
    %."""
    return NormalDist().inv_cdf(0.5 + 0.5 * confidence)


def percent(confidence: float) -> str:
    """`95 %`, `99.9 %`."""
    return f"{100.0 * confidence:.10g} %"


def at_target(adjustment: Adjustment, table: AdjustedObservations) -> Floats:
    """Metres at the target that one unit of each observation stands for: 1 for lengths, a distance for
    angles.

    For a zenith angle it is the spatial distance between the adjusted marks, for all other angles the
    horizontal one (for an angle at a mark that to its foresight). NaN where marks are unknown.
    """
    m, reduced = adjustment.marks, adjustment.network.reduced
    marks_at = {str(i): int(a) for i, a in zip(reduced.id, reduced.at, strict=True)}
    start = table.start_mark.copy()
    for row in np.flatnonzero(table.kind == "angle"):
        start[row] = marks_at.get(str(table.id[row]), int(start[row]))
    end = table.end_mark
    known = (start >= 0) & (end >= 0)
    a, b = np.where(known, start, 0), np.where(known, end, 0)
    if not len(m):
        return np.ones(len(table))
    flat = np.hypot(m.east[b] - m.east[a], m.north[b] - m.north[a])
    rise = np.nan_to_num(m.height[b] - m.height[a])
    far = np.where(table.kind == "zenith", np.hypot(flat, rise), flat)
    return np.where(table.quantity == "angle", np.where(known, far, np.nan), 1.0)


def names(items: Iterable[object], limit: int = 0) -> str:
    """`A, B, C`; beyond `limit` (if any) `A, B and 7 more`."""
    words = [str(i) for i in items]
    if limit and len(words) > limit:
        return f"{', '.join(words[:limit])} and {len(words) - limit} more"
    return ", ".join(words)

"""Tables for people: cells as text in the job's units. CSV files and the report page print the same
sheets."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from statistics import NormalDist
from typing import TYPE_CHECKING, overload

import numpy as np

from hubtack.adjust.ground.table import Floats
from hubtack.io import numerals
from hubtack.io.guard import guarded, harmless

if TYPE_CHECKING:
    from hubtack.adjust.results import AdjustedObservations, Adjustment
    from hubtack.io.units import Units

_AT_ONCE = 20_000  # rows of a file put together before they are written


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


class Columns(Sequence[tuple[str, ...]]):
    """Rows that are kept by column: of large tables nobody asks for them one by one."""

    def __init__(self, columns: Sequence[Sequence[str]]) -> None:
        self.columns = tuple(columns)

    def __len__(self) -> int:
        return len(self.columns[0]) if self.columns else 0

    def __iter__(self) -> Iterator[tuple[str, ...]]:
        return zip(*self.columns, strict=True)

    @overload
    def __getitem__(self, row: int) -> tuple[str, ...]: ...
    @overload
    def __getitem__(self, row: slice) -> Sequence[tuple[str, ...]]: ...
    def __getitem__(self, row: int | slice) -> tuple[str, ...] | Sequence[tuple[str, ...]]:
        if isinstance(row, slice):
            return Columns([c[row] for c in self.columns])
        return tuple(c[row] for c in self.columns)


@dataclass(frozen=True)
class Sheet:
    """Rows of text below headings. `flagged` are the rows that a test rejects, `note` is needed to read
    it."""

    title: str
    headings: tuple[Heading, ...]
    rows: Sequence[tuple[str, ...]]
    flagged: frozenset[int] = frozenset()
    note: str = ""
    band: str = "flag"  # how a page marks those rows: "flag", or "watch" where no test has failed

    @property
    def columns(self) -> tuple[Sequence[str], ...]:
        """The same cells by column."""
        if isinstance(self.rows, Columns):
            return self.rows.columns
        return tuple(zip(*self.rows, strict=True)) if self.rows else ((),) * len(self.headings)


def write_csv(sheet: Sheet, path: Path) -> None:
    """Write a sheet as UTF-8 CSV. Text that a spreadsheet would run as a formula is guarded (see `guard`)."""
    heads = [_quoted([str(h)])[0] for h in sheet.headings]
    columns = [
        _quoted(c if h.number else _guarded(c)) for h, c in zip(sheet.headings, sheet.columns, strict=True)
    ]
    with path.open("w", encoding="utf-8", newline="") as stream:
        stream.write(",".join(heads) + "\n")
        rows = map(",".join, zip(*columns, strict=True))
        while some := list(islice(rows, _AT_ONCE)):
            stream.write("\n".join(some) + "\n")


def _guarded(column: Sequence[str]) -> Sequence[str]:
    """A column of words; most are met again and again, and few are risky."""
    words = set(column)
    if harmless("".join(words)):
        return column
    safe = {w: guarded(w) for w in words}
    return [safe[w] for w in column]


def _quoted(column: Sequence[str]) -> Sequence[str]:
    """Cells as CSV writes them (RFC 4180): in quotation marks, themselves doubled, where a cell needs them."""
    together = "".join(column)
    if "," in together or '"' in together or "\n" in together or "\r" in together:
        return [
            '"' + c.replace('"', '""') + '"' if "," in c or '"' in c or "\n" in c or "\r" in c else c
            for c in column
        ]
    return column


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

    # -- the same of whole columns --

    def lengths(self, metres: Floats) -> list[str]:
        """`length` of each."""
        return numerals.lengths(self.units, metres, self.decimals)

    def smalls(self, metres: Floats, decimals: int = 2) -> list[str]:
        """`small` of each."""
        return numerals.small_lengths(self.units, metres, decimals)

    def zeniths(self, radians: Floats) -> list[str]:
        """`zenith` of each."""
        return numerals.angles(self.units, radians, 1)

    def azimuths(self, radians: Floats) -> list[str]:
        """`azimuth` of each."""
        return numerals.azimuths(self.units, radians, 1)

    def numbers(self, values: Floats) -> list[str]:
        """`number` of each."""
        return [self.number(v) for v in values.tolist()]

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

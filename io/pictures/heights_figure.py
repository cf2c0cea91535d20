"""heights.png: what the network says of every height that was entered, class by class, over what was declared.

A dot is a setup's height error as the rest of the network sees it, its bar the 95 % interval of that, the band behind
it what the declared sigma allows (±1.96 σ). Fixed heights lie close to the line, taped ones scatter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats, Ints
from hubtack.io.pictures.drawing import Area, Drawing, Line, Shape, Symbol, Text, text_width
from hubtack.io.pictures.plot import number, ticks

if TYPE_CHECKING:
    from hubtack.adjust.judge.audit import Audit
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

FACTOR = 1.959963985  # N⁻¹(0.975)
ACROSS = 64  # setups side by side in one strip
LEAST = 15  # a class is at least as wide as its heading
STRIPS = 8  # more setups than these hold stand closer instead
WIDTH, LEFT, RIGHT, HEAD, FOOT = 720.0, 48.0, 10.0, 34.0, 40.0  # of the page, points
HEADING, PLOT = 40.0, 118.0  # of a strip
ABOUT = (
    "dot and bar: height error (true minus entered) as the rest of the network sees it, with its 95 % interval; "
    "band: 1.96 declared sigmas either way"
)


@dataclass(frozen=True)
class _Panel:
    """Some setups of one class, side by side from `left` on a strip."""

    group: int
    rows: Ints
    left: float
    width: float
    continued: bool


@dataclass(frozen=True)
class _Strip:
    """A rectangle of the page: where setups stand across it, and errors (small units, within ±limit) up it."""

    bottom: float
    step: float
    limit: float

    def x(self, place: float) -> float:
        return LEFT + (place + 0.8) * self.step

    def y(self, error: float) -> float:
        return self.bottom + PLOT * (0.5 + 0.5 * error / self.limit)


def of_job(adjustment: Adjustment, job: Job) -> Drawing | None:
    """The heights as a drawing, None where the audit knows no class of them."""
    audit = adjustment.audit
    return heights_drawing(adjustment, audit, job) if audit is not None and len(audit.classes) else None


def heights_drawing(adjustment: Adjustment, audit: Audit, job: Job) -> Drawing:
    """The heights as a drawing, of as many strips as they need; a sentence where there is nothing to judge."""
    strips = _strips(audit)
    longest = max((len(_short(str(n), 12)) for n in audit.setups.setup), default=0)
    high = HEADING + PLOT + 10.0 + 3.9 * longest  # names of setups hang below
    drawing = Drawing(WIDTH, HEAD + FOOT + high * max(1, len(strips)), f"{job.name}: heights of setups")
    drawing.words = (
        "Height error of every setup with its 95 % interval, class by class, over the band of its declared sigma. The numbers "
        "stand in the table of setups."
    )
    drawing.texts.append(Text(14.0, drawing.height - 16.0, _short(drawing.title, 90), 12.0, bold=True))
    _legend(drawing)
    if not strips:
        words = audit.reason or "no height to judge"
        drawing.texts.append(Text(WIDTH / 2, drawing.height / 2, words, 9.0, "middle"))
    limit = _limit(adjustment, audit, job)
    end = max((p.left + p.width for panels in strips for p in panels), default=1.0)
    end = max(ACROSS // 2 if len(strips) == 1 else ACROSS, end)
    for k, panels in enumerate(strips):
        bottom = drawing.height - HEAD - high * k - HEADING - PLOT
        strip = _Strip(bottom, (WIDTH - LEFT - RIGHT) / (end + 0.6), limit)
        _axis(drawing, strip, job)
        for panel in panels:
            _panel(drawing, strip, panel, adjustment, audit, job)
            _hang(drawing, strip, panel, adjustment, audit, close=end > 1.3 * ACROSS)
    return drawing


def draw(adjustment: Adjustment, audit: Audit, job: Job, path: Path) -> None:
    """Draw the heights into a PNG file: the same bytes for the same result."""
    from hubtack.io.pictures.figures import save_png

    save_png(heights_drawing(adjustment, audit, job), path)


def _strips(audit: Audit) -> list[list[_Panel]]:
    """The classes laid out side by side, in as many strips as they need."""
    groups = [np.flatnonzero(audit.setups.group == g) for g in range(len(audit.classes))]
    total = sum(max(LEAST, len(g)) + 1 for g in groups)
    across = max(ACROSS, math.ceil(total / STRIPS))
    strips: list[list[_Panel]] = []
    used = math.inf
    for g, rows in enumerate(groups):
        at = 0
        while at < len(rows):
            room = across - used
            if room < LEAST + 1 or (room < len(rows) - at and room < 2 * LEAST):
                strips.append([])
                used, room = 0.0, float(across)
            part = rows[at : at + int(room)]
            width = float(max(LEAST, len(part)))
            strips[-1].append(_Panel(g, part, used, width, at > 0))
            used += width + 1.0
            at += len(part)
    return strips


def _limit(adjustment: Adjustment, audit: Audit, job: Job) -> float:
    """Half the height of every strip, in small units: all bands and most bars fit, one blunder does not flatten the rest."""
    told = np.isfinite(audit.setups.height_error) & np.isfinite(audit.setups.sigma)
    reach = np.abs(audit.setups.height_error[told]) + FACTOR * audit.setups.sigma[told]
    bands = FACTOR * adjustment.setups.sigma_height[audit.setups.group >= 0]
    usual = min(float(np.quantile(reach, 0.9)), 6.0 * float(np.median(reach))) if len(reach) else 0.0
    most = max(
        usual,
        1.15 * float(bands.max(initial=0.0)),
        1e-4,
    )
    return job.units.small_length_of(1.08 * most)


def _axis(drawing: Drawing, strip: _Strip, job: Job) -> None:
    values = ticks(-strip.limit, strip.limit, 5)
    step = values[1] - values[0] if len(values) > 1 else 1.0
    for v in values:
        y = strip.y(v)
        drawing.lines.append(Line(LEFT - 3.0, y, LEFT, y, "leader"))
        drawing.texts.append(Text(LEFT - 5.0, y, number(v, step), 7.5, "end"))
    drawing.lines.append(Line(LEFT, strip.bottom, LEFT, strip.bottom + PLOT, "frame"))
    words = f"height error, {job.units.small_length_name}"
    drawing.texts.append(Text(12.0, strip.bottom + PLOT / 2, words, 8.0, "middle", turn=90.0))


def _panel(
    drawing: Drawing, strip: _Strip, panel: _Panel, adjustment: Adjustment, audit: Audit, job: Job
) -> None:
    small = job.units.small_length_of(1.0)
    rows, table = panel.rows, audit.setups
    x: Floats = panel.left + np.arange(len(rows), dtype=np.float64)
    bands = np.minimum(small * FACTOR * adjustment.setups.sigma_height[rows], strip.limit)
    _band(drawing, strip, x, bands)
    error, half = small * table.height_error[rows], small * FACTOR * table.sigma[rows]
    told = np.isfinite(error) & np.isfinite(half)
    odd = told & (np.abs(table.statistic[rows]) > adjustment.critical)
    inside = np.abs(error) <= 0.96 * strip.limit
    for i in range(len(rows)):
        at, name = strip.x(float(x[i])), str(table.setup[rows[i]])
        if not told[i]:
            drawing.texts.append(Text(at, strip.y(0.0), "?", 7.5, "middle"))
            continue
        low, high = (float(np.clip(error[i] + s * half[i], -strip.limit, strip.limit)) for s in (-1.0, 1.0))
        if high > low:
            drawing.lines.append(Line(at, strip.y(low), at, strip.y(high), "axis"))
        if inside[i]:
            shape: Shape = "flag" if odd[i] else "dot"
            size = 5.0 if odd[i] else 4.0
            drawing.symbols.append(Symbol(at, strip.y(float(error[i])), shape, size, name))
        else:  # beyond the strip: an arrow with its figure
            up = error[i] > 0.0
            place = strip.y(math.copysign(0.94 * strip.limit, float(error[i])))
            drawing.symbols.append(Symbol(at, place, "open-triangle" if up else "open-down", 7.0, name))
    names = [str(n) for n in table.setup[rows]]
    _names(drawing, strip, panel, x, error, odd, told & ~inside, names, job.units.small_length_name)
    _heading(drawing, strip, panel, audit, job)


def _band(drawing: Drawing, strip: _Strip, x: Floats, bands: Floats) -> None:
    """What the declared sigma allows: one area over neighbours of the same sigma."""
    ends = [0, *(np.flatnonzero(np.abs(np.diff(bands)) > 1e-9) + 1).tolist(), len(x)]
    for a, b in pairwise(ends):
        left, right = strip.x(float(x[a]) - 0.5), strip.x(float(x[b - 1]) + 0.5)
        low, high = strip.y(-float(bands[a])), strip.y(float(bands[a]))
        drawing.areas.append(Area(((left, low), (right, low), (right, high), (left, high)), "band"))
    edges = strip.x(float(x[0]) - 0.5), strip.x(float(x[-1]) + 0.5)
    drawing.lines.append(Line(edges[0], strip.y(0.0), edges[1], strip.y(0.0), "limit"))


def _hang(
    drawing: Drawing, strip: _Strip, panel: _Panel, adjustment: Adjustment, audit: Audit, close: bool
) -> None:
    """Names of the setups, upright below the strip: bold what does not fit; of a crowd only that."""
    odd = np.abs(np.nan_to_num(audit.setups.statistic[panel.rows])) > adjustment.critical
    for i, row in enumerate(panel.rows.tolist()):
        if odd[i] or not close:
            name = _short(str(audit.setups.setup[row]), 12)
            at = strip.x(panel.left + i)
            drawing.texts.append(Text(at, strip.bottom - 4.0, name, 6.5, "end", bold=bool(odd[i]), turn=90.0))


def _names(
    drawing: Drawing,
    strip: _Strip,
    panel: _Panel,
    x: Floats,
    error: Floats,
    odd: Flags,
    beyond: Flags,
    names: list[str],
    unit: str,
) -> None:
    """Names of the odd ones, the largest first, each beside its dot where there is room; figures of those off the strip.

    What finds no room is still named below the strip, in bold.
    """
    taken: list[tuple[float, float, float]] = []  # left, right, height; points
    limit = strip.limit
    y = np.array([strip.y(float(np.clip(np.nan_to_num(e), -limit, limit))) for e in error])
    at = np.array([strip.x(float(v)) for v in x])
    for i in sorted(np.flatnonzero(odd | beyond).tolist(), key=lambda k: -abs(float(error[k]))):
        far = bool(beyond[i])
        words = _short(names[i], 14) + (f" {_figure(float(error[i]))} {unit}" if far else "")
        long = text_width(words, 8.0) + 2.0
        inwards = -10.0 if error[i] > 0.0 else 10.0
        level = strip.y(math.copysign(0.92 * limit, float(error[i]))) if far else float(y[i])
        # beside the symbol; for arrows also a line or two further in, where nothing hides what they point at
        tries = [(side, level + inwards * k) for k in range(3 if far else 1) for side in (1, -1)]
        for side, height in tries:
            left = float(at[i]) + (6.0 if side > 0 else -6.0 - long)
            right = left + long
            hidden = (at > left - 3.0) & (at < right + 3.0) & (np.abs(y - height) < 7.0)
            hidden[i] = False
            met = any(left < b and right > a and abs(height - h) < 10.0 for a, b, h in taken)
            ends = strip.x(panel.left + panel.width + 0.5)
            if met or hidden.any() or right > min(ends, WIDTH - 2.0) or left < LEFT:
                continue
            taken.append((left, right, height))
            drawing.texts.append(Text(left, height, words, 8.0, bold=True, halo=True))
            break


def _heading(drawing: Drawing, strip: _Strip, panel: _Panel, audit: Audit, job: Job) -> None:
    c, g = audit.classes, panel.group
    kind = str(c.height_kind[g])
    sigma = job.units.small_length_of(float(c.sigma_declared[g]))
    who = {"instrument": "instruments", "target": "targets", "base": "standing bases"}[str(c.role[g])]
    title = f"{_short(str(c.support[g]), 24)}: {who}" + (", continued" if panel.continued else "")
    lines = [(title, True, 8.5)]
    if not panel.continued:
        word = "height kind not declared" if kind == "undeclared" else f"declared {kind}"
        lines.append((f"{word}, sigma {sigma:.2g} {job.units.small_length_name}", False, 7.5))
        lines.append((_verdict(audit, g), False, 7.5))
    left, top = strip.x(panel.left - 0.5), strip.bottom + PLOT
    for k, (words, bold, size) in enumerate(lines):
        drawing.texts.append(Text(left, top + 32.0 - 10.5 * k, words, size, bold=bold))
    drawing.lines.append(Line(left, top + 3.0, strip.x(panel.left - 0.5 + panel.width), top + 3.0, "leader"))


def _verdict(audit: Audit, g: int) -> str:
    """`behaves like fixed, 340 : 1`, `can't tell (at most 4 : 1)`."""
    c = audit.classes
    verdict, evidence = str(c.verdict[g]), float(c.evidence[g])
    if verdict != "cannot tell":
        sign = "✓ " if not c.contradicts[g] else "! "
        sign = "" if c.height_kind[g] == "undeclared" else sign
        return f"{sign}behaves like {verdict}, {_odds(evidence)}"
    reason = str(c.reason[g])
    if c.ceiling[g] < math.log(1.05):
        return "can't tell: nothing sees these heights"
    if reason.startswith("the geometry"):
        return f"can't tell: at most {_odds(float(c.ceiling[g]))} for fixed"
    if reason.startswith("both"):
        return f"can't tell: {_odds(evidence)} for {'fixed' if evidence > 0 else 'measured'}"
    if reason.startswith("the rest"):
        return "can't tell: the rest of the network does not fit"
    return f"can't tell: {_short(reason, 40)}"


def _odds(evidence: float) -> str:
    if abs(evidence) > math.log(1000.0):
        return "over 1000 : 1"
    ratio = math.exp(abs(evidence))
    return f"{ratio:.0f} : 1" if ratio >= 10.0 else f"{ratio:.1f} : 1"


def _legend(drawing: Drawing) -> None:
    x = LEFT
    shapes: tuple[tuple[Shape | None, float, str], ...] = (
        ("dot", 4.0, "fits its declared sigma"),
        ("flag", 5.0, "does not fit it"),
        ("open-triangle", 7.0, "lies beyond the strip"),
        (None, 0.0, "nothing sees it"),
    )
    for shape, size, words in shapes:
        if shape is None:
            drawing.texts.append(Text(x, 26.0, "?", 8.0, "middle"))
        else:
            drawing.symbols.append(Symbol(x, 26.0, shape, size))
        drawing.texts.append(Text(x + 9.0, 26.0, words, 8.0))
        x += text_width(words, 8.0) + 30.0
    drawing.texts.append(Text(LEFT - 4.0, 11.0, ABOUT, 7.5))


def _figure(value: float) -> str:
    """A signed figure of two digits or more."""
    return f"{value:+.{0 if abs(value) >= 10.0 else 1}f}".replace("-", "−")


def _short(words: str, most: int) -> str:
    return words if len(words) <= most else words[: most - 1] + "…"

"""network.dxf: the network for a drawing office, DXF R2010 in ASCII, in the job's length unit ($INSUNITS).

Layers:
    HT_MARKS              POINT at the true height of each mark with a height
    HT_MARKS_NO_HEIGHT    POINT at height 0 of marks that have none; a layer of their own, so that no 0 passes for one
    HT_LABELS             name, and height where there is one, TEXT
    HT_ELLIPSES_95_x500   ELLIPSE entities: confidence in percent and exaggeration are in the layer's name
    HT_SIGHTS             LINE between the marks that observations join, one a pair; at height 0 where one has none
    HT_FLAGGED            those with a flagged observation
    HT_UNCHECKED          a second POINT and the word UNCHECKED at marks that nothing checks
    HT_NOTE               what the drawing shows, one line
Drawing x is east, y is north. A mark without a position is not drawn; the note counts them.
Metadata is fixed, so the same input gives the same bytes.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from .places import exaggeration, placed, sight_lines, spacing
from .sheets import Show, percent

if TYPE_CHECKING:
    from ezdxf.layouts.layout import Modelspace

    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

FILE = "network.dxf"
INSUNITS = {"m": 6, "ft": 2, "us-ft": 21}  # codes of the format: metres, feet, US survey feet
_COLOURS = {
    "MARKS": 7,
    "MARKS_NO_HEIGHT": 8,
    "LABELS": 7,
    "SIGHTS": 8,
    "FLAGGED": 1,
    "UNCHECKED": 30,
    "NOTE": 8,
}


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write network.dxf into `folder`."""
    import ezdxf

    with _fixed_metadata():
        drawing = ezdxf.new("R2010")  # type: ignore[attr-defined]
        drawing.header["$INSUNITS"] = INSUNITS[job.units.length]
        drawing.header["$MEASUREMENT"] = int(job.units.length == "m")
        for name, colour in _COLOURS.items():
            drawing.layers.add(f"HT_{name}", color=colour)
        factor = exaggeration(adjustment)
        ellipses = ellipse_layer(adjustment, factor)
        drawing.layers.add(ellipses, color=150)  # a blue that shows on black and on white
        _draw(drawing.modelspace(), adjustment, job, ellipses, factor)
        drawing.header["$PDMODE"] = 35  # points as a cross in a circle
        drawing.header["$PDSIZE"] = job.units.length_of(spacing(adjustment)) / 30.0
        drawing.saveas(folder / FILE, encoding="utf-8")


def ellipse_layer(adjustment: Adjustment, factor: int) -> str:
    """HT_ELLIPSES_95_x500."""
    return f"HT_ELLIPSES_{percent(adjustment.settings.confidence).split()[0]}_x{factor}"


def label(text: str) -> str:
    """A user's text as TEXT shows it: carets and percent signs are control codes in this format."""
    text = "".join(c if c.isprintable() else " " for c in text)
    return text.replace("^", "^ ").replace("%%", "%%%%%%")


def _draw(space: Modelspace, a: Adjustment, job: Job, ellipses: str, factor: int) -> None:
    m, unit, show = a.marks, job.units.length_of, Show(a, job.units)
    size = unit(spacing(a)) / 14.0
    rows = placed(a)
    for line in sight_lines(a):
        both = [line.start, line.end]
        flat = not all(math.isfinite(m.height[i]) for i in both)  # one height is none: no line runs down to 0
        ends = [(unit(m.east[i]), unit(m.north[i]), 0.0 if flat else unit(m.height[i])) for i in both]
        if all(math.isfinite(x) for end in ends for x in end):
            space.add_line(
                ends[0], ends[1], dxfattribs={"layer": "HT_FLAGGED" if line.flagged else "HT_SIGHTS"}
            )
    for i in rows.tolist():
        high = math.isfinite(m.height[i])
        x, y, z = unit(m.east[i]), unit(m.north[i]), unit(m.height[i]) if high else 0.0
        space.add_point((x, y, z), dxfattribs={"layer": "HT_MARKS" if high else "HT_MARKS_NO_HEIGHT"})
        major, minor = unit(m.semi_major[i]) * factor, unit(m.semi_minor[i]) * factor
        if math.isfinite(major) and major > 0.0:
            turn = float(m.ellipse_azimuth[i])
            space.add_ellipse(
                (x, y, z),
                major_axis=(major * math.sin(turn), major * math.cos(turn), 0.0),
                ratio=min(max(minor / major, 1e-6), 1.0),  # the format's own lower bound
                dxfattribs={"layer": ellipses},
            )
        words = [label(str(m.mark[i])), *([show.length(m.height[i])] if high else [])]
        for k, text in enumerate(words):
            place = (x + 0.8 * size, y + (0.3 - 1.4 * k) * size, z)
            space.add_text(
                text, height=size * (1.0, 0.75)[k], dxfattribs={"layer": "HT_LABELS"}
            ).set_placement(place)
        if m.unchecked[i]:
            at = {"layer": "HT_UNCHECKED"}
            space.add_point((x, y, z), dxfattribs=at)
            space.add_text("UNCHECKED", height=0.75 * size, dxfattribs=at).set_placement(
                (x + 0.8 * size, y - 2.5 * size, z)
            )
    _note(space, a, job, factor, size)


def _note(space: Modelspace, a: Adjustment, job: Job, factor: int, size: float) -> None:
    m, unit, rows = a.marks, job.units.length_of, placed(a)
    absent = len(m) - len(rows)
    words = f"{label(job.name)}: {len(rows)} marks, coordinates in {job.units.length_name}"
    words += f"; ellipses 2D {percent(a.settings.confidence)}, drawn {factor} times too large"
    words += f"; {absent} without a position" if absent else ""
    x = float(unit(m.east[rows].min())) if len(rows) else 0.0
    y = float(unit(m.north[rows].min())) - 5.0 * size if len(rows) else 0.0
    space.add_text(words, height=size, dxfattribs={"layer": "HT_NOTE"}).set_placement((x, y))


@contextlib.contextmanager
def _fixed_metadata() -> Iterator[None]:
    """No clock and no random identifiers in the file."""
    from ezdxf._options import options

    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before

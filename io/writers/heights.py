"""heights.png: the height error of every setup, class by class, over what was declared; none where there is no height."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

STEPS = 10  # of a blend between two colours: what smooth edges need


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write heights.png into `folder`, if the audit knows a class of heights."""
    audit = adjustment.audit
    if audit is None or not len(audit.classes):
        return
    from hubtack.io.heights_figure import draw

    draw(adjustment, audit, job, folder / "heights.png")
    _few_colours(folder / "heights.png")


def _few_colours(path: Path) -> None:
    """A quarter of the bytes, since the page carries the picture too: the figure's colours and their blends, no other."""
    from PIL import Image

    from hubtack.io.heights_figure import BAND, BLUE, INK, ORANGE, PALE

    # No blend of white and the band: they are so near that Pillow would take one for the other.
    palette = Image.new("P", (1, 1))
    blends: dict[tuple[int, ...], None] = {}
    for line in (
        ("#ffffff", INK, BLUE, "#ffffff", ORANGE, INK, BAND, BLUE),
        (BAND, PALE, "#ffffff"),
    ):
        for one, other in pairwise(line):
            a, b = (tuple(int(c[i : i + 2], 16) for i in (1, 3, 5)) for c in (one, other))
            blends |= {
                tuple(round(p + (q - p) * k / STEPS) for p, q in zip(a, b, strict=True)): None
                for k in range(STEPS + 1)
            }
    palette.putpalette([v for colour in blends for v in colour])
    with Image.open(path) as picture:
        few = picture.convert("RGB").quantize(palette=palette, dither=Image.Dither.NONE)
    few.save(path, "PNG", compress_level=6)

"""What each decision does to the coordinates: the network adjusted once more as if it had not been taken.

The job is read again with that decision passed over, so the raw tables speak and nothing is undone by guessing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Floats
from hubtack.io.faults import Faults
from hubtack.io.pages.choices import FREEDOMS
from hubtack.io.pages.words import joined
from hubtack.io.writers.sheets import Heading, Sheet, Show, plain

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

MOST = 3000  # marks × decisions: beyond, the page would cost more than the adjustment it tells of
TOLD = 3  # marks of one decision
SMALL = 5e-5  # m: what moves less is not told by itself


@dataclass(frozen=True)
class Effect:
    """The network with a decision against that without it; `reason` says why there is no such comparison."""

    without: Adjustment | None
    moved: (
        Floats  # (n_marks, 3) east, north, height m: with it minus without it; NaN where either is undefined
    )
    reason: str = ""


def effects(adjustment: Adjustment, job: Job) -> tuple[Effect, ...]:
    """One effect a decision; behind them that of all together, where there are several."""
    count = len(job.decisions)
    if not count:
        return ()
    if count * len(adjustment.marks) > MOST:
        reason = "not computed for a network of this size"
        return (Effect(None, np.full((len(adjustment.marks), 3), np.nan), reason),) * count
    alone = tuple(effect(adjustment, job, (i,)) for i in range(count))
    return alone if count == 1 else (*alone, effect(adjustment, job, tuple(range(count))))


def effect(adjustment: Adjustment, job: Job, passed_over: tuple[int, ...]) -> Effect:
    """The effect of decisions, by their number in job.toml from 0, taken together."""
    from hubtack.adjust import adjust
    from hubtack.adjust.trouble import NotConverged, Undetermined
    from hubtack.io.job import read_job

    nothing = np.full((len(adjustment.marks), 3), np.nan)
    try:
        without = adjust(read_job(job.folder, passed_over).network, adjustment.settings)
    except Faults:
        return Effect(None, nothing, "without it the job can't be read")
    except (Undetermined, NotConverged):
        return Effect(None, nothing, "without it the network can't be adjusted")
    freed = [FREEDOMS.get(f, f) for f in (set(adjustment.datum) ^ set(without.datum))]
    if freed:
        return Effect(
            without,
            nothing,
            f"it changes what holds the {joined(sorted(freed))}: coordinates can't be compared",
        )
    now, was = adjustment.marks, without.marks
    return Effect(
        without, np.column_stack([now.east - was.east, now.north - was.north, now.height - was.height])
    )


def decisions_sheet(adjustment: Adjustment, job: Job, found: Sequence[Effect] | None = None) -> Sheet:
    """Each decision with what it does to the coordinates, and all of them together; `found` where they are at hand."""
    show = Show(adjustment, job.units)
    headings = tuple(
        Heading(w, number=False)
        for w in ("decision", "was", "became", "reason", "by", "stands in", "what it does")
    )
    found = effects(adjustment, job) if found is None else found
    rows = [
        (d.what, d.before, d.value or "left out", d.reason, d.by, d.place, effect_words(adjustment, e, show))
        for d, e in zip(job.decisions, found, strict=False)
    ]
    if len(found) > len(job.decisions):
        rows.append(("all together", "", "", "", "", "", effect_words(adjustment, found[-1], show)))
    note = (
        "What it does: the coordinates with the decision against those without it, the other decisions standing: the marks that "
        f"move most, east, north and height in {show.small_length_name}."
    )
    return Sheet("Decisions taken", headings, tuple(rows), note=note)


def effect_words(a: Adjustment, e: Effect, show: Show) -> str:
    """`variance factor 109.21 → 0.98; A4 +0.1, -0.2, -9.6; 5 more marks move by up to 4.1`."""
    words = []
    if e.without is not None:
        was, now = (plain(x.global_test.variance_factor, 2) or "none" for x in (e.without, a))
        words.append(f"variance factor {was} → {now}")
    if e.reason:
        return "; ".join([*words, e.reason])
    move = np.nan_to_num(e.moved)
    size = np.linalg.norm(move, axis=1)
    order = np.argsort(-size, kind="stable")
    order = order[size[order] > SMALL]
    for i in order[:TOLD].tolist():
        cells = (
            f"{plain(show.units.small_length_of(v), 1)}" if np.isfinite(v) else "–"
            for v in e.moved[i].tolist()
        )
        words.append(
            f"{a.marks.mark[i]} {', '.join(c if c.startswith(('-', '–')) else f'+{c}' for c in cells)}"
        )
    rest = order[TOLD:]
    if len(rest):
        largest = plain(show.units.small_length_of(float(size[rest[0]])), 1)
        words.append(
            f"{len(rest)} more marks by up to {largest}" if len(rest) > 1 else f"1 more mark by {largest}"
        )
    if not len(order):
        largest = plain(show.units.small_length_of(float(size.max(initial=0.0))), 2)
        words.append(f"no mark moves by more than {largest}")
    return "; ".join(words)

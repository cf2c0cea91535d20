"""Two epochs in words: congruent or not, what moved, how small a movement would show."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.io.pages.words import Row, Section, Sign, joined
from hubtack.io.writers.sheets import names, plain

if TYPE_CHECKING:
    from hubtack.adjust.compare import Comparison
    from hubtack.adjust.epochs.moved import Moved
    from hubtack.adjust.results import Adjustment
    from hubtack.io.units import Units

AXES = ("east", "north", "height")


def compare_sections(
    c: Comparison, first: Adjustment, second: Adjustment, units: Units, alpha: float, most: int = 12
) -> tuple[Section, ...]:
    """All sections that have something to say."""
    sections = (_verdict(c, first, second, alpha), _moved(c, units), _marks(c, units, first, most), _datum(c))
    return tuple(s for s in sections if s.rows)


def _verdict(c: Comparison, first: Adjustment, second: Adjustment, alpha: float) -> Section:
    sign: Sign = "ok" if c.congruent else "flagged"
    if c.congruent:
        words = f"CONGRUENT: no movement of the {len(c.marks)} common marks can be shown."
    elif c.moved:
        verb = "has" if len(c.moved) == 1 else "have"
        words = f"MOVED: {joined([m.mark for m in c.moved])} {verb} moved."
    else:
        words = "MOVED: the epochs are not congruent, and no set of marks explains it."
    test = f"T = {c.statistic:.2f} on {c.freedom} degrees of freedom, critical {c.critical:.2f} ({100 * (1 - alpha):g} %)"
    by = "" if c.variance_factor is None else f"; pooled variance factor {c.variance_factor:.2f}"
    rows = [Row(sign, (words,)), Row(sign, (f"Congruency test: {test}{by}.",))]
    if c.moved and not c.congruent:
        rows.append(
            Row(
                "",
                (f"Once what moved is let go, {c.rest[0]:.2f} on {c.rest[1]} degrees of freedom remains.",),
            )
        )
    held = [
        m
        for m, d, q in zip(c.marks, c.difference, c.covariance, strict=True)
        if (np.abs(np.nan_to_num(d)) > 1e-6)[np.nan_to_num(np.diagonal(q)) == 0.0].any()
    ]
    if held:
        words = f"Held at other coordinates in the second epoch: {names(held, 6)}. That is no movement, and moves all the rest."
        rows.append(Row("watch", (words,)))
    for which, a in (("first", first), ("second", second)):
        if a.flagged:
            rows.append(
                Row(
                    "watch",
                    (
                        f"The {which} epoch is flagged by itself: a mistake in it may look like a movement. Settle it first.",
                    ),
                )
            )
    return Section("verdict", "Verdict", tuple(rows))


def _moved(c: Comparison, units: Units) -> Section:
    rows: list[Row] = []
    for m in c.moved:
        sigma = np.sqrt(np.diagonal(m.covariance))
        rows.append(
            Row(
                "flagged",
                (
                    m.mark,
                    *(_pair(m.movement[k], sigma[k], units) for k in range(3)),
                    plain(m.statistic, 1),
                    _probability(m.probability),
                ),
            )
        )
    for m in c.moved:
        if m.rivals:
            rows.append(
                Row(
                    "watch",
                    (
                        f"{m.mark} can't be told from {names(m.rivals, 5)}: a movement there would explain nearly as much.",
                    ),
                )
            )
    unit = units.small_length_name
    headings = ("mark", f"east [{unit}]", "north", "height", "T", "chance")
    return Section("moved", "Movements, second minus first (± sigma)", tuple(rows), headings)


def _marks(c: Comparison, units: Units, first: Adjustment, most: int) -> Section:
    moved = {m.mark for m in c.moved}
    size = np.sqrt(np.nansum(c.difference**2, axis=1))
    order = sorted(range(len(c.marks)), key=lambda j: (c.marks[j] not in moved, -size[j]))
    rows = []
    for j in order[:most]:
        sigma = np.sqrt(np.maximum(np.diagonal(c.covariance[j]), 0.0))
        rows.append(
            Row(
                "flagged" if c.marks[j] in moved else "ok",
                (
                    c.marks[j],
                    *(_pair(c.difference[j, k], sigma[k], units) for k in range(3)),
                    _least(c, j, units),
                ),
            )
        )
    unit = units.small_length_name
    power = f"{100 * first.settings.power:g} %"
    title = f"Differences in the common datum; the smallest movement that would show ({power} of the time, worst direction)"
    return Section(
        "marks",
        title,
        tuple(rows),
        ("mark", f"east [{unit}]", "north", "height", "least"),
        max(0, len(order) - most),
    )


def _datum(c: Comparison) -> Section:
    rows = []
    if c.free:
        over = "all common marks" if len(c.datum_marks) == len(c.marks) else names(c.datum_marks, 8)
        rows.append(
            Row(
                "",
                (
                    f"Free in {joined(list(c.free))}: both epochs laid on one another over {over}. "
                    "If one of these moved, the differences smear; the test does not.",
                ),
            )
        )
    if c.shared:
        rows.append(
            Row(
                "",
                (
                    f"{c.shared} control coordinates or setup effects are the same in both epochs, and their errors cancel.",
                ),
            )
        )
    return Section("datum", "Datum", tuple(rows))


def compare_document(c: Comparison, names_of: tuple[str, str]) -> dict[str, Any]:
    """For programs: SI, null where undefined."""
    return {
        "format": 1,
        "first": names_of[0],
        "second": names_of[1],
        "congruent": c.congruent,
        "test": {
            "statistic": c.statistic,
            "freedom": c.freedom,
            "critical": c.critical,
            "probability": c.probability,
            "variance_factor": c.variance_factor,
        },
        "remaining": {"statistic": c.rest[0], "freedom": c.rest[1]},
        "datum": {"free": list(c.free), "marks": list(c.datum_marks)},
        "shared": c.shared,
        "marks": [
            {
                "mark": m,
                **{f"difference_{AXES[k]}": _null(c.difference[j, k]) for k in range(3)},
                "covariance": [[_null(v) for v in row] for row in c.covariance[j]],
                "minimal_detectable_movement": _null(c.least[j]),
            }
            for j, m in enumerate(c.marks)
        ],
        "moved": [_moved_record(m) for m in c.moved],
    }


def _moved_record(m: Moved) -> dict[str, Any]:
    return {
        "mark": m.mark,
        **{AXES[k]: _null(m.movement[k]) for k in range(3)},
        "covariance": [[_null(v) for v in row] for row in m.covariance],
        "statistic": m.statistic,
        "freedom": m.freedom,
        "probability": m.probability,
        "rivals": list(m.rivals),
    }


def _least(c: Comparison, j: int, units: Units) -> str:
    if math.isfinite(c.least[j]):
        return plain(units.small_length_of(c.least[j]), 1)
    return "held" if np.nansum(np.abs(c.covariance[j])) == 0.0 else "none"


def _pair(value: float, sigma: float, units: Units) -> str:
    if not math.isfinite(value):
        return ""
    return f"{plain(units.small_length_of(value), 1)} ± {plain(units.small_length_of(sigma), 1)}"


def _probability(p: float) -> str:
    return "< 0.0001" if p < 1e-4 else f"{p:.4f}"


def _null(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None

"""What a plan could do better, in words: where the error comes from, other supports, single changes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.planning.goals import figures, meets
from hubtack.io.pages.words import Row, Section, Sign
from hubtack.io.writers.sheets import Show, plain

if TYPE_CHECKING:
    from hubtack.adjust.planning.budget import Budget
    from hubtack.adjust.planning.changes import Change
    from hubtack.adjust.planning.equipment import Equipment
    from hubtack.adjust.planning.goals import Figures, Tolerance
    from hubtack.adjust.results import Adjustment

BAR = 24  # columns of the longest bar
FINE = 2e-3  # m: figures below this are told with a digit more


def budget_section(a: Adjustment, budget: Budget | None) -> Section:
    if budget is None or not len(budget.sources):
        return Section("budget", "", ())
    position, height = budget.plan_shares(), budget.height_shares()
    by = position if np.isfinite(position).any() else height
    rows = []
    for i in np.argsort(-np.nan_to_num(by)).tolist():
        rows.append(
            Row(
                "",
                (budget.sources[i], _share(position[i]), _share(height[i]), "█" * round(BAR * float(by[i]))),
            )
        )
    if "control" in budget.sources:
        given = float(np.nan_to_num(by[budget.sources.index("control")]))
        if given > 0.5:
            rows.append(
                Row(
                    "watch",
                    (
                        f"The given control makes {_share(given)} % of it: no sight and no support helps with that.",
                    ),
                )
            )
    title = f"Where the error of {a.marks.mark[budget.mark]} comes from (share of its variance)"
    return Section(
        "budget",
        title,
        tuple(rows),
        ("source", "position %", "height %", "position" if by is position else "height"),
    )


def equipment_section(equipment: Sequence[Equipment], show: Show, tolerance: Tolerance) -> Section:
    rows = []
    named = [(e.name, e.role) for e in equipment]
    for e in equipment:
        sign: Sign = ("ok" if e.meets else "flagged") if tolerance else ""
        role = {"both": "all", "instrument": "instr.", "target": "targets", None: ""}[e.role]
        worst = _largest(e)
        rows.append(
            Row(
                sign,
                (
                    e.name if e.name and named.count((e.name, e.role)) == 1 else e.words,
                    role,
                    *_figures(e.figures, show, equipment[0].figures),
                    worst,
                ),
            )
        )
    unit = show.small_length_name
    headings = ("support", "under", f"position [{unit}]", "height ±", "unchecked", "most from")
    return Section("equipment", "The same plan on other supports", tuple(rows), headings)


def _largest(e: Equipment) -> str:
    shares = e.budget.plan_shares()
    if not np.isfinite(shares).any():
        return ""
    i = int(np.nanargmax(shares))
    words = e.budget.sources[i]
    what, _, who = words.partition(" of ")
    short = {"instrument": "instr.", "target": "target", "common base": "base"}.get(who, "")
    return f"{short} {what}".strip()


def changes_section(
    a: Adjustment, changes: Sequence[Change], show: Show, tolerance: Tolerance, most: int
) -> Section:
    f = figures(a, tolerance)
    pairs = tolerance.relative is not None

    def row(sign: Sign, words: str, x: Figures, minutes: str) -> Row:
        return Row(sign, (words, *_figures(x, show, f), *((plain(x.relative, 2),) if pairs else ()), minutes))

    rows = [row("", "as planned", f, "")]
    for c in changes[:most]:
        sign: Sign = ("ok" if c.meets else "") if tolerance else ""
        rows.append(row(sign, change_words(c), c.figures, f"{c.minutes:.0f}"))
    if not changes:
        return Section(
            "changes",
            "What one change would give",
            (Row("", ("No single change that was tried makes the worst figures better.",)),),
        )
    missed = bool(tolerance) and not meets(a, tolerance)
    if missed and not any(c.meets for c in changes):
        rows.append(
            Row("watch", ("No single change meets the tolerance: combine some of them and plan again.",))
        )
    unit = show.small_length_name
    headings = (
        "change",
        f"position [{unit}]",
        "height ±",
        "unchecked",
        *(("pairs",) if pairs else ()),
        "minutes",
    )
    title = "What one change would give, most helpful first"
    if pairs:
        title += " (pairs: worst over its tolerance)"
    return Section(
        "changes",
        title,
        tuple(rows),
        headings,
        max(0, len(changes) - most),
    )


def change_words(c: Change) -> str:
    """A change in few words."""
    if c.kind == "rounds":
        return "one more round everywhere"
    if c.kind == "bubble":
        return "bubbles adjusted, centred to 0.2 mm"
    if c.kind == "heights":
        return "target heights to 0.2 mm" if c.role == "target" else "instr. heights to 0.5 mm"
    if c.kind == "bases":
        return "no standing bases"
    if c.kind == "sight":
        return f"sight {c.about[0]} → {c.about[1]} " + ("anew" if c.role == "again" else "besides")
    if c.kind == "levelling":
        return f"level {c.about[0]} – {c.about[1]} to 0.3 mm"
    under = {"target": "under targets", "instrument": "under instrument", "both": "everywhere"}[c.role]
    return f"{c.about[0]} {under}"


def _figures(f: Figures, show: Show, base: Figures) -> tuple[str, str, str]:
    """A digit more where the plan itself is good to less than 2 mm."""
    position, height = (2 if 0.0 < v < FINE else 1 for v in (base.position, base.height))
    return show.small(f.position, position), show.small(f.height, height), str(f.unchecked)


def _share(value: float) -> str:
    return plain(100.0 * float(value), 0) if math.isfinite(value) else ""

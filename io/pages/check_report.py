"""What a check in the field found, in words. Rows for the terminal; and the document for programs."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.adjust.judge.written import Written
from hubtack.io.pages.words import Row, Section, Sign
from hubtack.io.units import METRES
from hubtack.io.writers.sheets import names, percent, plain

if TYPE_CHECKING:
    from hubtack.adjust.checks.check import Check
    from hubtack.adjust.checks.slips import Slip
    from hubtack.adjust.checks.story import FieldCheck
    from hubtack.io.faults import Fault
    from hubtack.io.job import Job

_PLURAL = {
    "collimation of a pair": "face pairs, circle",
    "index of a pair": "face pairs, zenith",
    "spread of directions": "directions, rounds",
    "spread of zeniths": "zenith angles, rounds",
    "spread of distances": "distances, rounds",
    "collimation through the day": "collimation, drift",
    "index through the day": "index, drift",
    "distance both ways": "distances both ways",
    "distance again": "distances on other setups",
    "rise both ways": "rises both ways",
    "rise again": "rises on other setups",
    "line between heights": "lines between heights",
    "traverse, angles": "traverses, angles",
    "traverse, position": "traverses, position",
    "traverse, distance": "traverses, distance",
}


def written_of(job: Job) -> Written:
    """How the job's book writes numbers, for slips of the pen."""
    return Written(METRES[job.units.length], job.units.angle)


def check_sections(found: FieldCheck, job: Job, most: int = 6) -> tuple[Section, ...]:
    """All sections that have something to say; what disagrees first."""
    sections = (
        _verdict(found),
        _flagged(found, job, 2 * most),
        _trouble(found),
        _worst(found, job),
        _instruments(found, job, most),
        _unchecked(found, most),
        _next(found, job),
    )
    return tuple(s for s in sections if s.rows)


def headline(found: FieldCheck) -> tuple[Sign, str]:
    """The sign of the whole and the verdict in a sentence."""
    flagged = sum(c.flagged for c in found.checks)
    loose = 0 if found.adjustment is None else int(found.adjustment.marks.unchecked.sum())
    tail = f" {loose} mark{'s are' if loose != 1 else ' is'} still unchecked." if loose else ""
    if flagged:
        verb = "disagree" if flagged != 1 else "disagrees"
        return "flagged", f"LOOK: {flagged} of {len(found.checks)} checks {verb}.{tail}"
    if found.adjustment is None and not found.checks:
        return "watch", "NOTHING TO CHECK YET: no reading can be held against another."
    if found.adjustment is None:
        return (
            "watch",
            f"SO FAR GOOD: {len(found.checks)} checks agree, but the network can't be adjusted yet.",
        )
    if found.adjustment.flagged:
        return (
            "flagged",
            f"LOOK: no single check disagrees, but the adjusted network is flagged: see `hubtack adjust`.{tail}",
        )
    if loose:
        word = "ALL AGREES" if found.checks else "NOTHING DISAGREES"
        return "watch", f"{word}, but don't pack up yet.{tail}"
    if not_reached(found):
        return "watch", f"SO FAR GOOD: {len(found.checks)} checks agree; marks without a reading remain."
    agree = f"{len(found.checks)} checks agree, " if found.checks else ""
    return "ok", f"READY: {agree}the network fits, and every mark is checked."


def not_reached(found: FieldCheck) -> tuple[str, ...]:
    """Marks that no reading reaches yet."""
    a = found.adjustment
    if a is None:
        return ()
    seen = np.concatenate([a.observations.start_mark, a.observations.end_mark])
    reading = ~np.isin(a.observations.kind.astype(str), ("control", "effect", "constant"))
    seen = np.unique(seen[np.concatenate([reading, reading])])
    return tuple(str(m) for i, m in enumerate(a.marks.mark) if i not in set(seen.tolist()))


def _verdict(found: FieldCheck) -> Section:
    sign, words = headline(found)
    rows = [Row(sign, (words,))]
    a = found.adjustment
    if a is not None and a.degrees_of_freedom > 0:
        g = a.global_test
        within = "within" if g.passed else "outside"
        rows.append(
            Row(
                "ok" if g.passed else "flagged",
                (
                    f"Adjusted: variance factor {g.variance_factor:.2f}, {within} {g.lower:.2f} to {g.upper:.2f}.",
                ),
            )
        )
    return Section("verdict", "Verdict", tuple(rows))


def _flagged(found: FieldCheck, job: Job, most: int) -> Section:
    slips = dict(found.slips)
    order = sorted((i for i, c in enumerate(found.checks) if c.flagged), key=lambda i: -found.checks[i].ratio)
    rows: list[Row] = []
    units = [i for i in order if found.checks[i].kind.startswith("unit of")]
    if units:  # nothing else means what it says
        rows = [Row("flagged", (sentence(found.checks[i], job),)) for i in units]
        others = len(order) - len(units)
        if others:
            words = f"Settle that first: the other {others} checks that disagree may follow from it."
            rows.append(Row("watch", (words,)))
        return Section("flagged", "Disagrees", tuple(rows))
    for i in order[:most]:
        rows.append(Row("flagged", (sentence(found.checks[i], job),)))
        if i in slips:
            rows.append(Row("watch", (_slip_words(slips[i], job),)))
    return Section("flagged", "Disagrees, worst first", tuple(rows), (), max(0, len(order) - most))


def sentence(c: Check, job: Job) -> str:
    """A failed check in a sentence."""
    size = _size(abs(c.found), c, job)
    expected = (
        f"expected within {_size(c.critical * c.sigma, c, job)}" if math.isfinite(c.sigma) and c.sigma else ""
    )
    n = c.names
    if c.kind in ("distance both ways", "distance again", "rise both ways", "rise again"):
        what = "distance" if c.kind.startswith("distance") else "rise"
        lines = f"{c.about['first']} and {c.about['again']}"
        return f"{n[0]} – {n[1]}: the {what}s of {lines} differ by {size}, {expected}."
    if c.kind.startswith("closure"):
        what = {
            "closure of angles": "angles",
            "closure of position": "position",
            "closure of heights": "heights",
        }[c.kind]
        return f"Loop {' – '.join(n)}: {what} close to {size}, {expected}."
    if c.kind == "line between heights":
        return f"Line {' – '.join(n)}: misses the given heights by {size}, {expected}."
    if c.kind.startswith("traverse"):
        what = {"angles": "angles miss the given azimuths", "position": "misses its given end",
                "distance": "misses the given distance of its ends"}[c.kind.partition(", ")[2]]  # fmt: skip
        return f"Traverse {' – '.join(n)}: {what} by {size}, {expected}."
    if c.kind.endswith("of a pair"):
        what = c.kind.split()[0]
        return (
            f"Sight {n[0]} ({n[1]} → {n[2]}): its two faces give a {what} {size} off the others, {expected}."
        )
    if c.kind.startswith("spread"):
        return f"{n[0]}: {c.kind} {size}, stated {_size(c.sigma, c, job)}; furthest off is {c.about.get('worst', '')}."
    if c.kind.endswith("through the day"):
        return f"{n[0]}: the {c.kind.split()[0]} drifted by {size} through the day, {expected}."
    if c.kind == "names exchanged":
        return f"{n[0]} and {n[1]} look exchanged in {names(n[2:], 4)}: each sight hits the other mark."
    if c.kind == "name of another mark":
        return f"{names(n[2:], 4)}: named {n[0]}, but points at {n[1]}, {size} from {n[0]}."
    if c.kind == "one name, two places":
        return f"{n[0]}: {names(n[1:], 4)} points {size} away from where the other sights put it."
    if c.kind == "two names, one place":
        return f"{n[0]} and {n[1]} lie within {size}: one mark under two names?"
    if c.kind == "unit of distances":
        right = "the other sights say" if len(n) == 1 else f"the coordinates of {n[0]} and {n[1]} say"
        whose = f"{n[0]}: its distances are" if len(n) == 1 else "Distances are"
        return f"{whose} {c.found:.3f} times what {right}: {c.about['meant']}?"
    if c.kind == "unit of angles":
        return f"{n[0]}: its two faces are {c.found:.2f} half circles apart: {c.about['meant']}?"
    if c.kind == "height like feet":
        return f"{n[0]}: a height of {job.units.show_length(c.found, 3)} {job.units.length_name} would be usual in feet."
    return f"{names(n)}: {c.kind} {size}, {expected}."


def _slip_words(slips: Sequence[Slip], job: Job) -> str:
    def one(s: Slip) -> str:
        if s.kind == "prism constant":
            return f"a prism constant off by {job.units.show_small_length(s.right)} at {s.setup}"
        value, right = job.units.show_length(s.value, 3), job.units.show_length(s.right, 3)
        how = "digits exchanged" if s.kind == "digits exchanged" else "another unit"
        return f"{s.setup}: {value} for {right} ({how})"

    if len(slips) == 1:
        return f"Would be explained by {one(slips[0])}. Look at the device before you believe it."
    return f"Several slips would explain it, so none can be told: {'; '.join(one(s) for s in slips[:4])}."


def _trouble(found: FieldCheck) -> Section:
    rows = [Row("watch", (f"{t.text} {t.wanted} ({t.code})",)) for t in found.trouble]
    rows += [Row("watch", (f"{t.text} {t.wanted}",)) for t in found.hanging]
    return Section("trouble", "Not adjusted yet", tuple(rows[:8]), (), max(0, len(rows) - 8))


def _worst(found: FieldCheck, job: Job) -> Section:
    """The worst of each kind of check."""
    rows = []
    kinds = dict.fromkeys(c.kind for c in found.checks)
    for kind in kinds:
        mine = [c for c in found.checks if c.kind == kind]
        if not math.isfinite(mine[0].critical) or mine[0].sigma <= 0.0:
            continue
        c = max(mine, key=lambda c: c.ratio / c.critical)
        spread = kind.startswith("spread")
        rows.append(
            Row(
                "flagged" if c.flagged else "ok",
                (
                    _PLURAL.get(
                        kind, kind.replace("closure", "closures", 1) if kind.startswith("closure") else kind
                    ),
                    str(sum(x.count for x in mine) if spread else len(mine)),
                    _size(abs(c.found), c, job),
                    _size(c.sigma, c, job),
                    f"{plain(c.ratio, 1)} of {plain(c.critical, 1)}",
                    "–".join(c.names[:4])
                    if kind.startswith(("closure", "line", "traverse"))
                    else names(c.names[:2]),
                ),
            )
        )
    headings = ("check", "n", "worst", "sigma", "ratio", "at")
    return Section("checks", "Checks: the worst of each kind against what it may be", tuple(rows), headings)


def _instruments(found: FieldCheck, job: Job, most: int) -> Section:
    by: dict[str, dict[str, Check]] = {}
    for c in found.checks:
        if c.kind in ("collimation", "index"):
            by.setdefault(c.names[0], {})[c.kind] = c
    rows = []
    for setup, kinds in by.items():
        cells = []
        for kind in ("collimation", "index"):
            found_one = kinds.get(kind)
            values = (found_one.found, found_one.sigma) if found_one else (math.nan, math.nan)
            cells += [plain(job.units.small_angle_of(v), 1) for v in values]
        rows.append(Row("", (setup, *cells)))
    unit = job.units.small_angle_name
    headings = ("setup", f"collimation [{unit}]", "sigma", f"index [{unit}]", "sigma")
    shown = tuple(rows[-most:])
    return Section(
        "instruments",
        "Instrument, from face pairs (both faces remove it)",
        shown,
        headings,
        max(0, len(rows) - most),
    )


def _unchecked(found: FieldCheck, most: int) -> Section:
    if found.adjustment is None:
        return Section("unchecked", "", ())
    m = found.adjustment.marks
    rows = [
        Row("watch", (f"{m.mark[i]}: a mistake in {names(m.unchecked_by[i], 4)} would move it unseen.",))
        for i in np.flatnonzero(m.unchecked).tolist()
    ]
    shown, more = rows[:most], max(0, len(rows) - most)
    blank = not_reached(found)
    if blank:
        shown.append(Row("watch", (f"No reading yet: {names(blank, 8)}.",)))
    return Section("unchecked", "Still unchecked", tuple(shown), (), more)


def _next(found: FieldCheck, job: Job) -> Section:
    n = found.next
    if n is None:
        if found.adjustment is None:
            return Section("next", "", ())
        if not len(found.adjustment.network.sights):
            return Section("next", "", ())
        loose = bool(found.adjustment.marks.unchecked.any())
        words = (
            "No single sight from the setups of the day would check one more mark: set up the instrument anew."
            if loose
            else "No further sight from the setups of the day would make the worst figures noticeably better."
        )
        return Section("next", "Next sight", (Row("watch" if loose else "", (words,)),))
    where = "where the instrument stands" if n.standing else "to be set up there again"
    level = percent(found.adjustment.settings.confidence) if found.adjustment else ""
    rows = [
        Row("", (f"From {n.setup} ({where}) to {n.mark}, on a target set up anew, in both faces.",)),
        Row(
            "",
            (
                f"Unchecked marks {n.unchecked[0]} → {n.unchecked[1]}; "
                f"worst position {_pair(n.position, job)}; worst height ±{_pair(n.height, job)} ({level}).",
            ),
        ),
    ]
    if n.unchecked[1] >= n.unchecked[0] > 0:
        words = "It checks no further mark: for that, set the instrument up on another mark."
        rows.append(Row("watch", (words,)))
    return Section("next", "Next sight: the one that helps most, if it can be seen", tuple(rows))


def _pair(values: tuple[float, float], job: Job) -> str:
    if not math.isfinite(values[0]):
        return "none"
    one, other = (job.units.show_small_length(v) for v in values)
    if one == other:  # a digit more where one does not tell them apart
        one, other = (job.units.show_small_length(v, 2) for v in values)
    return f"{one} → {other}"


def _size(value: float, c: Check, job: Job) -> str:
    if c.quantity == "angle":
        return job.units.show_small_angle(value)
    return (
        f"{job.units.show_length(value, 2)} {job.units.length_name}"
        if value >= 1.0
        else job.units.show_small_length(value)
    )


def check_document(job: Job | None, faults: Sequence[Fault], found: FieldCheck | None) -> dict[str, Any]:
    """`check --json`: faults, checks, unchecked and next; SI and radians, null where undefined."""
    document: dict[str, Any] = {
        "format": 1,
        "job": job.name if job else None,
        "faults": [dataclasses.asdict(f) for f in faults],
    }
    if found is None:
        return document | {
            "flagged": None,
            "checks": [],
            "slips": [],
            "adjusted": False,
            "trouble": [],
            "unchecked": [],
            "not_reached": [],
            "next": None,
        }
    unchecked: list[dict[str, Any]] = []
    if found.adjustment is not None:
        m = found.adjustment.marks
        unchecked = [
            {"mark": str(m.mark[i]), "by": [str(b) for b in m.unchecked_by[i]]}
            for i in np.flatnonzero(m.unchecked).tolist()
        ]
    return document | {
        "flagged": found.flagged or bool(found.adjustment and found.adjustment.flagged),
        "checks": [_plain(c) for c in found.checks],
        "slips": [{"check": i} | _plain(s) for i, of_check in found.slips for s in of_check],
        "adjusted": found.adjustment is not None,
        "trouble": [_plain(t) for t in (*found.trouble, *found.hanging)],
        "unchecked": unchecked,
        "not_reached": list(not_reached(found)),
        "next": _plain(found.next) if found.next else None,
    }


def _plain(value: Any) -> dict[str, Any]:
    return {k: _null(v) for k, v in dataclasses.asdict(value).items()}


def _null(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {k: _null(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_null(v) for v in value]
    return value.item() if isinstance(value, np.generic) else value

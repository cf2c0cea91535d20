"""The catch rate of a network in words, and as a document for programs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from hubtack.io.pages.words import Row, Section, Sign

if TYPE_CHECKING:
    from hubtack.adjust.catch_rate.planted import Amount
    from hubtack.adjust.catch_rate.tally import CatchRate, CleanDays, Coverage, Rate
    from hubtack.io.job import Job
    from hubtack.io.units import Units

FAR = 3.0  # sigmas by which a share may miss its nominal value before it is marked
MANY = 0.05  # share of days that chance alone may well give a flag on top of: more is marked
NAMED = 12  # names in a line
WRONG = 0.05  # share of wrong names from which a row is marked


def trial_sections(rate: CatchRate, job: Job, runs: int, blunders: bool) -> tuple[Section, ...]:
    """All sections that have something to say."""
    sections = (
        _verdict(rate, blunders),
        _clean(rate.clean, job),
        _caught(rate, job.units, runs),
        _unseen(rate, job.units),
        _key(rate),
    )
    return tuple(s for s in sections if s.rows)


def _verdict(rate: CatchRate, blunders: bool) -> Section:
    rows = []
    if rate.done < rate.wanted:
        rows.append(Row("watch", (f"Broken off: {rate.done} of {rate.wanted} days were invented.",)))
    real = [r for r in rate.rates if r.cases]
    if real:
        cases, first = sum(r.cases for r in real), sum(r.first for r in real)
        seen, named = sum(r.shown for r in real), first + sum(r.rival for r in real)
        words = (
            f"{cases} days with one mistake: {_percent(seen, cases)} are noticed, in {_percent(first, cases)} "
            f"the right cause stands first, in {_percent(named, cases)} it is named at all."
        )
        sign: Sign = "ok" if seen >= 0.95 * cases else "watch"
        rows.append(Row(sign, (words,)))
    elif not blunders:
        words = "Days without a mistake. --blunders adds the catch rate: which mistakes this network shows."
        rows.append(Row("", (words,)))
    return Section("verdict", "", tuple(rows))


def _clean(c: CleanDays, job: Job) -> Section:
    """What days without a mistake look like."""
    if not c.days:
        return Section("clean", "", ())
    good = c.days - c.not_adjusted
    confidence = job.settings.confidence
    level = f"{100.0 * confidence:.4g} %"
    rows = [
        _coverage(c.ellipses, f"{level} ellipses", "of the cases", confidence),
        _coverage(c.heights, f"{level} heights", "of the cases", confidence),
    ]
    if good:
        tail = f" (nominal {_percent(1.0 - confidence, 1.0)})"
        rows += [
            Row("", (f"Global test: fails on {c.failed} of {good} days{tail}.",)),
            Row(
                "",
                (
                    f"Flags: {c.readings_flagged} of {c.readings} readings "
                    f"({_percent(c.readings_flagged, c.readings, 2)}; nominal {100.0 * job.settings.alpha:g} %).",
                ),
            ),
            Row(
                "watch" if c.found > max(1.0, MANY * good) else "",
                (f"False findings: on {c.found} of {good} days.",),
            ),
        ]
    if c.not_adjusted:
        rows.append(Row("flagged", (f"Not adjusted: {c.not_adjusted} of {c.days} days.",)))
    days = f"{c.days} day{'s' * (c.days != 1)} without a mistake"
    return Section("clean", days, tuple(r for r in rows if r is not None))


def _coverage(c: Coverage, what: str, of: str, nominal: float) -> Row | None:
    if not c.cases:
        return None
    doubt = "" if math.isnan(c.sigma) else f" ± {100.0 * c.sigma:.1f}"
    off = not math.isnan(c.sigma) and abs(c.share - nominal) > FAR * max(c.sigma, 1e-9) and c.cases > 100
    words = f"{what} hold the truth in {100.0 * c.share:.1f}{doubt} % {of} ({c.cases})."
    return Row("watch" if off else "", (words,))


def _caught(rate: CatchRate, units: Units, runs: int) -> Section:
    """The table: one row a mistake and size, in % of its days."""
    real = [r for r in rate.rates if r.cases]
    if not real:
        return Section("caught", "", ())
    headings = ("planted", "size", "seen", "first", "rival", "wrong", "missed", "failed")
    days = f"{runs} day{'s' * (runs != 1)}"
    title = f"Days with one mistake, in % of {days} each{'' if rate.done == rate.wanted else ' at most'}"
    return Section("caught", title, tuple(_row(r, units) for r in real), headings)


def _row(r: Rate, units: Units) -> Row:
    counts = (r.shown, r.first, r.rival, r.wrong, r.missed, r.not_adjusted)
    figures = tuple(f"{100.0 * k / r.cases:.0f}" if k else "." for k in counts)
    sign: Sign = "flagged" if _misled(r) else "ok" if r.first + r.rival == r.cases else ""
    return Row(sign, (r.kind.plant.name, size_words(r.kind.amount, units), *figures))


def _unseen(rate: CatchRate, units: Units) -> Section:
    """Where even the largest mistake of its kind that was tried was never named."""
    largest = {r.kind.plant.name: r for r in rate.rates if r.cases and r.kind.amount.unit != "least"}
    rows = []
    for name, r in largest.items():
        if r.never_named:
            size = size_words(r.kind.amount, units)
            where = ", ".join(f"{subject} ({days})" for subject, days in r.never_named[:NAMED])
            more = len(r.never_named) - NAMED
            words = f"{name}{f', {size}' if size else ''}: {where}{f' and {more} more' if more > 0 else ''}."
            rows.append(Row("watch", (words,)))
    return Section("unseen", "Never named where it was planted (on how many days)", tuple(rows))


def _misled(r: Rate) -> bool:
    """Whether a wrong cause is put forward as sure too often."""
    return r.wrong_sure > WRONG * r.cases


def _key(rate: CatchRate) -> Section:
    """What the columns mean, and what could not be tried."""
    real = [r for r in rate.rates if r.cases]
    if not real:
        return Section("key", "", ())
    lines = [
        "seen: flagged, a finding, or not adjustable. first: the right name and cause stand first. rival: they are named, "
        "behind another. wrong: findings, and none is right. missed: no finding. failed: not adjustable, "
        "and no cause found. MDB: minimal detectable bias of what is wrong.",
    ]
    if any(_misled(r) for r in real):
        lines.append("✗: a wrong cause is named, as if nothing else could be, in more than 5 % of the days.")
    none = dict.fromkeys(r.kind.plant.name for r in rate.rates if not r.cases)
    left = [name for name in none if all(r.cases == 0 for r in rate.rates if r.kind.plant.name == name)]
    if left and rate.done == rate.wanted:
        lines.append(f"Nothing in this job to try it on: {', '.join(left)}.")
    blind = [n for n in none if n not in left]
    if blind and rate.done == rate.wanted:
        lines.append(f"No finite MDB, whatever its size: {', '.join(blind)}.")
    return Section("key", "Reading the table", tuple(Row("", (line,)) for line in lines))


def size_words(amount: Amount, units: Units) -> str:
    """A planted size in the job's units: short, since it stands in a table."""
    value = amount.value
    if amount.unit == "least":
        return f"{value:g} MDB"
    if amount.unit == "length":
        return units.show_small_length(value, 1 if value < 0.01 or round(value * 1e4) % 10 else 0)
    if amount.unit == "angle":
        degrees = math.degrees(value)
        if degrees >= 1.0 and units.angle != "gon":
            return f"{degrees:.3g} deg"
        return units.show_small_angle(value, 0)
    return f"{value * 1e6:.0f} ppm" if amount.unit == "ratio" else ""


def trials_document(rate: CatchRate, job: Job, runs: int, seed: int) -> dict[str, Any]:
    """For programs: SI, radian, ratios; None where undefined."""
    c = rate.clean
    return {
        "format": 1,
        "job": job.name,
        "seed": seed,
        "runs": runs,
        "days": {"done": rate.done, "wanted": rate.wanted},
        "clean": {
            "days": c.days,
            "not_adjusted": c.not_adjusted,
            "global_test_failed": c.failed,
            "flagged": c.flagged,
            "with_findings": c.found,
            "readings": c.readings,
            "readings_flagged": c.readings_flagged,
            "confidence": job.settings.confidence,
            "ellipses": _held(c.ellipses),
            "heights": _held(c.heights),
        },
        "caught": [_record(r) for r in rate.rates],
    }


def _held(c: Coverage) -> dict[str, Any]:
    return {"held": c.held, "cases": c.cases, "share": _number(c.share), "sigma": _number(c.sigma)}


def _record(r: Rate) -> dict[str, Any]:
    amount = r.kind.amount
    return {
        "planted": r.kind.plant.name,
        "size": _number(amount.value),
        "unit": {"least": "minimal detectable bias", "chance": None}.get(amount.unit, amount.unit),
        "cases": r.cases,
        "seen": r.shown,
        "first": r.first,
        "rival": r.rival,
        "wrong": r.wrong,
        "wrong_and_sure": r.wrong_sure,
        "missed": r.missed,
        "not_adjusted": r.not_adjusted,
        "never_named": [{"name": name, "days": days} for name, days in r.never_named],
    }


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _percent(part: float, whole: float, decimals: int = 0) -> str:
    return f"{100.0 * part / whole:.{decimals}f} %" if whole else "none"

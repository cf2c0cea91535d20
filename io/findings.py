"""Findings as sentences in the job's units, and as they stand in result.json.

    T014 on P7 (setups.csv:15): the height 1.500 m looks 99.6 ± 1.1 mm too high: one notch of 100 mm fits.
    Rivals: none. Corrected, P7 drops by 33 mm.

The engine gives a cause with numbers; its sentence with slots stands in `adjust.judge.causes`; here the slots are filled.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from hubtack.adjust.judge.causes import CAUSES

from .units import METRES

if TYPE_CHECKING:
    from hubtack.adjust.ground.network import Network
    from hubtack.adjust.judge.finding import Apart, Explanation, Finding, Remedy
    from hubtack.adjust.judge.written import Written
    from hubtack.adjust.trouble import NotConverged

    from .faults import Fault
    from .job import Job
    from .units import Units

SHOWN = 3  # rivals in a sentence
_WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
_NUMBERS = ("", "one", "two", "three", "four", "five")
_LONG = ("distance", "prism", "scale")


def written_in(units: Units) -> Written:
    """How the book was kept, for slips of the pen: what `judge` wants to know."""
    from hubtack.adjust.judge.written import Written

    return Written(METRES[units.length], units.angle)


def sentence(finding: Finding, job: Job) -> str:
    """A finding in one paragraph: where, what, how sure, what else, and what a correction does."""
    first = finding.first
    parts = [f"{place(first, job)}: {claim(first, job)}."]
    parts.append(_rivals(finding, job))
    if finding.apart is not None:
        parts.append(f"To tell them apart: {apart_text(finding.apart, job.units)}.")
    if finding.told and finding.moved:
        parts.append(_moved(finding, job.units))
    return " ".join(parts)


def unsettled_faults(trouble: NotConverged, job: Job) -> list[Fault]:
    """What would explain that an adjustment did not settle, as faults behind its own."""
    from hubtack.adjust.judged import unsettled

    from .faults import Fault

    found = [
        Fault("", 0, "", "NET309", sentence(f, job), _remedy_words(f, job))
        for f in unsettled(trouble, written_in(job.units))[:SHOWN]
    ]
    if found:
        return found
    said = "No single cause was found that would explain it."
    return [Fault("", 0, "", "NET309", said, "`hubtack check` tells where marks and their sights disagree.")]


def _remedy_words(finding: Finding, job: Job) -> str:
    """The decisions that one could take on it, in words."""
    told = [f'{r.action} = "{r.target}"' for r in finding.remedies]
    return f"If so, decide in job.toml: {', or '.join(told)}." if told else ""


def record(finding: Finding, job: Job) -> dict[str, Any]:
    """A finding as in result.json: SI and radian, None where undefined, and its sentence."""
    first = finding.first
    return {
        "rank": finding.rank,
        "what": first.what,
        "name": first.name,
        "cause": first.cause,
        "size": _number(first.size),
        "unit": first.unit,
        "sigma": _number(first.sigma),
        "statistic": first.statistic,
        "freedoms": first.freedoms,
        "critical": finding.critical,
        "probability": finding.probability,
        "tried": finding.tried,
        "told": finding.told,
        "rivals": [
            {
                "what": r.what,
                "name": r.name,
                "cause": r.cause,
                "size": _number(r.size),
                "unit": r.unit,
                "statistic": r.statistic,
                "correlation": r.correlation,
            }
            for r in finding.rivals
        ],
        "rivals_not_shown": finding.rivals_not_shown,
        "apart": _apart_record(finding.apart, job.units),
        "decisions": [decision(r, job.units) for r in finding.remedies],
        "text": sentence(finding, job),
    }


def decision(remedy: Remedy, units: Units) -> dict[str, str]:
    """The `[[decision]]` that would put it right: leave_out, or correct and value, as job.toml wants them."""
    if remedy.action == "leave_out":
        return {"leave_out": remedy.target}
    value = remedy.value
    if isinstance(value, float):
        value = f"{units.show_length(value, 4)} {units.length_name}"
    return {"correct": remedy.target, "value": str(value)}


def place(e: Explanation, job: Job) -> str:
    """What it is about, and where that stands in the files."""
    network = job.network
    if e.what == "setup":
        mark = network.marks.mark[network.setups.mark[e.subject]]
        return f"{e.name} on {mark} ({job.place('setups', e.subject)})"
    if e.what in ("control", "mark"):
        return f"{e.what} {e.name} ({job.place('marks', e.subject)})"
    if e.what == "sight":
        for table, rows in (
            ("sights", network.sights),
            ("reduced", network.reduced),
            ("vectors", network.vectors),
        ):
            at = [i for i, name in enumerate(rows.id) if str(name) == e.name]
            if at:
                return f"{_sight_words(network, table, at[0])} ({job.place(table, at[0])})"
    group = e.group
    kind = "target" if e.cause in ("device_constant", "other_device") else "instrument"
    return f"{'support' if group == 'lean' else kind} {e.name}"


def claim(e: Explanation, job: Job) -> str:
    """The sentence of the cause with its slots filled."""
    return CAUSES[e.cause].sentence.format(**_slots(e, job))


def apart_text(apart: Apart, units: Units) -> str:
    """What to observe, in words."""
    marks = apart.marks
    by = f" (they differ there by {_small(units, apart.difference)})" if apart.difference > 0.0 else ""
    if apart.kind == "level" and len(marks) == 2:
        return f"level from {marks[0]} to {marks[1]}{by}"
    if apart.kind == "tape" and len(marks) == 2:
        return f"measure the distance from {marks[0]} to {marks[1]} anew{by}"
    if apart.kind == "known" and marks:
        return f"tie {' or '.join(marks[:2])} to a further known mark"
    if apart.kind == "sight" and marks:
        where = " and ".join(marks[:2])
        again = (
            f", and measure {' and '.join(apart.setups[:2])} again if still standing" if apart.setups else ""
        )
        return f"set up anew on {where} and sight it from another setup{again}"
    where = f" between {' and '.join(marks[:2])}" if len(marks) > 1 else f" at {marks[0]}" if marks else ""
    return f"measure again{where}"


def _slots(e: Explanation, job: Job) -> dict[str, str]:
    units, network = job.units, job.network
    cause = CAUSES[e.cause]
    slots = dict.fromkeys(("size", "value", "other", "others", "entered", "right", "row", "way"), "")
    slots["size"] = _size(e, units)
    slots["way"] = _way(e)
    if cause.group == "height":
        slots["entered"] = (
            f"{units.show_length(float(network.setups.height[e.subject]), 3)} {units.length_name}"
        )
        _height_slots(slots, e, job)
    elif e.cause in ("other_prism", "other_device"):
        slots["value"] = _constant(units, abs(e.value))
    elif e.cause == "control_digits_swapped":
        slots["other"] = str(e.detail[0])
        slots["entered"], slots["right"] = (
            f"{units.show_length(float(str(v)), 3)} {units.length_name}" for v in e.detail[1:3]
        )
    elif e.cause in ("orientation_step", "wrong_face") or cause.code.endswith("digits_swapped"):
        slots["row"] = str(e.detail[0])
    elif e.cause == "orientation_ramp":
        slots["row"] = str(e.detail[1])
    elif e.cause in ("wrong_mark", "names_swapped", "wrong_target", "same_point") and e.detail:
        slots["other"] = str(e.detail[0])
    return slots


def _height_slots(slots: dict[str, str], e: Explanation, job: Job) -> None:
    units, setups = job.units, job.network.setups

    def length(value: object) -> str:
        return f"{units.show_length(float(str(value)), 3)} {units.length_name}"

    if e.cause == "graduation_step":
        slots["value"] = _steps(int(str(e.detail[0])), float(str(e.detail[1])))
    elif e.cause in ("height_left_over", "hi_not_updated"):
        slots["other"] = str(setups.setup[int(str(e.detail[1]))])
    elif e.cause == "support_height_taken":
        slots["other"] = str(e.detail[1])
    elif len(e.detail) > 1:
        slots["right"] = length(e.detail[1])
        if len(e.detail) > 2:
            slots["other"] = str(e.detail[2])


def _steps(count: int, step: float) -> str:
    """One notch of 100 mm, two feet, three tenths of a foot."""
    number = _NUMBERS[count] if count < len(_NUMBERS) else str(count)
    if abs(step - 0.1) < 1e-9:
        return f"{number} notch{'es' if count > 1 else ''} of 100 mm"
    if abs(step - METRES["ft"]) < 1e-9:
        return f"{number} {'feet' if count > 1 else 'foot'}"
    return f"{number} tenth{'s' if count > 1 else ''} of a foot"


def _size(e: Explanation, units: Units) -> str:
    """|size| ± sigma, in small units; a displacement of metres in the job's own."""
    size, sigma = abs(e.size), e.sigma
    if not math.isfinite(size):
        return ""
    if e.unit == "ratio":
        return f"{size * 1e6:.0f} ± {sigma * 1e6:.0f} ppm"
    if e.unit == "angle":
        value, spread = (units.small_angle_of(v) for v in (size, sigma))
        return _pair(value, spread, units.small_angle_name)
    if units.length == "m" and size < 2.0:
        return _pair(size * 1e3, sigma * 1e3, "mm")
    return _pair(units.length_of(size), units.length_of(sigma), units.length_name)


def _pair(value: float, spread: float, unit: str) -> str:
    """A value and its sigma with two significant digits, at most two decimals of a small unit."""
    if not math.isfinite(spread) or spread <= 0.0:
        return f"{value:.2f} {unit}"
    most = 2 if unit in ("mm", "arcsec", "mgon") else 4
    decimals = min(max(0, 1 - math.floor(math.log10(spread))), most)
    return f"{value:.{decimals}f} ± {spread:.{decimals}f} {unit}"


def _way(e: Explanation) -> str:
    if e.cause in ("off_mark", "base_off_mark", "control_moved") and len(e.vector) >= 2:
        return _wind(e.vector[0], e.vector[1])
    if e.cause in ("off_mark", "base_off_mark", "control_moved"):
        return "the side"
    positive = e.size > 0.0
    if e.group in ("height", "control"):
        return "high" if positive else "low"
    if e.cause.startswith(_LONG) or e.group in _LONG or e.cause == "device_constant":
        return "long" if positive else "short"
    return "large" if positive else "small"


def _wind(east: float, north: float) -> str:
    return _WINDS[round(math.degrees(math.atan2(east, north)) / 45.0) % 8]


def _rivals(finding: Finding, job: Job) -> str:
    if not finding.rivals:
        if finding.exhausted:
            return "More is wrong than can be taken apart: look at what these have in common."
        return "Rivals: none." if finding.told else "So few known marks can't settle whose name is wrong."
    shown = [_rival(r, finding.first, job) for r in finding.rivals[:SHOWN]]
    more = len(finding.rivals) - len(shown) + finding.rivals_not_shown
    words = "; ".join(shown) + (f"; and {more} more" if more else "")
    if not finding.told:
        return f"The geometry cannot tell this from: {words}."
    return f"Rivals: {words}."


def _rival(r: Explanation, first: Explanation, job: Job) -> str:
    size = _size(r, job.units)
    where = "the same" if (r.what, r.name) == (first.what, first.name) else place(r, job)
    return f"{where}, {CAUSES[r.cause].short}" + (f" ({size})" if size else "")


def _moved(finding: Finding, units: Units) -> str:
    name, east, north, height = finding.moved[0]
    plan = math.hypot(east, north)
    verb = "Corrected" if any(r.action == "correct" for r in finding.remedies) else "Without it"
    if abs(height) >= plan:
        return f"{verb}, {name} {'drops' if height < 0.0 else 'rises'} by {_small(units, abs(height))}."
    return f"{verb}, {name} moves {_small(units, plan)} to the {_wind(east, north)}."


def _small(units: Units, metres: float) -> str:
    """A length without its sigma: whole millimetres from ten on, the job's own unit from a metre on."""
    if metres >= 1.0:
        return f"{units.show_length(metres, 2)} {units.length_name}"
    return units.show_small_length(metres, 0 if metres >= 0.01 else 1)


def _constant(units: Units, metres: float) -> str:
    """A prism constant: to the tenth of a millimetre, where it has one."""
    tenths = round(metres * 1e4)
    return units.show_small_length(metres, 0 if units.length == "m" and tenths % 10 == 0 else 1)


def _sight_words(network: Network, table: str, row: int) -> str:
    if table != "sights":
        return str(getattr(network, table).id[row])
    s, setups = network.sights, network.setups.setup
    return f"sight {s.id[row]}, {setups[s.start[row]]} to {setups[s.end[row]]}"


def _apart_record(apart: Apart | None, units: Units) -> dict[str, Any] | None:
    if apart is None:
        return None
    return {
        "kind": apart.kind,
        "marks": list(apart.marks),
        "setups": list(apart.setups),
        "difference": _number(apart.difference),
        "text": apart_text(apart, units),
    }


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None

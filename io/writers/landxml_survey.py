"""The Survey part of network.xml: settings, devices, setups and sights. See `landxml` for units and Features.

    Survey
        SurveyHeader        name the job's, type "surveyed"; the Features of the job (see `landxml`)
        Equipment           the first instrument: InstrumentDetails id "instrument-1", model its name; Corrections
                            refractionCoefficient the job's k. (The schema has room for one; all stand in Features.)
        TargetSetup         id "setup-N", N the row of setups.csv; targetHeight vertical; prismConstant still to be added to
                            recorded distances, the target's or the setup's own
        InstrumentSetup     id "setup-N"; stationName the mark; instrumentHeight vertical, 0 where none was entered (the
                            schema demands one); InstrumentPoint pntRef the mark
            RawObservation  one a row of sights.csv, in the order of that file within each setup: setupID, targetSetupID,
                            setID the round, purpose normal, targetHeight, horizAngle the circle reading, zenithAngle,
                            slopeDistance or horizDistance as recorded, directFace true on face 1, unused true where a
                            decision left the sight out (of single observations the decision alone tells);
                            TargetPoint pntRef the target's mark

    Feature in each setup   hubtack setup: setup, role, mark, support, device, height (as entered: slant where the support
                            says so), base, height_base, prism_constant (as entered), facing, temperature, pressure,
                            started, note; kind and height_kind of the support, sigma_centring, sigma_height of the model
    Feature in each sight   hubtack sight: row (in sights.csv), id, from, to, round, face, time, note

Values are those that were adjusted with. Where a decision corrected one, the Feature also has `before COLUMN` with the cell
as it was (`1.500 m`, or `blank`): a reader that puts it back, and applies the decisions of the header, has the raw job.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.adjust.ground.supports import centring_sigmas, height_sigmas, vertical_heights
from hubtack.adjust.model.observations import KINDS
from hubtack.io.readers.columns import GEOCENTRIC, LOCAL
from hubtack.io.readers.together import constant_name
from hubtack.io.units import ARCSEC, METRES

from .landxml_elements import FileUnits, child, clean, feature

if TYPE_CHECKING:
    from lxml.etree import _Element

    from hubtack.adjust.ground.network import Network
    from hubtack.adjust.settings import Settings
    from hubtack.io.job import Job


def add_survey(survey: _Element, net: Network, settings: Settings, job: Job, units: FileUnits) -> None:
    """Fill the Survey element."""
    header = child(survey, "SurveyHeader", name=clean(job.name) or "job", type="surveyed")
    _header(header, net, settings, job)
    if len(net.instruments):
        equipment = child(survey, "Equipment")
        details = child(
            equipment, "InstrumentDetails", id="instrument-1", model=clean(net.instruments.instrument[0])
        )
        child(details, "Corrections", refractionCoefficient=repr(settings.refraction))
    _setups(survey, net, job, units)
    _between_marks(survey, net, job, units)


# -- the job --


def _header(header: _Element, net: Network, settings: Settings, job: Job) -> None:
    s = settings
    about = {"format": 1, "name": job.name, "length": job.units.length, "angle": job.units.angle}
    feature(header, "job", about.items())
    site = {
        "frame": "plane",
        "refraction": repr(s.refraction),
        "refraction_sigma": repr(s.refraction_sigma),
        "scale_factor": repr(s.scale_factor),
        "reference_height": "" if s.reference_height is None else _length(s.reference_height),
        "correlation": s.correlation,
    }
    feature(header, "site", site.items())
    tests = ("confidence", "alpha", "power", "unchecked_ratio")
    feature(header, "tests", [(name, repr(getattr(s, name))) for name in tests])
    if s.datum_marks:
        feature(header, "datum", [("mark", mark) for mark in s.datum_marks])
    for start, end in s.pairs:
        feature(header, "pair", [("from", start), ("to", end)])
    _devices(header, net)
    for decision in job.decisions:
        parts = ("action", "what", "value", "reason", "by")
        feature(header, "decision", [(name, getattr(decision, name)) for name in parts])


def _air(net: Network, row: int) -> dict[str, str]:
    """What an instrument says of the air, and of its spot."""
    table = net.instruments
    out = {"atmosphere": str(table.atmosphere[row])} if table.atmosphere[row] else {}
    if np.isfinite(table.wavelength[row]):
        out["wavelength"] = _quantity(float(table.wavelength[row]), ("nm", 1e-9), ("um", 1e-6))
    if np.isfinite(table.reference_temperature[row]):
        humidity = float(table.reference_humidity[row])
        parts = [
            f"{float(table.reference_temperature[row])!r} K",
            f"{float(table.reference_pressure[row])!r} Pa",
        ]
        out["reference_air"] = ", ".join(
            parts + ([f"{100.0 * humidity:.10g} %"] if np.isfinite(humidity) else [])
        )
    if table.spot[row]:
        out["spot"] = _length(table.spot[row])
    return out


def _devices(header: _Element, net: Network) -> None:
    table, supports, targets = net.instruments, net.supports, net.targets
    for i, name in enumerate(table.instrument):
        properties = {
            "direction": _angle(table.direction[i]),
            "zenith": _angle(table.zenith[i]),
            "distance": _distance(table.distance[i], table.distance_ppm[i]),
            "reflectorless": _distance(table.reflectorless[i], table.reflectorless_ppm[i]),
            "distance_zero_sigma": _length(table.distance_zero_sigma[i]),
            "distance_scale_sigma": f"{_ratio(table.distance_scale_sigma[i])} ppm",
            "collimation_sigma": _angle(table.collimation_sigma[i]),
            "index_sigma": _angle(table.index_sigma[i]),
        }
        values = {
            "distance_zero": _length(table.distance_zero[i]),
            "distance_scale": f"{_ratio(table.distance_scale[i])} ppm",
            "collimation": _angle(table.collimation[i]),
            "index": _angle(table.index[i]),
        }
        properties |= {key: text for key, text in values.items() if getattr(table, key)[i] != 0.0}
        properties |= _air(net, i)
        feature(header, "instrument", properties.items(), str(name))
    for i, name in enumerate(supports.support):
        lengths = (
            "height_sigma",
            "bubble_off_centre",
            "plummet",
            "mark",
            "centring_sigma",
            "slant_offset",
            "slant_radius",
        )
        properties = {"kind": str(supports.kind[i]), "height": str(supports.height_kind[i])}
        properties |= {key: _length(getattr(supports, key)[i]) for key in lengths}
        properties |= {key: _angle(getattr(supports, key)[i]) for key in ("bubble", "bubble_error")}
        offset = ("height_offset", "height_offset_sigma")
        properties |= {key: _length(v) for key in offset if (v := getattr(supports, key)[i]) != 0.0}
        feature(header, "support", properties.items(), str(name))
    for i, name in enumerate(targets.target):
        mode = "reflectorless" if targets.reflectorless[i] else "prism"
        given = [("mode", mode), ("constant", _length(targets.constant[i]))]
        if targets.constant_sigma[i] > 0.0:
            given.append(("constant_sigma", _length(targets.constant_sigma[i])))
        given.append(("scanner_sigma", _length(targets.scanner_sigma[i])))
        feature(header, "target", given, str(name))
    sessions = net.sessions
    for i, name in enumerate(sessions.session):
        properties = {key: _angle(getattr(sessions, key)[i]) for key in ("turn_sigma", "tilt_sigma")}
        properties["scale_sigma"] = f"{_ratio(sessions.scale_sigma[i])} ppm"
        feature(header, "session", properties.items(), str(name))
    for known in net.together:
        names = [("constant", constant_name(net, *c)) for c in known.constants]
        rows = [("row", " ".join(map(repr, r[:i].tolist()))) for i, r in enumerate(known.correlation) if i]
        feature(header, "together", [*names, *rows])


# -- setups and sights --


def _setups(survey: _Element, net: Network, job: Job, units: FileUnits) -> None:
    setups, heights = net.setups, vertical_heights(net)
    marks = [clean(str(n)) for n in net.marks.mark]
    facts = _setup_facts(net, job, units)
    sighted: dict[int, list[int]] = {}
    for i, start in enumerate(net.sights.start.tolist()):
        sighted.setdefault(start, []).append(i)
    for i in np.flatnonzero(~setups.instrument).tolist():
        constant = setups.prism_constant[i]
        if np.isnan(constant) and setups.device[i] >= 0:
            constant = net.targets.constant[setups.device[i]]
        target = child(
            survey,
            "TargetSetup",
            id=f"setup-{i + 1}",
            targetHeight=units.length(heights[i]),
            prismConstant=units.length(constant),
        )
        feature(target, "setup", facts[i].items())
    observed = _sight_facts(net, job)
    for i in np.flatnonzero(setups.instrument).tolist():
        mark = marks[setups.mark[i]]
        details = "instrument-1" if setups.device[i] == 0 else ""
        setup = child(
            survey,
            "InstrumentSetup",
            id=f"setup-{i + 1}",
            instrumentDetailsID=details,
            stationName=mark,
            instrumentHeight=units.length(heights[i]) or "0",
        )
        child(setup, "InstrumentPoint", pntRef=mark)
        feature(setup, "setup", facts[i].items())
        for row in sighted.get(i, ()):
            _sight(setup, net, row, heights, units, marks, observed[row])


def _sight(
    setup: _Element,
    net: Network,
    row: int,
    heights: Any,
    units: FileUnits,
    marks: list[str],
    facts: dict[str, str],
) -> None:
    s = net.sights
    end = int(s.end[row])
    sight = child(
        setup,
        "RawObservation",
        setupID=f"setup-{int(s.start[row]) + 1}",
        targetSetupID=f"setup-{end + 1}",
        setID=str(int(s.round[row])),
        purpose="normal",
        targetHeight=units.length(heights[end]),
        horizAngle=units.angle(s.circle[row]),
        zenithAngle=units.angle(s.zenith[row]),
        slopeDistance=units.length(s.slope[row]),
        horizDistance=units.length(s.horizontal[row]),
        directFace="true" if s.face[row] == 1 else "false",
        unused="" if s.used[row] else "true",
    )
    child(sight, "TargetPoint", pntRef=marks[net.setups.mark[end]])
    feature(sight, "sight", facts.items())


def _setup_facts(net: Network, job: Job, units: FileUnits) -> list[dict[str, str]]:
    """Properties of the Feature of each setup."""
    setups, texts = net.setups, job.texts.get("setups", {})
    centring, height = centring_sigmas(net, vertical_heights(net)), height_sigmas(net)
    before = {what[1:]: b for what, b in _corrected(job) if what[0] == "setup"}
    out = []
    for i in range(len(setups)):
        instrument, device, support = (
            bool(setups.instrument[i]),
            int(setups.device[i]),
            int(setups.support[i]),
        )
        name = str(setups.setup[i])
        devices = net.instruments.instrument if instrument else net.targets.target
        facts = {
            "setup": name,
            "role": "instrument" if instrument else "target",
            "mark": str(net.marks.mark[setups.mark[i]]),
            "support": str(net.supports.support[support]),
            "device": str(devices[device]),
            "height": units.length(setups.height[i]),
            "base": _cell(texts, "base", i) or _group("base", setups.base[i]),
            "height_base": _cell(texts, "height_base", i) or _group("height_base", setups.height_base[i]),
            "prism_constant": units.length(setups.prism_constant[i]),
        }
        facts |= {
            c: _cell(texts, c, i)
            for c in ("facing", "temperature", "pressure", "humidity", "started", "note")
        }
        facts["incidence"] = (
            f"{math.degrees(setups.incidence[i])!r} deg" if np.isfinite(setups.incidence[i]) else ""
        )
        facts |= {
            f"before {c}": before[name, c]
            for c in ("height", "mark", "prism_constant")
            if (name, c) in before
        }
        facts |= {
            "kind": str(net.supports.kind[support]),
            "height_kind": str(net.supports.height_kind[support]),
            "sigma_centring": _length(centring[i]),
            "sigma_height": _length(height[i]),
        }
        out.append(facts)
    return out


def _sight_facts(net: Network, job: Job) -> list[dict[str, str]]:
    """Properties of the Feature of each sight."""
    s, texts = net.sights, job.texts.get("sights", {})
    before = {what[1:]: b for what, b in _corrected(job) if what[0] == "sight"}
    out = []
    for i in range(len(s)):
        name = str(s.id[i])
        facts = {
            "row": str(i + 1),
            "id": name,
            "from": str(net.setups.setup[s.start[i]]),
            "to": str(net.setups.setup[s.end[i]]),
            "round": str(int(s.round[i])),
            "face": str(int(s.face[i])),
        }
        facts |= {c: _cell(texts, c, i) for c in ("time", "note")}
        facts["before face"] = before.get((name, "face"), "")
        out.append(facts)
    return out


def _corrected(job: Job) -> list[tuple[tuple[str, str, str], str]]:
    """What decisions corrected, as (setup or sight, its name, the column), with the cell as it was."""
    out = []
    for d in job.decisions:
        if d.action == "correct":
            kind, _, rest = d.what.partition(" ")
            name, _, column = rest.strip().rpartition(" ")
            out.append(((kind, name.strip(), column), d.before))
    return out


# -- between marks --


def _between_marks(survey: _Element, net: Network, job: Job, units: FileUnits) -> None:
    marks, reduced, vectors = net.marks.mark, net.reduced, net.vectors
    notes = {name: job.texts.get(name, {}) for name in ("reduced", "vectors")}
    for i in range(len(reduced)):
        angle = KINDS[reduced.kind[i]].quantity == "angle"
        properties = {
            "id": str(reduced.id[i]),
            "kind": str(reduced.kind[i]).partition(".")[0],
            "reference": str(reduced.kind[i]).partition(".")[2],
            "from": str(marks[reduced.start[i]]),
            "at": str(marks[reduced.at[i]]) if reduced.at[i] >= 0 else "",
            "to": str(marks[reduced.end[i]]),
            "value": units.angle(reduced.value[i]) if angle else units.length(reduced.value[i]),
            "sigma": _angle(reduced.sigma[i]) if angle else _length(reduced.sigma[i]),
            "note": _cell(notes["reduced"], "note", i),
        }
        feature(survey, "reduced", properties.items())
    for i in range(len(vectors)):
        properties = {"id": str(vectors.id[i])}
        for label, mark, setup in (
            ("from", vectors.start_mark[i], vectors.start_setup[i]),
            ("to", vectors.end_mark[i], vectors.end_setup[i]),
        ):
            properties[label] = str(net.setups.setup[setup] if setup >= 0 else marks[mark])
        properties |= {
            c: units.length(v)
            for c, v in zip(
                GEOCENTRIC if vectors.geocentric[i] else LOCAL, vectors.difference[i], strict=True
            )
        }
        for j, k in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)):
            properties[f"cov_{j + 1}{k + 1}"] = repr(float(vectors.covariance[i, j, k]))
        if vectors.session[i] >= 0:
            properties["session"] = str(net.sessions.session[vectors.session[i]])
        properties["note"] = _cell(notes["vectors"], "note", i)
        feature(survey, "vector", properties.items())


# -- quantities as job.toml writes them --


def _length(metres: float) -> str:
    """`0.2 mm`, or metres where that would not be the same number again; blank where undefined."""
    return _quantity(metres, ("mm", METRES["mm"]), ("m", 1.0))


def _angle(radians: float) -> str:
    """`1 arcsec`, or radians where that would not be the same number again; blank where undefined."""
    return _quantity(radians, ("arcsec", ARCSEC), ("rad", 1.0))


def _quantity(value: float, *units: tuple[str, float]) -> str:
    value = float(value)
    if not math.isfinite(value):
        return ""
    for name, unit in units:
        text = f"{value / unit:.12g}"
        if float(text) * unit == value:
            return f"{text} {name}"
    return f"{value!r} {units[-1][0]}"


def _distance(constant: float, ratio: float) -> str:
    """`1 mm + 1.5 ppm`; blank where undefined."""
    return f"{_length(constant)} + {_ratio(ratio)} ppm" if math.isfinite(constant) else ""


def _ratio(ratio: float) -> str:
    text = f"{ratio / 1e-6:.12g}"
    return text if float(text) * 1e-6 == ratio else repr(float(ratio / 1e-6))


def _cell(texts: dict[str, tuple[str, ...]], column: str, row: int) -> str:
    cells = texts.get(column, ())
    return cells[row] if row < len(cells) else ""


def _group(what: str, number: int) -> str:
    """A name for a group that has none."""
    return f"{what}-{int(number) + 1}" if number >= 0 else ""

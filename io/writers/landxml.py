"""network.xml: LandXML 1.2 with the adjusted marks, and the whole job as it was observed. Read back, it is the same job.

What other programs read
    Units           linearUnit meter, foot or USSurveyFoot; angles `decimal dd.mm.ss` (d-m-s jobs), `decimal degrees` or
                    `grads`: the job's own units. Azimuths run clockwise from north.
    CgPoints "adjusted"
        CgPoint     one a mark, in the order of marks.csv: "north east height" (text; shorter where less is known, empty
                    where there is no position), eastingStdError, northingStdError, elevationStdError (1 sigma, linear
                    unit), desc the note, pntSurv "control" on control, featureRef the mark's Feature below
    Survey          see `landxml_survey`

What LandXML has no word for stands in Feature elements, code "hubtack WHAT", each a list of Property (label, value). Labels
are the columns of the tables and the keys of job.toml, so each Feature is one row, or one section. Blank values are left
out. Lengths and angles in them are in the file's units unless they carry one (`0.2 mm`); d-m-s angles are packed as in
the attributes (100.2920 is 100°29′20″: read it as text). Covariances are in the square of the linear unit, except
those of vectors, which are in m² as in vectors.csv.

    in CgPoints     hubtack mark        name "mark-N" (N the row): mark, east, north, height, control, sigma_east, sigma_north,
                                        sigma_height, note as in marks.csv; and of the result adjusted_height (where the
                                        text can't hold it), cov_ee, cov_en, cov_eh, cov_nn, cov_nh, cov_hh, unchecked
    in SurveyHeader hubtack job         format, name; units: length, angle
                    hubtack site, hubtack tests    keys of [site], [tests]
                    hubtack datum       mark, once for each
                    hubtack pair        from, to; one Feature for each of [relative]
                    hubtack instrument, hubtack support, hubtack target, hubtack session    name is theirs, properties the keys of
                                        [instruments.NAME] …; target_height of a support is left out, since it stands at
                                        each setup
                    hubtack decision    action, what, value, reason, by; in their order
    in Survey       hubtack reduced, hubtack vector    rows of reduced.csv, vectors.csv

`landxml_survey` tells setups and sights, and how a value that a decision corrected is put back. The date is fixed (no
clock in the results), so the same input gives the same bytes. Not carried: [deliver], and cells that could not be read
and were left out by a decision.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.io.about import version

from .landxml_elements import NAMESPACE, FileUnits, child, clean, feature
from .landxml_survey import add_survey

if TYPE_CHECKING:
    from lxml.etree import _Element

    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

FILE = "network.xml"
_LINEAR = {"m": "meter", "ft": "foot", "us-ft": "USSurveyFoot"}
_ANGULAR = {"dms": "decimal dd.mm.ss", "deg": "decimal degrees", "gon": "grads"}


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write network.xml into `folder`."""
    from lxml import etree

    root = document(adjustment, job)
    etree.indent(root, " ")
    text = etree.tostring(root, xml_declaration=True, encoding="UTF-8")
    (folder / FILE).write_bytes(text + b"\n")


def document(adjustment: Adjustment, job: Job) -> _Element:
    """The root element."""
    from lxml import etree

    namespaces: dict[Any, str] = {None: NAMESPACE}  # the default one, without a prefix
    root = etree.Element(f"{{{NAMESPACE}}}LandXML", nsmap=namespaces)
    for name, value in (("version", "1.2"), ("date", "2000-01-01"), ("time", "00:00:00")):
        root.set(name, value)
    units = FileUnits(job.units)
    _units(child(root, "Units"), job)
    child(root, "Project", name=clean(job.name))
    child(root, "Application", name="hubtack", version=version())
    _marks(child(root, "CgPoints", name="adjusted"), adjustment, job, units)
    add_survey(child(root, "Survey"), adjustment.network, adjustment.settings, job, units)
    return root


def _units(parent: _Element, job: Job) -> None:
    metric = job.units.length == "m"
    child(
        parent,
        "Metric" if metric else "Imperial",
        areaUnit="squareMeter" if metric else "squareFoot",
        linearUnit=_LINEAR[job.units.length],
        volumeUnit="cubicMeter" if metric else "cubicFeet",
        temperatureUnit="celsius" if metric else "fahrenheit",
        pressureUnit="HPA" if metric else "inHG",
        angularUnit=_ANGULAR[job.units.angle],
        directionUnit=_ANGULAR[job.units.angle],
    )


def _marks(points: _Element, a: Adjustment, job: Job, units: FileUnits) -> None:
    m, given, texts = a.marks, a.network.marks, job.texts.get("marks", {})
    notes = texts.get("note", ("",) * len(m))
    for i in range(len(m)):
        plan = np.isfinite(m.east[i]) and np.isfinite(m.north[i])
        where = [m.north[i], m.east[i], *([m.height[i]] if np.isfinite(m.height[i]) else [])] if plan else []
        child(
            points,
            "CgPoint",
            " ".join(units.adjusted(float(x)) for x in where),
            name=clean(str(m.mark[i])),
            desc=clean(notes[i]),
            pntSurv="control" if m.control[i] else "",
            featureRef=f"mark-{i + 1}",
            northingStdError=units.adjusted(m.sigma_north[i], 8),
            eastingStdError=units.adjusted(m.sigma_east[i], 8),
            elevationStdError=units.adjusted(m.sigma_height[i], 8),
        )
    for i in range(len(m)):
        plan = np.isfinite(m.east[i]) and np.isfinite(m.north[i])
        c = m.covariance[i]
        properties: dict[str, Any] = {
            "mark": str(m.mark[i]),
            "east": units.length(given.east[i]),
            "north": units.length(given.north[i]),
            "height": units.length(given.height[i]),
            **_control(a, i, texts, units),
            "note": notes[i],
            "adjusted_height": "" if plan else units.adjusted(m.height[i]),
        }
        for j, k, term in (
            (0, 0, "ee"),
            (0, 1, "en"),
            (0, 2, "eh"),
            (1, 1, "nn"),
            (1, 2, "nh"),
            (2, 2, "hh"),
        ):
            properties[f"cov_{term}"] = units.area(c[j, k])
        properties["unchecked"] = "true" if m.unchecked[i] else ""
        feature(points, "mark", properties.items(), f"mark-{i + 1}")


def _control(a: Adjustment, row: int, texts: dict[str, tuple[str, ...]], units: FileUnits) -> dict[str, str]:
    """control and its sigmas: as they stand in the file, before any decision; else from the prior sigmas in use."""
    names = ("control", "sigma_east", "sigma_north", "sigma_height")
    if "control" in texts:
        return {name: texts[name][row] for name in names if name in texts}
    m = a.network.marks
    sigmas = [float(getattr(m, name)[row]) for name in names[1:]]
    words = []
    for word, chosen in (
        ("held", [s == 0.0 for s in sigmas]),
        ("weighted", [0.0 < s < math.inf for s in sigmas]),
    ):
        letters = "".join(letter for letter, yes in zip("enh", chosen, strict=True) if yes)
        words += [f"{word}-{letters}"] if letters else []
    given = {n: units.length(s) if 0.0 < s < math.inf else "" for n, s in zip(names[1:], sigmas, strict=True)}
    return {"control": " ".join(words), **given}

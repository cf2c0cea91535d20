"""The sample networks as LandXML of another program: no Feature of ours, ids of its own, any units."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from xml.sax.saxutils import quoteattr

import numpy as np
from tests.io.foreign import SAMPLES, table

from hubtack.io.job import Job, read_job

NAMESPACE = "http://www.landxml.org/schema/LandXML-1.2"
LENGTHS = {"meter": 1.0, "foot": 0.3048, "USSurveyFoot": 1200 / 3937, "millimeter": 1e-3}


def packed(radians: float) -> str:
    """100.2920 for 100°29′20″, to 1e-7″: written apart from the code under test."""
    total = round(math.degrees(radians) * 3600 * 10**7)
    seconds, fraction = divmod(total, 10**7)
    return f"{seconds // 3600}.{seconds // 60 % 60:02d}{seconds % 60:02d}{fraction:07d}".rstrip("0")


ANGLES: dict[str, Callable[[float], str]] = {
    "decimal dd.mm.ss": packed,
    "decimal degrees": lambda a: f"{math.degrees(a):.12f}",
    "grads": lambda a: f"{a * 200 / math.pi:.12f}",
    "radians": lambda a: f"{a:.15f}",
}


def element(name: str, attributes: dict[str, str], inside: str = "") -> str:
    """One element; blank attributes are left out."""
    given = "".join(f" {k}={quoteattr(v)}" for k, v in attributes.items() if v)
    return f"<{name}{given}>{inside}</{name}>\n" if inside else f"<{name}{given}/>\n"


def survey_xml(
    name: str, linear: str = "meter", angular: str = "decimal dd.mm.ss", version: str = "1.2"
) -> str:
    """A sample's marks with coordinates, setups and sights. Values come from the job as read, not from its text."""
    job = read_job(SAMPLES / name)
    net, s = job.network, job.network.sights

    def length(metres: float) -> str:
        return "" if np.isnan(metres) else f"{metres / LENGTHS[linear]:.10f}"

    def angle(radians: float) -> str:
        return "" if np.isnan(radians) else ANGLES[angular](radians)

    points = ""
    for i, mark in enumerate(net.marks.mark):
        where = " ".join(
            length(v[i]) for v in (net.marks.north, net.marks.east, net.marks.height) if not np.isnan(v[i])
        )
        points += element("CgPoint", {"name": str(mark)}, where or " ")
    body = element("SurveyHeader", {"name": "day 1"})
    for i in np.flatnonzero(~net.setups.instrument):
        body += element("TargetSetup", {"id": f"t{i}", "targetHeight": length(net.setups.height[i])})
    for i in np.flatnonzero(net.setups.instrument):
        inside = element("InstrumentPoint", {"pntRef": mark_of(job, int(i))})
        for row in np.flatnonzero(s.start == i):
            inside += element(
                "RawObservation",
                {
                    "setupID": f"i{i}", "targetSetupID": f"t{s.end[row]}", "setID": str(s.round[row]),
                    "horizAngle": angle(s.circle[row]), "zenithAngle": angle(s.zenith[row]),
                    "slopeDistance": length(s.slope[row]), "directFace": "true" if s.face[row] == 1 else "false",
                },
                element("TargetPoint", {"pntRef": mark_of(job, int(s.end[row]))}),
            )  # fmt: skip
        attributes = {
            "id": f"i{i}",
            "stationName": mark_of(job, int(i)),
            "instrumentHeight": length(net.setups.height[i]) or "0",
        }
        body += element("InstrumentSetup", attributes, inside)
    return whole(points, body, linear, angular, version)


def whole(
    points: str, survey: str, linear: str = "meter", angular: str = "decimal dd.mm.ss", version: str = "1.2"
) -> str:
    """A file around points and survey."""
    kind = "Metric" if linear.endswith("meter") else "Imperial"
    units = (
        f'<Units><{kind} linearUnit="{linear}" angularUnit="{angular}" directionUnit="{angular}"/></Units>\n'
    )
    head = f'<?xml version="1.0"?>\n<LandXML xmlns="{NAMESPACE}" version="{version}" date="2026-05-07" time="09:00:00">\n'
    return f"{head}{units}<CgPoints>\n{points}</CgPoints>\n<Survey>\n{survey}</Survey>\n</LandXML>\n"


def mark_of(job: Job, setup: int) -> str:
    """The mark that a setup stands on."""
    return str(job.network.marks.mark[job.network.setups.mark[setup]])


def job_beside(name: str, folder: Path, xml: str, extra: str = "") -> Path:
    """A job folder with the sample's job.toml and marks.csv, and its setups and sights in day.xml."""
    folder.mkdir(exist_ok=True)
    (folder / "day.xml").write_text(xml, encoding="utf-8")
    text = (SAMPLES / name / "job.toml").read_text(encoding="utf-8")
    (folder / "job.toml").write_text(f'{text}\n[source]\nlandxml = "day.xml"\n{extra}', encoding="utf-8")
    for which in ("marks", "reduced"):
        if table(name, which):
            (folder / f"{which}.csv").write_bytes((SAMPLES / name / f"{which}.csv").read_bytes())
    return folder

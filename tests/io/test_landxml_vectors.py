"""GPSVectors of a LandXML file: read on the earth, between marks or between antennas; told where they can't be."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.io.foreign_xml import NAMESPACE, element

from hubtack.adjust import adjust
from hubtack.io.faults import FaultList
from hubtack.io.job import read_job
from hubtack.io.readers.landxml_survey import Stand, Survey, read_survey
from hubtack.io.readers.landxml_units import units_of
from hubtack.io.readers.xmlfile import parse_landxml
from hubtack.io.units import METRES, Units

COVARIANCE = {"covarianceXX": "4e-6", "covarianceXY": "1e-6", "covarianceXZ": "-5e-7", "covarianceYY": "5e-6",
              "covarianceYZ": "2e-7", "covarianceZZ": "9e-6"}  # fmt: skip


def survey_of(folder: Path, body: str, stand: Stand, linear: str = "meter") -> tuple[Survey, FaultList]:
    units = element("Metric" if linear == "meter" else "Imperial", {
        "areaUnit": "squareMeter", "linearUnit": linear, "volumeUnit": "cubicMeter", "temperatureUnit": "celsius",
        "pressureUnit": "HPA", "angularUnit": "decimal degrees", "directionUnit": "decimal degrees",
    })  # fmt: skip
    path = folder / "day.xml"
    path.write_text(
        f'<LandXML xmlns="{NAMESPACE}" version="1.2" date="2026-05-04" time="08:00:00">'
        f"<Units>{units}</Units><Survey>{body}</Survey></LandXML>",
        encoding="utf-8",
    )
    faults = FaultList()
    root = parse_landxml(path, faults, {})
    assert root is not None
    in_file = units_of(root, path.name, faults)
    assert in_file is not None
    return read_survey(root, path.name, Units(), in_file, stand, faults), faults


def setup(name: str, mark: str, height: str = "1.700") -> str:
    return element("GPSSetup", {"id": name, "stationName": mark, "antennaHeight": height})


def vector(
    a: str, b: str, d: tuple[str, str, str] = ("12.5", "-3.25", "7"), covariance: Any = COVARIANCE
) -> str:
    inside = element("GPSQCInfoLevel2", covariance) if covariance else ""
    attributes = {"dX": d[0], "dY": d[1], "dZ": d[2], "setupID_A": a, "setupID_B": b}
    return element("GPSVector", attributes, inside)


DAY = setup("g1", "BASE") + setup("g2", "P", "1.512") + vector("g1", "g2")


def test_between_marks_by_default(tmp_path: Path) -> None:
    survey, faults = survey_of(tmp_path, DAY, Stand(geocentric=True))
    assert not faults
    t = survey.tables["vectors"]
    assert [t.get(c) for c in ("from", "to", "dx", "dy", "dz")] == [
        ["BASE"],
        ["P"],
        ["12.5"],
        ["-3.25"],
        ["7"],
    ]
    terms = [float(t.get(f"cov_{k}")[0]) for k in ("11", "12", "13", "22", "23", "33")]
    assert terms == pytest.approx([4e-6, 1e-6, -5e-7, 5e-6, 2e-7, 9e-6])
    assert survey.tables["marks"].get("mark") == ["BASE", "P"]
    assert "setups" not in survey.tables
    assert any("reduced to the marks" in n for n in survey.notes)


def test_between_antennas_where_the_job_says_so(tmp_path: Path) -> None:
    survey, _ = survey_of(tmp_path, DAY, Stand(geocentric=True, antenna_support="tripod"))
    s = survey.tables["setups"]
    assert [s.get(c) for c in ("setup", "role", "mark", "support", "height")] == [
        ["g1", "g2"], ["target"] * 2, ["BASE", "P"], ["tripod"] * 2, ["1.700", "1.512"],
    ]  # fmt: skip
    assert survey.tables["vectors"].get("from") == ["g1"]


def test_feet_are_squared_with_their_covariance(tmp_path: Path) -> None:
    survey, _ = survey_of(tmp_path, DAY, Stand(geocentric=True), linear="USSurveyFoot")
    foot = METRES["us-ft"]
    t = survey.tables["vectors"]
    assert Units().parse_length(t.get("dx")[0]) == pytest.approx(12.5 * foot, rel=1e-12)
    assert float(t.get("cov_33")[0]) == pytest.approx(9e-6 * foot**2, rel=1e-12)


def test_what_can_not_be_used_is_told(tmp_path: Path) -> None:
    body = DAY + vector("g1", "g2", covariance=None)
    survey, _ = survey_of(tmp_path, body, Stand(geocentric=True))
    assert len(survey.tables["vectors"]) == 1
    assert any("no covariance" in n for n in survey.notes)
    survey, _ = survey_of(tmp_path, body, Stand())
    assert "vectors" not in survey.tables
    assert any('2 GPSVectors, which are geocentric. Write frame = "earth"' in n for n in survey.notes)
    bad = DAY + vector("g1", "nowhere") + vector("g1", "g2", covariance=COVARIANCE | {"covarianceXY": "x"})
    _, faults = survey_of(tmp_path, bad, Stand(geocentric=True))
    assert sorted(f.code for f in faults.faults) == ["TAB206", "TAB211"]


JOB = """\
format = 1
[units]
length = "m"
[site]
frame = "earth"
crs = "EPSG:4978"
[source]
landxml = "day.xml"
"""


def test_a_whole_job_of_vectors(tmp_path: Path) -> None:
    """The published triangle as LandXML beside a job.toml: the point comes out as from vectors.csv; antennas shift nothing here.

    C is printed as 1518.802, −4648399.143, 4354116.692. Antennas of equal height over marks that lie 8 km apart: their plumb
    lines differ, so between antennas C moves by millimetres, which is why a job must say what its vectors run between.
    """
    vectors = [
        ("C", "A", ("-1116.452", "-4596.161", "-4355.906")),
        ("C", "B", ("6567.231", "5686.293", "6322.392")),
        ("B", "C", ("-6567.231", "-5686.303", "-6322.381")),
    ]
    same = {"covarianceXX": "1e-4", "covarianceYY": "1e-4", "covarianceZZ": "1e-4"}
    body = "".join(setup(f"g{m}", m) for m in "ABC")
    body += "".join(vector(f"g{a}", f"g{b}", d, same) for a, b, d in vectors)
    survey_of(tmp_path, body, Stand(geocentric=True))  # writes day.xml
    (tmp_path / "marks.csv").write_text(
        "mark,x,y,z,control\nA,402.351,-4652995.301,4349760.778,held\nB,8086.032,-4642712.847,4360439.083,held\n",
        encoding="utf-8",
    )
    found = []
    for more in ("", 'antenna_support = "tripod"\n[supports.tripod]\nkind = "tribrach"\nheight = "taped"\n'):
        (tmp_path / "job.toml").write_text(JOB + more, encoding="utf-8")
        job = read_job(tmp_path)
        a = adjust(job.network, job.settings)
        assert a.solved is not None
        row = list(a.marks.mark).index("C")
        found.append(a.solved.state.places.xyz[row])  # type: ignore[attr-defined]
        assert list(a.observations.id[:3]) == ["G1.dx", "G1.dy", "G1.dz"]
        assert len(job.network.setups) == (3 if more else 0)
    assert found[0] == pytest.approx([1518.802, -4648399.143, 4354116.692], abs=5e-4)
    assert 1e-4 < float(np.linalg.norm(found[1] - found[0])) < 3e-3

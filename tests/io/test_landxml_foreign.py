"""LandXML of other programs: surveys become tables, with what had to be taken for granted told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from tests.io.foreign import SAMPLES, apart, coordinates
from tests.io.foreign_xml import element, job_beside, survey_xml, whole
from tests.io.found_xml import faults, told

from hubtack.io.job import read_job

JOB = """\
format = 1
[units]
length = "m"
angle = "dms"
[instruments.ts-a]
direction = "1 arcsec"
zenith = "1 arcsec"
distance = "1 mm + 1.5 ppm"
[supports.tripod]
kind = "tribrach"
height = "taped"
height_sigma = "1 mm"
[source]
landxml = "day.xml"
"""
POINTS = (
    element("CgPoint", {"name": "A", "pntSurv": "control"}, "200.0 100.0 10.0")
    + element(
        "CgPoint",
        {"name": "B", "pntSurv": "control", "eastingStdError": "0.002", "northingStdError": "0.003"},
        "200.0 150.0",
    )
    + element("CgPoint", {"name": "C"}, "230.0 120.0 11.0")
)


def beside(folder: Path, survey: str, points: str = POINTS, job: str = JOB) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "day.xml").write_text(whole(points, survey), encoding="utf-8")
    (folder / "job.toml").write_text(job, encoding="utf-8")
    return folder


def station(name: str, mark: str, inside: str, height: str = "1.5") -> str:
    point = element("InstrumentPoint", {"pntRef": mark})
    return element(
        "InstrumentSetup", {"id": name, "stationName": mark, "instrumentHeight": height}, point + inside
    )


def sight(mark: str, **attributes: str) -> str:
    given = {"horizAngle": "10.0000", "directFace": "true", "setID": "1", "targetHeight": "1.4"} | attributes
    return element("RawObservation", given, element("TargetPoint", {"pntRef": mark}))


@pytest.mark.parametrize(
    ("linear", "angular"),
    [
        ("meter", "decimal dd.mm.ss"), ("foot", "grads"), ("USSurveyFoot", "decimal degrees"), ("millimeter", "radians"),
    ],
)  # fmt: skip
def test_a_foreign_survey_with_a_job_beside(linear: str, angular: str, tmp_path: Path) -> None:
    """Supports come from [source]: everything on the tripod, so the sample is re-read that way too."""
    xml = survey_xml("by-hand", linear, angular)
    extra = 'to_support = "tripod"\nto_device = "mini-prism"\n'
    foreign = job_beside("by-hand", tmp_path / "xml", xml, extra)
    same = tmp_path / "tables"
    same.mkdir()
    for path in (SAMPLES / "by-hand").iterdir():
        if path.suffix in (".csv", ".toml"):
            text = path.read_text(encoding="utf-8")
            if (
                path.name == "setups.csv"
            ):  # the low stand's height was taken from job.toml: it stands in the XML
                text = text.replace("D,low-stand,mini-prism,,", "D,tripod,mini-prism,0.1863,")
            (same / path.name).write_text(text, encoding="utf-8")
    assert apart(coordinates(same), coordinates(foreign)) < 1e-6


@pytest.mark.parametrize("version", ["1.0", "1.1", "1.2"])
def test_older_versions_inside_the_newer_namespace(version: str, tmp_path: Path) -> None:
    xml = survey_xml("by-hand", version=version)
    for namespace in ("LandXML-1.2", f"LandXML-{version}"):
        folder = job_beside(
            "by-hand", tmp_path / f"{namespace}-{version}", xml.replace("LandXML-1.2", namespace)
        )
        assert len(read_job(folder).network.sights) == 4


def test_points_are_north_first_and_control_where_the_file_says_so(tmp_path: Path) -> None:
    survey = station("i1", "A", sight("B") + sight("C", horizAngle="50.3045"))
    marks = read_job(beside(tmp_path / "j", survey)).network.marks
    assert list(zip(marks.mark, marks.east, marks.north, strict=True)) == [
        ("A", 100, 200),
        ("B", 150, 200),
        ("C", 120, 230),
    ]
    assert list(marks.sigma_east) == [0, 0.002, np.inf]
    assert list(marks.sigma_north) == [0, 0.003, np.inf]
    assert list(marks.sigma_height) == [0, np.inf, np.inf]
    circle = read_job(beside(tmp_path / "j", survey)).network.sights.circle
    np.testing.assert_allclose(np.rad2deg(circle), [10, 50 + 30 / 60 + 45 / 3600], rtol=1e-14)


def test_what_the_file_marks_as_unused_is_left_out_by_a_decision(tmp_path: Path) -> None:
    point, offset = element("TargetPoint", {"pntRef": "C"}), element("OffsetVals", {"offsetInOut": "0.25"})
    survey = station(
        "i1",
        "A",
        sight("B") + sight("B", unused="true") + sight("C", status="deleted")
        + element("RawObservation", {"horizAngle": "20.0000"}, point + offset),
    )  # fmt: skip
    job = read_job(beside(tmp_path / "j", survey))
    assert list(job.network.sights.used) == [True, False, False, False]
    assert [d.reason for d in job.decisions] == [
        "unused", "status deleted", "an offset point: the sight does not end at the mark",
    ]  # fmt: skip
    assert all(d.place.startswith("day.xml:") and d.by == "day.xml" for d in job.decisions)


def test_heights_of_zero_are_unknown_and_one_target_id_on_two_marks_is_two_setups(tmp_path: Path) -> None:
    target = element("TargetSetup", {"id": "t1", "targetHeight": "1.3", "prismConstant": "0.0175"})
    inside = sight("B", targetSetupID="t1", targetHeight="") + sight(
        "C", targetSetupID="t1", horizAngle="20.0000"
    )
    job = read_job(beside(tmp_path / "j", target + station("i1", "A", inside, "0.000")))
    s = job.network.setups
    assert list(s.setup) == ["i1", "t1@B", "t1@C"]
    np.testing.assert_array_equal(
        s.height, [np.nan, 1.3, 1.4]
    )  # the observation's height goes before the setup's
    np.testing.assert_array_equal(s.prism_constant, [np.nan, 0.0175, 0.0175])
    said = " ".join(r.text for r in job.remarks if r.code == "REM527")
    assert "instrumentHeight 0 is taken as unknown at i1" in said
    assert "differs from its TargetSetup" in said
    needs = station("i1", "A", sight("B", zenithAngle="90.0000"), "0.000")
    assert [code for _, code in told(beside(tmp_path / "k", needs))] == ["TAB217"]


def test_observations_in_groups_and_a_backsight(tmp_path: Path) -> None:
    back = element("Backsight", {"circle": "0.0010"}, element("BacksightPoint", {"pntRef": "B"}))
    group = element(
        "ObservationGroup",
        {"id": "g", "setupID": "i1", "setID": "night"},
        sight("C", setID="", directFace="false", horizAngle="200.0000"),
    )
    job = read_job(beside(tmp_path / "j", station("i1", "A", back) + group))
    s = job.network.sights
    marks = job.network.marks.mark[job.network.setups.mark[s.end]]
    assert sorted(zip(marks, s.face, np.rad2deg(s.circle).round(6), strict=True)) == [
        ("B", 1, round(10 / 3600, 6)),
        ("C", 2, 200),
    ]
    assert set(s.start) == {0}


def test_reduced_observations_and_their_sigmas(tmp_path: Path) -> None:
    ends = station("i1", "A", "", "0") + station("i2", "B", "", "0") + station("i3", "C", "", "0")
    survey = ends + "".join(
        element(
            "ReducedObservation",
            {"setupID": a, "targetSetupID": b, "azimuth": z, "horizDistance": d, "name": n},
        )
        for n, a, b, z, d in (
            ("one", "i1", "i2", "90.0000", "50.0"),
            ("two", "i1", "i3", "33.4124", "36.056"),
        )
    )
    survey += element("GPSVector", {"dX": "1", "dY": "2", "dZ": "3", "setupID_A": "i1", "setupID_B": "i2"})
    folder = beside(tmp_path / "j", survey)
    assert [(f.file, f.code) for f in faults(folder)] == [("job.toml", "JOB120"), ("job.toml", "JOB120")]
    job = read_job(
        beside(folder, survey, job=JOB + 'azimuth_sigma = "10 arcsec"\nhorizontal_sigma = "5 mm"\n')
    )
    r = job.network.reduced
    assert list(r.id) == ["one.azimuth", "one.horizontal", "two.azimuth", "two.horizontal"]
    degrees = np.rad2deg(r.value[[0, 2]])
    np.testing.assert_allclose(degrees, [90, 33 + 41 / 60 + 24 / 3600], rtol=1e-14)
    assert list(r.value[[1, 3]]) == [50.0, 36.056]
    np.testing.assert_allclose(r.sigma, [np.deg2rad(10 / 3600), 0.005] * 2, rtol=1e-12)
    assert len(job.network.setups) == 0
    assert any("1 GPSVector" in x.text for x in job.remarks)
    # clockwise from north: the azimuths of the points that the file itself gives
    marks = {
        m: (e, n)
        for m, e, n in zip(
            job.network.marks.mark, job.network.marks.east, job.network.marks.north, strict=True
        )
    }
    (ea, na), (ec, nc) = marks["A"], marks["C"]
    assert degrees[1] == pytest.approx(np.rad2deg(np.arctan2(ec - ea, nc - na)), abs=1 / 60)


@pytest.mark.parametrize(
    ("turned", "words"),
    [
        (lambda a: a, ""), (lambda a: 360 - a, "counter-clockwise from north"),
        (lambda a: 450 - a, "counter-clockwise from east"), (lambda a: a + 180, "clockwise from south"),
    ],
)  # fmt: skip
def test_azimuths_are_tried_against_the_coordinates(
    turned: Callable[[float], float], words: str, tmp_path: Path
) -> None:
    """Azimuths computed here from the points, then turned as another reading of the standard would have them."""
    where = {"A": (100.0, 200.0), "B": (150.0, 200.0), "C": (120.0, 230.0)}
    survey = "".join(station(f"i{m}", m, "", "0") for m in where)
    for a, b in (("A", "B"), ("A", "C"), ("B", "C"), ("C", "A")):
        azimuth = np.rad2deg(np.arctan2(where[b][0] - where[a][0], where[b][1] - where[a][1]))
        value = {"azimuth": f"{turned(azimuth) % 360:.8f}", "setupID": f"i{a}", "targetSetupID": f"i{b}"}
        survey += element("ReducedObservation", value)
    folder = beside(tmp_path / "j", survey, job=JOB + 'azimuth_sigma = "10 arcsec"\n')
    (folder / "day.xml").write_text(whole(POINTS, survey, angular="decimal degrees"), encoding="utf-8")
    said = [r.text for r in read_job(folder).remarks if "own coordinates" in r.text]
    assert [words in text for text in said] == ([True] if words else [])


def test_faults_of_a_foreign_file_name_its_lines(tmp_path: Path) -> None:
    survey = station("i1", "A", sight("B") + "<RawObservation/>\n") + station(
        "i1", "B", sight("C", horizAngle="20.7500")
    )
    found = told(beside(tmp_path / "j", survey, POINTS + element("CgPoint", {"name": "C"}, "1 2 3")))
    text = (tmp_path / "j" / "day.xml").read_text().splitlines()
    lines = {
        "TAB211": next(i for i, row in enumerate(text, 1) if "<RawObservation/>" in row),
        "TAB209": next(i for i, row in enumerate(text, 1) if "1 2 3" in row),
        "TAB205": next(i for i, row in enumerate(text, 1) if "20.7500" in row),
    }
    for code, line in lines.items():
        assert any(c == code and place.startswith(f"day.xml:{line}:") for place, c in found), (
            code,
            line,
            found,
        )


def test_names_and_sigmas_of_source_are_checked_in_job_toml(tmp_path: Path) -> None:
    extra = 'to_support = "tripd"\nto_device = "prysm"\nazimuth_sigma = "10"\n'
    folder = beside(tmp_path / "j", station("i1", "A", sight("B") + sight("C")), job=JOB + extra)
    rows = (folder / "job.toml").read_text().splitlines()
    found = [(f.file, rows[f.row - 1].split(" ")[0], f.code) for f in faults(folder)]
    assert found == [
        ("job.toml", "to_support", "TAB212"), ("job.toml", "to_device", "TAB213"), ("job.toml", "azimuth_sigma", "JOB106"),
    ]  # fmt: skip


def test_without_a_job_beside_it_is_told_what_to_write(tmp_path: Path) -> None:
    file = tmp_path / "day.xml"
    file.write_text(survey_xml("by-hand"), encoding="utf-8")
    (found,) = faults(file)
    assert found.code == "RUN437"
    assert f"hubtack new --from {file}" in found.wanted
    assert '[source] landxml = "day.xml"' in found.wanted

"""LandXML: its structure, the adjusted marks, and the whole job found again by a small reader written for this test."""

from __future__ import annotations

import dataclasses
import itertools
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from hubtack.adjust import adjust
from hubtack.adjust.ground.network import Network
from hubtack.adjust.results import AdjustedMarks
from hubtack.adjust.settings import Settings
from hubtack.io.job import read_job
from hubtack.io.units import Units
from hubtack.io.writers import landxml
from hubtack.io.writers.landxml_elements import clean, exact, packed

from .delivered import SAMPLES, change, delivered, numbers
from .made_up import levelling, made_up

NS = {"x": "http://www.landxml.org/schema/LandXML-1.2"}
CASES = [
    ("braced-traverse", Units()),
    ("odd", Units("ft", "gon")),
    ("free-stations", Units("us-ft", "deg")),
    ("by-hand", Units()),
]
TURN = {"decimal degrees": math.pi / 180, "grads": math.pi / 200}
LINEAR = {"meter": 1.0, "foot": 0.3048, "USSurveyFoot": 1200 / 3937}
QUANTITY = {"mm": 1e-3, "m": 1.0, "arcsec": math.pi / 648_000, "rad": 1.0, "ppm": 1e-6}


class Found:
    """What a file says, in SI, read with nothing of the project's."""

    def __init__(self, path: Path) -> None:
        parser = etree.XMLParser(resolve_entities=False, no_network=True)
        self.root = etree.parse(str(path), parser).getroot()
        units = self.root.find("x:Units", NS)[0]
        self.metres, self.turn = LINEAR[units.get("linearUnit")], units.get("angularUnit")

    def all(self, path: str) -> list[Any]:
        return self.root.findall(path, NS)

    def features(self, what: str) -> list[dict[str, str]]:
        return [
            facts(f) for f in self.root.iterfind(".//x:Feature", NS) if f.get("code") == f"hubtack {what}"
        ]

    def named(self, what: str) -> dict[str, dict[str, str]]:
        elements = self.root.iterfind(".//x:Feature", NS)
        return {f.get("name"): facts(f) for f in elements if f.get("code") == f"hubtack {what}"}

    def length(self, text: str | None) -> float:
        return float(text) * self.metres if text else math.nan

    def angle(self, text: str | None) -> float:
        if not text:
            return math.nan
        if self.turn in TURN:
            return float(text) * TURN[self.turn]
        sign, degrees, digits = re.fullmatch(r"(-?)(\d+)\.(\d{4,})", text).groups()
        minutes, seconds = int(digits[:2]), float(f"{digits[2:4]}.{digits[4:] or '0'}")
        assert minutes < 60
        assert seconds < 60
        value = (int(degrees) * 3600 + minutes * 60 + seconds) * (math.pi / 648_000)
        return -value if sign else value


def facts(element: Any) -> dict[str, str]:
    properties = [(p.get("label"), p.get("value")) for p in element.findall("x:Property", NS)]
    assert len(dict(properties)) == len(properties) or element.get("code") == "hubtack datum"
    return dict(properties)


def quantity(text: str | None) -> float:
    if not text:
        return math.nan
    number, unit = text.split(" ")
    return float(number) * QUANTITY[unit]


def write(adjustment: Any, job: Any, folder: Path) -> Found:
    landxml.write(adjustment, job, folder)
    return Found(folder / "network.xml")


@pytest.fixture(params=CASES, ids=lambda c: f"{c[0]} {c[1].length} {c[1].angle}", scope="module")
def case(request, tmp_path_factory):
    adjustment, job = delivered(*request.param)
    return adjustment, job, write(adjustment, job, tmp_path_factory.mktemp("xml"))


def equal(found: Any, wanted: Any, exactly: bool = True) -> bool:
    """Arrays equal with NaN alike. Lengths in feet can be one last place off."""
    a, b = np.array(found, dtype=float), np.array(wanted, dtype=float)
    if exactly:
        return np.array_equal(a, b, equal_nan=True)
    return np.allclose(a, b, rtol=4e-16, atol=0.0, equal_nan=True)


# -- structure --------------------------------------------------------------------------------------------------------


def test_the_structure_is_what_the_schema_of_the_format_asks_for(case):
    """Required attributes, order of children, one name space, ids unique and references that lead somewhere."""
    _, _, found = case
    root = found.root
    assert root.tag == f"{{{NS['x']}}}LandXML"
    assert {"date", "time", "version"} <= set(root.attrib)
    local = [etree.QName(e).localname for e in root]
    assert local == ["Units", "Project", "Application", "CgPoints", "Survey"]
    unit = root[0][0]
    assert {"areaUnit", "linearUnit", "volumeUnit", "temperatureUnit", "pressureUnit"} <= set(unit.attrib)
    survey = [etree.QName(e).localname for e in root[-1]]
    assert survey[0] == "SurveyHeader"
    assert survey[1:2] in ([], ["Equipment"])
    assert set(survey[2:]) <= {"TargetSetup", "InstrumentSetup", "Feature"}
    points = [etree.QName(e).localname for e in root[3]]
    assert points == sorted(points, key=["CgPoint", "Feature"].index)  # Features last
    ids = [e.get("id") for e in root.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    assert all(re.fullmatch(r"[A-Za-z_][\w.-]*", i) for i in ids)  # XML names
    for e in root.iter():
        assert etree.QName(e).namespace == NS["x"]
        for name in ("setupID", "targetSetupID", "instrumentDetailsID"):
            assert e.get(name) is None or e.get(name) in ids
    names = {p.get("name") for p in found.all("x:CgPoints/x:CgPoint")}
    for e in root.iter():
        assert e.get("pntRef") is None or e.get("pntRef") in names
    for sight in root.iterfind(".//x:RawObservation", NS):
        assert etree.QName(sight[0]).localname == "TargetPoint"
        assert sight.getparent().get("id") == sight.get("setupID")
    for setup in root.iterfind(".//x:InstrumentSetup", NS):
        assert setup.get("stationName") == setup.find("x:InstrumentPoint", NS).get("pntRef")
        float(setup.get("instrumentHeight"))
    for p in root.iterfind(".//x:Property", NS):
        assert p.get("label")
        assert p.get("value")


# -- adjusted marks ---------------------------------------------------------------------------------------------------


def test_adjusted_marks_are_those_of_the_result(case):
    adjustment, job, found = case
    result = numbers(adjustment, job)
    points = found.all("x:CgPoints/x:CgPoint")
    more = found.named("mark")
    assert [p.get("name") for p in points] == [clean(m["mark"]) for m in result["marks"]]
    for p, mark in zip(points, result["marks"], strict=True):
        text = [float(t) * found.metres for t in (p.text or "").split()]
        wanted = [mark["north"], mark["east"], mark["height"]]  # north first
        if mark["east"] is None:
            assert text == []
            height = more[p.get("featureRef")].get("adjusted_height")
            assert (height is None) == (mark["height"] is None)
            if height:
                assert found.length(height) == pytest.approx(mark["height"], abs=0.51e-7)
        else:
            assert text == pytest.approx([w for w in wanted if w is not None], abs=0.51e-7)
        for attribute, key in (("northing", "north"), ("easting", "east"), ("elevation", "height")):
            sigma = mark[f"sigma_{key}"]
            value = p.get(f"{attribute}StdError")
            assert (value is None) == (sigma is None)
            if value:
                assert float(value) * found.metres == pytest.approx(sigma, abs=0.51e-8)
        assert (p.get("pntSurv") == "control") == bool(mark["control"])
        facts_of = more[p.get("featureRef")]
        for (a, b), term in zip(
            ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)),
            ["ee", "en", "eh", "nn", "nh", "hh"],
            strict=True,
        ):
            value = mark["covariance"][a][b]
            if value is not None:
                assert float(facts_of[f"cov_{term}"]) * found.metres**2 == pytest.approx(
                    value, rel=1e-8, abs=1e-30
                )
        assert (facts_of.get("unchecked") == "true") == mark["unchecked"]


# -- the job ----------------------------------------------------------------------------------------------------------


def test_sights_are_found_again_to_the_last_bit(case):
    adjustment, job, found = case
    s, net = adjustment.network.sights, adjustment.network
    sights = sorted(
        found.all(".//x:RawObservation"), key=lambda e: int(facts(e.find("x:Feature", NS))["row"])
    )
    assert len(sights) == len(s)
    own = [facts(e.find("x:Feature", NS)) for e in sights]
    assert [f["id"] for f in own] == s.id.tolist()
    assert [f["from"] for f in own] == net.setups.setup[s.start].tolist()
    assert [f["to"] for f in own] == net.setups.setup[s.end].tolist()
    assert [int(e.get("setupID").split("-")[1]) - 1 for e in sights] == s.start.tolist()
    assert [int(e.get("targetSetupID").split("-")[1]) - 1 for e in sights] == s.end.tolist()
    assert [int(e.get("setID")) for e in sights] == s.round.tolist()
    assert [1 if e.get("directFace") == "true" else 2 for e in sights] == s.face.tolist()
    assert [e.get("unused") != "true" for e in sights] == s.used.tolist()
    metric = found.metres == 1.0
    same_unit = job.units.angle == "dms" or found.turn not in TURN
    for name, read, values in (
        ("horizAngle", found.angle, s.circle),
        ("zenithAngle", found.angle, s.zenith),
        ("slopeDistance", found.length, s.slope),
        ("horizDistance", found.length, s.horizontal),
    ):
        exactly = same_unit if name.endswith("Angle") else metric
        assert equal([read(e.get(name)) for e in sights], values, exactly), name
    notes = job.texts["sights"]["time"]
    assert [f.get("time", "") for f in own] == list(notes)


def test_setups_are_found_again(case):
    adjustment, job, found = case
    net, setups = adjustment.network, adjustment.network.setups
    elements = [*found.all(".//x:TargetSetup"), *found.all(".//x:InstrumentSetup")]
    elements.sort(key=lambda e: int(e.get("id").split("-")[1]))
    assert len(elements) == len(setups)
    own = [facts(e.find("x:Feature", NS)) for e in elements]
    assert [f["setup"] for f in own] == setups.setup.tolist()
    assert [f["role"] == "instrument" for f in own] == setups.instrument.tolist()
    assert [f["mark"] for f in own] == net.marks.mark[setups.mark].tolist()
    assert [f["support"] for f in own] == net.supports.support[setups.support].tolist()
    assert [f["height_kind"] for f in own] == net.supports.height_kind[setups.support].tolist()
    devices = [
        (net.instruments.instrument if i else net.targets.target)[d]
        for i, d in zip(setups.instrument, setups.device, strict=True)
    ]
    assert [f["device"] for f in own] == devices
    metric = found.metres == 1.0
    assert equal([found.length(f.get("height")) for f in own], setups.height, metric)
    assert equal([found.length(f.get("prism_constant")) for f in own], setups.prism_constant, metric)
    for column in ("base", "height_base"):
        names: dict[str, int] = {}
        groups = [names.setdefault(f[column], len(names)) if column in f else -1 for f in own]
        assert groups == getattr(setups, column).tolist()
    for column in ("started", "note"):
        assert [f.get(column, "") for f in own] == [clean(t) for t in job.texts["setups"][column]]
    for e, f in zip(elements, own, strict=True):
        if f["role"] == "target":
            wanted = quantity(found.named("target")[f["device"]]["constant"])
            assert found.length(e.get("prismConstant")) == pytest.approx(wanted, abs=1e-12)
        height = e.get("targetHeight") or e.get("instrumentHeight")
        # none of these jobs has slant heights: vertical is as entered, 0 where the schema wants a number
        assert float(height or 0) == pytest.approx(float(f.get("height", 0)), abs=1e-12)


def test_devices_and_settings_are_found_again(case):
    adjustment, job, found = case
    net, s = adjustment.network, adjustment.settings
    for table, what, keys in (
        (net.supports, "support", ("height_sigma", "bubble", "bubble_off_centre", "bubble_error", "plummet", "mark",
                                   "centring_sigma", "slant_offset", "slant_radius")),
        (net.instruments, "instrument", ("direction", "zenith", "distance_zero_sigma", "distance_scale_sigma",
                                         "collimation_sigma", "index_sigma")),
        (net.targets, "target", ("constant",)),
    ):  # fmt: skip
        there = found.named(what)
        assert list(there) == getattr(table, what).tolist()
        for key in keys:
            assert equal([quantity(p.get(key)) for p in there.values()], getattr(table, key)), (what, key)
    for i, p in enumerate(found.named("instrument").values()):
        constant, ratio = p["distance"].split(" + ")
        assert (quantity(constant), quantity(ratio)) == (
            net.instruments.distance[i],
            net.instruments.distance_ppm[i],
        )
    assert [p["kind"] for p in found.named("support").values()] == net.supports.kind.tolist()
    (site,), (tests,), (about,) = (found.features(w) for w in ("site", "tests", "job"))
    assert float(site["refraction"]) == s.refraction
    assert float(site["scale_factor"]) == s.scale_factor
    assert site["correlation"] == s.correlation
    assert quantity(site.get("reference_height")) == pytest.approx(
        s.reference_height or math.nan, nan_ok=True
    )
    assert [float(tests[k]) for k in ("confidence", "alpha", "power")] == [s.confidence, s.alpha, s.power]
    assert (about["length"], about["angle"], about["name"]) == (job.units.length, job.units.angle, job.name)


def test_given_marks_and_their_control_are_found_again(case):
    adjustment, job, found = case
    m = adjustment.network.marks
    own = list(found.named("mark").values())
    for column in ("east", "north", "height"):
        assert equal([found.length(f.get(column)) for f in own], getattr(m, column), found.metres == 1.0)
    assert [f.get("control", "") for f in own] == list(job.texts["marks"]["control"])
    assert [f.get("note", "") for f in own] == [clean(t) for t in job.texts["marks"]["note"]]


def test_decisions_and_the_cells_before_them(tmp_path):
    adjustment, job = delivered("odd")
    found = write(adjustment, job, tmp_path)
    decisions = found.features("decision")
    assert [(d["action"], d["what"], d.get("value", "")) for d in decisions] == [
        ("correct", "setup T02 height", "1.5 m"),
        ("leave_out", "sight 20", ""),
    ]
    assert decisions[0]["reason"] == "photo & note <3>"
    assert decisions[1]["by"] == "party chief"
    (setup,) = [f for f in found.features("setup") if f["setup"] == "T02"]
    assert float(setup["height"]) == 1.5
    assert setup["before height"] == "2.5 m"
    (sight,) = [e for e in found.all(".//x:RawObservation") if e.get("unused")]
    assert facts(sight.find("x:Feature", NS))["id"] == "20"


def test_rises_and_vectors_are_found_again(tmp_path):
    adjustment, job = delivered("by-hand")
    found = write(adjustment, job, tmp_path)
    r, marks = adjustment.network.reduced, adjustment.network.marks.mark
    own = found.features("reduced")
    assert [(f["id"], f["kind"], f["from"], f["to"]) for f in own] == list(
        zip(r.id, r.kind, marks[r.start], marks[r.end], strict=True)
    )
    assert equal([found.length(f["value"]) for f in own], r.value)
    assert equal([quantity(f["sigma"]) for f in own], r.sigma)
    vector_job = read_job(Path(__file__).parents[1] / "published" / "gnss-uitm-6-vectors")
    found = write(adjust(vector_job.network, vector_job.settings), vector_job, tmp_path)
    v = vector_job.network.vectors
    own = found.features("vector")
    assert equal([[found.length(f[c]) for c in ("de", "dn", "du")] for f in own], v.difference)
    upper = [(i, j) for i, j in itertools.product(range(3), range(3)) if i <= j]
    assert equal(
        [[float(f[f"cov_{i + 1}{j + 1}"]) for i, j in upper] for f in own],
        [[c[i, j] for i, j in upper] for c in v.covariance],
    )


def test_angles_between_marks_are_packed_too(tmp_path):
    job = read_job(Path(__file__).parents[1] / "published" / "hz2d-wuhan-a-without-blunders")
    found = write(adjust(job.network, job.settings), job, tmp_path)
    r = job.network.reduced
    values = [
        found.angle(f["value"]) if f["kind"] in ("azimuth", "angle") else found.length(f["value"])
        for f in found.features("reduced")
    ]
    assert equal(values, r.value)


def test_the_network_built_from_the_file_adjusts_to_the_same_coordinates(tmp_path):
    """Not the project's reader: the arrays of a Network put together here."""
    adjustment, job = delivered("braced-traverse")
    found = write(adjustment, job, tmp_path)
    net = job.network
    sights = sorted(found.all(".//x:RawObservation"), key=lambda e: int(facts(e[1])["row"]))
    setups = {f["setup"]: f for f in found.features("setup")}
    again = Network(
        marks=net.marks,
        setups=net.setups.replace(
            height=[found.length(f.get("height")) for f in (setups[str(n)] for n in net.setups.setup)]
        ),
        sights=net.sights.replace(
            circle=[found.angle(e.get("horizAngle")) for e in sights],
            zenith=[found.angle(e.get("zenithAngle")) for e in sights],
            slope=[found.length(e.get("slopeDistance")) for e in sights],
        ),
        supports=net.supports,
        instruments=net.instruments,
        targets=net.targets,
    )
    second = adjust(again, job.settings)
    assert np.array_equal(second.marks.east, adjustment.marks.east, equal_nan=True)


# -- numbers and odd texts --------------------------------------------------------------------------------------------


def test_packed_angles():
    arcsec = math.pi / 648_000
    assert packed((100 * 3600 + 29 * 60 + 20) * arcsec) == "100.2920"
    assert packed(14.3 * arcsec + 60 * arcsec) == "0.01143"
    assert packed(-1.5 * arcsec) == "-0.00015"
    assert packed(0.0) == "0.0000"
    assert packed(59.99999999 * arcsec) == "0.0100"  # carries to the minute


@given(st.integers(0, 359), st.integers(0, 59), st.integers(0, 599_999))
def test_packed_angles_come_back_exactly(degrees, minutes, steps):
    text = f"{steps / 1e4:.4f}"
    value = (degrees * 3600 + minutes * 60 + float(text)) * (math.pi / 648_000)
    found = Found.__new__(Found)
    found.turn = "decimal dd.mm.ss"
    assert found.angle(packed(value)) == value


@given(st.decimals(-99999, 99999, places=4), st.sampled_from([1.0, 0.3048, 1200 / 3937, math.pi / 200]))
def test_lengths_come_back_exactly(number, unit):
    value = float(number) * unit
    assert float(exact(value, unit)) * unit == value


@given(st.text(max_size=30))
def test_any_text_can_be_written_and_comes_back(text):
    element = etree.Element("a")
    element.set("b", clean(text))
    back = etree.fromstring(etree.tostring(element)).get("b")
    assert back == clean(text)
    assert len(back) == len(text)


def test_a_setup_without_a_height_and_slant_heights(tmp_path):
    folder = tmp_path / "job"
    import shutil

    shutil.copytree(SAMPLES / "braced-traverse", folder)
    toml = (folder / "job.toml").read_text(encoding="utf-8")
    toml = toml.replace(
        'height = "taped"', 'height = "slant"\nslant_radius = "0.15 m"\nslant_offset = "2 mm"', 1
    )
    (folder / "job.toml").write_text(toml, encoding="utf-8")
    change(folder / "setups.csv", {"height": lambda i, h: h})
    job = read_job(folder)
    found = write(adjust(job.network, job.settings), job, tmp_path)
    setup = found.root.find(".//x:InstrumentSetup", NS)
    entered = float(facts(setup.find("x:Feature", NS))["height"])
    assert float(setup.get("instrumentHeight")) == pytest.approx(
        math.sqrt(entered**2 - 0.15**2) + 0.002, abs=1e-12
    )
    flat = dataclasses.replace(
        job.network, setups=job.network.setups.replace(height=np.full(len(job.network.setups), np.nan))
    )
    adjustment = delivered("braced-traverse")[0]
    found = write(dataclasses.replace(adjustment, network=flat), job, tmp_path)
    assert {e.get("instrumentHeight") for e in found.all(".//x:InstrumentSetup")} == {"0"}
    assert not any(e.get("targetHeight") for e in found.all(".//x:TargetSetup"))


@pytest.mark.parametrize("network", [made_up(), levelling(), made_up(40)])
def test_made_up_networks(network, tmp_path):
    """Jobs that were not read from files have no texts; their control comes from the prior sigmas."""
    adjustment, job = network
    found = write(adjustment, dataclasses.replace(job, texts={}), tmp_path)
    assert len(found.all("x:CgPoints/x:CgPoint")) == len(adjustment.marks)


def test_control_from_prior_sigmas(tmp_path):
    adjustment, job = made_up()
    marks = adjustment.network.marks.replace(
        sigma_east=[0, 0.002, *[np.inf] * 6],
        sigma_north=[0, 0.002, *[np.inf] * 6],
        sigma_height=[0, 0, *[np.inf] * 6],
    )
    adjustment = dataclasses.replace(adjustment, network=dataclasses.replace(adjustment.network, marks=marks))
    found = write(adjustment, dataclasses.replace(job, texts={}), tmp_path)
    own = found.named("mark")
    assert own["mark-1"]["control"] == "held-enh"
    assert own["mark-2"]["control"] == "held-h weighted-en"
    assert found.length(own["mark-2"]["sigma_east"]) == 0.002
    assert "control" not in own["mark-3"]


def test_datum_and_pairs(tmp_path):
    adjustment, job = delivered("braced-traverse")
    settings = Settings(datum_marks=("G1", "Y1"), pairs=(("G1", "Y5"), ("Y2", "P1")))
    found = write(dataclasses.replace(adjustment, settings=settings), job, tmp_path)
    (datum,) = [f for f in found.all(".//x:Feature") if f.get("code") == "hubtack datum"]
    assert [p.get("value") for p in datum] == ["G1", "Y1"]
    assert found.features("pair") == [{"from": "G1", "to": "Y5"}, {"from": "Y2", "to": "P1"}]


def same_job(again: Any, job: Any) -> None:
    """By loop over what tables and settings declare, so that a new column can't be forgotten in the file."""
    for field in dataclasses.fields(Network):
        table, found = getattr(job.network, field.name), getattr(again.network, field.name)
        if field.name == "left_out":
            assert found == table
            continue
        for column in table.columns():
            wanted, values = getattr(table, column.name), getattr(found, column.name)
            where = f"{field.name}.{column.name}"
            if wanted.dtype == np.float64:
                # feet and gon are turned to metres and radians twice: two last places
                assert np.allclose(values, wanted, rtol=5e-16, atol=0.0, equal_nan=True), where
            else:
                assert values.tolist() == wanted.tolist(), where
    assert again.settings == job.settings
    assert [(d.action, d.what, d.value, d.before, d.reason, d.by) for d in again.decisions] == [
        (d.action, d.what, d.value, d.before, d.reason, d.by) for d in job.decisions
    ]
    assert (again.name, again.units) == (job.name, job.units)


@pytest.mark.parametrize("name", ["odd", "braced-traverse", "free-stations", "by-hand"])
def test_the_projects_reader_finds_every_column_and_every_choice(name, tmp_path):
    adjustment, job = delivered(name)
    write(adjustment, job, tmp_path)
    again = read_job(tmp_path / "network.xml")
    same_job(again, job)
    second = adjust(again.network, again.settings)
    assert np.array_equal(second.marks.east, adjustment.marks.east, equal_nan=True)
    assert np.array_equal(second.marks.covariance, adjustment.marks.covariance, equal_nan=True)


@pytest.mark.parametrize("name", ["braced-traverse", "free-stations", "by-hand"])
def test_written_again_it_is_the_same_file(name, tmp_path):
    adjustment, job = delivered(name)
    write(adjustment, job, tmp_path)
    first = (tmp_path / "network.xml").read_bytes()
    again = read_job(tmp_path / "network.xml")
    write(adjust(again.network, again.settings), again, tmp_path)
    assert (tmp_path / "network.xml").read_bytes() == first


@pytest.mark.parametrize("units", [Units("ft", "gon"), Units("us-ft", "deg"), Units("ft", "dms")])
def test_in_other_units_the_same_coordinates_to_a_nanometre(units, tmp_path):
    adjustment, job = delivered("free-stations", units)
    write(adjustment, job, tmp_path)
    again = read_job(tmp_path / "network.xml")
    second = adjust(again.network, again.settings)
    for name in ("east", "north", "height"):
        found, wanted = getattr(second.marks, name), getattr(adjustment.marks, name)
        assert np.allclose(found, wanted, rtol=0.0, atol=1e-9, equal_nan=True)


def test_a_job_with_every_table_key_and_decision_is_found_again(job, tmp_path):
    """The job of the reading tests: vectors, slant heights, datum, pairs, left-out observations. It need not adjust."""
    job.cell("setups.csv", "T1", "note", 'left of "the" gate; 50 % <shade>')
    original = job.read()
    n = len(original.network.marks)
    nothing = np.full(n, np.nan)
    marks = AdjustedMarks(
        mark=original.network.marks.mark,
        **dict.fromkeys(
            ("east", "north", "height", "sigma_east", "sigma_north", "sigma_height", "semi_major", "semi_minor",
             "ellipse_azimuth"), nothing,
        ),
        covariance=np.full((n, 3, 3), np.nan),
        control=[""] * n,
        unchecked=[False] * n,
        unchecked_by=[()] * n,
    )  # fmt: skip
    result = dataclasses.replace(
        delivered("by-hand")[0], network=original.network, settings=original.settings, marks=marks
    )
    write(result, original, tmp_path)
    again = read_job(tmp_path / "network.xml")
    same_job(again, original)
    for table, columns in original.texts.items():
        for column, cells in columns.items():
            if any(cells):
                assert again.texts[table][column] == cells, (table, column)

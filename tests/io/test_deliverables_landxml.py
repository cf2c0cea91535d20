"""LandXML: its structure, the adjusted marks, and the whole job found again by a small reader written for this test."""

from __future__ import annotations

import itertools
import math
import re
from pathlib import Path

import pytest
from lxml import etree
from tests.io.delivered import delivered, numbers, same_marks
from tests.io.found_xml import NS, TURN, equal, facts, quantity, write

from hubtack.adjust import adjust
from hubtack.adjust.ground.network import Network
from hubtack.io.job import read_job
from hubtack.io.units import Units
from hubtack.io.writers.landxml_elements import clean

CASES = [
    ("braced-traverse", Units()),
    ("odd", Units("ft", "gon")),
    ("free-stations", Units("us-ft", "deg")),
    ("by-hand", Units()),
]


@pytest.fixture(params=CASES, ids=lambda c: f"{c[0]} {c[1].length} {c[1].angle}", scope="module")
def case(request, tmp_path_factory):
    adjustment, job = delivered(*request.param)
    return adjustment, job, write(adjustment, job, tmp_path_factory.mktemp("xml"))


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
    same_marks(second.marks, adjustment.marks)

"""LandXML: numbers and texts come back exactly, whatever they are; jobs that were not read from files."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree
from tests.io.delivered import SAMPLES, change, delivered
from tests.io.found_xml import NS, Found, facts, write
from tests.io.made_up import levelling, made_up

from hubtack.adjust import adjust
from hubtack.adjust.settings import Settings
from hubtack.io.job import read_job
from hubtack.io.writers.landxml_elements import clean, exact, packed


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

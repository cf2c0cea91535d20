"""The report page: offline, escaped, complete, usable without eyes or colour."""

from __future__ import annotations

import dataclasses
import re
from html.parser import HTMLParser

import pytest

from hubtack.io.pages.report import report_page
from hubtack.io.units import Units
from hubtack.io.writers import coordinates

from .made_up import WEIRD, levelling, made_up

VOID = {"meta", "link", "br", "hr", "img", "input"}


class Page(HTMLParser):
    """Checks nesting while it reads; keeps elements with their attributes and the text of each section."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.words: dict[str, str] = {}
        self.section = ""
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        values = {k: v or "" for k, v in attributes}
        self.elements.append((tag, values))
        if tag == "section":
            self.section = values["id"]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words[self.section] = self.words.get(self.section, "") + data

    def all(self, tag):
        return [a for t, a in self.elements if t == tag]


NETWORKS = {"flagged": made_up(), "large": made_up(60, flagged=False, seed=4), "heights": levelling()}


@pytest.fixture(params=NETWORKS, scope="module")
def network(request):
    return NETWORKS[request.param]


def test_page_asks_for_nothing_outside_itself(network):
    text = report_page(*network)
    page = Page(text)
    for tag, attributes in page.elements:
        assert tag not in ("script", "iframe", "object", "embed", "form", "img", "base")
        assert not [a for a in attributes if a.startswith("on")]
        for name in ("href", "src", "action", "data"):
            assert attributes.get(name, "#").startswith(("#", "data:,"))
    assert not re.search(r"url\(|@import|@font-face", text)
    addresses = set(re.findall(r"https?://[^\s\"'<]+", text))
    assert addresses <= {"http://www.w3.org/2000/svg"}  # the name of a language, not a place
    (policy,) = [m["content"] for m in page.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")


def test_links_lead_somewhere_and_ids_are_unique(network):
    page = Page(report_page(*network))
    ids = [a["id"] for _, a in page.elements if "id" in a]
    assert len(ids) == len(set(ids))
    for attributes in page.all("a"):
        assert attributes["href"][1:] in ids
    for _, attributes in page.elements:
        for name in attributes.get("aria-labelledby", "").split():
            assert name in ids


def test_words_of_users_stay_words():
    adjustment, job = made_up()
    job = dataclasses.replace(job, name='<script>alert("x")</script>', files={"<img src=x>.csv": "ab"})
    text = report_page(adjustment, job)
    page = Page(text)
    assert not page.all("script")
    assert not page.all("img")
    assert not page.all("b")
    assert not page.all("pole")
    for name in WEIRD:
        assert name in page.words["coordinates"]
    assert "photo of the <pole>" in page.words["decisions"]


def test_verdict_comes_first_and_the_rest_in_order(network):
    page = Page(report_page(*network))
    sections = [a["id"] for a in page.all("section")]
    assert sections[:3] == ["verdict", "map", "coordinates"]
    assert sections[-4:] == ["settings", "trail", "cautions", "signatures"]
    (verdict,) = [a for a in page.all("p") if "verdict" in a.get("class", "")]
    assert verdict["class"].split()[1] == ("flagged" if network[0].flagged else "ok")


def test_verdict_section_tells_the_global_test(network):
    words = " ".join(Page(report_page(*network)).words["verdict"].split())
    g = network[0].global_test
    assert f"variance factor {g.variance_factor:.2f}" in words
    assert f"{network[0].degrees_of_freedom} degrees of freedom" in words


@pytest.mark.parametrize("units", [Units(), Units("us-ft", "gon")])
def test_coordinates_are_those_of_the_csv_file(units):
    adjustment, job = made_up(units=units)
    words = Page(report_page(adjustment, job)).words["coordinates"]
    for row in coordinates.sheet(adjustment, job).rows:
        assert all(cell in words for cell in row)
    assert f"[{units.length}]" in words
    assert "two dimensions, 95 %, 2.4477 sigma" in words


def test_tables_can_be_read_aloud(network):
    page = Page(report_page(*network))
    for attributes in page.all("th"):
        assert attributes["scope"] in ("col", "row")
    assert page.all("html")[0]["lang"] == "en"
    (map_,) = page.all("svg")
    assert map_["role"] == "img"


def test_flags_are_words_as_well_as_colours():
    adjustment, job = made_up()
    page = Page(report_page(adjustment, job))
    flagged = int(adjustment.observations.flagged.sum())
    assert page.words["observations"].count("flagged") == flagged
    assert page.words["setups"].count("height flagged") == 1


def test_trail_and_cautions():
    adjustment, job = made_up()
    page = Page(report_page(adjustment, job))
    trail = page.words["trail"]
    for name, digest in job.files.items():
        assert name in trail
        assert digest in trail
    assert "hubtack adjust yard" in trail
    cautions = page.words["cautions"]
    for word in (
        "traffic",
        "rail",
        "excavation",
        "height",
        "electric",
        "laser",
        "sun",
        "licensed",
        "codes",
        "geometry",
    ):
        assert word in cautions
    assert "party chief" in page.words["decisions"]


def test_large_tables_are_cut_but_flags_stay(monkeypatch):
    monkeypatch.setattr("hubtack.io.pages.report._MOST_ROWS", 10)
    adjustment, job = made_up(30)
    words = Page(report_page(adjustment, job)).words["observations"]
    assert "Shown are 10 of" in words
    for name in adjustment.observations.id[adjustment.observations.flagged]:
        assert name in words


def test_light_dark_and_print():
    text = report_page(*made_up())
    assert "prefers-color-scheme:dark" in text
    assert "@media print" in text
    assert "@page" in text

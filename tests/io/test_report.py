"""The report page: offline, escaped, complete, usable without eyes or colour."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import re
from html.parser import HTMLParser

import numpy as np
import pytest

from hubtack.io.pages.embed import visible
from hubtack.io.pages.report import report_page
from hubtack.io.pages.report_grid import MOST_STILL
from hubtack.io.pages.report_residuals import residuals_grid
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
        # the end of a cell and of a row may be left out: where the next begins
        while tag in ("td", "th", "tr") and self.open[-1] in ("td", "th", *(["tr"] if tag == "tr" else [])):
            self.open.pop()
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        while tag in ("tr", "tbody") and self.open[-1] in ("td", "th", *(["tr"] if tag == "tbody" else [])):
            self.open.pop()
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
        assert tag not in ("iframe", "object", "embed", "form", "img", "base")
        assert not [a for a in attributes if a.startswith("on")]
        assert "style" not in attributes
        for name in ("href", "src", "action", "data"):
            assert attributes.get(name, "#").startswith(("#", "data:,"))
    assert not re.search(r"url\(|@import|@font-face", text)
    addresses = set(re.findall(r"https?://[^\s\"'<]+", text))
    assert addresses <= {"http://www.w3.org/2000/svg"}  # the name of a language, not a place


def test_policy_lets_the_pages_own_script_and_style_run_and_no_other(network):
    text = report_page(*network)
    (policy,) = [
        m["content"] for m in Page(text).all("meta") if m.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    for element, rule in (("script", "script-src"), ("style", "style-src")):
        (inside,) = re.findall(f"<{element}>(.*?)</{element}>", text, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
        assert f"{rule} 'sha256-{digest}'" in policy
    assert len(re.findall(r"<script\b", text)) == 2  # the other holds data


def test_links_lead_somewhere_and_ids_are_unique(network):
    page = Page(report_page(*network))
    ids = [a["id"] for _, a in page.elements if "id" in a]
    assert len(ids) == len(set(ids))
    for attributes in page.all("a"):
        assert attributes["href"][1:] in ids
    for _, attributes in page.elements:
        for name in attributes.get("aria-labelledby", "").split():
            assert name in ids


NASTY = (
    "</script><script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'); alert(1); ('",
    "<!--",
    "]]>",
    "{{ 7 * 7 }}",
    "line\u2028and\u2029paragraph",
    "\u202eturned around\u2066",
    "right to left \u200f\u05d0\u05d1",
    "\U0001f9f1 brick",
    "n" * 300,
)


def nasty():
    """A made-up job whose marks bear every name that could break a page."""
    adjustment, job = made_up(8 + len(NASTY))
    names = np.array([*adjustment.marks.mark[:8], *NASTY], dtype=object)
    marks = adjustment.marks.replace(mark=names, unchecked=np.ones(len(names), bool))
    network = dataclasses.replace(adjustment.network, marks=adjustment.network.marks.replace(mark=names))
    named = dict(zip(adjustment.marks.mark, names, strict=True))
    pairs = adjustment.relative.replace(
        start=[named[n] for n in adjustment.relative.start], end=[named[n] for n in adjustment.relative.end]
    )
    adjustment = dataclasses.replace(adjustment, marks=marks, network=network, relative=pairs)
    decisions = tuple(
        dataclasses.replace(d, reason=n, by=n) for d, n in zip(job.decisions, NASTY, strict=False)
    )
    files = {"<img src=x>.csv": "ab"}
    return adjustment, dataclasses.replace(
        job, network=network, name='<script>alert("x")</script>', files=files, decisions=decisions
    )


def data_of(text):
    (inside,) = re.findall(r'<script type="application/json" id="page-data">(.*?)</script>', text, re.DOTALL)
    assert "<" not in inside
    assert not re.search("[\u2028\u2029]", inside)
    return json.loads(inside)


def test_words_of_users_stay_words():
    adjustment, job = nasty()
    text = report_page(adjustment, job)
    page = Page(text)
    assert len(page.all("script")) == 2
    for tag in ("img", "b", "pole"):
        assert not page.all(tag)
    shown = [visible(n) for n in (*WEIRD, *NASTY)]
    words = " ".join(page.words["coordinates"].split())
    for name in shown:
        assert " ".join(name.split()) in words
    assert data_of(text)["map"]["names"] == shown
    assert page.words["decisions"].count("</script><script>alert(1)</script>") == 2


def test_what_would_turn_words_around_is_shown():
    assert visible("\u202eA1\u2066") == "[U+202E]A1[U+2066]"
    assert visible("a\x00b") == "a[U+0000]b"
    kept = "Ça \u200f\u05d0\u05d1 雨 \U0001f9f1 a\tb"
    assert visible(kept) == kept
    assert "\u202e" not in report_page(*nasty())


def test_verdict_comes_first_and_the_rest_in_order(network):
    page = Page(report_page(*network))
    sections = [a["id"] for a in page.all("section")]
    flagged = network[0].flagged
    order = [
        "verdict",
        *(("suspects", "map") if flagged else ("map", "suspects")),
        "control",
        "weak",
        "coordinates",
        "relative",
        "setups",
        "residuals",
        "reductions",
    ]
    order += ["constants", "decisions"]
    assert [s for s in sections if s in order] == [s for s in order if s in sections]
    assert sections[0] == "verdict"
    assert {"map", "weak", "coordinates", "residuals", "decisions"} <= set(sections)
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
        assert all(cell in words for cell in row[:13])  # what a mark rests on stands among the weak marks
    assert f"[{units.length}]" in words
    assert "two dimensions, 95 %, 2.4477 sigma" in words


@pytest.mark.parametrize("units", [Units(), Units("us-ft", "gon")])
def test_residuals_stand_in_the_units_of_the_job_and_in_millimetres(units):
    adjustment, job = made_up(units=units)
    grid, o = residuals_grid(adjustment, job), adjustment.observations
    heads = [str(h) for h in grid.headings]
    mm = grid.columns[heads.index("residual at the target [mm]")]
    angle = grid.columns[
        heads.index(f"residual of an angle [{'mgon' if units.angle == 'gon' else 'arcsec'}]")
    ]
    m = adjustment.marks
    away = [
        np.hypot(m.east[b] - m.east[a], m.north[b] - m.north[a])
        for a, b in zip(o.start_mark, o.end_mark, strict=True)
    ]
    for i in range(len(o)):
        if o.kind[i] == "distance":
            assert float(mm[i]) == pytest.approx(1e3 * o.residual[i], abs=0.0051)
            assert angle[i] == ""
        elif o.kind[i] == "direction":
            assert float(mm[i]) == pytest.approx(1e3 * o.residual[i] * away[i], abs=0.0051)
            turn = np.degrees(o.residual[i]) * (1e4 / 9.0 if units.angle == "gon" else 3600.0)
            assert float(angle[i]) == pytest.approx(turn, abs=0.0051)
    feet = [h for h in heads if h.startswith("residual at the target [0.001")]
    assert bool(feet) == (units.length != "m")
    if feet:
        i = int(np.flatnonzero(o.kind == "distance")[0])
        assert float(grid.columns[heads.index(feet[0])][i]) == pytest.approx(
            o.residual[i] * 3937e3 / 1200, abs=0.0051
        )


def test_tables_can_be_read_aloud(network):
    page = Page(report_page(*network))
    for attributes in page.all("th"):
        assert attributes["scope"] in ("col", "row")
    assert page.all("html")[0]["lang"] == "en"
    titles = [i for t, a in page.elements if t == "title" and (i := a.get("id"))]
    for picture in page.all("svg"):
        assert picture["role"] == "img"
        assert picture["aria-labelledby"].split()[0] in titles


def test_flags_are_words_as_well_as_colours():
    adjustment, job = made_up()
    page = Page(report_page(adjustment, job))
    flagged = int(adjustment.observations.flagged.sum())
    assert page.words["residuals"].count("✗ flagged") == flagged
    assert page.words["setups"].count("✗ height flagged") == 1


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


def test_large_tables_are_cut_but_flags_stay_and_all_cells_are_data():
    adjustment, job = made_up(160)
    text = report_page(adjustment, job)
    words, o = Page(text).words["residuals"], adjustment.observations
    assert f"Shown are {MOST_STILL} of {len(o) + 1} rows" in words
    for name in o.id[o.flagged]:
        assert name in words
    table = data_of(text)["grids"]["residuals"]
    assert table["columns"][0].split("\n") == [*o.id, "999.direction"]
    verdicts = table["columns"][table["heads"].index("verdict")]
    assert [verdicts["words"][i] for i in verdicts["at"]] == [
        *("✗ flagged" if f else "✓ fits" for f in o.flagged),
        "– left out",
    ]
    assert table["flagged"] == np.flatnonzero(o.flagged).tolist()
    assert table["marks"][0][:-1] == o.start_mark.tolist()


def test_page_of_thirty_marks_is_small():
    assert len(report_page(*made_up(30)).encode()) < 300_000


def test_light_dark_and_print():
    text = report_page(*made_up())
    assert "prefers-color-scheme:dark" in text
    assert "@media print" in text
    assert "@page" in text

"""Several jobs in one call: each as alone, the worst code, no fault of one a hindrance to the next, and a page over all."""

from __future__ import annotations

import json
import os
import shutil
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote

import pytest
from click.testing import CliRunner

from hubtack.io.cli import cli

SAMPLES = Path(__file__).parents[2] / "sample_networks"


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A passing job whose name is odd, a flagged one, and one with faults; results beside them."""
    for sample, name in (("by-hand", "day 1 <b>#"), ("moved-control", "day2"), ("by-hand", "day3")):
        shutil.copytree(SAMPLES / sample, tmp_path / name, ignore=shutil.ignore_patterns("out"))
    with (tmp_path / "day3" / "marks.csv").open("a", encoding="utf-8") as file:
        file.write("one,two\n")
    return tmp_path


def run(*words: object):
    return CliRunner().invoke(cli, ["adjust", *map(str, words)], catch_exceptions=False)


class Page(HTMLParser):
    """Links, and what would make a request."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.requests: list[str] = []
        self.tags: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        found = dict(attrs)
        if tag == "a":
            self.links.append(str(found["href"]))
        elif "src" in found or (tag == "link" and not str(found.get("href")).startswith("data:")):
            self.requests.append(tag)


def test_each_as_alone_and_the_worst_code(place: Path) -> None:
    jobs = [place / "day3", place / "day 1 <b>#", place / "day2"]
    result = run(*jobs, "--index", place / "all.html")
    assert result.exit_code == 2
    lines = result.stdout.splitlines()
    assert len(lines) == 3
    assert [line.split()[0] for line in lines] == ["✗", "✓", "✗"]
    assert "NOT ADJUSTED: 1 fault" in lines[0]
    assert "PASSES" in lines[1]
    assert "FLAGGED" in lines[2]
    assert f"{place / 'day3' / 'marks.csv'}:" in result.stderr
    assert not (place / "day3" / "out").exists()
    for name in ("day 1 <b>#", "day2"):
        together = {p.name: p.read_bytes() for p in (place / name / "out").iterdir()}
        shutil.rmtree(place / name / "out")
        alone = run(place / name)
        assert alone.exit_code == (0 if name != "day2" else 1)
        assert {p.name: p.read_bytes() for p in (place / name / "out").iterdir()} == together


def test_the_page_links_to_reports_and_asks_for_nothing(place: Path) -> None:
    run(place / "day 1 <b>#", place / "day2", place / "day3", "--index", place / "all.html")
    text = (place / "all.html").read_text(encoding="utf-8")
    page = Page(text)
    assert not page.requests
    assert "b" not in page.tags
    assert "script" not in page.tags
    assert [unquote(link) for link in page.links] == ["day 1 <b>#/out/report.html", "day2/out/report.html"]
    for link in page.links:
        assert (place / unquote(link)).is_file()
    assert "Of 3 jobs: 1 not adjusted, 1 flagged, 1 passing." in text
    assert "TAB207" in text
    before = text
    assert (
        run(place / "day 1 <b>#", place / "day2", place / "day3", "--index", place / "all.html").exit_code
        == 2
    )
    assert (place / "all.html").read_text(encoding="utf-8") == before
    os.rename(place, place.with_name("moved elsewhere"))
    for link in page.links:
        assert (place.with_name("moved elsewhere") / unquote(link)).is_file()


def test_an_index_writes_over_nothing_of_others(place: Path) -> None:
    (place / "notes.html").write_text("mine", encoding="utf-8")
    result = run(place / "day2", "--index", place / "notes.html")
    assert result.exit_code == 2
    assert "no index of ours" in result.stderr
    assert not (place / "day2" / "out").exists()
    assert (place / "notes.html").read_text(encoding="utf-8") == "mine"
    assert run(place / "day2", "--index", place / "notes.html", "--force").exit_code == 1
    assert run(place / "day2", "--index", place / "nowhere" / "a.html").exit_code == 2
    assert run(place / "day2", "--index", place / "day3").exit_code == 2


def test_an_error_of_the_program_stops_only_its_job(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import hubtack.io.cli as module

    whole = module._adjusted

    def breaking(path: Path, *rest: object, **more: object):
        if path.name == "day2":
            raise RuntimeError("broken")
        return whole(path, *rest, **more)

    monkeypatch.setattr(module, "_adjusted", breaking)
    result = run(place / "day2", place / "day 1 <b>#")
    assert result.exit_code == 3
    assert "PASSES" in result.stdout.splitlines()[1]
    assert "Internal error" in result.stderr


def test_json_of_several_is_one_document(place: Path) -> None:
    result = run(place / "day3", place / "day2", place / "day2", "--json")
    document = json.loads(result.stdout)
    assert result.exit_code == document["exit"] == 2
    assert [j["exit"] for j in document["jobs"]] == [2, 1]  # the same job twice is done once
    assert document["jobs"][0]["faults"][0]["code"] == "TAB207"
    assert document["jobs"][1]["result"]["format"] == 1
    assert not (place / "day2" / "out").exists()
    faults = json.loads(run(place / "day3", place / "day2", "--output-format", "json").stdout)
    assert [f["job"] for f in faults["faults"]] == [str(place / "day3")]


def test_what_holds_for_one_job_alone_is_said(place: Path) -> None:
    assert "--out is for one job" in run(place / "day2", place / "day3", "--out", place / "x").stderr
    assert run(place / "day 1 <b>#", place / "day2", "--exit-zero").exit_code == 0
    assert run().exit_code == 2

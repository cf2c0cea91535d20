"""The judgement on its way out: summary, setups.csv, result.json, the page and heights.png of a job with a planted mistake."""

from __future__ import annotations

import csv
import dataclasses
import json
import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from hubtack.adjust import adjust
from hubtack.adjust.judged import judged
from hubtack.io.cli import cli
from hubtack.io.job import read_job
from hubtack.io.pages.judgement import components_section, heights_section, odds
from hubtack.io.pages.report import report_page
from hubtack.io.pages.summary import summary
from hubtack.io.pages.terminal import as_text
from hubtack.io.pages.verdict import fails, headline
from hubtack.io.writers import write_all
from hubtack.io.writers.setups import AUDIT, sheet

from .test_diagnose import SAMPLES, planted
from .test_report import Page


def run(*arguments: object):
    return CliRunner().invoke(cli, [str(a) for a in arguments], catch_exceptions=False)


def solved(folder: Path):
    job = read_job(folder)
    return judged(adjust(job.network, job.settings)), job


@pytest.fixture(scope="module")
def clean():
    return solved(SAMPLES / "free-stations")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """F1 carries two stands, one of them entered 100 mm too high."""
    return planted(
        tmp_path_factory.mktemp("planted") / "hall",
        find="T-F1,target,F1,low-stand,mini-prism,,",
        put="T-F1,target,F1,low-stand,mini-prism,0.2863,",
    )


@pytest.fixture(scope="module")
def wrong(folder):
    return solved(folder)


@pytest.fixture(scope="module")
def out(wrong, tmp_path_factory):
    place = tmp_path_factory.mktemp("out") / "out"
    write_all(*wrong, place)
    return place


def keys(a, job):
    return [s.key for s in summary(a, job)]


# -- summary ----------------------------------------------------------------------------------------------------------


def test_findings_come_right_after_the_verdict_and_the_lists_are_short(wrong, clean):
    assert keys(*wrong)[:3] == ["verdict", "findings", "heights"]
    assert "findings" not in keys(*clean)
    sections = {s.key: s for s in summary(*wrong)}
    before = {s.key: s for s in summary(*clean)}
    for key in ("setups", "sights"):
        assert len(sections[key].rows) < len(before[key].rows)
    assert "1 finding" in headline(wrong[0])[1]


def test_summary_fits_a_terminal(wrong):
    lines = as_text("hall", summary(*wrong)).splitlines()
    assert max(len(line) for line in lines) <= 80
    assert len(lines) <= 44  # the figure agreed on is 40, and the fewer the better; a finding takes five


def test_command_to_copy_holds_the_path_as_it_was_typed(wrong):
    a, job = wrong
    words = " ".join(as_text("hall", summary(a, job, path="my jobs/hall")).split())
    assert f"hubtack diagnose 'my jobs/hall' {a.findings[0].first.name}" in words


def test_more_findings_than_room_are_counted(wrong):
    a, job = wrong
    (one,) = a.findings
    many = dataclasses.replace(a, findings=tuple(dataclasses.replace(one, rank=k) for k in range(1, 6)))
    (section,) = [s for s in summary(many, job) if s.key == "findings"]
    assert len(section.rows) == 4
    assert section.rows[-1].words[0].startswith("and 2 more.")


def test_heights_are_told_a_line_a_class(clean):
    a, job = clean
    rows = heights_section(a, job, 3).rows
    assert len(rows) == len(a.audit.classes)
    for g, row in enumerate(rows):
        (words,) = row.words
        assert words.startswith(
            f"{a.audit.classes.support[g]}, {a.audit.classes.setups[g]} targets, declared fixed"
        )
        assert "behaves like fixed" in words
        assert row.sign == "ok"


def test_cannot_tell_is_said_with_its_ceiling(clean):
    a, job = clean
    c = a.audit.classes
    n = len(c)
    unsure = c.replace(
        verdict=np.array(["cannot tell"] * n, dtype=object),
        ceiling=np.full(n, math.log(7.0)),
        reason=np.array(["the geometry shows at most 7.0 : 1"] * n, dtype=object),
    )
    a = dataclasses.replace(a, audit=dataclasses.replace(a.audit, classes=unsure))
    for row in heights_section(a, job, 3).rows:
        assert row.words[0].endswith("can't tell (at best 7.0 : 1)")
        assert row.sign == ""


def test_a_contradicted_kind_is_no_pass(clean):
    a, job = clean
    c = a.audit.classes
    n = len(c)
    other = c.replace(
        verdict=np.array(["measured"] * n, dtype=object),
        contradicts=np.ones(n, dtype=bool),
        evidence=np.full(n, -4.0),
    )
    a = dataclasses.replace(a, audit=dataclasses.replace(a.audit, classes=other))
    for row in heights_section(a, job, 3).rows:
        assert row.sign == "watch"
        assert f"but behaves like measured, {math.exp(4.0):.0f} : 1" in row.words[0]


def test_only_contradicted_sigmas_are_told(clean, wrong):
    a, job = clean
    assert not components_section(a, job).rows
    c = a.components
    verdict = c.verdict.copy()
    i = int(np.flatnonzero(c.what == "zenith")[0])
    verdict[i] = "too optimistic"
    odd = dataclasses.replace(a, components=c.replace(verdict=verdict))
    (row,) = components_section(odd, job).rows
    assert row.words[0].startswith(f"{c.group[i]}: ")
    assert "arcsec declared" in row.words[0]
    (row,) = components_section(dataclasses.replace(odd, findings=wrong[0].findings), job).rows
    assert "Settle those first" in row.words[0]


def test_odds():
    assert odds(math.log(38.2)) == "38 : 1"
    assert odds(-math.log(2.5)) == "2.5 : 1"
    assert odds(20.0) == "over 1000 : 1"
    assert odds(math.nan) == ""


# -- verdict and exit code --------------------------------------------------------------------------------------------


def test_a_finding_alone_is_no_pass(clean, wrong):
    a = dataclasses.replace(clean[0], findings=wrong[0].findings)
    assert not a.flagged
    assert fails(a)
    sign, words = headline(a)
    assert sign == "flagged"
    assert "1 finding" in words


def test_json_and_files_agree(folder, tmp_path):
    alone = run("adjust", folder, "--json")
    assert alone.exit_code == 1
    run("adjust", folder, "--out", tmp_path / "out")
    one, two = json.loads(alone.stdout), json.loads((tmp_path / "out" / "result.json").read_text())
    for key in ("findings", "components", "flagged"):
        assert one[key] == two[key]
    assert "audit" not in two
    (finding,) = two["findings"]
    assert {finding["name"], *(r["name"] for r in finding["rivals"])} == {"T-F1", "T-F1b"}
    assert abs(abs(finding["size"]) - 0.1) < 4 * finding["sigma"]  # planted: 100 mm
    for group in two["components"]:
        assert {"group", "sigma_declared", "sigma_estimated", "lower", "upper", "redundancy"} <= set(group)
        refused = group["verdict"] == "refused"
        assert refused == (group["sigma_estimated"] is None)


# -- files ------------------------------------------------------------------------------------------------------------


def test_setups_csv_bears_the_audit(wrong, out):
    a, _ = wrong
    with (out / "setups.csv").open(newline="", encoding="utf-8") as stream:
        header, *rows = csv.reader(stream)
    columns = {str(h): header.index(str(h)) for h in AUDIT}
    behaves, given_odds, _, rival, rho = columns.values()
    for i, row in enumerate(rows):
        assert row[behaves] == a.audit.setups.verdict[i]
        assert row[rival] == a.audit.setups.rival[i]
        evidence = a.audit.setups.evidence[i]
        if math.isfinite(evidence) and abs(evidence) < 600.0:
            assert float(row[given_odds]) == pytest.approx(math.exp(evidence), rel=0.005)  # three digits
    (first,) = [r for r in rows if r[0] == "T-F1"]
    assert first[rival] == "T-F1b height"
    assert abs(float(first[rho])) > 0.99
    bare = sheet(dataclasses.replace(a, audit=None), wrong[1])
    assert {row[behaves] for row in bare.rows} == {""}


def test_no_heights_no_picture_and_an_old_one_goes(wrong, out, tmp_path):
    a, job = wrong
    write_all(a, job, tmp_path / "out")
    assert (tmp_path / "out" / "heights.png").exists()
    written = write_all(dataclasses.replace(a, audit=None), job, tmp_path / "out")
    assert "heights.png" not in written
    assert not (tmp_path / "out" / "heights.png").exists()


def test_page_holds_findings_decisions_and_the_picture(wrong, out):
    a, _ = wrong
    text = (out / "report.html").read_text(encoding="utf-8")
    assert len(text.encode()) < 300_000
    page = Page(text)
    assert [a["id"] for t, a in page.elements if t == "title" and a.get("id", "").startswith("heights")]
    assert "✓ behaves like" in page.words["heights"]
    assert (out / "heights.png").read_bytes()[:4] == b"\x89PNG"
    words = page.words["findings"]
    assert "the geometry can't tell its causes apart" in words
    for name in ("T-F1 ", "T-F1b "):
        assert name in words
    blocks = [part.partition("Decision of choice")[0] for part in words.split("[[decision]]")[1:]]
    parsed = [tomllib.loads(f"[[decision]]{b}")["decision"][0] for b in blocks]
    assert {next(iter(d.values())) for d in parsed} == {"setup T-F1b", "setup T-F1 height"}
    sections = [attributes["id"] for attributes in page.all("section")]
    assert (
        sections.index("verdict")
        < sections.index("findings")
        < sections.index("map")
        < sections.index("heights")
    )
    assert len(page.words["settings"]) > 100
    assert len(a.findings) == 1


def test_page_without_findings_has_no_such_section(clean):
    page = Page(report_page(*clean))
    assert "findings" not in page.words
    assert "behaves like fixed" in page.words["heights"]

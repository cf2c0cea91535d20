"""`hubtack diagnose`: choices do what their decisions do, and an accepted decision leaves job.toml otherwise as it was."""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from hubtack.adjust import adjust
from hubtack.adjust.judged import judged
from hubtack.io.accept import add_decisions, block
from hubtack.io.cli import cli
from hubtack.io.faults import Faults
from hubtack.io.job import read_job
from hubtack.io.pages.choices import choices, decided, outcome, put_right
from hubtack.io.pages.diagnosis import flags
from hubtack.io.writers.atomic import Refused

SAMPLES = Path(__file__).parents[2] / "sample_networks"
REASON = 'stand "low", seen by the crew \\ 14:20'


def run(*arguments: object):
    return CliRunner().invoke(cli, [str(a) for a in arguments], catch_exceptions=False)


def planted(
    folder: Path, table: str = "setups.csv", find: str = "", put: str = "", ending: str = "\n"
) -> Path:
    """free-stations with one cell of a table exchanged, and job.toml in other line endings."""
    shutil.copytree(SAMPLES / "free-stations", folder, ignore=shutil.ignore_patterns("out"))
    if find:
        text = (folder / table).read_text()
        assert text.count(find) == 1
        (folder / table).write_text(text.replace(find, put))
    text = (folder / "job.toml").read_text()
    (folder / "job.toml").write_bytes(text.replace("\n", ending).encode())
    return folder


@pytest.fixture
def wrong_height(tmp_path):
    """F1 carries two stands; the height of the first is entered 100 mm too high, and nothing tells which one is wrong."""
    return planted(
        tmp_path / "hall",
        find="T-F1,target,F1,low-stand,mini-prism,,",
        put="T-F1,target,F1,low-stand,mini-prism,0.2863,",
    )


@pytest.fixture(scope="module")
def wrong_prism(tmp_path_factory):
    """T-B3 was measured to a prism of another constant: 17.5 mm are already in its distances."""
    folder = planted(tmp_path_factory.mktemp("prism") / "hall")
    lines = (folder / "sights.csv").read_text().splitlines()
    header = lines[0].split(",")
    to, slope = header.index("to"), header.index("slope")
    for i, line in enumerate(lines[1:], 1):
        cells = line.split(",")
        if cells[to] == "T-B3" and cells[slope]:
            cells[slope] = f"{float(cells[slope]) + 0.0175:.4f}"
            lines[i] = ",".join(cells)
    (folder / "sights.csv").write_text("\n".join(lines) + "\n")
    return folder


# -- what is told -----------------------------------------------------------------------------------------------------


def test_clean_job_has_nothing_to_tell():
    result = run("diagnose", SAMPLES / "free-stations")
    assert result.exit_code == 0
    assert "Nothing stands out" in result.stdout
    assert json.loads(run("diagnose", SAMPLES / "free-stations", "--json").stdout)["findings"] == []


def test_what_geometry_cannot_tell_is_said_and_not_guessed(wrong_height):
    result = run("diagnose", wrong_height, "T-F1")
    assert result.exit_code == 1
    words = " ".join(result.stdout.split())
    assert "The geometry can't tell it from the rivals" in words
    assert "T-F1 on F1" in words
    assert "T-F1b on F1" in words
    assert "To tell them apart" in words
    (finding,) = json.loads(run("diagnose", wrong_height, "T-F1", "--json").stdout)["findings"]
    assert not finding["told"]
    assert {c["name"] for c in finding["choices"]} == {"T-F1", "T-F1b"}
    # Whichever is wrong: with it put right everything fits, and F1 ends 100 mm apart from the other choice.
    heights = []
    for choice in finding["choices"]:
        assert choice["adjusts"]
        assert not choice["flagged"]
        (moved,) = [m["height"] for m in choice["moved"] if m["mark"] == "F1"]
        heights.append(moved)
    assert abs(heights[0] - heights[1]) == pytest.approx(
        0.1, abs=1e-3
    )  # 1 mm: three times the height sigma of a stand


def test_evidence_is_the_readings_of_the_setup_before_and_after(wrong_prism):
    (finding,) = json.loads(run("diagnose", wrong_prism, "T-B3", "--json").stdout)["findings"]
    sights = read_job(wrong_prism).network.sights
    setups = read_job(wrong_prism).network.setups.setup
    count = sum(str(setups[e]) == "T-B3" for e in sights.end)
    assert (
        len(finding["evidence"]) == 3 * count // 2
    )  # two faces make one direction, one zenith angle, one distance
    for reading in finding["evidence"]:
        assert "T-B3" in (reading["from"], reading["to"])
        assert abs(reading["standardized_after"]) < 3.3
        if reading["kind"] == "distance":
            assert abs(reading["standardized"]) > 10.0
            assert reading["residual"] - reading["residual_after"] == pytest.approx(-0.0175, abs=0.003)
    terminal = run("diagnose", wrong_prism, "T-B3").stdout
    assert max(len(line) for line in terminal.splitlines()) <= 80
    assert 'correct = "setup T-B3 prism_constant"' in terminal


def test_without_redundancy_nothing_is_claimed(tmp_path):
    folder = tmp_path / "line"
    folder.mkdir()
    (folder / "job.toml").write_text('format = 1\n[units]\nlength = "m"\n')
    (folder / "marks.csv").write_text("mark,height,control\nA,10.000,held-h\nP,,\n")
    (folder / "reduced.csv").write_text("id,kind,from,to,value,sigma\n1,rise,A,P,1.001,1 mm\n")
    result = run("diagnose", folder)
    assert result.exit_code == 0
    assert "nothing can be told" in result.stdout
    assert "Nothing stands out" not in result.stdout


def test_long_titles_fit_and_no_tick_speaks_for_what_is_not_told(wrong_height):
    moved = run("diagnose", SAMPLES / "moved-control", "C3").stdout.splitlines()
    assert max(len(line) for line in moved) <= 80
    assert any(line.startswith("  ✓ 1  control C3") for line in moved)
    untold = run("diagnose", wrong_height, "T-F1b").stdout.splitlines()
    assert not [line for line in untold if line.startswith(("  ✓ 1.", "  ✗ 1."))]


def test_unknown_names_are_faults(wrong_prism):
    result = run("diagnose", wrong_prism, "T-B33")
    assert result.exit_code == 2
    assert 'RUN407 No finding is about "T-B33". Is "T-B3" meant?' in result.stderr
    assert "RUN407" in run("diagnose", wrong_prism, "--accept", "7", "--reason", "r", "--by", "b").stderr


# -- decisions do in memory what they do in job.toml ------------------------------------------------------------------


@pytest.mark.parametrize(
    "decision",
    [
        {"correct": "setup T-F1 height", "value": "0.1863 m"},
        {"correct": "setup T-B3 prism_constant", "value": "0.0000 m"},
        {"correct": "setup T-F1 mark", "value": "F2"},
        {"correct": "sight 12 face", "value": "1"},
        {"leave_out": "setup T-F1b"},
        {"leave_out": "sight 12"},
        {"leave_out": "observation 9.zenith"},
        {"leave_out": "control D1"},
    ],
)
def test_choice_in_memory_is_the_decision_in_the_file(decision, tmp_path):
    # row 12 has no zenith angle, which would say its face
    folder = planted(tmp_path / "hall", "sights.csv", "280-29-25.0", "")
    network = decided(read_job(folder).network, [decision])
    add_decisions(folder, [decision], "r", "b")
    again = read_job(folder).network
    assert again.left_out == network.left_out
    for name in ("marks", "setups", "sights", "reduced", "vectors"):
        mine, theirs = getattr(network, name), getattr(again, name)
        for c in mine.columns():
            np.testing.assert_array_equal(getattr(mine, c.name), getattr(theirs, c.name), err_msg=c.name)


def test_a_choice_that_frees_the_azimuth_is_not_compared(tmp_path):
    folder = planted(tmp_path / "hall", "marks.csv", "D2,1291.9078", "D2,1291.9278")
    job = read_job(folder)
    a = adjust(job.network, job.settings)
    got = outcome(a, decided(job.network, [{"leave_out": "control D1"}]))
    assert got.freed == ("azimuth",)
    assert got.moved == ()


def test_put_right_is_by_the_size(wrong_height):
    job = read_job(wrong_height)
    a = judged(adjust(job.network, job.settings), heights=False)
    (finding,) = a.findings
    for choice in choices(a, job, finding):
        network = put_right(job.network, choice.cause)
        assert network is not None
        after = adjust(network, job.settings)
        assert flags(after) == 0
    assert put_right(job.network, dataclasses.replace(finding.first, what="control")) is None


# -- accepting --------------------------------------------------------------------------------------------------------


def test_accepting_wants_a_reason_a_name_and_a_choice(wrong_height):
    before = (wrong_height / "job.toml").read_bytes()
    assert run("diagnose", wrong_height, "--accept", "1").exit_code == 2
    assert run("diagnose", wrong_height, "--accept", "1", "--reason", "  ", "--by", "me").exit_code == 2
    assert run("diagnose", wrong_height, "--reason", "x").exit_code == 2
    refused = run("diagnose", wrong_height, "--accept", "1", "--reason", "x", "--by", "me")
    assert refused.exit_code == 2
    assert "RUN408" in refused.stderr
    assert "1.1, 1.2" in refused.stderr
    assert (wrong_height / "job.toml").read_bytes() == before


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("tail", ["", "no end", "a comment", "a decision"])
def test_every_byte_of_job_toml_stays(tmp_path, ending, tail):
    folder = planted(tmp_path / "hall", ending=ending)
    path = folder / "job.toml"
    text = path.read_bytes().decode()
    if tail == "no end":
        text = text.rstrip("\r\n")
    elif tail == "a comment":
        text += "# last words"
    elif tail == "a decision":
        lines = [
            "[[decision]]  # first",
            'leave_out = "sight 5"',
            'reason = "kicked"',
            "",
            "[deliver]",
            'write = ["layout"]',
            "",
        ]
        text += ending.join(lines)
    path.write_bytes(text.encode())
    os.chmod(path, 0o640)
    old = tomllib.loads(text.replace("\r\n", "\n"))
    add_decisions(folder, [{"correct": "setup T-F1 height", "value": "0.1863 m"}], REASON, "party chief")
    new = path.read_bytes()
    assert new.startswith(text.encode())
    added = new[len(text.encode()) :].decode()
    assert added.endswith(ending)
    assert added.count("\n") == added.count(ending)
    assert tomllib.loads(new.decode().replace("\r\n", "\n")) == old | {
        "decision": [
            *old.get("decision", []),
            {"correct": "setup T-F1 height", "value": "0.1863 m", "reason": REASON, "by": "party chief"},
        ]
    }
    assert path.stat().st_mode & 0o777 == 0o640
    there = {p.name for p in (SAMPLES / "free-stations").iterdir()} - {"out"}
    assert {p.name for p in folder.iterdir()} == there
    decision = read_job(folder).decisions[-1]
    assert (decision.what, decision.reason, decision.by) == ("setup T-F1 height", REASON, "party chief")


def test_byte_order_mark_and_inline_array(tmp_path):
    folder = planted(tmp_path / "hall")
    path = folder / "job.toml"
    text = 'decision = [{leave_out = "sight 5", reason = "kicked"}]  # so far\n' + path.read_text()
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    add_decisions(folder, [{"leave_out": "setup T-F1b"}], "r", "b")
    new = path.read_bytes()
    assert new.startswith(b"\xef\xbb\xbfdecision = [")
    assert b"# so far" in new
    assert [d["leave_out"] for d in tomllib.loads(new.decode("utf-8-sig"))["decision"]] == [
        "sight 5",
        "setup T-F1b",
    ]
    assert new.decode("utf-8-sig").splitlines()[1:] == text.splitlines()[1:]


def test_accepted_decision_says_what_it_changes(wrong_height):
    result = run(
        "diagnose", wrong_height, "T-F1b", "--accept", "1.2", "--reason", REASON, "--by", "party chief"
    )
    assert result.exit_code == 0, result.output
    words = " ".join(result.stdout.split())
    assert "no finding is left" in words
    assert "flags 37 → 0" in words or "→ 0;" in words
    assert run("adjust", wrong_height, "--quiet").exit_code == 0
    assert run("diagnose", wrong_height).exit_code == 0


def test_same_decision_is_refused_where_it_stands(tmp_path):
    folder = planted(tmp_path / "hall")
    add_decisions(folder, [{"leave_out": "setup T-F1b"}], "r", "b")
    before = (folder / "job.toml").read_bytes()
    with pytest.raises(Faults) as faults:
        add_decisions(folder, [{"leave_out": "setup T-F1b"}], "again", "b")
    (fault,) = faults.value.faults
    lines = before.decode().splitlines()
    assert fault.code == "JOB115"
    assert lines[fault.row - 1] == "[[decision]]"
    assert (folder / "job.toml").read_bytes() == before


def test_read_only_file_and_file_jobs_are_refused(tmp_path, wrong_prism):
    folder = tmp_path / "hall"
    shutil.copytree(wrong_prism, folder)
    path = folder / "job.toml"
    before = path.read_bytes()
    os.chmod(path, 0o444)
    result = run("diagnose", folder, "--accept", "1", "--reason", "r", "--by", "b")
    assert result.exit_code == 2
    assert "RUN406" in result.stderr
    assert "read-only" in result.stderr
    assert path.read_bytes() == before
    with pytest.raises(Refused) as refused:
        add_decisions(path, [{"leave_out": "setup T-F1b"}], "r", "b")
    assert refused.value.code == "RUN406"


def test_a_write_that_fails_leaves_the_file(tmp_path, monkeypatch):
    folder = planted(tmp_path / "hall")
    before = (folder / "job.toml").read_bytes()

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(Refused, match="no space left"):
        add_decisions(folder, [{"leave_out": "setup T-F1b"}], "r", "b")
    assert (folder / "job.toml").read_bytes() == before
    assert not list(folder.glob(".job-*"))


def test_a_link_stays_a_link(tmp_path):
    folder = planted(tmp_path / "hall")
    shutil.move(folder / "job.toml", tmp_path / "real.toml")
    (folder / "job.toml").symlink_to(tmp_path / "real.toml")
    add_decisions(folder, [{"leave_out": "setup T-F1b"}], "r", "b")
    assert (folder / "job.toml").is_symlink()
    assert "T-F1b" in (tmp_path / "real.toml").read_text()


def test_block_is_toml_for_any_text():
    for reason in ("plain", REASON, "two\nlines", "tab\there", "Ä ü ✓"):
        (decision,) = tomllib.loads(block({"leave_out": "sight 5"}, reason, "b"))["decision"]
        assert decision == {"leave_out": "sight 5", "reason": reason, "by": "b"}

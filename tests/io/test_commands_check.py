"""hubtack check: verdicts, planted mistakes, half a day, the document; it is quick and writes nothing."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from itertools import islice
from pathlib import Path

import pytest
from tests.io.planned import planned, run

from hubtack.io.commands.check import _changes

SAMPLE = Path(__file__).resolve().parents[2] / "sample_networks" / "braced-traverse"
Rows = list[list[str]]


@pytest.fixture
def day(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SAMPLE, tmp_path / "day", ignore=shutil.ignore_patterns("out")))


def edit(folder: Path, table: str, change: Callable[[Rows], Rows]) -> Path:
    file = folder / f"{table}.csv"
    with file.open(newline="") as stream:
        rows = change(list(csv.reader(stream)))
    with file.open("w", newline="") as stream:
        csv.writer(stream).writerows(rows)
    return folder


def cell(name: str, column: int, value: str) -> Callable[[Rows], Rows]:
    def change(rows: Rows) -> Rows:
        return [[*r[:column], value, *r[column + 1 :]] if r[0] == name else r for r in rows]

    return change


def test_a_day_that_agrees(day: Path) -> None:
    before = sorted(p.name for p in day.iterdir())
    result = run("check", day)
    assert result.exit_code == 1  # two marks stand on one base each
    assert "ALL AGREES" in result.stdout
    assert "Still unchecked" in result.stdout
    assert "From I05 (where the instrument stands) to Y4" in result.stdout
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert sorted(p.name for p in day.iterdir()) == before


def test_digits_exchanged(day: Path) -> None:
    result = run("check", edit(day, "setups", cell("T11", 5, "1.954")))  # 1.594
    assert result.exit_code == 1
    text = " ".join(result.stdout.split())
    assert "Y2 – Y3: the rises of I02 → T09 and I03 → T11 differ by 359.6 mm" in text
    assert "Would be explained by T11: 1.954 for 1.594 (digits exchanged)" in text


def test_names_exchanged(day: Path) -> None:
    edit(edit(day, "setups", cell("T02", 2, "Y8")), "setups", cell("T03", 2, "Y7"))
    result = run("check", day)
    text = " ".join(result.stdout.split())
    assert "look exchanged in T02, T03" in text


def test_half_a_day(day: Path) -> None:
    result = run("check", edit(day, "sights", lambda rows: rows[:45]))
    assert result.exit_code == 1
    assert "3 marks are still unchecked" in result.stdout
    result = run("check", edit(day, "sights", lambda rows: rows[:2]))
    assert result.exit_code == 1
    assert "SO FAR GOOD" in result.stdout
    assert "No reading yet: Y1, Y2, Y3, Y4, Y5, Y6, Y7, Y8 and 2 more" in " ".join(result.stdout.split())
    assert json.loads(run("check", day, "--json").stdout)["not_reached"][:2] == ["Y1", "Y2"]


def test_before_the_first_reading(tmp_path: Path) -> None:
    result = run("check", planned(tmp_path / "lock"))
    assert result.exit_code == 1
    assert "NOTHING TO CHECK YET" in result.stdout


def test_the_document(day: Path) -> None:
    d = json.loads(run("check", day, "--json").stdout)
    assert {"faults", "checks", "unchecked", "next"} <= set(d)
    assert d["faults"] == []
    assert [u["mark"] for u in d["unchecked"]] == ["Y4", "Y6"]
    assert d["next"]["mark"] == "Y4"
    assert d["next"]["unchecked"] == [2, 1]
    assert d["next"]["nats"] > 0
    kinds = {c["kind"] for c in d["checks"]}
    assert {
        "collimation",
        "index",
        "spread of directions",
        "distance both ways",
        "rise both ways",
        "closure of heights",
    } <= kinds


def test_faults_come_in_the_document_too(day: Path) -> None:
    edit(day, "setups", cell("T11", 5, "1,594"))
    result = run("check", day, "--json")
    assert result.exit_code == 2
    d = json.loads(result.stdout)
    assert [(f["file"], f["column"], f["code"]) for f in d["faults"]] == [("setups.csv", "height", "TAB204")]
    assert d["checks"] == []
    told = run("check", day)
    assert told.exit_code == 2
    assert told.stderr.startswith("setups.csv:")


def test_quiet_is_one_line(day: Path) -> None:
    assert run("check", day, "-q").stdout.count("\n") == 1


def test_watching_sees_a_change_and_nothing_else(day: Path) -> None:
    looks = _changes(day)
    next(looks)
    (day / "sights.csv").write_text((day / "sights.csv").read_text() + "\n")
    assert len(list(islice(looks, 1))) == 1

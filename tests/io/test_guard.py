"""No cell of a CSV file of ours runs in a spreadsheet, whatever separator it takes; and names come back as they were."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from hubtack.io.cli import cli
from hubtack.io.guard import guarded, unguarded
from hubtack.io.job import read_job

SAMPLES = Path(__file__).parents[2] / "sample_networks"
EVIL = {
    "Y4": "=cmd|' /C calc'!A0",
    "Y5": "@SUM(1+1)*cmd",
    "P1": "a;=HYPERLINK(1)",
    "P2": "-7",
    "Y6": "'=1",
    "Y7": "＝1+1",
}
RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


@given(st.text(alphabet="a'=+-@;\t\r\n＝ ", max_size=12))
def test_a_text_comes_back_as_it_was(text: str) -> None:
    assert unguarded(guarded(text)) == text


@given(st.text(alphabet="ab'=+-@;\t＝", max_size=12))
def test_no_part_of_a_guarded_text_begins_a_formula(text: str) -> None:
    for part in guarded(text).replace("\t", ";").split(";"):
        assert not part.startswith(RISKY)


@pytest.mark.parametrize("text", ["Y4", "12.5", "O'Neil", "a=b", "left - right", "123°45'06.7\"", ""])
def test_what_is_harmless_stays(text: str) -> None:
    assert guarded(text) == unguarded(text) == text


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job whose marks have names that want to be run."""
    folder = Path(
        shutil.copytree(SAMPLES / "braced-traverse", tmp_path / "job", ignore=shutil.ignore_patterns("out"))
    )
    for name in ("marks.csv", "setups.csv"):
        with (folder / name).open(newline="", encoding="utf-8") as file:
            rows = [[EVIL.get(cell, cell) for cell in row] for row in csv.reader(file)]
        with (folder / name).open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows(
                [[guarded(c) if c in EVIL.values() else c for c in row] for row in rows]
            )
    return folder


def test_names_are_read_as_they_were_before_they_were_guarded(job: Path) -> None:
    read = read_job(job)
    assert set(EVIL.values()) <= set(map(str, read.network.marks.mark))
    assert {str(read.network.marks.mark[m]) for m in read.network.setups.mark} >= {
        "=cmd|' /C calc'!A0",
        "'=1",
    }


def test_no_cell_of_any_file_begins_a_formula_with_any_separator(job: Path) -> None:
    wanted = "workbook,layout,scan-control"
    result = CliRunner().invoke(cli, ["adjust", str(job), "--write", wanted], catch_exceptions=False)
    assert result.exit_code in (0, 1), result.output
    files = sorted((job / "out").glob("*.csv"))
    assert len(files) >= 6
    back = set()
    for path in files:
        text = path.read_text(encoding="utf-8")
        for separator in ",;\t":
            for row in csv.reader(text.splitlines(), delimiter=separator):
                for cell in row:
                    if separator == ",":
                        back.add(unguarded(cell))
                    if cell.startswith(RISKY):
                        assert is_number_or_angle(cell.partition(",")[0]), (path.name, separator, cell)
    assert set(EVIL.values()) <= back


def is_number_or_angle(cell: str) -> bool:
    """-1.25, or a misclosure -0-00-01.2: what the tool itself has written."""
    return cell.replace("-", "").replace(".", "").isdigit()


def test_a_workbook_keeps_names_as_text(job: Path) -> None:
    import zipfile

    from lxml import etree

    CliRunner().invoke(cli, ["adjust", str(job), "--write", "workbook"], catch_exceptions=False)
    space = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
    with zipfile.ZipFile(job / "out" / "results.xlsx") as book:
        parts = [etree.fromstring(book.read(n)) for n in book.namelist() if n.endswith(".xml")]
    assert not [f for part in parts for f in part.iter(f"{space}f", f"{space}hyperlink")]
    texts = {t.text for part in parts for t in part.iter(f"{space}t")}
    assert set(EVIL.values()) <= texts


def test_a_job_made_from_a_book_is_guarded_and_read_again(tmp_path: Path) -> None:
    book = tmp_path / "book.csv"
    with book.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["station", "hi", "target", "ht", "face", "hz", "v", "slope"])
        for k, (station, target) in enumerate((("S1", "=1+1"), ("S1", "B"), ("=1+1", "S1"), ("=1+1", "B"))):
            out.writerow(
                [station, "1.600", target, "1.500", "1", f"{10 + 40 * k}-00-00", "90-10-00", "50.123"]
            )
    result = CliRunner().invoke(
        cli, ["new", "--from", str(book), str(tmp_path / "made")], catch_exceptions=False
    )
    assert result.exit_code == 0, result.output
    text = (tmp_path / "made" / "setups.csv").read_text(encoding="utf-8")
    assert "'=1+1" in text
    assert ",=1+1" not in text
    assert "=1+1" in set(map(str, read_job(tmp_path / "made").network.marks.mark))

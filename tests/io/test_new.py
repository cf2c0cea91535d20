"""hubtack new: a sample that runs at once; field books, sheets and LandXML as tables, with every guess said."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest
import xlsxwriter
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.io.foreign import HEADERS, NAMED, SAMPLES, apart, coordinates, flat_job, flat_rows, workbook
from tests.io.foreign_xml import job_beside, survey_xml

from hubtack.io.cli import cli
from hubtack.io.job import read_job
from hubtack.io.readers.bookfile import Book
from hubtack.io.readers.guess import guess, plain


def new(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, ["new", *map(str, arguments)])


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def book(path: Path, header: str, lines: list[str], encoding: str = "utf-8") -> Path:
    path.write_bytes("\n".join([header, *lines, ""]).encode(encoding))
    return path


# -- the sample --


def test_the_sample_runs_at_once(tmp_path: Path) -> None:
    done = new(tmp_path / "first day")
    assert done.exit_code == 0
    assert done.output.splitlines()[-1] == f"Next: hubtack adjust '{tmp_path}/first day'"
    assert sorted(p.name for p in (tmp_path / "first day").iterdir()) == [
        "job.toml",
        "marks.csv",
        "setups.csv",
        "sights.csv",
    ]
    run = CliRunner().invoke(cli, ["adjust", "-q", str(tmp_path / "first day")])
    assert (run.exit_code, "PASSES" in run.output) == (0, True), run.output


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "notes.txt").write_text("mine")
    for done in (
        new(tmp_path / "there"),
        new("--from", SAMPLES / "by-hand" / "sights.csv", tmp_path / "there"),
    ):
        assert (done.exit_code, "RUN442" in done.output) == (2, True)
    assert [p.name for p in (tmp_path / "there").iterdir()] == ["notes.txt"]
    (tmp_path / "empty").mkdir()
    assert new(tmp_path / "empty").exit_code == 0
    (tmp_path / "file").write_text("")
    assert new(tmp_path / "file").exit_code == 2
    assert new("x" * 5000).exit_code == 2
    assert not list(tmp_path.glob(".*"))  # no scratch folder is left


# -- field books --


def test_a_book_with_common_headers_becomes_tables_that_run(tmp_path: Path) -> None:
    """The braced traverse as a crew would export it; each table against the sample's own rows."""
    headers = {
        "id": "No.", "from_mark": "Station", "hi": "Inst. Height [m]", "to_mark": "Target Point", "ht": "Target_Height [m]",
        "round": "Set", "face": "Face", "circle": "Hz Angle", "zenith": "Zenith Angle", "slope": "Slope Dist. [m]",
        "to_support": "Target support", "to_device": "Prism", "from_support": "Station Support", "note": "Remarks",
    }  # fmt: skip
    folder = flat_job(
        "braced-traverse", tmp_path / "flat", headers=headers, separator=";", comma=True, encoding="cp1252"
    )
    done = new("--from", folder / "book.csv", tmp_path / "job")
    assert done.exit_code == 0, done.output
    for key, header in headers.items():
        assert f"guessed: {key} is {header!r}" in done.output
    assert "angles are in degrees, minutes, seconds" in done.output
    assert "The decimal mark of book.csv is taken to be a comma." in done.output
    readings = ("id", "round", "face", "circle", "zenith", "slope", "note")
    flat = flat_rows("braced-traverse")
    assert [[r[c] for c in readings] for r in rows(tmp_path / "job" / "sights.csv")] == [
        [r[c] for c in readings] for r in flat
    ]
    made = {s["setup"]: s for s in rows(tmp_path / "job" / "setups.csv")}
    for row, sight in zip(flat, rows(tmp_path / "job" / "sights.csv"), strict=True):
        start, end = made[sight["from"]], made[sight["to"]]
        assert [start[c] for c in ("role", "mark", "support", "height")] == [
            "instrument", row["from_mark"], row["from_support"], row["hi"],
        ]  # fmt: skip
        assert [end[c] for c in ("role", "mark", "support", "device", "height")] == [
            "target", row["to_mark"], row["to_support"], row["to_device"], row["ht"],
        ]  # fmt: skip
    assert {m["mark"] for m in rows(tmp_path / "job" / "marks.csv")} == {r["from_mark"] for r in flat} | {
        r["to_mark"] for r in flat
    }
    text = (tmp_path / "job" / "job.toml").read_text(encoding="utf-8")
    assert '[supports."low-stand"]\nkind = "stand"' in text
    assert "Placeholders" in text
    # what is left is said: the low stand's height stands in no book
    assert "TAB217" in done.output


def test_the_tables_of_a_mapped_job_give_the_same_coordinates(tmp_path: Path) -> None:
    """A job with [columns] written out: its own supports and instruments go along."""
    job = flat_job("braced-traverse", tmp_path / "flat")
    done = new("--from", job, tmp_path / "tables")
    assert done.exit_code == 0, done.output
    assert apart(coordinates(tmp_path / "tables"), coordinates(SAMPLES / "braced-traverse")) < 1e-6
    assert "[columns]" not in (tmp_path / "tables" / "job.toml").read_text(encoding="utf-8")
    assert new("--from", tmp_path / "tables", tmp_path / "again").exit_code == 0


def test_a_column_that_no_word_tells_is_asked_for_and_mapped(tmp_path: Path) -> None:
    file = book(tmp_path / "b.csv", "P,Q,Hz", ["A,B,0-00-00", "A,C,10-00-00"])
    done = new("--from", file, tmp_path / "job")
    assert (done.exit_code, "RUN441" in done.output, (tmp_path / "job").exists()) == (2, True, False)
    assert "--map from_mark=HEADER" in done.output
    done = new("--from", file, tmp_path / "job", "--map", "from_mark=P", "--map", "to_mark=Q")
    assert (done.exit_code, "from_mark is 'P' (told)" in done.output) == (0, True)
    assert [(r["setup"], r["mark"]) for r in rows(tmp_path / "job" / "setups.csv")] == [
        ("I1@A", "A"),
        ("T1@B", "B"),
        ("T2@C", "C"),
    ]
    for wrong in (("--map", "from_mrak=P"), ("--map", "from_mark=PP")):
        done = new("--from", file, tmp_path / "x", *wrong)
        assert (done.exit_code, "RUN441" in done.output) == (2, True)
    assert new("--from", file, tmp_path / "x", "--map", "P").exit_code == 2
    assert new(tmp_path / "x", "--map", "a=b").exit_code == 2


def test_a_foreign_encoding_is_guessed_and_said(tmp_path: Path) -> None:
    file = book(tmp_path / "b.csv", "Station,Point,Hz", ["Köln,B,0-00-00", "Köln,C,10-00-00"], "cp1252")
    done = new("--from", file, tmp_path / "job")
    assert "windows-1252" in done.output
    assert rows(tmp_path / "job" / "marks.csv")[0]["mark"] == "Köln"


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    book(tmp_path / "tuesday.csv", "Station,Point,Hz", ["A,B,0-00-00"])
    done = new("--from", tmp_path / "teusday.csv", tmp_path / "job")
    assert (done.exit_code, f'Is "{tmp_path}/tuesday.csv" meant?' in done.output) == (2, True)
    assert new("--from", "x" * 5000, tmp_path / "job").exit_code == 2


def test_a_sheet_becomes_tables(tmp_path: Path) -> None:
    out = xlsxwriter.Workbook(str(tmp_path / "b.xlsx"))
    sheet = out.add_worksheet("monday")
    for i, row in enumerate(
        [["Station", "HI", "Target", "HT", "Hz (gon)"], ["A", 1.5, "B", 1.4, 0.5], ["A", 1.5, "C", 2, 399.25]]
    ):
        sheet.write_row(i, 0, row)
    out.close()
    done = new("--from", tmp_path / "b.xlsx", tmp_path / "job")
    assert done.exit_code == 0, done.output
    assert [r["circle"] for r in rows(tmp_path / "job" / "sights.csv")] == ["0.5", "399.25"]
    assert 'angle = "gon"' in (tmp_path / "job" / "job.toml").read_text(encoding="utf-8")


def test_a_workbook_that_is_a_job_becomes_a_folder(tmp_path: Path) -> None:
    done = new("--from", workbook("free-stations", tmp_path / "day.xlsx"), tmp_path / "job")
    assert done.exit_code == 0, done.output
    assert apart(coordinates(tmp_path / "job"), coordinates(SAMPLES / "free-stations")) < 1e-6


def test_landxml_becomes_tables(tmp_path: Path) -> None:
    file = tmp_path / "day.xml"
    file.write_text(survey_xml("by-hand"), encoding="utf-8")
    done = new("--from", file, tmp_path / "job")
    assert done.exit_code == 0, done.output
    assert [r["slope"] for r in rows(tmp_path / "job" / "sights.csv")][1:3] == [
        "42.3082000000",
        "42.3048000000",
    ]
    beside = job_beside(
        "by-hand",
        tmp_path / "beside",
        survey_xml("by-hand"),
        'to_support = "tripod"\nto_device = "mini-prism"\n',
    )
    done = new("--from", beside, tmp_path / "tables")
    assert done.exit_code == 0, done.output
    assert apart(coordinates(tmp_path / "tables"), coordinates(beside)) < 1e-6
    assert "[source]" not in (tmp_path / "tables" / "job.toml").read_text(encoding="utf-8")


# -- guesses --


def as_book(header: str, *lines: str) -> Book:
    columns = [list(column) for column in zip(*(line.split(",") for line in lines), strict=True)]
    return Book("b.csv", header.split(","), 1, columns, list(range(2, len(lines) + 2)))


@pytest.mark.parametrize(
    ("angles", "unit", "is_packed"),
    [
        (["0-00-10", "90-10-00"], "dms", False),
        (["45.2513", "90.3021", "120.5959", "89.0001", "91.2345", "90.1010", "12.3456", "90.0101"], "dms", True),
        (["45.9999", "90.7512", "120.5959", "89.8801", "91.2345", "90.1010", "12.9956", "90.0101"], "deg", False),
        (["45.9999", "100.7512", "320.5959", "99.8801", "91.2345", "100.1010", "12.9956", "300.0101"], "gon", False),
        (["45.9999", "90.7512", "399.5959", "89.8801"], "gon", False),
    ],
)  # fmt: skip
def test_the_unit_of_angles_is_told_from_the_angles(angles: list[str], unit: str, is_packed: bool) -> None:
    pairs = [",".join(("A", "B", *angles[i : i + 2])) for i in range(0, len(angles), 2)]
    found = guess(as_book("Station,Point,Hz,V", *pairs), {})
    assert (found.angle, found.packed) == (unit, is_packed)


def test_headers_are_compared_without_units_and_signs() -> None:
    assert plain("Slope-Dist. [m]") == plain("slope dist") == "slopedist"
    assert plain("H.I. (ft)") == plain("HI") == "hi"


def test_a_column_without_a_cell_and_a_word_taken_twice(tmp_path: Path) -> None:
    found = guess(as_book("Station,Target,Point,Hz,Note,Remarks", "A,,B,1,,x", "A,,C,2,,y"), {})
    assert found.places == {"from_mark": 0, "to_mark": 2, "circle": 3, "note": 5}


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_bytes_make_a_job_or_a_sentence(data: st.DataObject, tmp_path: Path) -> None:
    """Whatever is handed over: exit 0 with a job that reads or names its faults, or exit 2; never a traceback."""
    plain_book = "\n".join(
        [",".join((HEADERS | NAMED).values()), *(",".join(r.values()) for r in flat_rows("by-hand"))]
    )
    content = bytearray(plain_book.encode())
    for _ in range(data.draw(st.integers(0, 4))):
        at = data.draw(st.integers(0, len(content)))
        content[at : at + data.draw(st.integers(0, 20))] = data.draw(st.binary(max_size=5))
    file = tmp_path / "b.csv"
    file.write_bytes(content)
    shutil.rmtree(tmp_path / "job", ignore_errors=True)
    done = new("--from", file, tmp_path / "job")
    assert done.exit_code in (0, 2), done.exception
    assert (done.exit_code == 0) == (tmp_path / "job").exists()


def test_a_job_that_is_made_reads_as_it_says(tmp_path: Path) -> None:
    """No fault is told of a book that says everything."""
    file = book(
        tmp_path / "b.csv", "Station,HI,Target,HT,Face,Hz,V,SD",
        ["A,1.5,B,1.4,1,0-00-00,90-00-00,50", "B,1.5,A,1.4,1,0-00-00,90-00-00,50"],
    )  # fmt: skip
    done = new("--from", file, tmp_path / "job")
    assert "are left to correct" not in done.output
    assert len(read_job(tmp_path / "job").network.sights) == 2


def test_beside_a_column_of_points_the_target_is_the_device() -> None:
    """A column Target is the mark sighted where nothing else can be, and the kind of prism where a point stands beside it."""
    alone, beside = as_book("Stn,Target,Hz", "A,B,0"), as_book("Stn,Point,Target,Hz", "A,B,mini,0")
    assert guess(alone, {}).places == {"from_mark": 0, "to_mark": 1, "circle": 2}
    assert guess(beside, {}).places == {"from_mark": 0, "to_mark": 1, "to_device": 2, "circle": 3}


def test_what_else_a_column_could_be_is_said() -> None:
    found = guess(as_book("Stn,Point,Pt,Hz,V,HT", "A,B,7,0,100,1.5"), {})
    assert "to_mark is 'Point'; it could be 'Pt'" in found.words
    assert "ht is 'HT'" in found.words
    assert "to_mark is 'Pt' (told)" in guess(as_book("Stn,Point,Pt,Hz", "A,B,7,0"), {"to_mark": "Pt"}).words

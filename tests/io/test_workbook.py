"""A workbook: the same day as its sheets, faults at its cells, and containers that are not what they seem."""

from __future__ import annotations

import datetime
import io
import sys
import time
import zipfile
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.io.foreign import (
    HEADERS,
    NAMED,
    NAMES,
    SAMPLES,
    apart,
    columns_of,
    coordinates,
    flat_rows,
    table,
    workbook,
)

from hubtack.io.cli import cli
from hubtack.io.faults import Fault, Faults
from hubtack.io.job import read_job
from hubtack.io.readers import zipped
from hubtack.io.readers.workbook import text_of


def faults(path: Path) -> list[Fault]:
    with pytest.raises(Faults) as caught:
        read_job(path)
    return caught.value.faults


def told(path: Path) -> list[tuple[str, str]]:
    return [(f.place, f.code) for f in faults(path)]


@pytest.fixture
def day(tmp_path: Path) -> Path:
    return tmp_path / "day.xlsx"


# -- the same day --


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("numbers", [True, False], ids=["numbers", "numbers stored as text"])
def test_the_same_day_as_a_workbook(name: str, numbers: bool, day: Path) -> None:
    workbook(name, day, numbers=numbers)
    assert apart(coordinates(SAMPLES / name), coordinates(day)) < 1e-6
    read, plain = read_job(day), read_job(SAMPLES / name)
    assert read.name == plain.name
    assert set(read.files) == {"day.xlsx"}
    if "setups" in plain.places:
        assert read.place("setups", 1) == "day.xlsx:setups!A3"


def test_a_flat_field_book_as_a_sheet(day: Path) -> None:
    """Alone in a job's folder, and as one more sheet of a workbook that is the job."""
    headers = HEADERS | NAMED

    def book_sheet(book: Any, sheets: Any = None) -> None:
        sheet = book.add_worksheet("wednesday")
        sheet.write_row(0, 0, headers.values())
        for i, row in enumerate(flat_rows("braced-traverse"), 1):
            for j, key in enumerate(headers):
                sheet.write_string(i, j, row[key]) if row[key] else None

    alone = day.parent / "job"
    alone.mkdir()
    book = xlsxwriter.Workbook(str(alone / "book.xlsx"))
    book_sheet(book)
    book.close()
    sample = SAMPLES / "braced-traverse"
    (alone / "marks.csv").write_bytes((sample / "marks.csv").read_bytes())
    text = (sample / "job.toml").read_text(encoding="utf-8") + columns_of(headers, "book.xlsx")
    (alone / "job.toml").write_text(text, encoding="utf-8")
    assert apart(coordinates(sample), coordinates(alone)) < 1e-6
    assert read_job(alone).place("sights", 0) == "book.xlsx:wednesday!A2"

    whole = xlsxwriter.Workbook(str(day))
    sheet = whole.add_worksheet("Job")
    for i, line in enumerate(text.replace("book.xlsx", "day.xlsx").splitlines()):
        sheet.write_string(i, 0, line)
    sheet = whole.add_worksheet("marks")
    for i, row in enumerate(
        [
            list(table("braced-traverse", "marks")[0]),
            *(list(r.values()) for r in table("braced-traverse", "marks")),
        ]
    ):
        sheet.write_row(i, 0, row)
    book_sheet(whole)
    whole.close()
    assert apart(coordinates(sample), coordinates(day)) < 1e-6


def test_results_stand_beside_the_workbook(day: Path) -> None:
    workbook("by-hand", day)
    done = CliRunner().invoke(cli, ["adjust", str(day), "-q"])
    assert done.exit_code == 0, done.output
    assert {p.name for p in (day.parent / "day-out").iterdir()} >= {
        "result.json",
        "coordinates.csv",
        "report.html",
    }


# -- cells --


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        (101.0, "101"), (1.532, "1.532"), (0.1, "0.1"), (-2.0, "-2"), (1e22, "1e+22"), (True, "TRUE"), ("  a", "  a"),
        (datetime.time(8, 30), "08:30:00"), (datetime.datetime(2026, 5, 7), "2026-05-07"),
        (datetime.datetime(2026, 5, 7, 8, 30), "2026-05-07 08:30:00"), (datetime.date(2026, 5, 7), "2026-05-07"),
        (datetime.timedelta(hours=45, minutes=10, seconds=10), "1 day, 21:10:10"),
    ],
)  # fmt: skip
def test_cells_as_a_csv_would_hold_them(cell: Any, text: str) -> None:
    assert text_of(cell) == text


def test_faults_stand_at_cells(day: Path) -> None:
    """Columns of sights: A id, B from, C to, D round, E face, F circle, G zenith, H slope."""

    def spoil(book: Any, sheets: dict[str, Any]) -> None:
        date = book.add_format({"num_format": "yyyy-mm-dd"})
        s = sheets["sights"]
        s.write_string(13, 5, "45-72-10")  # F14
        s.write_datetime(3, 6, datetime.datetime(2012, 5, 7), date)  # G4
        s.write_formula(4, 7, "=1/0", None, "#DIV/0!")  # H5
        s.write_formula(5, 7, "=H5", None, "")  # H6, never computed
        s.write_string(6, 2, "T99")  # C7
        sheets["setups"].write_string(0, 5, "heigth")

    assert told(workbook("braced-traverse", day, spoil=spoil)) == [
        ("day.xlsx:setups!F1 (heigth)", "TAB202"),
        ("day.xlsx:sights!G4 (zenith)", "TAB243"),
        ("day.xlsx:sights!H5", "TAB244"),
        ("day.xlsx:sights!H6", "TAB244"),
        ("day.xlsx:sights!C7 (to)", "TAB211"),
        ("day.xlsx:sights!F14 (circle)", "TAB205"),
    ]


def test_faults_of_the_sheet_job_stand_at_its_lines(day: Path) -> None:
    lines = (SAMPLES / "by-hand" / "job.toml").read_text(encoding="utf-8").splitlines()
    at = lines.index('zenith = "1 arcsec"')

    def spoil(book: Any, sheets: dict[str, Any]) -> None:
        sheets["job"].write_string(at, 0, 'zenit = "1 arcsec"')
        sheets["job"].write_string(2, 1, "[site]")
        sheets["job"].write_string(3, 1, "# a remark is welcome")

    places = told(workbook("by-hand", day, spoil=spoil))
    assert ("day.xlsx:job!B3", "RUN433") in places
    assert [p for p, code in places if code == "JOB103"] == [f"day.xlsx:job!A{at + 1}"]
    assert len(places) == 3  # and the missing zenith, at its section


def test_quotation_marks_that_a_spreadsheet_made_curly(day: Path) -> None:
    def spoil(book: Any, sheets: dict[str, Any]) -> None:
        sheets["job"].write_string(3, 0, "name = “Weighbridge”")
        sheets["sights"].write_string(1, 1, "I7")

    assert told(workbook("by-hand", day, spoil=spoil)) == [
        ("day.xlsx:job!A4", "JOB121"),
        ("day.xlsx:sights!B2 (from)", "TAB211"),
    ]


def test_annotations_name_the_file(day: Path) -> None:
    workbook("by-hand", day, spoil=lambda _, sheets: sheets["sights"].write_string(1, 1, "I7"))
    done = CliRunner().invoke(cli, ["adjust", str(day), "--output-format", "github"])
    assert f"::error file={day.as_posix()},line=2,title=TAB211::from: " in done.output


def test_blank_rows_and_columns_and_further_sheets_do_no_harm(day: Path) -> None:
    def spoil(book: Any, sheets: dict[str, Any]) -> None:
        sheets["sights"].write_blank(300, 3, None, book.add_format({"bold": True}))
        sheets["sights"].write_string(305, 2, "   ")
        book.add_worksheet("truth").write_string(0, 0, "what you like")

    workbook("braced-traverse", day, spoil=spoil)
    assert apart(coordinates(SAMPLES / "braced-traverse"), coordinates(day)) < 1e-6


def test_sheets_that_are_not_there(day: Path) -> None:
    book = xlsxwriter.Workbook(str(day))
    book.add_worksheet("joob")
    book.close()
    assert ("day.xlsx", "RUN411") in told(day)

    def spoil(book: Any, sheets: dict[str, Any]) -> None:
        sheets["setups"].name = "Setpus"

    assert told(workbook("by-hand", day, spoil=spoil)) == [("day.xlsx:Setpus", "RUN417")]


# -- containers --


def bomb(size: int) -> bytes:
    """A sound zip, a thousandth as large, that unpacks to `size` bytes of a sheet."""
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        with archive.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as member:
            for _ in range(size // 10_000_000):
                member.write(b"0" * 10_000_000)
    return data.getvalue()


def test_a_zip_bomb_is_refused_within_bounds(day: Path) -> None:
    day.write_bytes(bomb(1_000_000_000))
    assert day.stat().st_size < 2_000_000
    start = time.monotonic()
    (found,) = faults(day)
    assert (found.code, f"more than {zipped.MOST_BYTES // 1_000_000} MB" in found.found) == ("RUN416", True)
    assert time.monotonic() - start < 30  # it stops at the bound; unpacking it all takes far longer


def test_a_cell_at_the_far_corner_of_a_sheet_is_refused(day: Path) -> None:
    """The table would have 17 thousand million cells."""

    def spoil(book: Any, sheets: dict[str, Any]) -> None:
        sheets["sights"].write_string(1_048_575, 16_383, "x")

    (found,) = faults(workbook("by-hand", day, spoil=spoil))
    assert (found.code, "row 1048576" in found.found) == ("RUN416", True)


@pytest.mark.parametrize(
    "place",
    ["AAAAAAC2", "C99999999", "c2", "&#65;2", "C2:D3", "2C"],
    ids=["columns", "rows", "case", "entity", "range", "order"],
)
def test_a_cell_whose_name_is_none_is_refused(place: str, day: Path) -> None:
    """A library that takes letters for columns without end would ask for a table of terabytes, and the program would die."""
    workbook("by-hand", day)
    inside = {i: zipfile.ZipFile(day).read(i) for i in zipfile.ZipFile(day).namelist()}
    sheet = inside["xl/worksheets/sheet4.xml"]
    assert sheet.count(b'r="C2"') == 1
    inside["xl/worksheets/sheet4.xml"] = sheet.replace(b'<c r="C2"', b'<c x=">" r="' + place.encode() + b'"')
    with zipfile.ZipFile(day, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in inside.items():
            archive.writestr(name, data)
    assert told(day) == [("day.xlsx", "RUN416")]


def test_a_cell_of_a_million_characters(day: Path) -> None:
    workbook("by-hand", day)
    inside = {i: zipfile.ZipFile(day).read(i) for i in zipfile.ZipFile(day).namelist()}
    strings = inside["xl/sharedStrings.xml"]
    assert strings.count(b"<t>T2</t>") == 1
    inside["xl/sharedStrings.xml"] = strings.replace(b"<t>T2</t>", b"<t>" + b"T" * 1_000_000 + b"</t>")
    with zipfile.ZipFile(day, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in inside.items():
            archive.writestr(name, data)
    start = time.monotonic()
    found = faults(day)
    assert {f.code for f in found} == {"TAB229"}
    assert max(len(str(f)) for f in found) < 300
    assert time.monotonic() - start < 30  # a guard against hanging, wide for a busy machine


@pytest.mark.parametrize(
    "data", [b"PK", b"not a workbook", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" * 100, b"PK\x05\x06" + bytes(18)]
)
def test_what_is_no_workbook(data: bytes, day: Path) -> None:
    day.write_bytes(data)
    assert told(day) == [("day.xlsx", "RUN416")]


def test_the_library_may_be_missing(day: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    workbook("by-hand", day)
    monkeypatch.setitem(sys.modules, "python_calamine", None)
    (found,) = faults(day)
    assert found.code == "RUN434"
    assert 'pip install "hubtack[xlsx]"' in found.wanted


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_mutated_workbook_is_read_or_refused_in_words(data: st.DataObject, day: Path) -> None:
    """Bytes of the container cut or overwritten; or of the XML inside, packed again so that its checksum is right."""
    if not day.exists():
        workbook("by-hand", day)
    broken = day.with_name("broken.xlsx")
    if data.draw(st.booleans()):
        content = _mutated(data, day.read_bytes())
    else:
        out = io.BytesIO()
        with zipfile.ZipFile(day) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
            chosen = data.draw(st.sampled_from(old.namelist()))
            for name in old.namelist():
                new.writestr(name, _mutated(data, old.read(name)) if name == chosen else old.read(name))
        content = out.getvalue()
    broken.write_bytes(content)
    found: list[Fault] = []
    try:
        read_job(broken)
    except Faults as refused:
        found = refused.faults
    assert all(f.code and f.found for f in found)


def _mutated(data: st.DataObject, content: bytes) -> bytes:
    new = bytearray(content)
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(new)))
        new[at : at + data.draw(st.integers(0, 30))] = data.draw(st.binary(max_size=6))
    return bytes(new)

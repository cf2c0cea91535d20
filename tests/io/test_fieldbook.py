"""A flat field book: the same day as four tables, whatever its dialect; setups inferred by rules; faults at its own cells."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
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
    flat_job,
    flat_rows,
)

from hubtack.adjust import adjust
from hubtack.io.faults import Fault, Faults
from hubtack.io.job import Job, read_job

JOB = """\
format = 1
[units]
length = "m"
angle = "dms"
[instruments.ts-a]
direction = "1 arcsec"
zenith = "1 arcsec"
distance = "1 mm + 1.5 ppm"
[supports.tripod]
kind = "tribrach"
height = "taped"
height_sigma = "1 mm"
[supports.pole]
kind = "pole"
height = "graduated"
height_sigma = "0.7 mm"
"""
SHORT = {
    "from_mark": "Stn", "hi": "HI", "to_mark": "Pt", "to_support": "On", "ht": "HT", "face": "F",
    "circle": "Hz", "zenith": "V", "slope": "SD",
}  # fmt: skip
BOOK = """\
Stn,HI,Pt,On,HT,F,Hz,V,SD
A,1.5,B,tripod,1.4,1,0-00-10,90-10-00,50.001
A,1.5,C,pole,1.500,1,45-00-10,91-00-00,40.002
A,1.5,C,pole,1.5,2,225-00-10,269-00-00,40.002
A,1.5,B,tripod,1.4,2,180-00-10,269-50-00,50.001
B,1.6,A,tripod,1.5,1,0-00-20,89-50-00,50.002
B,1.6,C,pole,1.5,1,315-00-10,91-00-00,40.001
B,1.6,C,pole,1.7,1,315-00-10,90-40-00,40.001
B,1.6,C,pole,1.5,1,315-00-10,91-00-00,40.001
"""


def make(
    folder: Path, book: str | bytes = BOOK, job: str = JOB, columns: dict[str, str] = SHORT, extra: str = ""
) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "book.csv").write_bytes(book.encode() if isinstance(book, str) else book)
    (folder / "job.toml").write_text(job + columns_of(columns) + extra, encoding="utf-8")
    return folder


def setups(job: Job) -> list[tuple[str, float]]:
    """Mark and height of each setup, in order."""
    s = job.network.setups
    return [(str(job.network.marks.mark[m]), float(h)) for m, h in zip(s.mark, s.height, strict=True)]


def faults(folder: Path) -> list[Fault]:
    with pytest.raises(Faults) as caught:
        read_job(folder)
    return caught.value.faults


# -- the same day --


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "dialect",
    [
        {},
        {"separator": ";", "comma": True, "encoding": "utf-16", "end": "\r\n"},
        {"separator": "\t", "encoding": "utf-8-sig"},
        {"comma": True},
    ],
    ids=["plain", "semicolons, decimal commas, UTF-16", "tabs, BOM", "commas in quotation marks"],
)
def test_the_same_day_as_a_flat_book(name: str, dialect: dict[str, object], tmp_path: Path) -> None:
    book = flat_job(name, tmp_path / "flat", **dialect)  # type: ignore[arg-type]
    assert apart(coordinates(SAMPLES / name), coordinates(book)) < 1e-6


UNTIL = 'same_target = "until height or support changes"\n'


def needs_a_name(rows: list[dict[str, str]], rule: str) -> set[str]:
    """The target setups that mark, support, height and visit do not part rightly, told from the truth alone."""
    seen_from: dict[str, set[str]] = {}
    alike: dict[tuple[str, ...], dict[str, None]] = {}
    for row in rows:
        seen_from.setdefault(row["to_setup"], set()).add(row["from_setup"])
        alike.setdefault((row["to_mark"], row["to_support"], row["ht"]), {})[row["to_setup"]] = None
    if rule == UNTIL:  # set up anew without any change
        return {setup for setups in alike.values() if len(setups) > 1 for setup in setups}
    return {setup for setup, instruments in seen_from.items() if len(instruments) > 1}  # stayed


@pytest.mark.parametrize("rule", ["", UNTIL], ids=["in one visit", "until a change"])
@pytest.mark.parametrize("name", NAMES)
def test_setups_that_have_to_be_inferred(name: str, rule: str, tmp_path: Path) -> None:
    """Whatever the rule: once the book names the targets that the rule gets wrong, all others are inferred as they were."""
    rows = flat_rows(name)
    named = needs_a_name(rows, rule)
    for row in rows:
        row["to_setup"] = row["to_setup"] if row["to_setup"] in named else ""
    headers = HEADERS | {"to_setup": NAMED["to_setup"]}
    book = flat_job(name, tmp_path / "flat", headers=headers, rows=rows, extra=rule)
    assert apart(coordinates(SAMPLES / name), coordinates(book)) < 1e-4
    inferred, truth = read_job(book).network.setups, read_job(SAMPLES / name).network.setups
    assert len(inferred) == len(truth)
    assert int(inferred.instrument.sum()) == int(truth.instrument.sum())


@pytest.mark.parametrize("rule", ["", UNTIL], ids=["in one visit", "until a change"])
@pytest.mark.parametrize("name", NAMES)
def test_what_no_book_can_tell_is_said(name: str, rule: str, tmp_path: Path) -> None:
    """Without those names coordinates move (0.1 to 0.5 mm): marks on which the truth differs are all among those told.

    So little is it that no reading could decide it: less than the sigma of the coordinate everywhere.
    """
    book = read_job(flat_job(name, tmp_path / "flat", headers=HEADERS, extra=rule))
    truth = read_job(SAMPLES / name)
    told = {m for r in book.remarks if r.code == "REM528" for m in r.marks}
    ours, theirs = book.network.sights.end, truth.network.sights.end
    pairs = set(zip(ours.tolist(), theirs.tolist(), strict=True))
    wrong = {a for a, _ in pairs if sum(a == x for x, _ in pairs) > 1}
    wrong |= {a for a, b in pairs if sum(b == y for _, y in pairs) > 1}
    differ = {str(book.network.marks.mark[book.network.setups.mark[i]]) for i in wrong}
    without_effect = {m for m in differ if m.startswith("W")}  # the mark is the target's own centre
    assert told >= differ - without_effect
    assert not told & without_effect
    ours_marks, true_marks = (adjust(j.network, j.settings).marks for j in (book, truth))
    for c in ("east", "north", "height"):
        apart_by = np.abs(getattr(ours_marks, c) - getattr(true_marks, c))
        sigma = getattr(true_marks, f"sigma_{c}")
        assert (apart_by[sigma > 0] < sigma[sigma > 0]).all()


# -- the rules --


def test_a_change_of_height_and_a_move_of_the_instrument_start_new_setups(tmp_path: Path) -> None:
    job = read_job(make(tmp_path / "j"))
    assert setups(job) == [
        ("A", 1.5), ("B", 1.4), ("C", 1.5), ("B", 1.6), ("A", 1.5), ("C", 1.5), ("C", 1.7), ("C", 1.5),
    ]  # fmt: skip
    assert list(job.network.sights.end) == [1, 2, 2, 1, 4, 5, 6, 7]
    assert list(job.network.setups.setup)[:3] == ["I1@A", "T1@B", "T2@C"]
    told = {r.code: r.text for r in job.remarks}
    assert "2 instrument setups and 6 target setups" in told["REM520"]


def test_the_same_target_until_its_height_changes(tmp_path: Path) -> None:
    """C stays one setup from A to B; the targets on A and B were exchanged for the instrument."""
    job = read_job(make(tmp_path / "j", extra=UNTIL))
    assert setups(job) == [("A", 1.5), ("B", 1.4), ("C", 1.5), ("B", 1.6), ("A", 1.5), ("C", 1.7), ("C", 1.5)]
    assert list(job.network.sights.end) == [1, 2, 2, 1, 4, 2, 5, 6]


def test_blank_rows_end_a_visit(tmp_path: Path) -> None:
    lines = BOOK.splitlines(keepends=True)
    job = read_job(make(tmp_path / "j", "".join([*lines[:3], ",,,,,,,,\n", "\n", *lines[3:]])))
    assert setups(job)[:6] == [("A", 1.5), ("B", 1.4), ("C", 1.5), ("A", 1.5), ("C", 1.5), ("B", 1.4)]
    assert job.place("sights", 2) == "book.csv:6"


def test_a_setup_said_once_goes_on_until_the_next(tmp_path: Path) -> None:
    """Station and height of instrument stand in the first row alone, as people write them."""
    lines = BOOK.splitlines()
    lines[2:5] = [",," + line.split(",", 2)[2] for line in lines[2:5]]
    lines.insert(1, "A,1.5,,,,,,,")  # a row that only says where the instrument stands
    job, whole = read_job(make(tmp_path / "j", "\n".join(lines))), read_job(make(tmp_path / "k"))
    assert setups(job) == setups(whole)
    assert list(job.network.sights.start) == list(whole.network.sights.start)


def test_faces_are_told_from_zenith_angles_where_the_book_has_none(tmp_path: Path) -> None:
    columns = {k: v for k, v in SHORT.items() if k != "face"}
    job = read_job(make(tmp_path / "j", columns=columns))
    assert list(job.network.sights.face) == [1, 1, 2, 2, 1, 1, 1, 1]
    assert {"REM522", "REM526"} <= {r.code for r in job.remarks}


@pytest.mark.parametrize(("one", "two"), [("I", "II"), ("L", "R"), ("Left", "right"), ("F1", "F2")])
def test_words_for_faces(one: str, two: str, tmp_path: Path) -> None:
    lines = [line.split(",") for line in BOOK.splitlines()]
    for cells in lines[1:]:
        cells[5] = one if cells[5] == "1" else two
    job = read_job(make(tmp_path / "j", "\n".join(map(",".join, lines))))
    assert list(job.network.sights.face) == [1, 1, 2, 2, 1, 1, 1, 1]


def test_new_marks_need_no_row_in_marks_csv(tmp_path: Path) -> None:
    folder = make(tmp_path / "j")
    (folder / "marks.csv").write_text(
        "mark,east,north,height,control\nA,100,200,10,held\nB,150,200,10,held-en\n"
    )
    job = read_job(folder)
    assert list(job.network.marks.mark) == ["A", "B", "C"]
    assert list(job.network.marks.sigma_east) == [0, 0, np.inf]
    assert next(r for r in job.remarks if r.code == "REM525").marks == ("C",)
    (folder / "marks.csv").write_text(
        "mark,east,north,height,control\na,100,200,10,held\nB,150,200,10,held-en\n"
    )
    assert [(str(f.place), f.code) for f in faults(folder)] == [("book.csv:2:Stn", "TAB210")]


def test_titles_above_the_header_and_rows_of_words_are_passed_over(tmp_path: Path) -> None:
    book = "Quay wall\n\nchief of party,nobody\n" + BOOK.replace("B,1.6,A", ",,,,,,,,\n,,,,,,,,\nB,1.6,A")
    assert setups(read_job(make(tmp_path / "j", book))) == setups(read_job(make(tmp_path / "k")))


# -- units --


def test_units_in_headers(tmp_path: Path) -> None:
    """Feet and gon above the columns, against the same numbers converted by hand; the job itself is in m and d-m-s."""
    book = "Stn,HI [ft],Pt,On,HT (us-ft),F,Hz [gon],V (deg),SD [mm]\n"
    book += "A,5,B,pole,6,1,100,90.5,50001\nA,5,C,pole,6,1,50.5,90.25,40002\n"
    columns = SHORT | {
        "hi": "HI [ft]",
        "ht": "HT (us-ft)",
        "circle": "Hz [gon]",
        "zenith": "V (deg)",
        "slope": "SD [mm]",
    }
    job = read_job(make(tmp_path / "j", book, columns=columns))
    np.testing.assert_allclose(
        job.network.setups.height, [1.524, 6 * 1200 / 3937, 6 * 1200 / 3937], rtol=1e-15
    )
    np.testing.assert_allclose(job.network.sights.circle, np.deg2rad([90.0, 45.45]), rtol=1e-15)
    np.testing.assert_allclose(job.network.sights.zenith, np.deg2rad([90.5, 90.25]), rtol=1e-15)
    np.testing.assert_allclose(job.network.sights.slope, [50.001, 40.002], rtol=1e-15)


def test_packed_angles_and_degrees_in_a_job_of_gon(tmp_path: Path) -> None:
    book = "Stn,HI,Pt,On,HT,F,Hz [ddd.mmss],V [dms],SD\n"
    book += "A,1.5,B,pole,1.5,1,100.2920,90-30-00,50\nA,1.5,C,pole,1.5,1,186.17,91-00-36,40\n"
    columns = SHORT | {"circle": "Hz [ddd.mmss]", "zenith": "V [dms]"}
    job = read_job(make(tmp_path / "j", book, JOB.replace('"dms"', '"gon"'), columns))
    np.testing.assert_allclose(
        np.rad2deg(job.network.sights.circle), [100 + 29 / 60 + 20 / 3600, 186 + 17 / 60], rtol=1e-14
    )
    np.testing.assert_allclose(np.rad2deg(job.network.sights.zenith), [90.5, 91.01], rtol=1e-14)
    told = columns | {"circle": "Hz"}
    job = read_job(make(tmp_path / "k", book.replace(" [ddd.mmss]", ""), JOB, told, 'angle = "ddd.mmss"\n'))
    np.testing.assert_allclose(
        np.rad2deg(job.network.sights.circle), [100 + 29 / 60 + 20 / 3600, 186 + 17 / 60], rtol=1e-14
    )


def test_a_unit_that_is_not_known(tmp_path: Path) -> None:
    book = BOOK.replace("HT,F", "HT [yd],F")
    (found,) = faults(make(tmp_path / "j", book, columns=SHORT | {"ht": "HT [yd]"}))
    assert (found.place, found.code) == ("book.csv:1:HT [yd]", "TAB241")


# -- faults --


def test_faults_stand_at_the_cells_of_the_book(tmp_path: Path) -> None:
    book = (
        BOOK.replace("HT,F", "HT [ft],F")
        .replace("HI,", "HI [m],")
        .replace("A,1.5,C,pole,1.500,1", "A,1.5,C,pole,l.5,1")
    )
    book = book.replace("B,1.6,A,tripod,1.5,1,0-00-20", "B,1.6,A,stool,1.5,3,0-72-20")
    columns = SHORT | {"hi": "HI [m]", "ht": "HT [ft]"}
    assert [(f.place, f.code) for f in faults(make(tmp_path / "j", book, columns=columns))] == [
        ("book.csv:3:HT [ft]", "TAB204"),
        ("book.csv:6:On", "TAB212"),
        ("book.csv:6:F", "TAB214"),
        ("book.csv:6:Hz", "TAB205"),
    ]


def test_headers_that_are_not_there(tmp_path: Path) -> None:
    found = faults(make(tmp_path / "j", columns=SHORT | {"slope": "SDist", "ht": "hT"}))
    assert [(f.file, f.code) for f in found] == [("job.toml", "JOB118")]
    assert (tmp_path / "j" / "job.toml").read_text().splitlines()[found[0].row - 1] == 'slope = "SDist"'
    twice = faults(make(tmp_path / "k", BOOK.replace("Stn,HI", "Stn,HT")))
    assert {f.code for f in twice} == {"JOB118"}
    same = faults(make(tmp_path / "m", columns=SHORT | {"zenith": "Hz"}))
    assert [(f.code, "circle and for zenith" in f.found) for f in same] == [("JOB118", True)]
    lacking = faults(make(tmp_path / "l", columns={"from_mark": "Stn"}))
    assert [f.code for f in lacking] == ["JOB119", "JOB119"]


def test_a_setup_that_the_book_names_keeps_its_mark_and_height(tmp_path: Path) -> None:
    book = "S,T,Stn,Pt,HT,Hz\nI1,T1,A,B,1.5,0-00-00\nI1,T1,A,C,1.5,10-00-00\nI1,T2,A,C,1.5,20-00-00\nI1,T2,A,C,1.6,20-00-00\n"
    columns = {
        "from_setup": "S",
        "to_setup": "T",
        "from_mark": "Stn",
        "to_mark": "Pt",
        "ht": "HT",
        "circle": "Hz",
    }
    assert [(f.place, f.code) for f in faults(make(tmp_path / "j", book, columns=columns))] == [
        ("book.csv:3:Pt", "TAB242"),
        ("book.csv:5:HT", "TAB242"),
    ]


def test_an_encoding_is_asked_for_and_then_believed(tmp_path: Path) -> None:
    book = BOOK.replace("C,pole", "Köln,pole").encode("latin-1")
    (found,) = faults(make(tmp_path / "j", book))
    assert (found.place, found.code) == ("book.csv:3", "RUN431")
    assert "encoding =" in found.wanted
    job = read_job(make(tmp_path / "j", book, extra='encoding = "latin-1"\n'))
    assert "Köln" in job.network.marks.mark
    (wrong,) = faults(make(tmp_path / "j", book, extra='encoding = "utf-8"\n'))
    assert wrong.code == "RUN431"


def test_setups_in_two_places(tmp_path: Path) -> None:
    folder = make(tmp_path / "j")
    (folder / "sights.csv").write_text("id,from,to\n1,I1,T1\n")
    assert ("sights.csv", "RUN418") in [(f.file, f.code) for f in faults(folder)]


@pytest.mark.parametrize("name", ["../book.csv", "/etc/hostname", "sub/book.csv"])
def test_a_book_outside_the_folder_is_not_read(name: str, tmp_path: Path) -> None:
    folder = make(tmp_path / "j")
    (folder / "job.toml").write_text(JOB + columns_of(SHORT, name))
    assert [f.code for f in faults(folder)] == ["JOB117"]


@pytest.mark.parametrize(
    ("book", "code"),
    [
        (b"", "RUN413"),
        (b"\xef\xbb\xbf\n", "RUN413"),
        (b"\x89PNG\r\n\x1a\n\0\0", "RUN431"),
        (b"Stn,HI\0\n", "RUN414"),
        (b"Stn,HI,Pt,On,HT,F,Hz,V,SD\n", "TAB227"),
        (b'Stn,HI,Pt,On,HT,F,Hz,V,SD\nA,"1.5,B\n', "TAB228"),
        (b"Stn,HI,Pt,On,HT,F,Hz,V,SD\nA,1.5,B,pole," + b"9" * 1_000_000 + b",1,0-00-00,,\n", "TAB228"),
        ("Stn,HI".encode("utf-16")[:-1], "RUN431"),
    ],
)
def test_books_that_can_not_be_read(book: bytes, code: str, tmp_path: Path) -> None:
    start = time.monotonic()
    assert code in {f.code for f in faults(make(tmp_path / "j", book))}
    assert (
        time.monotonic() - start < 30.0
    )  # a guard against hanging, wide for a busy machine; speed is for the benchmarks


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_mutated_book_is_read_or_refused_in_words(data: st.DataObject, tmp_path: Path) -> None:
    """Cut, overwritten or doubled anywhere: a job or faults with codes, nothing else."""
    book = bytearray(BOOK.encode(data.draw(st.sampled_from(["utf-8", "utf-16", "utf-8-sig"]))))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(book)))
        junk = data.draw(
            st.one_of(
                st.binary(max_size=4), st.sampled_from([b",", b'"', b"\n", b";", b"\t", b"-", b"1e999"])
            )
        )
        book[at : at + data.draw(st.integers(0, 12))] = junk
    told: list[Fault] = []
    try:
        read_job(make(tmp_path / "mutated", bytes(book)))
    except Faults as refused:
        told = refused.faults
    assert all(f.code and f.found for f in told)

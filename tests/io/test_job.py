"""Reading a whole job: what a good one becomes, and where each fault of a bad one is told."""

from __future__ import annotations

import hashlib
import math
import subprocess
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest

if TYPE_CHECKING:
    from .conftest import JobFolder

SECOND = math.pi / 648000


def test_a_good_job_in_si(job: JobFolder) -> None:
    """Every kind of cell, against values computed by hand."""
    read = job.read()
    marks, setups, sights = read.network.marks, read.network.setups, read.network.sights
    assert read.name == "Quay wall, day 1"
    assert list(marks.mark) == ["Q1", "Q2", "Q3", "Q4"]
    np.testing.assert_equal(marks.east, [1000, 1040.5, np.nan, 1020.1])
    np.testing.assert_equal(marks.sigma_east, [0, 0.002, np.inf, np.inf])
    np.testing.assert_equal(marks.sigma_north, [0, 0.002, np.inf, np.inf])
    np.testing.assert_equal(marks.sigma_height, [0, 0, np.inf, np.inf])
    assert list(setups.instrument) == [True, False, False, False, True]
    np.testing.assert_equal(
        setups.height, [1.503, 0.210, 1.532, 1.6, 0.215]
    )  # T1 by its support, T2 corrected
    np.testing.assert_equal(setups.prism_constant, [np.nan, np.nan, 0.004, np.nan, np.nan])
    assert list(setups.base) == [-1, 0, -1, -1, 0]
    assert list(setups.height_base) == [-1, -1, -1, -1, 0]
    assert [read.network.targets.target[setups.device[i]] for i in (1, 2, 3)] == ["mini", "prism", "prism"]
    assert list(sights.round) == [1] * 7
    np.testing.assert_allclose(sights.circle[2], (45 * 3600 + 10 * 60 + 10.5) * SECOND, rtol=1e-15)
    np.testing.assert_allclose(sights.circle[6], 270.5 * 3600 * SECOND, rtol=1e-15)
    np.testing.assert_equal(sights.slope[4:], [36.25, np.nan, 30.123])
    np.testing.assert_equal(sights.horizontal[5:], [36.2, np.nan])
    assert list(sights.used) == [True] * 6 + [False]
    reduced = read.network.reduced
    assert [marks.mark[i] if i >= 0 else "" for i in reduced.at] == ["", "Q2", "", ""]
    np.testing.assert_allclose(reduced.value, [0.2003, 162010 * SECOND, 121200 * SECOND, 40.5008], rtol=1e-15)
    np.testing.assert_allclose(reduced.sigma, [0.0003, 3 * SECOND, 20 * SECOND, 0.0012], rtol=1e-15)
    vectors = read.network.vectors
    assert (vectors.start_mark[0], vectors.start_setup[0]) == (0, -1)
    assert (vectors.end_mark[0], vectors.end_setup[0]) == (2, 2)
    np.testing.assert_equal(vectors.covariance[0], 1e-6 * np.array([[4, 0, 0], [0, 4, 1], [0, 1, 9]]))
    assert read.settings.reference_height == 12.0
    assert read.settings.datum_marks == ("Q1", "Q2")
    assert read.settings.pairs == (("Q1", "Q3"), ("Q2", "Q3"))
    assert read.network.instruments.distance_ppm[0] == pytest.approx(1.5e-6)
    assert read.network.supports.slant_radius[2] == pytest.approx(0.1)


def test_rows_keep_their_line_in_the_editor(job: JobFolder) -> None:
    """Row 6 of the sights holds a line break, so row 7 stands two lines on; blank rows count as lines."""
    job.change("marks.csv", "Q3,,", "\n,,,,,,,,\nQ3,,")
    read = job.read()
    assert read.places["sights"] == (2, 3, 4, 5, 6, 7, 9)
    assert read.places["marks"] == (2, 3, 6, 7)
    assert read.place("marks", 2) == "marks.csv:6"


def test_the_files_are_known_by_their_bytes(job: JobFolder) -> None:
    read = job.read()
    assert set(read.files) == {
        "job.toml",
        "marks.csv",
        "setups.csv",
        "sights.csv",
        "reduced.csv",
        "vectors.csv",
    }
    for name, digest in read.files.items():
        assert digest == hashlib.sha256((job.path / name).read_bytes()).hexdigest()


@pytest.mark.parametrize("ending", ["\r\n", "\r"])
@pytest.mark.parametrize("separator", [";", "\t"])
@pytest.mark.parametrize("start", [b"", b"\xef\xbb\xbf"])
def test_separators_line_ends_and_byte_order_marks(
    job: JobFolder, ending: str, separator: str, start: bytes
) -> None:
    plain = job.read()
    for name in ("setups.csv", "reduced.csv", "vectors.csv"):
        text = (job.path / name).read_text()
        job.write(name, start + text.replace(",", separator).replace("\n", ending).encode())
    if ending == "\r\n":
        job.write("job.toml", start + (job.path / "job.toml").read_text().replace("\n", ending).encode())
    again = job.read()
    np.testing.assert_equal(again.network.setups.height, plain.network.setups.height)
    np.testing.assert_equal(again.network.reduced.value, plain.network.reduced.value)
    assert again.places == plain.places


@pytest.mark.parametrize(("length", "metre"), [("ft", 1 / 0.3048), ("us-ft", 3937 / 1200)])
@pytest.mark.parametrize(("angle", "turn"), [("deg", 360.0), ("gon", 400.0)])
def test_the_same_job_in_other_units(
    job: JobFolder, length: str, metre: float, angle: str, turn: float
) -> None:
    plain = job.read()
    job.change("job.toml", 'length = "m"', f'length = "{length}"')
    job.change("job.toml", 'angle = "dms"', f'angle = "{angle}"')
    n = plain.network
    marks = "mark,east,north,height,control,sigma_east,sigma_north\n"
    for row, mark in enumerate(n.marks.mark):
        e, n_, h = (getattr(n.marks, c)[row] * metre for c in ("east", "north", "height"))
        control = ["held", "weighted-en held-h", "", ""][row]
        sigma = ["", str(0.002 * metre), "", ""][row]
        cells = [mark, *("" if math.isnan(v) else repr(float(v)) for v in (e, n_, h)), control, sigma, sigma]
        marks += ",".join(cells) + "\n"
    job.write("marks.csv", marks)
    sights = "id,from,to,round,face,circle,zenith,slope,horizontal\n"
    for row in range(len(n.sights)):
        s = n.sights
        angles = [v[row] / (2 * math.pi) * turn for v in (s.circle, s.zenith)]
        lengths = [v[row] * metre for v in (s.slope, s.horizontal)]
        ends = [n.setups.setup[i] for i in (s.start[row], s.end[row])]
        cells = [s.id[row], *ends, str(s.round[row]), str(s.face[row])]
        cells += ["" if math.isnan(v) else repr(float(v)) for v in (*angles, *lengths)]
        sights += ",".join(cells) + "\n"
    job.write("sights.csv", sights)
    for name, height in (("I1", 1.503), ("T3", 1.6), ("I2", 0.215)):
        job.cell("setups.csv", name, "height", repr(height * metre))
    job.cell("setups.csv", "T2", "prism_constant", "4 mm")
    for name, value in (("R1", "0.2003 m"), ("R4", "40.5008 m"), ("R2", "45°00'10\""), ("R3", "33°40'00\"")):
        job.cell("reduced.csv", name, "value", value)
    for column, value in (("de", "14.1 m"), ("dn", "14.2 m"), ("du", "-0.3 m")):
        job.cell("vectors.csv", "V1", column, value)
    again = job.read().network
    for table in ("marks", "setups", "sights", "reduced", "vectors"):
        before, after = getattr(n, table), getattr(again, table)
        for column in before.columns():
            if column.quantity in ("length", "angle", "number", "area"):
                a, b = getattr(before, column.name), getattr(after, column.name)
                np.testing.assert_allclose(b, a, rtol=1e-14, atol=1e-15, err_msg=f"{table}.{column.name}")


# file, edit, code, row, column, a word of the message
CELLS = [
    ("sights.csv", "3", "circle", "north", "TAB205", 4, "north"),
    ("sights.csv", "3", "circle", "45-60-00", "TAB205", 4, "60 minutes"),
    ("sights.csv", "3", "circle", "361-00-00", "TAB219", 4, "more than a turn"),
    ("sights.csv", "3", "zenith", "nan", "TAB205", 4, "blank"),
    ("sights.csv", "3", "zenith", "269-00-00", "TAB219", 4, "fit face 2"),
    ("sights.csv", "4", "zenith", "91-00-00", "TAB219", 5, "fit face 1"),
    ("sights.csv", "3", "zenith", "0-00-00", "TAB219", 4, "from the vertical"),
    ("sights.csv", "3", "zenith", "-5-00-00", "TAB219", 4, "from the vertical"),
    ("sights.csv", "3", "slope", "-20.001", "TAB218", 4, "negative"),
    ("sights.csv", "3", "slope", "0", "TAB218", 4, "zero"),
    ("sights.csv", "3", "slope", "NaN", "TAB204", 4, "NaN"),
    ("sights.csv", "3", "slope", "inf", "TAB204", 4, "inf"),
    ("sights.csv", "3", "slope", "1e400", "TAB204", 4, "1e400"),
    ("sights.csv", "3", "slope", "20,001", "TAB204", 4, "Write 20.001: the decimal mark is a point."),
    ("sights.csv", "3", "horizontal", "20.0", "TAB220", 4, "Both"),
    ("sights.csv", "3", "face", "3", "TAB214", 4, "1 or 2"),
    ("sights.csv", "3", "face", "", "TAB208", 4, "1 or 2"),
    ("sights.csv", "3", "round", "0", "TAB214", 4, "from 1 up"),
    ("sights.csv", "3", "round", "one", "TAB214", 4, "from 1 up"),
    ("sights.csv", "3", "id", "2", "TAB209", 4, "sights.csv:3"),
    ("sights.csv", "3", "id", "", "TAB208", 4, "id"),
    ("sights.csv", "3", "from", "I9", "TAB211", 4, '"I9"'),
    ("sights.csv", "3", "from", "T1", "TAB221", 4, "target setup"),
    ("sights.csv", "3", "to", "I2", "TAB221", 4, "instrument setup"),
    ("sights.csv", "3", "to", "", "TAB208", 4, "to"),
    ("sights.csv", "6", "to", "T1", "TAB222", 7, "same mark"),
    ("setups.csv", "T2", "mark", "q3", "TAB210", 4, 'Is "Q3" meant?'),
    ("setups.csv", "T2", "support", "poel", "TAB212", 4, 'Is "pole" meant?'),
    ("setups.csv", "T2", "device", "prisma", "TAB213", 4, 'Is "prism" meant?'),
    ("setups.csv", "T2", "device", "ts-a", "TAB213", 4, "an instrument"),
    ("setups.csv", "I1", "device", "mini", "TAB213", 2, "a target"),
    ("setups.csv", "I1", "device", "", "TAB208", 2, "instrument"),
    ("setups.csv", "T2", "role", "tarqet", "TAB214", 4, '"target" meant'),
    ("setups.csv", "T2", "role", "", "TAB208", 4, "instrument or target"),
    ("setups.csv", "T3", "height", "", "TAB217", 5, "pole"),
    ("setups.csv", "T3", "height", "1,600", "TAB204", 5, "Write 1.600: the decimal mark is a point."),
    ("setups.csv", "I1", "height", "0.05", "TAB231", 2, "slant"),
    ("setups.csv", "T3", "base", "B1", "TAB223", 5, "setups.csv:3"),
    ("setups.csv", "I1", "prism_constant", "0.03", "TAB232", 2, "target"),
    ("setups.csv", "T3", "setup", "T1", "TAB209", 5, "setups.csv:3"),
    ("marks.csv", "Q1", "east", "", "TAB215", 2, "needs east"),
    ("marks.csv", "Q1", "height", "", "TAB215", 2, "held-en"),
    ("marks.csv", "Q2", "sigma_east", "", "TAB216", 3, "needs its sigma"),
    ("marks.csv", "Q2", "sigma_east", "-0.002", "TAB216", 3, "negative"),
    ("marks.csv", "Q4", "sigma_east", "0.002", "TAB216", 5, "no control"),
    ("marks.csv", "Q1", "sigma_east", "0.002", "TAB216", 2, "held"),
    ("marks.csv", "Q1", "control", "hold", "TAB214", 2, "held or weighted"),
    ("marks.csv", "Q1", "control", "held-ee", "TAB214", 2, "held-en"),
    ("marks.csv", "Q1", "control", "held-en weighted-n", "TAB214", 2, "twice"),
    ("marks.csv", "Q4", "mark", "Q1", "TAB209", 5, "marks.csv:2"),
    ("reduced.csv", "R1", "sigma", "0.3", "TAB224", 2, "has no unit"),
    ("reduced.csv", "R1", "sigma", "3 arcsec", "TAB224", 2, "arcsec"),
    ("reduced.csv", "R2", "sigma", "3 mm", "TAB224", 3, "mm"),
    ("reduced.csv", "R1", "sigma", "", "TAB208", 2, "unit"),
    ("reduced.csv", "R1", "value", "", "TAB208", 2, "value"),
    ("reduced.csv", "R1", "value", "45-00-10", "TAB204", 2, "length"),
    ("reduced.csv", "R2", "value", "45,5", "TAB205", 3, "angle"),
    ("reduced.csv", "R4", "value", "-4", "TAB218", 5, "negative"),
    ("reduced.csv", "R1", "kind", "raise", "TAB214", 2, '"rise" meant'),
    ("reduced.csv", "R2", "at", "", "TAB226", 3, "needs the mark"),
    ("reduced.csv", "R1", "at", "Q3", "TAB226", 2, "no mark"),
    ("reduced.csv", "R1", "to", "Q1", "TAB222", 2, "itself"),
    ("reduced.csv", "R1", "to", "Q99", "TAB210", 2, "Q99"),
    ("vectors.csv", "V1", "to", "Q9", "TAB211", 2, "mark or setup"),
    ("vectors.csv", "V1", "to", "Q1", "TAB222", 2, "itself"),
    ("vectors.csv", "V1", "de", "", "TAB208", 2, "three components"),
    ("vectors.csv", "V1", "cov_11", "", "TAB208", 2, "m²"),
    ("vectors.csv", "V1", "cov_11", "4,0", "TAB206", 2, "Write 4.0"),
]


@pytest.mark.parametrize(("file", "key", "column", "value", "code", "row", "word"), CELLS)
def test_a_bad_cell(
    job: JobFolder, file: str, key: str, column: str, value: str, code: str, row: int, word: str
) -> None:
    job.cell(file, key, column, value)
    first = job.faults()[0]
    assert (first.file, first.row, first.column, first.code) == (file, row, column, code)
    assert word in str(first)


def test_control_without_any_coordinate_is_told_once(job: JobFolder) -> None:
    job.cell("marks.csv", "Q3", "control", "held")
    (fault,) = job.faults()
    assert (fault.row, fault.column, fault.code) == (4, "east", "TAB215")
    assert "east and north and height" in fault.found


def test_a_covariance_that_can_not_be_one(job: JobFolder) -> None:
    job.cell("vectors.csv", "V1", "cov_23", "7e-6")  # beyond √(4e-6 · 9e-6) = 6e-6
    (fault,) = job.faults()
    assert (fault.row, fault.column, fault.code) == (2, "cov_11", "TAB225")
    job.cell("vectors.csv", "V1", "cov_23", "5.9e-6")
    assert job.read().network.vectors.covariance[0, 1, 2] == pytest.approx(5.9e-6)


def test_the_words_of_the_contract(job: JobFolder) -> None:
    """The form of a fault that the design fixes."""
    job.cell("setups.csv", "T3", "height", "1,532")
    (fault,) = job.faults()
    words = '"1,532" is not a length. Write 1.532: the decimal mark is a point.'
    assert str(fault) == f"setups.csv:5:height: TAB204 {words}"


def test_a_vector_end_that_is_mark_and_setup(job: JobFolder) -> None:
    job.cell("setups.csv", "I2", "setup", "Q2")
    job.change("sights.csv", "6,I2,", "6,Q2,")
    job.change("sights.csv", "7,I2,", "7,Q2,")
    job.cell("vectors.csv", "V1", "from", "Q2")
    (fault,) = job.faults()
    assert (fault.row, fault.column, fault.code) == (2, "from", "TAB230")


def test_all_faults_of_all_files_in_one_go(job: JobFolder) -> None:
    job.change("job.toml", "scale_factor = 1.0", "scale_factor = 5.0")
    job.change("job.toml", 'kind = "pole"', 'kind = "poll"')
    job.cell("marks.csv", "Q1", "east", "x")
    job.cell("setups.csv", "T2", "mark", "Q33")
    job.cell("sights.csv", "3", "slope", "-1")
    job.cell("sights.csv", "1", "face", "3")
    job.cell("reduced.csv", "R1", "sigma", "1")
    job.cell("vectors.csv", "V1", "de", "y")
    found = [(f.file, f.row, f.code) for f in job.faults()]
    assert found == [
        ("job.toml", 12, "JOB108"),
        ("job.toml", 41, "JOB105"),
        ("marks.csv", 2, "TAB204"),
        ("setups.csv", 4, "TAB210"),
        ("sights.csv", 2, "TAB214"),
        ("sights.csv", 4, "TAB218"),
        ("reduced.csv", 2, "TAB224"),
        ("vectors.csv", 2, "TAB204"),
    ]


def test_bare_control_means_what_the_table_has_coordinates_of(job: JobFolder) -> None:
    """A levelling net holds heights, a plane net holds east and north, without a word more."""
    for name in ("setups.csv", "sights.csv", "vectors.csv", "reduced.csv"):
        (job.path / name).unlink()
    job.write("reduced.csv", "id,kind,from,to,value,sigma\n1,rise,A,B,1.5,1 mm\n")
    job.write("job.toml", 'format = 1\n[units]\nlength = "m"\n')
    job.write("marks.csv", "mark,height,control\nA,10,held\nB,,\n")
    marks = job.read().network.marks
    np.testing.assert_equal(marks.sigma_height, [0, np.inf])
    np.testing.assert_equal(marks.sigma_east, [np.inf, np.inf])
    job.write(
        "marks.csv", "mark,east,north,control,sigma_east,sigma_north\nA,10,20,weighted,0.01,0.02\nB,,,,,\n"
    )
    marks = job.read().network.marks
    np.testing.assert_equal(marks.sigma_north, [0.02, np.inf])
    np.testing.assert_equal(marks.sigma_height, [np.inf, np.inf])


def test_blank_readings_and_blank_heights_are_a_plan(job: JobFolder) -> None:
    """A planned job has sights without readings, and then no height is asked for."""
    job.write("sights.csv", "id,from,to,face\n1,I1,T1,1\n2,I1,T3,\n")
    job.cell("setups.csv", "T3", "height", "")
    text = (job.path / "job.toml").read_text()
    job.write("job.toml", text[: text.index("[[decision]]")])
    read = job.read()
    assert np.isnan(read.network.sights.circle).all()
    assert math.isnan(read.network.setups.height[3])


def test_a_vector_to_a_setup_needs_its_height(job: JobFolder) -> None:
    job.write("sights.csv", "id,from,to,face,circle\n7,I1,T2,1,0\n")
    job.change("vectors.csv", "Q1,T2", "Q1,T3")
    job.cell("setups.csv", "T3", "height", "")
    (fault,) = job.faults()
    assert (fault.file, fault.row, fault.column, fault.code) == ("setups.csv", 5, "height", "TAB217")


def test_a_comma_that_was_a_decimal_mark(job: JobFolder) -> None:
    """20,001 without quotation marks fills two columns; the reader says so where it can be seen."""
    job.change("sights.csv", "20.001,,", "20,001,")
    (fault,) = job.faults()
    assert (fault.row, fault.code) == (4, "TAB220")
    assert "If 20.001 is meant" in fault.wanted


def test_remarks_tell_what_was_taken_for_granted(job: JobFolder) -> None:
    assert job.read().remarks == ()
    job.change("job.toml", 'height = "graduated"\nheight_sigma = "0.7 mm"\n', 'height = "graduated"\n')
    job.change("job.toml", 'angle = "dms"\n', "")
    job.cell("setups.csv", "T3", "device", "")
    read = job.read()
    assert [r.code for r in read.remarks] == ["REM501", "REM504", "REM505"]
    assert read.network.supports.height_sigma[1] == pytest.approx(0.7e-3)
    assert read.remarks[2].setups == ("T3",)


@pytest.mark.parametrize(
    ("kind", "millimetres"),
    [("fixed", 0.2), ("graduated", 0.7), ("taped", 1.5), ("slant", 2.0), ("undeclared", 1.5)],
)
def test_default_sigmas_of_heights(job: JobFolder, kind: str, millimetres: float) -> None:
    job.change("job.toml", 'height = "graduated"\nheight_sigma = "0.7 mm"', f'height = "{kind}"')
    read = job.read()
    assert read.network.supports.height_sigma[1] == pytest.approx(millimetres / 1000)
    assert f"{millimetres} mm" in read.remarks[0].text


def test_a_broken_job_toml_hides_no_fault_of_the_tables(job: JobFolder) -> None:
    """And tells none that only follows from it: no name of a support is held against the tables."""
    job.change("job.toml", "format = 1", "format = ")
    job.cell("sights.csv", "3", "face", "3")
    assert [(f.file, f.row, f.code) for f in job.faults()] == [
        ("job.toml", 1, "JOB101"),
        ("sights.csv", 4, "TAB214"),
    ]


def test_reading_imports_nothing_heavy(job: JobFolder) -> None:
    """A small job must be read before anything slow is imported."""
    code = f"""
import sys
from hubtack.io.job import read_job
read_job({str(job.path)!r})
print([m for m in ("pandas", "scipy", "networkx", "matplotlib", "rich", "tomlkit", "jinja2") if m in sys.modules])
"""
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"

"""Faults, their codes, and the promise that reading never ends in another way than a job or faults."""

from __future__ import annotations

import dataclasses
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import hubtack.io.faults
from hubtack.adjust.trouble import Trouble
from hubtack.io.faults import Fault, FaultList, Faults, Nearest, codes, explain, listed, locate, nearest_code
from hubtack.io.job import read_job
from hubtack.io.readers import columns, jobkeys

if TYPE_CHECKING:
    from .conftest import JobFolder

CODE = re.compile(r"(JOB1|TAB2|NET3|RUN4|REM5)\d\d")
ROOT = Path(hubtack.io.faults.__file__).parents[1]


def test_form_and_order_of_faults() -> None:
    faults = FaultList()
    faults.add("vectors.csv", 2, "de", "TAB204", "x")
    faults.add("sights.csv", 10, "slope", "TAB204", "b is not a length", "Write 1.")
    faults.add("sights.csv", 9, "", "TAB207", "c")
    faults.add("job.toml", 3, 11, "JOB107", "d?")
    faults.add("job.toml", 3, 2, "JOB107", "e.")
    faults.add("sights.csv", 0, "", "RUN413", "f")
    with pytest.raises(Faults) as caught:
        faults.raise_if_any()
    assert str(caught.value).splitlines() == [
        "job.toml:3:2: JOB107 e.",
        "job.toml:3:11: JOB107 d?",
        "sights.csv: RUN413 f.",
        "sights.csv:9: TAB207 c.",
        "sights.csv:10:slope: TAB204 b is not a length. Write 1.",
        "vectors.csv:2:de: TAB204 x.",
    ]
    FaultList().raise_if_any()


def test_every_code_in_the_source_is_explained_and_every_explained_code_is_used() -> None:
    """The house's own files are searched, so that a code can't be forgotten in either."""
    used: set[str] = set()
    for folder in ("adjust", "io"):
        for path in (ROOT / folder).resolve().rglob("*.py"):
            used |= {m[0] for m in re.finditer(rf"(?<=\"){CODE.pattern}(?=\")", path.read_text())}
    assert used
    assert used - set(codes()) == set()
    assert set(codes()) - used == set()


@pytest.mark.parametrize("code", sorted(codes()))
def test_an_explanation_says_what_it_means_and_what_to_do(code: str) -> None:
    assert CODE.fullmatch(code)
    words = explain(code)
    assert words is not None
    assert words.startswith(f"{code}  ")
    assert "Usual cause: " in words
    assert "Cure: " in words
    assert words == explain(f" {code.lower()} ")


def test_the_format_of_a_file_is_explained_from_what_the_reader_goes_by() -> None:
    for name, schema in columns.TABLES.items():
        words = explain(f"{name}.csv")
        assert words == explain(name)
        assert words is not None
        for column in schema:
            line = next(x for x in words.splitlines() if x.split()[:1] == [column.name])
            assert ("needed" in line.split()[:2]) == column.required
    words = explain("job.toml")
    assert words is not None
    for keys in (*jobkeys.SECTIONS.values(), *jobkeys.NAMED.values(), jobkeys.DecisionKeys):
        assert keys.__doc__ is not None
        assert keys.__doc__ in words
        for field in dataclasses.fields(keys):
            line = next(x for x in words.split(keys.__doc__)[1].splitlines() if x.split()[:1] == [field.name])
            assert ("needed" in line.split()[:2]) == (field.default is dataclasses.MISSING)
    assert max(map(len, (explain("format") or "").splitlines())) <= 110


def test_a_code_that_does_not_exist() -> None:
    assert explain("TAB999") is None
    assert nearest_code("tab20") in codes()
    assert nearest_code("quite another thing") is None


def test_nearest_names() -> None:
    nearest = Nearest(["T014", "T015", "pole"])
    assert nearest.find("t014") == "T014"
    assert nearest.find("poel") == "pole"
    assert nearest.find("zzzz") is None
    assert nearest.advice("zzzz", "Known: x.") == "Known: x."
    assert listed(map(str, range(10)), 3) == "0, 1, 2 and 7 more"
    assert listed([]) == "none"


def test_asking_for_thousands_of_names_stays_quick() -> None:
    """difflib on ten thousand names takes long; it is asked a bounded number of times."""
    nearest = Nearest([f"name-{i}" for i in range(3000)], limit=5)
    assert sum(nearest.find(f"nome-{i}") is not None for i in range(1000)) == 5


@pytest.mark.parametrize(
    ("trouble", "place"),
    [
        (Trouble("NET302", "Q3 has no height", marks=("Q3",)), "marks.csv:4:mark"),
        (
            Trouble("NET302", "x", marks=("Q3",), setups=("T2",), observations=("1.zenith",)),
            "marks.csv:4:mark",
        ),
        (Trouble("NET304", "x", setups=("T3", "T2")), "setups.csv:5:setup"),
        (Trouble("NET304", "x", observations=("5.zenith",)), "sights.csv:6:id"),
        (Trouble("NET304", "x", observations=("5",)), "sights.csv:6:id"),
        (Trouble("NET304", "x", observations=("R3",)), "reduced.csv:4:id"),
        (Trouble("NET304", "x", observations=("V1.de",)), "vectors.csv:2:id"),
        (Trouble("NET305", "x", marks=("nobody",)), "job.toml"),
    ],
)
def test_troubles_of_the_engine_get_a_place(job: JobFolder, trouble: Trouble, place: str) -> None:
    (fault,) = locate((trouble,), job.read())
    assert fault.place == place
    assert fault.code == trouble.code


# -- property tests: spoilt jobs --

TABLES = ["marks.csv", "setups.csv", "sights.csv", "reduced.csv", "vectors.csv"]
FILES = [*TABLES, "job.toml"]
CELL = st.one_of(
    st.sampled_from(
        ["", "nan", "inf", "-1", "0", "1e400", "1,5", "360-00-00", "-0-00-01", "269-59-59", "Q1", "T1", "I1", "held",
         "target", "instrument", "1.5 mm", "3 arcsec", "12 gon", "ts-a", "mini", "99999999999", "1_0", "½", "²"]
    ),
    st.text(max_size=12),
    st.floats().map(repr),
    st.integers().map(str),
)  # fmt: skip
TOML_WORD = st.one_of(
    st.sampled_from(
        ['"1 mm"', '"1"', "true", "[]", "{}", "[[]]", "nan", "-inf", "1979-05-27", '""', "5", '["Q1"]', "{a = 1}", "[1]",
         '"sight 1"', '"setup T2 height"', '"held"', '"fixed"', "'''x\n'''", '"1 mm + 1 ppm"', "1e400", "0x1F"]
    ),
    st.text(max_size=8),
)  # fmt: skip


def _spoil_table(draw: Callable[[Any], Any], text: str) -> str:
    rows = [line.split(",") for line in text.split("\n")]
    what = draw(
        st.sampled_from(["cell", "drop column", "double column", "drop row", "double row", "short row"])
    )
    row = draw(st.integers(0, len(rows) - 1))
    column = draw(st.integers(0, len(rows[0]) - 1))
    if what == "cell":
        rows[row][min(column, len(rows[row]) - 1)] = draw(CELL)
    elif what in ("drop column", "double column"):
        for cells in rows:
            if column < len(cells):
                cells[column : column + 1] = [] if what == "drop column" else [cells[column]] * 2
    elif what == "drop row":
        del rows[row]
    elif what == "double row":
        rows.insert(row, list(rows[row]))
    else:
        del rows[row][column:]
    return "\n".join(",".join(cells) for cells in rows)


def _spoil_toml(draw: Callable[[Any], Any], text: str) -> str:
    lines = text.split("\n")
    row = draw(st.integers(0, len(lines) - 1))
    what = draw(st.sampled_from(["value", "key", "drop line", "double line", "swap lines"]))
    key, equals, value = lines[row].partition(" = ")
    if what == "value":
        lines[row] = f"{key} = {draw(TOML_WORD)}" if equals else draw(TOML_WORD)
    elif what == "key":
        lines[row] = f"{draw(TOML_WORD)} = {value}"
    elif what == "drop line":
        del lines[row]
    elif what == "double line":
        lines.insert(row, lines[row])
    else:
        other = draw(st.integers(0, len(lines) - 1))
        lines[row], lines[other] = lines[other], lines[row]
    return "\n".join(lines)


def _spoil_bytes(draw: Callable[[Any], Any], data: bytes) -> bytes:
    at = draw(st.integers(0, len(data)))
    until = min(len(data), at + draw(st.integers(0, 6)))
    noise: bytes = draw(st.binary(max_size=6))
    return data[:at] + noise + data[until:]


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_a_spoilt_job_is_read_or_told(make_job: Callable[[Path], JobFolder], data: st.DataObject) -> None:
    """Whatever is done to the files: a job, or faults that have a file and a code that is explained."""
    with tempfile.TemporaryDirectory() as folder:
        job = make_job(Path(folder))
        for _ in range(data.draw(st.integers(1, 3))):
            name = data.draw(st.sampled_from(FILES))
            path = job.path / name
            if not path.exists():
                continue
            raw = path.read_bytes()
            try:
                text = raw.decode()
            except UnicodeDecodeError:
                continue
            what = data.draw(st.sampled_from(["meaning", "meaning", "meaning", "bytes", "remove"]))
            if what == "remove":
                path.unlink()
            elif what == "bytes":
                job.write(name, _spoil_bytes(data.draw, raw))
            else:
                spoil = _spoil_toml if name == "job.toml" else _spoil_table
                job.write(name, spoil(data.draw, text).encode("utf-8", "surrogatepass"))
        told: list[Fault] = []
        try:
            read = read_job(job.path)
        except Faults as faults:
            told = faults.faults
        assert told or len(read.network.marks) == len(read.places["marks"])
        for fault in told:
            _check(fault, job.path)


def _check(fault: Fault, folder: Path) -> None:
    assert fault.file in (*FILES, str(folder))
    assert fault.found.strip()
    assert explain(fault.code), fault.code
    assert "\n" not in str(fault)
    path = folder / fault.file
    if path.is_file() and fault.row:
        lines = path.read_bytes().replace(b"\r\n", b"\n").replace(b"\r", b"\n").count(b"\n") + 1
        assert 1 <= fault.row <= lines

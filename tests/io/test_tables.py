"""CSV to text columns: lines, separators, headers, ragged rows, quotation marks."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hubtack.io.faults import Fault, FaultList
from hubtack.io.readers.columns import SETUPS, SIGHTS, TABLES, InputColumn
from hubtack.io.readers.tables import TextTable, parse_table

TWO = (InputColumn("id", "name", "id", required=True), InputColumn("note", "text", "note"))


def parse(text: str, schema: tuple[InputColumn, ...] = TWO) -> tuple[TextTable | None, list[Fault]]:
    faults = FaultList()
    return parse_table("t.csv", text, schema, faults), faults.faults


def told(text: str, schema: tuple[InputColumn, ...] = TWO) -> list[tuple[int, str | int, str]]:
    return [(f.row, f.column, f.code) for f in parse(text, schema)[1]]


def test_every_column_of_a_schema_is_described_once() -> None:
    for name, schema in TABLES.items():
        assert len({c.name for c in schema}) == len(schema), name
        assert all(c.words for c in schema)


def test_lines_count_as_in_an_editor() -> None:
    table, faults = parse('\n\nid,note\n\n1,"a\nb"\n,\n2,c\n\n\n')
    assert table is not None
    assert faults == []
    assert table.lines == [5, 8]
    assert table.get("id") == ["1", "2"]


def test_cells_are_stripped_and_what_is_absent_is_blank() -> None:
    table, _ = parse("id \n  1  \n")
    assert table is not None
    assert table.get("id") == ["1"]
    assert table.get("note") == [""]
    assert "note" not in table.columns


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_the_header_tells_the_separator(separator: str) -> None:
    """Also where other separators stand in the cells."""
    table, faults = parse(f'id{separator}note\n1{separator}"a,b;c"\n')
    assert table is not None
    assert (table.get("note"), faults) == (["a,b;c"], [])


def test_names_of_columns() -> None:
    assert told("id,note,id\n1,a,2\n") == [(1, "id", "TAB203")]
    assert told("Id,note\n1,a\n") == [(1, "Id", "TAB202")]  # no second fault for the id that it stands for
    assert told("note\na\n") == [(1, "", "TAB201")]
    assert told("id,,note\n1,x,a\n") == [(1, 2, "TAB202")]
    assert told("id,note,,\n1,a,,\n2,b\n3,c,\n") == []  # nameless columns at the end, blank: a spreadsheet's


def test_the_nearest_right_name_is_told() -> None:
    (fault,) = parse("id,from,to,face,zenit\n", SIGHTS)[1]
    assert (fault.column, fault.wanted) == ("zenit", 'Is "zenith" meant?')
    (fault,) = parse("setup,role,mark,suport,device\n", SETUPS)[1]
    assert (fault.column, fault.wanted) == ("suport", 'Is "support" meant?')


def test_ragged_rows() -> None:
    assert told("id,note\n1\n2,a\n3,a,b\n4,a,\n") == [(2, "", "TAB207"), (4, "", "TAB207")]
    assert "decimal mark" in parse("id,note\n1,5,3\n")[1][0].wanted


def test_a_header_in_another_separator_is_told() -> None:
    (fault,) = parse("id|from|to|face|circle\n1|a|b|1|0\n", SIGHTS)[1]
    assert fault.code == "TAB201"
    assert "Let the table start with a header: id, from, to" in fault.wanted


@pytest.mark.parametrize("text", ['id,note\n1,a\n2,"never closed\n3,c\n', 'id,note\n1,a\n2,"closed"x\n3,c\n'])
def test_wrong_quotation_marks(text: str) -> None:
    assert told(text) == [(3, "", "TAB228")]


def test_absurd_cells() -> None:
    assert told(f"id,note\n{'x' * 1001},a\n") == [(2, "id", "TAB229")]
    assert told(f"id,note\n1,{'x' * 2000}\n") == []  # a note may be long
    assert told(f"id,note\n1,{'x' * 200_000}\n") == [(2, "", "TAB228")]
    # what is no name is told by those that read it
    assert told("id,note\na\x07b,a\n") == [(2, "id", "TAB229")]
    assert told('id,note\n"a\nb",a\n') == [(2, "id", "TAB229")]


CELL = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=8)


@given(
    st.lists(st.tuples(CELL, CELL), max_size=6),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["\n", "\r\n"]),
)
def test_what_csv_writes_is_read_back(rows: list[tuple[str, str]], separator: str, ending: str) -> None:
    """Against the standard library's writer: the same cells, and a line for each row that has any."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator=ending)
    writer.writerows([("id", "note"), *rows])
    table, faults = parse(out.getvalue())
    kept = [(i, row) for i, row in enumerate(rows) if any(c.strip() for c in row)]
    assert table is not None
    assert [(a, b) for a, b in zip(table.get("id"), table.get("note"), strict=True)] == [
        (a.strip(), b.strip()) for _, (a, b) in kept
    ]
    assert table.lines == [i + 2 for i, _ in kept]
    assert all(f.code == "TAB229" for f in faults)

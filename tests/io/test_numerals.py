"""Columns of numbers as text: every cell as `units` and `plain` write it alone."""

from __future__ import annotations

import csv
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hubtack.io import numerals
from hubtack.io.guard import guarded
from hubtack.io.units import Units
from hubtack.io.writers.sheets import Columns, Heading, Sheet, plain, write_csv

ANY = st.lists(
    st.floats() | st.floats(-1e3, 1e3) | st.integers(-9999, 9999).map(lambda k: k / 8e3), max_size=30
)
UNITS = [Units(length, angle) for length in ("m", "ft", "us-ft") for angle in ("dms", "deg", "gon")]
CLOSE = np.random.default_rng(7).normal(0.0, 3.0, 5000)  # many a cell with the text of another
MIDDLE = (np.arange(-3000, 3001) * 2 + 1) / 2000.0  # between two roundings, as near as a double comes


def read(values):
    return np.array(values, dtype=np.float64)


@given(ANY, st.integers(0, 9))
def test_fixed_is_plain(values, decimals):
    assert numerals.fixed(read(values), decimals) == [plain(v, decimals) for v in values]


@pytest.mark.parametrize(
    "values", [CLOSE, MIDDLE, np.array([]), np.nextafter(MIDDLE, 9e9), np.nextafter(MIDDLE, -9e9)]
)
@pytest.mark.parametrize("decimals", [0, 2, 3])
def test_fixed_of_long_columns(values, decimals):
    assert numerals.fixed(values, decimals) == [plain(v, decimals) for v in values.tolist()]


@given(ANY.map(lambda vs: [v for v in vs if not abs(v) > 1e6]), st.sampled_from(UNITS), st.integers(0, 5))
@settings(max_examples=300)
def test_columns_of_units_are_cells_of_units(values, units, decimals):
    column = read(values)
    assert numerals.lengths(units, column, decimals) == [units.show_length(v, decimals) for v in values]
    assert numerals.angles(units, column, decimals) == [units.show_angle(v, decimals) for v in values]
    assert numerals.azimuths(units, column, decimals) == [units.show_azimuth(v, decimals) for v in values]


@pytest.mark.parametrize("units", UNITS)
def test_long_columns_of_angles(units):
    turns = np.concatenate(
        [np.random.default_rng(3).uniform(-7.0, 7.0, 4000), [0.0, -0.0, math.tau, math.nan, -1e-9]]
    )
    assert numerals.angles(units, turns) == [units.show_angle(v) for v in turns.tolist()]
    assert numerals.azimuths(units, turns) == [units.show_azimuth(v) for v in turns.tolist()]


TEXT = st.text(st.sampled_from("ab1=+-@\t\r\n'\",;＝ é"), max_size=6)


@given(st.lists(st.tuples(TEXT, TEXT, TEXT), max_size=12), st.booleans())
def test_a_file_is_as_the_csv_module_writes_it(tmp_path_factory, rows, by_column):
    """Cells in quotation marks where RFC 4180 wants them, words guarded, numbers not."""
    path = tmp_path_factory.mktemp("csv") / "a.csv"
    heads = (Heading("a,b", number=False), Heading('"n"'), Heading("w", number=False))
    kept = Columns(list(zip(*rows, strict=True)) or [[], [], []]) if by_column else tuple(rows)
    write_csv(Sheet("T", heads, kept), path)
    with path.open(encoding="utf-8", newline="") as stream:
        found = list(csv.reader(stream))
    assert found == [["a,b", '"n"', "w"], *([guarded(a), n, guarded(w)] for a, n, w in rows)]


def test_columns_are_rows():
    rows = Columns([["1", "2", "3"], ["a", "b", "c"]])
    assert (len(rows), rows[1], list(rows[1:])) == (3, ("2", "b"), [("2", "b"), ("3", "c")])
    assert list(rows) == [("1", "a"), ("2", "b"), ("3", "c")]

"""Columns read at once give the doubles that their cells give alone, or leave the column to them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hubtack.io.readers import bulk
from hubtack.io.units import Units, Unreadable

RANDOM = np.random.default_rng(5)
METRES = [f"{v:.4f}" for v in RANDOM.uniform(-90.0, 900.0, 300)] + ["", "7", "-0", "1.", ".5"]
TURNS = [f"{d}-{m:02d}-{s:04.1f}" for d, m, s in zip(
    RANDOM.integers(0, 400, 300), RANDOM.integers(0, 60, 300), RANDOM.uniform(0, 59.9, 300), strict=True
)] + ["", "0-0-0", "7-3-59.", "359-59-59.96"]  # fmt: skip
UNITS = [Units(length, angle) for length in ("m", "ft", "us-ft") for angle in ("dms", "deg", "gon")]


def one_by_one(cells, parse):
    return np.array([parse(c) if c else math.nan for c in cells])


@pytest.mark.parametrize("units", UNITS)
def test_plain_columns(units):
    found = bulk.lengths(METRES, units)
    assert found is not None
    np.testing.assert_array_equal(found, one_by_one(METRES, units.parse_length))
    cells = TURNS if units.angle == "dms" else METRES
    found = bulk.angles(cells, units)
    assert found is not None
    np.testing.assert_array_equal(found, one_by_one(cells, units.parse_angle))


ODD = st.text(st.sampled_from("0123456789.-+ eEnaif_'°m٣\n"), max_size=9)


@given(ODD, st.sampled_from(UNITS))
@settings(max_examples=500)
def test_an_odd_cell_is_read_as_it_is_alone_or_not_at_all(cell, units):
    """A column of plain cells with one that may be anything."""
    for read, parse, plain in (
        (bulk.lengths, units.parse_length, METRES),
        (bulk.angles, units.parse_angle, TURNS if units.angle == "dms" else METRES),
    ):
        found = read([*plain, cell], units)
        if found is None:
            continue
        try:
            alone = parse(cell) if cell else math.nan
        except Unreadable:
            pytest.fail(f"{cell!r} is no cell of numbers, and was read as one")
        assert found[-1] == alone or (math.isnan(alone) and math.isnan(found[-1]))


@pytest.mark.parametrize(
    "cell", ["123-60-00", "123-00-60", "1234-00-00", "12-34", "12-34-567", "1e400", "9" * 400]
)
def test_what_is_no_number_is_left_to_its_cell(cell):
    assert bulk.angles([*TURNS, cell], Units()) is None
    assert bulk.lengths([*METRES, cell], Units()) is None

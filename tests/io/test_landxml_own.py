"""LandXML of our own: the job comes back, every column and every choice of it, and written again it is the same file."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from lxml import etree
from tests.io.delivered import delivered, same_marks
from tests.io.foreign import NAMES, SAMPLES, apart, coordinates
from tests.io.found_xml import told, write, written

from hubtack.adjust import adjust
from hubtack.adjust.ground.network import Network
from hubtack.adjust.ground.table import Table
from hubtack.adjust.results import AdjustedMarks
from hubtack.io.job import Job, read_job
from hubtack.io.units import Units
from hubtack.io.writers import landxml

if TYPE_CHECKING:
    from tests.io.conftest import JobFolder


def equal_tables(a: Job, b: Job) -> None:
    """Every column of every table of two networks, to the last digit that its text can carry."""
    for name in ("marks", "setups", "sights", "reduced", "vectors", "supports", "instruments", "targets"):
        one, two = getattr(a.network, name), getattr(b.network, name)
        assert len(one) == len(two), name
        for column in one.columns():
            x, y = getattr(one, column.name), getattr(two, column.name)
            if x.dtype == object:
                assert list(x) == list(y), (name, column.name)
            else:
                # 1e-12: angles are carried to 1e-7″, lengths to 16 digits
                np.testing.assert_allclose(x, y, rtol=1e-12, atol=1e-12, err_msg=f"{name}.{column.name}")


@pytest.mark.parametrize("name", NAMES)
def test_own_jobs_come_back_equal(name: str, tmp_path: Path) -> None:
    file = written(SAMPLES / name, tmp_path / "out")
    assert apart(coordinates(SAMPLES / name), coordinates(file)) < 1e-6
    job, again = read_job(SAMPLES / name), read_job(file)
    equal_tables(job, again)
    assert again.settings == job.settings
    assert (again.name, again.units) == (job.name, job.units)


@pytest.mark.parametrize(("length", "angle"), [("m", "dms"), ("ft", "gon"), ("us-ft", "deg")])
def test_decisions_groups_rises_and_vectors_come_back(
    length: str, angle: str, job: JobFolder, tmp_path: Path
) -> None:
    """The job with every kind of table, its decisions undone in the tables and applied again; in other units too."""
    if angle != "dms":  # the cells as they are mean other places then, so say their unit
        job.change("job.toml", 'angle = "dms"', f'angle = "{angle}"')
        for name in ("sights.csv", "reduced.csv"):
            text = (job.path / name).read_text()
            job.write(name, _with_signs(text))
    job.change("job.toml", 'length = "m"', f'length = "{length}"')
    read = job.read()
    out = tmp_path / "out"
    out.mkdir()
    (out / "x.xml").write_bytes(_as_xml(read))
    again = read_job(out / "x.xml")
    equal_tables(read, again)
    assert [dataclasses.replace(d, place="") for d in again.decisions] == [
        dataclasses.replace(d, place="") for d in read.decisions
    ]
    assert all(d.place.startswith("x.xml:") for d in again.decisions)
    assert again.settings == read.settings


def _with_signs(text: str) -> str:
    """Bare d-m-s cells with the signs that mean them in any job."""

    return re.sub(r"(?<=,)(\d{1,3})[- ](\d{2})[- ](\d{2}(?:\.\d+)?)(?=,)", r"\1°\2'\3''", text)


def _as_xml(job: Job) -> bytes:
    """The Survey and the marks of a job that can't be adjusted (its readings are made up), by the writer's own parts."""

    from hubtack.io.writers.landxml_elements import NAMESPACE, FileUnits, child, feature
    from hubtack.io.writers.landxml_survey import add_survey

    root = etree.Element(f"{{{NAMESPACE}}}LandXML", nsmap={None: NAMESPACE})
    units = FileUnits(job.units)
    landxml._units(child(root, "Units"), job)
    points = child(root, "CgPoints")
    marks, texts = job.network.marks, job.texts["marks"]
    for i, mark in enumerate(marks.mark):
        row = {"mark": str(mark)} | {
            c: units.length(getattr(marks, c)[i]) for c in ("east", "north", "height")
        }
        feature(points, "mark", (row | {c: texts[c][i] for c in texts}).items())
    add_survey(child(root, "Survey"), job.network, job.settings, job, units)
    return etree.tostring(root)


def test_a_fault_in_an_own_file_names_its_line(tmp_path: Path) -> None:
    file = written(SAMPLES / "by-hand", tmp_path / "out")
    text = file.read_text(encoding="utf-8")
    line = next(i for i, row in enumerate(text.splitlines(), 1) if 'zenithAngle="92.2748' in row)
    file.write_text(text.replace('zenithAngle="92.2748', 'zenithAngle="92.7248'), encoding="utf-8")
    assert told(file) == [(f"network.xml:{line}:zenith", "TAB205")]
    line = next(i for i, row in enumerate(text.splitlines(), 1) if "hubtack support" in row)
    file.write_text(
        text.replace('label="kind" value="tribrach"', 'label="kind" value="tripod"', 1), encoding="utf-8"
    )
    assert told(file)[0] == (f"network.xml:{line}", "JOB105")


def same_job(again: Any, job: Any) -> None:
    """By loop over what tables and settings declare, so that a new column can't be forgotten in the file."""
    for field in dataclasses.fields(Network):
        table, found = getattr(job.network, field.name), getattr(again.network, field.name)
        if not isinstance(table, Table):
            assert found == table
            continue
        if field.name == "together":
            assert [k.constants for k in found] == [k.constants for k in table]
            for mine, yours in zip(found, table, strict=True):
                assert np.array_equal(mine.correlation, yours.correlation)
            continue
        for column in table.columns():
            wanted, values = getattr(table, column.name), getattr(found, column.name)
            where = f"{field.name}.{column.name}"
            if wanted.dtype == np.float64:
                # feet and gon are turned to metres and radians twice: two last places
                assert np.allclose(values, wanted, rtol=5e-16, atol=0.0, equal_nan=True), where
            else:
                assert values.tolist() == wanted.tolist(), where
    assert again.settings == job.settings
    assert [(d.action, d.what, d.value, d.before, d.reason, d.by) for d in again.decisions] == [
        (d.action, d.what, d.value, d.before, d.reason, d.by) for d in job.decisions
    ]
    assert (again.name, again.units) == (job.name, job.units)


@pytest.mark.parametrize("name", ["odd", "braced-traverse", "free-stations", "by-hand"])
def test_the_projects_reader_finds_every_column_and_every_choice(name, tmp_path):
    adjustment, job = delivered(name)
    write(adjustment, job, tmp_path)
    again = read_job(tmp_path / "network.xml")
    same_job(again, job)
    second = adjust(again.network, again.settings)
    same_marks(second.marks, adjustment.marks)


@pytest.mark.parametrize("name", ["braced-traverse", "free-stations", "by-hand"])
def test_written_again_it_is_the_same_file(name, tmp_path):
    adjustment, job = delivered(name)
    write(adjustment, job, tmp_path)
    first = (tmp_path / "network.xml").read_bytes()
    again = read_job(tmp_path / "network.xml")
    write(dataclasses.replace(adjustment, network=again.network, settings=again.settings), again, tmp_path)
    assert (tmp_path / "network.xml").read_bytes() == first


@pytest.mark.parametrize("units", [Units("ft", "gon"), Units("us-ft", "deg"), Units("ft", "dms")])
def test_in_other_units_the_same_coordinates_to_a_nanometre(units, tmp_path):
    adjustment, job = delivered("free-stations", units)
    write(adjustment, job, tmp_path)
    again = read_job(tmp_path / "network.xml")
    second = adjust(again.network, again.settings)
    for name in ("east", "north", "height"):
        found, wanted = getattr(second.marks, name), getattr(adjustment.marks, name)
        assert np.allclose(found, wanted, rtol=0.0, atol=1e-9, equal_nan=True)


def test_a_job_with_every_table_key_and_decision_is_found_again(job, tmp_path):
    """The job of the reading tests: vectors, slant heights, datum, pairs, left-out observations. It need not adjust."""
    job.cell("setups.csv", "T1", "note", 'left of "the" gate; 50 % <shade>')
    original = job.read()
    n = len(original.network.marks)
    nothing = np.full(n, np.nan)
    marks = AdjustedMarks(
        mark=original.network.marks.mark,
        **dict.fromkeys(
            ("east", "north", "height", "sigma_east", "sigma_north", "sigma_height", "semi_major", "semi_minor",
             "ellipse_azimuth"), nothing,
        ),
        covariance=np.full((n, 3, 3), np.nan),
        control=[""] * n,
        unchecked=[False] * n,
        unchecked_by=[()] * n,
    )  # fmt: skip
    result = dataclasses.replace(
        delivered("by-hand")[0], network=original.network, settings=original.settings, marks=marks
    )
    write(result, original, tmp_path)
    again = read_job(tmp_path / "network.xml")
    same_job(again, original)
    for table, columns in original.texts.items():
        for column, cells in columns.items():
            if any(cells):
                assert again.texts[table][column] == cells, (table, column)

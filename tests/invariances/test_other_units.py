"""One day in other units, cell by cell: whatever each figure is written in, the same network and the same result."""

from __future__ import annotations

import csv
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hubtack.adjust import adjust
from hubtack.io.job import read_job
from hubtack.io.readers.columns import TABLES

SAMPLES = Path(__file__).parents[2] / "sample_networks"
LENGTHS = {"m": 1.0, "mm": 1e-3, "cm": 1e-2, "ft": 0.3048, "us-ft": 1200 / 3937, "in": 0.0254}
ANGLES = {"deg": math.pi / 180, "gon": math.pi / 200, "rad": 1.0, "arcmin": math.pi / 10_800}


def in_other_units(source: Path, folder: Path, rng: np.random.Generator) -> None:
    """A copy of a job in metres and d-m-s with every length and angle in a unit of its own, as the cell says."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(source, folder)
    for name, columns in TABLES.items():
        path = folder / f"{name}.csv"
        if not path.exists():
            continue
        with path.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        for column in columns:
            for row in rows:
                cell = row.get(column.name, "")
                if " " in cell:  # it names its unit already
                    continue
                if cell and column.kind == "length":
                    row[column.name] = written(float(cell), LENGTHS, rng)
                elif cell and column.kind == "angle":
                    degrees, minutes, seconds = cell.split("-")
                    value = math.radians(int(degrees) + int(minutes) / 60 + float(seconds) / 3600)
                    row[column.name] = written(value, ANGLES, rng)
        with path.open("w", newline="", encoding="utf-8") as file:
            out = csv.DictWriter(file, rows[0])
            out.writeheader()
            out.writerows(rows)


def written(value: float, units: dict[str, float], rng: np.random.Generator) -> str:
    unit = str(rng.choice(list(units)))
    return f"{value / units[unit]!r} {unit}"


@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.sampled_from(["braced-traverse", "by-hand", "free-stations"]), seed=st.integers(0, 2**31))
def test_every_cell_in_a_unit_of_its_own(name: str, seed: int, tmp_path: Path) -> None:
    in_other_units(SAMPLES / name, tmp_path / "job", np.random.default_rng(seed))
    wanted, found = read_job(SAMPLES / name), read_job(tmp_path / "job")
    for table in ("marks", "setups", "sights", "reduced"):
        a, b = getattr(found.network, table), getattr(wanted.network, table)
        for c in b.columns():
            if c.quantity in ("length", "angle", "number"):  # two roundings each way
                np.testing.assert_allclose(
                    getattr(a, c.name), getattr(b, c.name), rtol=1e-14, atol=1e-15, err_msg=c.name
                )
    one, two = adjust(found.network, found.settings).marks, adjust(wanted.network, wanted.settings).marks
    for c in ("east", "north", "height"):
        assert np.nanmax(np.abs(getattr(one, c) - getattr(two, c))) < 1e-9
    np.testing.assert_allclose(one.covariance, two.covariance, rtol=1e-6, atol=1e-16)


@pytest.mark.parametrize(("length", "angle"), [("ft", "gon"), ("us-ft", "deg")])
def test_the_units_of_the_whole_job(length: str, angle: str, tmp_path: Path) -> None:
    """What job.toml calls the units of bare figures: the figures turned, the result the same to a nanometre."""
    metres, turn = LENGTHS[length], ANGLES[angle]
    source = SAMPLES / "braced-traverse"
    in_other_units(source, tmp_path / "job", np.random.default_rng(1))
    for path in (tmp_path / "job" / f"{name}.csv" for name in ("marks", "setups", "sights")):
        with path.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        for column in TABLES[path.stem]:
            for row in rows:
                cell = row.get(column.name, "")
                if cell and column.kind in ("length", "angle"):
                    number, unit = cell.split(" ")
                    here = LENGTHS if column.kind == "length" else ANGLES
                    row[column.name] = repr(
                        float(number) * here[unit] / (metres if column.kind == "length" else turn)
                    )
        with path.open("w", newline="", encoding="utf-8") as file:
            out = csv.DictWriter(file, rows[0])
            out.writeheader()
            out.writerows(rows)
    text = (tmp_path / "job" / "job.toml").read_text(encoding="utf-8")
    text = text.replace('length = "m"', f'length = "{length}"').replace('angle = "dms"', f'angle = "{angle}"')
    (tmp_path / "job" / "job.toml").write_text(text, encoding="utf-8")
    found, wanted = read_job(tmp_path / "job"), read_job(source)
    assert (found.units.length, found.units.angle) == (length, angle)
    one, two = adjust(found.network, found.settings).marks, adjust(wanted.network, wanted.settings).marks
    for c in ("east", "north", "height"):
        assert np.nanmax(np.abs(getattr(one, c) - getattr(two, c))) < 1e-9

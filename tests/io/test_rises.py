"""Rises whose sigma goes by the length of the levelled line: σ = σ_km·√(L / 1 km)."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from hubtack.io.job import read_job
from hubtack.io.readers import tables
from hubtack.io.units import Unreadable, parse_sigma_per_km

if TYPE_CHECKING:
    from tests.io.conftest import JobFolder

HEADER = "id,kind,from,at,to,value,sigma,length\n"


def _only(job: JobFolder, rows: str) -> JobFolder:
    for name in ("setups.csv", "sights.csv", "vectors.csv"):
        (job.path / name).unlink()
    text = (job.path / "job.toml").read_text()
    job.write("job.toml", text[: text.index("[[decision]]")])
    job.write("reduced.csv", HEADER + rows)
    return job


def test_four_times_the_line_has_twice_the_sigma(job: JobFolder) -> None:
    rows = "1,rise,Q1,,Q2,0.2,0.7 mm/sqrt(km),250\n2,rise,Q1,,Q3,0.2,0.7 mm/√km,1 km\n3,rise,Q2,,Q3,0.2,0.35 mm,\n"
    sigma = _only(job, rows).read().network.reduced.sigma
    assert sigma == pytest.approx([0.35e-3, 0.7e-3, 0.35e-3], rel=1e-12)


def test_the_length_is_in_the_units_of_the_job(job: JobFolder) -> None:
    _only(job, "1,rise,Q1,,Q2,0.2,0.7 mm/sqrt(km),1000\n").change("job.toml", 'length = "m"', 'length = "ft"')
    assert job.read().network.reduced.sigma[0] == pytest.approx(0.7e-3 * math.sqrt(0.3048), rel=1e-12)


@pytest.mark.parametrize(
    ("row", "column", "code"),
    [
        ("1,rise,Q1,,Q2,0.2,0.7 mm/sqrt(km),", "length", "TAB208"),
        ("1,rise,Q1,,Q2,0.2,0.7 mm/sqrt(km),0", "length", "TAB218"),
        ("1,rise,Q1,,Q2,0.2,0.7 mm/sqrt(km),-250", "length", "TAB218"),
        ("1,rise,Q1,,Q2,0.2,0.7 mm/sqrt(km),far", "length", "TAB204"),
        ("1,horizontal,Q1,,Q2,40,0.7 mm/sqrt(km),250", "sigma", "TAB224"),
        ("1,rise,Q1,,Q2,0.2,0.7/sqrt(km),250", "sigma", "TAB224"),
        ("1,rise,Q1,,Q2,0.2,3 arcsec/sqrt(km),250", "sigma", "TAB224"),
        ("1,rise,Q1,,Q2,0.2,0.7 mm/km,250", "sigma", "TAB224"),
    ],
)
def test_what_is_no_rule(row: str, column: str, code: str, job: JobFolder) -> None:
    found = _only(job, row + "\n").faults()
    assert [(f.file, f.row, f.column, f.code) for f in found] == [("reduced.csv", 2, column, code)]


def test_other_texts_are_left_to_others() -> None:
    assert parse_sigma_per_km("1.2 mm") is None
    with pytest.raises(Unreadable):
        parse_sigma_per_km("/sqrt(km)")


def test_a_file_larger_than_a_day_is_not_opened(job: JobFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "LARGEST_FILE", 300)
    monkeypatch.setattr(Path, "read_bytes", _small_only(Path.read_bytes))
    found = {f.file for f in job.faults() if f.code == "RUN419"}
    assert found == {p.name for p in job.path.iterdir() if p.stat().st_size > 300}
    assert found
    monkeypatch.setattr(tables, "LARGEST_FILE", 10**9)
    monkeypatch.undo()
    assert read_job(job.path)


def _small_only(read):  # type: ignore[no-untyped-def]
    def reading(path: Path) -> bytes:
        assert path.stat().st_size <= 300, f"{path.name} was opened"
        return read(path)  # type: ignore[no-any-return]

    return reading

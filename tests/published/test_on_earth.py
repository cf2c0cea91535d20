"""Published GNSS networks as jobs of the earth frame: marks in X, Y, Z, vectors in dx, dy, dz, through the command line.

The folders beside this file hold the same networks as plain coordinates; what their sources print of points, residuals and the
variance factor must come out on the earth as well, to half the last printed digit.
"""

from __future__ import annotations

import csv
import json
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from hubtack.io.cli import cli

HERE = Path(__file__).parent
CASES = ["gnss-ogundare-12-7-triangle", "gnss-exercise-5-vectors", "gnss-uitm-6-vectors"]
JOB = """\
format = 1
[units]
length = "m"
[site]
frame = "earth"
crs = "EPSG:4978"
"""


def half_digit(text: str) -> float:
    """Half a unit of the last digit of a printed figure."""
    return float(0.5 * 10.0 ** -len(text.partition(".")[2])) * (1.0 + 1e-9)


def solved(case: str, folder: Path) -> tuple[dict[str, Any], dict[str, dict[str, str]]]:
    """result.json, and the rows of geodetic.csv by mark."""
    job, out = folder / "job", folder / "out"
    job.mkdir()
    (job / "job.toml").write_text(JOB, encoding="utf-8")
    for name, old, new in (("marks", "east,north,height", "x,y,z"), ("vectors", "de,dn,du", "dx,dy,dz")):
        text = (HERE / case / f"{name}.csv").read_text(encoding="utf-8")
        assert old in text
        (job / f"{name}.csv").write_text(text.replace(old, new, 1), encoding="utf-8")
    done = CliRunner().invoke(
        cli, ["adjust", str(job), "--out", str(out), "--exit-zero"], catch_exceptions=False
    )
    assert done.exit_code == 0, done.output
    with (out / "geodetic.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["mark"]: row for row in csv.DictReader(file)}
    result: dict[str, Any] = json.loads((out / "result.json").read_text(encoding="utf-8"))
    shutil.rmtree(job)
    return result, rows


@pytest.mark.parametrize("case", CASES)
def test_what_is_printed_comes_out_on_the_earth(case: str, tmp_path: Path) -> None:
    printed = tomllib.loads((HERE / case / "published.toml").read_text(encoding="utf-8"))
    wider = {v for w in printed.get("wider", ()) for v in w["values"]}
    given = printed.get("expected") or printed["recomputed"]
    result, rows = solved(case, tmp_path)
    checked = 0
    for mark, figures in given["marks"].items():
        for axis, column in (("east", "X [m]"), ("north", "Y [m]"), ("height", "Z [m]")):
            text = figures[axis]
            # geodetic.csv has tenths of a millimetre
            assert float(rows[mark][column]) == pytest.approx(float(text), abs=max(half_digit(text), 5.1e-5))
            checked += 1
    by_id = {o["id"]: o for o in result["observations"]}
    for name, figures in given["observations"].items():
        row = by_id[name.replace(".de", ".dx").replace(".dn", ".dy").replace(".du", ".dz")]
        for key, text in figures.items():
            assert row[key] == pytest.approx(float(text), abs=half_digit(text)), name
            checked += 1
    factor = given["network"]["variance_factor"]
    if "network.variance_factor" not in wider:
        assert result["global_test"]["variance_factor"] == pytest.approx(
            float(factor), abs=half_digit(factor)
        )
    assert result["degrees_of_freedom"] == int(given["network"]["degrees_of_freedom"])
    assert checked >= 9

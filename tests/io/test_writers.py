"""Files that go out: SI in result.json, the job's units in the tables, nothing lost, nothing added, same
bytes."""

from __future__ import annotations

import csv
import dataclasses
import json
import math
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from hubtack.adjust.results import AdjustedObservations
from hubtack.io.guard import guarded
from hubtack.io.units import Units
from hubtack.io.writers import ONLY_ON_EARTH, WRITERS, coordinates, residuals, setups, write_all
from hubtack.io.writers.result import as_text, result_document
from hubtack.io.writers.sheets import plain

from .made_up import WEIRD, levelling, made_up

NETWORKS = {"with flags": made_up(), "large": made_up(60, flagged=False), "heights only": levelling()}


@pytest.fixture(params=NETWORKS, scope="module")
def network(request):
    return NETWORKS[request.param]


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def column(rows, start):
    """The one column whose heading starts so."""
    (name,) = [k for k in rows[0] if k.startswith(start)]
    return [r[name] for r in rows]


def refuse(constant):
    raise AssertionError(f"{constant} in JSON")


# -- result.json ----------------------------------------------------------------------------------------------------


def test_result_has_the_keys_of_the_contract(network):
    document = json.loads(as_text(result_document(*network)), parse_constant=refuse)
    assert document["format"] == 1
    wanted = {
        "job", "iterations", "degrees_of_freedom", "reference_height", "global_test", "marks", "relative",
        "observations", "setups", "components", "findings", "left_out", "control", "orientations", "constants", "datum",
        "remarks", "decisions", "settings", "version", "files",
    }  # fmt: skip
    assert wanted <= set(document)
    assert set(document["global_test"]) == {"variance_factor", "lower", "upper", "passed"}
    rows = {
        "marks": "mark east north height sigma_east sigma_north sigma_height covariance control ellipse unchecked",
        "relative": "from to distance sigma_distance ellipse",
        "observations": "id kind from to round observed adjusted residual sigma standardized redundancy "
        "minimal_detectable_bias flagged rows",
        "setups": "setup role mark support height_kind sigma_centring sigma_height centring_east centring_north "
        "height_error standardized_centring standardized_height redundancy_height minimal_detectable_height flagged",
    }
    for table, names in rows.items():
        for record in document[table]:
            assert set(names.split()) <= set(record), table
    for record in document["marks"] + document["relative"]:
        assert set(record["ellipse"]) == {"semi_major", "semi_minor", "azimuth", "confidence"}


def test_result_is_exact_and_null_where_undefined(network):
    adjustment, job = network
    document = json.loads(as_text(result_document(adjustment, job)), parse_constant=refuse)
    m, o = adjustment.marks, adjustment.observations
    assert len(document["marks"]) == len(m)
    assert len(document["observations"]) == len(o)
    for i, record in enumerate(document["marks"]):
        for name in ("east", "north", "height", "sigma_east"):
            value = float(getattr(m, name)[i])
            assert record[name] == (value if math.isfinite(value) else None)
        assert record["mark"] == m.mark[i]
        assert np.array_equal(np.array(record["covariance"], dtype=float), m.covariance[i], equal_nan=True)
    for i, record in enumerate(document["observations"]):
        bias = float(o.minimal_detectable_bias[i])
        assert record["minimal_detectable_bias"] == (bias if math.isfinite(bias) else None)
        assert (record["from"], record["to"]) == (o.start[i], o.end[i])
        assert record["rows"] == list(o.rows[i])


def test_result_names_rows_by_name_never_by_number(network):
    document = result_document(*network)
    for table in ("observations", "relative", "orientations"):
        for record in document[table]:
            assert not {"start_mark", "end_mark", "start_setup", "setup_row"} & set(record)


# -- tables -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("units", "metres"), [(Units(), 1.0), (Units("ft", "gon"), 0.3048), (Units("us-ft", "deg"), 1200 / 3937)]
)
def test_coordinates_come_back_as_they_were(tmp_path, units, metres):
    adjustment, job = made_up(units=units)
    coordinates.write(adjustment, job, tmp_path)
    rows, m = read(tmp_path / "coordinates.csv"), adjustment.marks
    for name, values in (("east", m.east), ("north", m.north), ("height [", m.height)):
        cells = column(rows, name)
        decimals = {len(c.partition(".")[2]) for c in cells}
        assert len(decimals) == 1
        half = 0.5000001 * 10.0 ** -decimals.pop()
        assert [float(c) for c in cells] == pytest.approx(values / metres, abs=half)
    sigma = m.sigma_east[m.sigma_east > 0.0].min() / metres
    assert 0.5 * 10.0 ** -len(column(rows, "east")[0].partition(".")[2]) < 0.1 * sigma
    assert [float(c) for c in column(rows, "sigma east")] == pytest.approx(
        1000 * m.sigma_east / metres, abs=0.005001
    )
    assert [float(c) for c in column(rows, "semi-major")] == pytest.approx(
        1000 * m.semi_major / metres, abs=0.005001
    )


def test_headings_state_quantity_dimension_and_factor(tmp_path):
    adjustment, job = made_up()
    coordinates.write(adjustment, job, tmp_path)
    headings = (tmp_path / "coordinates.csv").read_text(encoding="utf-8").splitlines()[0]
    assert "semi-major axis of the ellipse (2D 95 %: 2.4477 sigma) [mm]" in headings
    assert "height (1D 95 %: 1.960 sigma) [mm]" in headings  # 1.960: normal quantile at 0.975
    assert "±" not in headings


def test_residual_of_an_angle_in_its_unit_and_at_its_target(tmp_path):
    adjustment, job = made_up(units=Units("m", "gon"))
    residuals.write(adjustment, job, tmp_path)
    rows, o, m = read(tmp_path / "residuals.csv"), adjustment.observations, adjustment.marks
    milligon, far = column(rows, "residual of an angle [mgon]"), column(rows, "residual at the target [mm]")
    for i in range(len(o)):
        a, b = o.start_mark[i], o.end_mark[i]
        legs = (m.east[b] - m.east[a], m.north[b] - m.north[a], m.height[b] - m.height[a])
        if o.kind[i] == "distance":
            assert milligon[i] == ""
            assert float(far[i]) == pytest.approx(1000 * o.residual[i], abs=0.005001)
        else:
            reach = math.hypot(*legs) if o.kind[i] == "zenith" else math.hypot(*legs[:2])
            assert float(milligon[i]) == pytest.approx(o.residual[i] * 200_000 / math.pi, abs=0.005001)
            assert float(far[i]) == pytest.approx(1000 * o.residual[i] * reach, abs=0.005001)


def test_an_angle_at_a_mark_turns_about_that_mark():
    adjustment, job = levelling(4)
    # Marks in a line: backsight 0, station 1, foresight 2, 100 m and 30 m from the station.
    east = np.array([0.0, 100.0, 130.0, 0.0])
    reduced = adjustment.network.reduced.take([0]).replace(
        id=["w"], kind=["angle"], start=[0], at=[1], end=[2]
    )
    network = dataclasses.replace(adjustment.network, reduced=reduced)
    o = adjustment.observations.take([0]).replace(
        id=["w"], kind=["angle"], quantity=["angle"], start_mark=[0], end_mark=[2], residual=[1e-4]
    )
    adjustment = dataclasses.replace(
        adjustment,
        network=network,
        marks=adjustment.marks.replace(east=east, north=np.zeros(4)),
        observations=o,
    )
    sheet = residuals.sheet(adjustment, job)
    at = [h.words for h in sheet.headings].index("residual at the target")
    assert float(sheet.rows[0][at]) == pytest.approx(3.0)  # 1e-4 rad at 30 m


def test_left_out_rows_stand_at_the_end_without_a_test(tmp_path):
    adjustment, job = made_up()
    residuals.write(adjustment, job, tmp_path)
    rows = read(tmp_path / "residuals.csv")
    assert len(rows) == len(adjustment.observations) + 1
    assert rows[-1]["observation"] == "999.direction"
    assert rows[-1]["verdict"] == "left out"
    assert rows[-1]["standardized residual"] == ""
    assert [r["verdict"] for r in rows].count("flagged") == int(adjustment.observations.flagged.sum())


def test_what_nothing_checks_has_no_smallest_bias(tmp_path):
    adjustment, job = made_up()
    residuals.write(adjustment, job, tmp_path)
    cells = [
        c for r in read(tmp_path / "residuals.csv") for k, c in r.items() if "target" in k and "bias" in k
    ]
    assert cells.count("none") == int(np.isinf(adjustment.observations.minimal_detectable_bias).sum())


def test_what_no_test_reaches_does_not_fit_but_is_unchecked():
    adjustment, job = made_up()
    o, s = adjustment.observations, adjustment.setups
    nothing = np.full(len(s), np.nan)
    adjustment = dataclasses.replace(
        adjustment,
        observations=o.replace(standardized=np.where(np.arange(len(o)) == 0, np.nan, o.standardized)),
        setups=s.replace(
            standardized_height=nothing, standardized_centring=nothing, flagged=[False] * len(s)
        ),
    )
    sheet = residuals.sheet(adjustment, job)
    assert [r[-2] for r in sheet.rows].count("unchecked") == 1
    assert {r[-2] for r in setups.sheet(adjustment, job).rows} == {"unchecked"}


def test_setups_name_their_row(tmp_path):
    adjustment, job = made_up()
    setups.write(adjustment, job, tmp_path)
    rows = read(tmp_path / "setups.csv")
    assert [r["row"] for r in rows] == [f"setups.csv:{n}" for n in job.places["setups"]]
    assert [r["verdict"] for r in rows] == ["fits"] * (len(rows) - 1) + ["height flagged"]


def test_names_cannot_run_as_formulas(tmp_path):
    adjustment, job = made_up()
    coordinates.write(adjustment, job, tmp_path)
    names = column(read(tmp_path / "coordinates.csv"), "mark")
    assert names == ["PIER-1", "PIER-2", "'=SUM(A1:A9)", "<b>bold</b>", "Çay & Söhne", "'-7", *WEIRD[6:]]
    setups.write(adjustment, job, tmp_path)
    for row in read(tmp_path / "setups.csv"):
        float(column([row], "centring error east")[0])  # a negative number stays one


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_guard(start):
    assert guarded(f"{start}1") == f"'{start}1"
    assert guarded(f"a{start}1") == f"a{start}1"


def test_plain_numbers():
    assert plain(-0.001, 2) == "0.00"
    assert plain(-0.006, 2) == "-0.01"
    assert plain(float("nan"), 2) == ""
    assert plain(float("inf"), 2) == "none"


# -- all of it --------------------------------------------------------------------------------------------------------


def test_every_writer_takes_every_network(network, tmp_path):
    adjustment, job = network
    wanted = [
        n for n in WRITERS if n not in ONLY_ON_EARTH | {"heights.png"}
    ]  # what nobody judged has no heights to draw
    assert list(write_all(adjustment, job, tmp_path / "out")) == wanted
    written = sorted(p.name for p in (tmp_path / "out").iterdir())
    assert written == sorted(wanted)
    assert json.loads((tmp_path / "out" / "result.json").read_text())["written"] == wanted
    assert all((tmp_path / "out" / name).stat().st_size for name in written)


def test_a_job_with_nothing_in_it_can_be_written(tmp_path):
    adjustment, job = levelling(2)
    adjustment = dataclasses.replace(adjustment, observations=AdjustedObservations.empty())
    write_all(adjustment, job, tmp_path / "out")


def test_same_input_same_bytes(tmp_path):
    """Two processes with other hash seeds, clocks, time zones and folders."""
    script = (
        "import sys; sys.path.insert(0, sys.argv[1]);"
        "from pathlib import Path; from made_up import made_up; from hubtack.io.writers import write_all;"
        "write_all(*made_up(12), Path(sys.argv[2]))"
    )
    outs = []
    for n, zone in (("1", "UTC"), ("2", "Asia/Tokyo")):
        folder = tmp_path / f"folder-{n}"
        folder.mkdir()
        environment = {**os.environ, "PYTHONHASHSEED": n, "TZ": zone, "PYTHONDONTWRITEBYTECODE": "1"}
        here = str(Path(__file__).parent)
        subprocess.run(
            [sys.executable, "-c", script, here, str(folder / "out")], check=True, env=environment, cwd=folder
        )
        outs.append(folder / "out")
    for name in sorted(p.name for p in outs[0].iterdir()):
        one, other = ((out / name).read_bytes() for out in outs)
        assert one == other, name
        assert str(tmp_path).encode() not in one, f"{name} tells where it was made"

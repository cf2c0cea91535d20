"""Deliverables on request: the list, the command line, missing libraries, same bytes, and the covariance file."""

from __future__ import annotations

import dataclasses
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from hubtack.adjust import adjust
from hubtack.adjust.outcome import joint
from hubtack.io.cli import cli
from hubtack.io.job import read_job
from hubtack.io.writers import ONLY_ON_EARTH, WRITERS, write_all
from hubtack.io.writers.atomic import Refused
from hubtack.io.writers.covariance import write as write_covariance
from hubtack.io.writers.deliverables import DELIVERABLES, FIGURE_FILES, check, chosen, named

from .delivered import SAMPLES, delivered, dense_cofactor, odd_folder, same_marks
from .made_up import levelling, made_up

LOCAL = [d.name for d in DELIVERABLES.values() if not d.needs_crs and not d.needs_browser]
JOBS = ["braced-traverse", "free-stations", "by-hand", "odd"]


def run(*arguments: object):
    return CliRunner().invoke(cli, [str(a) for a in arguments], catch_exceptions=False)


@pytest.mark.parametrize("name", JOBS)
def test_every_deliverable_takes_every_job(name, tmp_path):
    wanted = chosen(LOCAL)
    written = write_all(*delivered(name), tmp_path / "out", wanted)
    there = {p.name for p in (tmp_path / "out").iterdir()}
    may = {"heights.png", *FIGURE_FILES} - {"network.svg"}  # drawn where there is something to show
    assert there == set(written)
    assert there - may == (set(WRITERS) - ONLY_ON_EARTH | {f for d in wanted for f in d.files}) - may
    assert set(json.loads((tmp_path / "out" / "result.json").read_text())["written"]) == there
    assert all(p.stat().st_size for p in (tmp_path / "out").iterdir())


@pytest.mark.parametrize(
    "name",
    ["gnss-uitm-6-vectors", "lev-ogundare-6-1", "hz2d-wuhan-a", "angles-ogundare-6-2-horizon", "data-csdm-nz-free",
     "trilat-ufpr-3-distances", "lev-bme-4-point"],
)  # fmt: skip
def test_jobs_without_setups_of_every_kind(name, tmp_path):
    """Vectors, levels, angles, azimuths, distances; with control and free."""
    job = read_job(Path(__file__).parents[1] / "published" / name)
    adjustment = adjust(job.network, job.settings)
    write_all(adjustment, job, tmp_path / "out", chosen(LOCAL))
    again = read_job(tmp_path / "out" / "network.xml")
    same_marks(adjust(again.network, again.settings).marks, adjustment.marks)


@pytest.mark.parametrize("network", [levelling(), levelling(2), made_up(40)], ids=["heights", "two", "many"])
def test_made_up_networks_too(network, tmp_path):
    """Marks without positions, and a result without its solution, which only the covariance file can't do without."""
    write_all(*network, tmp_path / "out", chosen(set(LOCAL) - {"covariance"}))


def test_what_an_earlier_run_delivered_goes_and_foreign_files_stay(tmp_path):
    adjustment, job = delivered("by-hand")
    write_all(adjustment, job, tmp_path / "out", chosen(["layout"]))
    (tmp_path / "out" / "sketch.txt").write_text("mine")
    write_all(adjustment, job, tmp_path / "out", chosen(["dxf"]))
    there = {p.name for p in (tmp_path / "out").iterdir()}
    assert there == {*WRITERS, "network.dxf", "sketch.txt"} - ONLY_ON_EARTH - {"heights.png"}


def test_same_input_same_bytes(tmp_path):
    """Two processes with other hash seeds, time zones and folders. (The GeoPackage: with one version of its library.)"""
    script = (
        "import sys; from pathlib import Path; from tests.io.delivered import delivered;"
        "from hubtack.io.writers import write_all; from hubtack.io.writers.deliverables import chosen;"
        f"write_all(*delivered('odd'), Path(sys.argv[1]), chosen({LOCAL!r}))"
    )
    root = Path(__file__).parents[2]
    outs = []
    for n, zone in (("1", "UTC"), ("2", "Asia/Tokyo")):
        folder = tmp_path / f"folder-{n}"
        folder.mkdir()
        path = os.pathsep.join([str(root), os.environ.get("PYTHONPATH", "")])
        environment = {**os.environ, "PYTHONHASHSEED": n, "TZ": zone, "PYTHONPATH": path}
        subprocess.run(
            [sys.executable, "-c", script, str(folder / "out")], check=True, env=environment, cwd=folder
        )
        outs.append(folder / "out")
    for name in sorted(
        {f for d in chosen(LOCAL) for f in d.files} - {"heights.svg"}
    ):  # nobody judged its heights
        one, other = ((out / name).read_bytes() for out in outs)
        assert one == other, name
        assert str(tmp_path).encode() not in one, f"{name} tells where it was made"


# -- the command line -------------------------------------------------------------------------------------------------


def test_write_and_job_toml_add_up(tmp_path):
    folder = odd_folder(tmp_path)
    with (folder / "job.toml").open("a") as stream:
        stream.write('\n[deliver]\nwrite = ["layout"]\n')
    result = run("adjust", folder, "--write", "scan-control, dxf")
    assert result.exit_code in (0, 1)
    assert {"layout_marks.csv", "layout_checks.csv", "scan_control.csv", "network.dxf"} <= {
        p.name for p in (folder / "out").iterdir()
    }
    assert "network.dxf" in result.stdout
    assert "results.xlsx" not in result.stdout


def test_a_wrong_name_is_answered_with_the_nearest(tmp_path):
    result = run("adjust", SAMPLES / "by-hand", "--out", tmp_path / "out", "--write", "layout,geopakage")
    assert result.exit_code == 2
    assert 'RUN424 There is no deliverable "geopakage". Is "geopackage" meant?' in result.stderr
    assert not (tmp_path / "out").exists()
    assert named(" layout ,, dxf") == ("layout", "dxf")
    with pytest.raises(Refused, match="Known are workbook"):
        named("zzzz")


@pytest.mark.parametrize("name", [d.name for d in DELIVERABLES.values() if d.libraries])
def test_a_missing_library_is_a_sentence_with_the_command(name, tmp_path, monkeypatch):
    library = DELIVERABLES[name].libraries[-1]
    monkeypatch.setitem(sys.modules, library, None)  # what an import finds where nothing is installed
    result = run("adjust", SAMPLES / "by-hand", "--out", tmp_path / "out", "--write", name)
    assert result.exit_code == 2
    assert f"{library}, which is not installed" in result.stderr
    assert f'pip install "hubtack[{DELIVERABLES[name].extra}]"' in result.stderr
    assert not (tmp_path / "out").exists()


def test_extras_that_messages_name_exist_in_the_project():
    import tomllib

    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]
    for d in DELIVERABLES.values():
        if d.extra:
            installed = {
                text.split(">")[0].replace("-", "_") for text in project["optional-dependencies"][d.extra]
            }
            assert set(d.libraries) <= {name.lower() for name in installed}, d.name


def test_geojson_without_a_crs_is_refused(tmp_path):
    result = run("adjust", SAMPLES / "by-hand", "--out", tmp_path / "out", "--write", "geojson")
    assert result.exit_code == 2
    assert "needs a coordinate reference system, and the job states none" in result.stderr
    with pytest.raises(Refused):
        check(chosen(["geojson"]), delivered("by-hand")[1])


def test_json_alone_writes_no_deliverable():
    result = run("adjust", SAMPLES / "by-hand", "--json", "--write", "dxf")
    assert result.exit_code == 2
    assert "--out" in result.stderr


# -- covariance -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", JOBS)
def test_covariance_file_against_dense_algebra(name, tmp_path):
    adjustment, job = delivered(name)
    write_covariance(adjustment, job, tmp_path)
    with np.load(tmp_path / "covariance.npz") as file:  # allow_pickle is off
        data = dict(file)
    m, Q, columns = adjustment.marks, dense_cofactor(adjustment), adjustment.solved.unknowns.marks
    assert data["marks"].tolist() == m.mark.tolist()
    axes = [["east", "north", "height"].index(c) for c in data["component"].tolist()]
    places = columns[data["mark"], axes]
    assert len(places) == sum(np.isfinite(getattr(m, c)).sum() for c in ("east", "north", "height"))
    wanted = np.where((places >= 0)[:, None] & (places >= 0), Q[places][:, places], 0.0)
    scale = np.sqrt(np.outer(np.diag(wanted), np.diag(wanted))) + 1e-12
    # two inversions of one matrix, condition below 1e9
    assert np.max(np.abs(data["covariance"] - wanted) / scale) < 1e-6
    given = np.column_stack([m.east, m.north, m.height])[data["mark"], axes]
    assert np.array_equal(data["value"], given)


@pytest.mark.parametrize("name", JOBS)
def test_covariance_of_targets_against_dense_algebra(name, tmp_path):
    """Centres as rows of a matrix that adds each mark and its effect, times the dense inverse."""
    adjustment, job = delivered(name)
    write_covariance(adjustment, job, tmp_path)
    with np.load(tmp_path / "covariance.npz") as file:
        data = dict(file)
    u, setups, Q = adjustment.solved.unknowns, adjustment.network.setups, dense_cofactor(adjustment)
    rows = {str(n): i for i, n in enumerate(setups.setup)}
    axes = [["east", "north", "height"].index(c) for c in data["target_component"].tolist()]
    pick = np.zeros((len(axes), len(Q)))
    own = np.zeros(len(axes))
    for k, (target, axis) in enumerate(zip(data["target"], axes, strict=True)):
        i = rows[data["targets"][target]]
        for place in (u.marks[setups.mark[i], axis], u.effects[i, axis]):
            if place >= 0:
                pick[k, place] = 1.0
        if u.effects[i, axis] < 0:
            own[k] = (u.centring_sigma[i], u.centring_sigma[i], u.height_sigma[i])[axis] ** 2
    wanted = pick @ Q @ pick.T + np.diag(own)
    assert data["target_covariance"] == pytest.approx(wanted, rel=1e-6, abs=1e-15)
    columns = u.marks[
        data["mark"], [["east", "north", "height"].index(c) for c in data["component"].tolist()]
    ]
    of_marks = np.where((columns >= 0)[:, None], (Q @ pick.T)[columns], 0.0)
    assert data["cross_covariance"] == pytest.approx(of_marks, rel=1e-6, abs=1e-15)
    # one matrix: no combination of marks and centres has a negative variance
    whole = np.block(
        [
            [data["covariance"], data["cross_covariance"]],
            [data["cross_covariance"].T, data["target_covariance"]],
        ]
    )
    assert np.linalg.eigvalsh(whole).min() > -1e-15


def test_covariance_of_a_free_network_agrees_with_its_blocks():
    """Without control the inverse is bordered: whole columns against the blocks that the tables hold."""
    job = read_job(SAMPLES / "braced-traverse")
    free = dict.fromkeys(("sigma_east", "sigma_north", "sigma_height"), np.full(12, np.inf))
    network = dataclasses.replace(job.network, marks=job.network.marks.replace(**free))
    adjustment = adjust(network, job.settings)
    assert adjustment.datum
    found = joint.mark_covariance(adjustment)
    for i in range(12):
        at = np.flatnonzero(found.mark == i)
        assert found.covariance[np.ix_(at, at)] == pytest.approx(adjustment.marks.covariance[i], abs=1e-15)
    # Inner constraints over all marks: their mean does not move.
    for axis in range(2):
        at = np.flatnonzero(found.axis == axis)
        assert np.abs(found.covariance[at].sum(axis=0)).max() < 1e-12


def test_a_covariance_too_large_is_refused_and_nothing_changes(tmp_path, monkeypatch):
    adjustment, job = delivered("by-hand")
    write_all(adjustment, job, tmp_path / "out")
    before = {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()}
    monkeypatch.setattr(joint, "MOST", 5)
    with pytest.raises(Refused, match="10 mark components is too large") as caught:
        write_all(adjustment, job, tmp_path / "out", chosen(["covariance", "layout"]))
    assert caught.value.code == "RUN423"
    assert {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()} == before


def test_a_result_that_was_pickled_has_no_solution(tmp_path):
    import pickle

    adjustment, job = delivered("by-hand")
    copy = pickle.loads(pickle.dumps(adjustment))
    assert copy.solved is None
    assert np.array_equal(copy.marks.east, adjustment.marks.east, equal_nan=True)
    with pytest.raises(Refused, match="full covariance"):
        write_covariance(copy, job, tmp_path)

"""`hubtack register`: on the sample, on spoilt lists, in words, JSON, a table and a picture."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from scipy.spatial.transform import Rotation

from hubtack.io.cli import cli

HALL = Path(__file__).parents[2] / "sample_networks" / "free-stations"
Rows = list[dict[str, str]]


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["register", *map(str, arguments)], catch_exceptions=False)


def document(*arguments: object) -> dict[str, Any]:
    result = run(*arguments, "--json")
    assert result.exit_code in (0, 1), result.output
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def spoilt(folder: Path, change: Callable[[Rows], Rows | None]) -> Path:
    """scanner.csv of the sample, changed."""
    with (HALL / "scanner.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    rows = change(rows) or rows
    path = folder / "scan.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_the_sample_fits_and_its_check_agrees() -> None:
    result = run(HALL)
    assert result.exit_code == 0
    assert "FITS: the scan agrees with its 11 targets." in result.stdout
    assert "T-W06" in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 88


def test_the_invented_pose_of_the_scanner_comes_out() -> None:
    """The sample's scan was made with this pose; 3D at 99.9 %: χ²₃ 16.27 for place and turn alike."""
    fit = document(HALL)["fit"]
    covariance = np.array(fit["covariance"])
    off = np.array(fit["shift"]) - [1270.2, 3605.9, 31.9]
    assert off @ np.linalg.solve(covariance[:3, :3], off) < 16.27
    true = Rotation.from_euler("ZXY", (137.0, 0.31, -0.22), degrees=True)
    turn = (Rotation.from_matrix(fit["rotation"]) * true.inv()).as_rotvec()
    assert turn @ np.linalg.solve(covariance[3:, 3:], turn) < 16.27


def test_prediction_needs_no_scan() -> None:
    d = document(HALL, "--predict")
    assert d["fit"] is None
    assert len(d["targets"]) == 18
    predicted = {e["point"]: e["spatial"] for e in d["errors"]}
    assert predicted["middle"] < min(v for k, v in predicted.items() if k != "middle")
    few = document(HALL, "--predict", "--targets", "W01,W05,T-F1b,checkerboard", "--without", "W08,W07,W06")
    assert {t["mark"] for t in few["targets"]} == {"W01", "W02", "W03", "W04", "W05", "F1"}
    assert few["errors"][1]["spatial"] > d["errors"][1]["spatial"]


def test_tolerance_decides_the_exit_code() -> None:
    assert run(HALL, "--tolerance", "3 mm").exit_code == 1
    assert run(HALL, "--tolerance", "5 mm").exit_code == 0


def test_box_points_and_candidates(tmp_path: Path) -> None:
    points = tmp_path / "points.csv"
    points.write_text("point,east,north,height\nW08,,,\ngate,1240,3590,30\n", encoding="utf-8")
    d = document(HALL, "--points", points, "--box", "1240,3590,30,1260,3610,34", "--candidates", "F1,F4")
    named = {e["point"]: e for e in d["errors"]}
    assert named["gate"]["east"] == 1240.0
    assert named["W08"]["outside"] < 0.01
    assert named["corner low south-west"]["spatial"] == pytest.approx(named["gate"]["spatial"])
    assert {m["mark"] for m in d["more"]} == {"F1", "F4"}
    assert run(HALL, "--box", "1,2,3").exit_code == 2
    assert "TAB210" in run(HALL, "--candidates", "F11").stderr
    points.write_text("point,east,north,height\nthere,1,,\n", encoding="utf-8")
    faulty = run(HALL, "--points", points)
    assert faulty.exit_code == 2
    assert faulty.stderr.count("TAB208 ") == 2


def test_transformation_as_a_table(tmp_path: Path) -> None:
    """Read back: it carries the scanner's targets onto the site's, and its covariance is that of the JSON."""
    path = tmp_path / "t.csv"
    assert run(HALL, "--parameters", path).exit_code == 0
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))[1:]
    value = {r[0]: float(r[1]) for r in rows}
    R = np.array([[value[f"R {i}{j}"] for j in (1, 2, 3)] for i in (1, 2, 3)])
    q = [value[f"quaternion {c}"] for c in "xyzw"]
    assert Rotation.from_quat(q).as_matrix() == pytest.approx(R, abs=1e-12)
    shift = np.array([value[f"shift {a}"] for a in ("east", "north", "height")])
    d = document(HALL)
    with (HALL / "scanner.csv").open(encoding="utf-8", newline="") as file:
        seen = {r["target"]: np.array([float(r[c]) for c in "xyz"]) for r in csv.DictReader(file)}
    for t in d["targets"]:
        assert np.array(t["centre"]) - shift - R @ seen[t["target"]] == pytest.approx(t["residual"], abs=1e-9)
    covariance = np.array([[float(c) for c in r[4:]] for r in rows[:6]])
    assert covariance == pytest.approx(np.array(d["fit"]["covariance"]), rel=1e-12)
    assert run(HALL, "--predict", "--parameters", path).exit_code == 2
    assert "RUN421" in run(HALL, "--parameters", tmp_path / "nowhere" / "t.csv").stderr


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_picture(tmp_path: Path, kind: str) -> None:
    first, second = tmp_path / f"a.{kind}", tmp_path / f"b.{kind}"
    assert run(HALL, "--picture", first).exit_code == 0
    assert len(first.read_bytes()) > 5000
    if kind == "svg":
        run(HALL, "--picture", second)
        assert first.read_bytes() == second.read_bytes()
        assert "RUN425" in run(HALL, "--picture", tmp_path / "a.doc").stderr


def test_a_wrong_target_is_named_and_told_how_to_go_on(tmp_path: Path) -> None:
    def off(rows: Rows) -> None:
        rows[3]["x"] = f"{float(rows[3]['x']) + 0.03:.4f}"

    path = spoilt(tmp_path, off)
    result = run(HALL, "--scanner", path)
    assert result.exit_code == 1
    assert "T-W04 is 30.5 mm off" in result.stdout
    assert "--without T-W04." in result.stdout
    again = run(HALL, "--scanner", path, "--without", "T-W04")
    assert "DOES NOT FIT" in again.stdout  # T-W04 is a check now, and does not agree
    assert "Global test passes" in again.stdout


def test_the_mark_instead_of_the_target_is_recognised(tmp_path: Path) -> None:
    def lower(rows: Rows) -> None:
        rows[9]["z"] = f"{float(rows[9]['z']) - 0.0524:.4f}"

    told = " ".join(run(HALL, "--scanner", spoilt(tmp_path, lower)).stdout.split())
    assert "saw T-B2b where its mark is: the height of the target was left out" in told


def test_height_of_the_scanners_own_target(tmp_path: Path) -> None:
    """A sphere 30 mm higher than the prism on the same bolt, said in the list: the fit is as before."""

    def higher(rows: Rows) -> Rows:
        for r in rows:
            r["height"] = "0.0824" if r["target"].startswith("T-B") else ""
        return rows

    before = document(HALL)
    job = tmp_path / "job"
    shutil.copytree(HALL, job)
    wrong = document(job, "--scanner", spoilt(tmp_path, higher))
    assert not wrong["good"]
    assert {c["cause"] for c in wrong["causes"]} == {"height of kind"}
    assert before["good"]


def test_every_fault_of_the_list_at_once(tmp_path: Path) -> None:
    def bad(rows: Rows) -> None:
        rows[0]["target"], rows[1]["target"] = "F1", "T-W99"
        rows[2]["use"], rows[3]["x"] = "chek", "1,5"
        rows[4]["target"], rows[6]["target"] = "I01", "T-W06"
        rows[7]["z"] = ""

    result = run(HALL, "--scanner", spoilt(tmp_path, bad))
    assert result.exit_code == 2
    told = [line.split(" ")[1] for line in result.stderr.splitlines() if line.startswith("scan.csv")]
    assert sorted(told) == ["TAB204", "TAB208", "TAB209", "TAB211", "TAB214", "TAB221", "TAB245"]
    assert "T-F1, T-F1b" in result.stderr


def test_what_can_not_be_laid_is_refused(tmp_path: Path) -> None:
    def few(rows: Rows) -> Rows:
        return rows[:2]

    def mirrored(rows: Rows) -> None:
        for r in rows:
            r["x"], r["y"] = r["y"], r["x"]

    assert "NET313" in run(HALL, "--scanner", spoilt(tmp_path, few)).stderr
    assert "NET317" in run(HALL, "--scanner", spoilt(tmp_path, mirrored)).stderr
    assert "RUN412" in run(HALL, "--scanner", tmp_path / "none.csv").stderr
    assert "TAB211" in run(HALL, "--targets", "W99").stderr


def test_a_sigma_that_nobody_stated_is_told(tmp_path: Path) -> None:
    job = tmp_path / "job"
    shutil.copytree(HALL, job)
    text = (job / "job.toml").read_text(encoding="utf-8")
    kept = [line for line in text.splitlines() if not line.startswith("scanner_sigma")]
    (job / "job.toml").write_text("\n".join(kept), encoding="utf-8")
    assert "2 mm per axis is taken" in " ".join(run(job).stdout.split())
    assert "2 mm per axis is taken" not in " ".join(run(job, "--sigma", "1 mm").stdout.split())


def test_feet_are_spoken_where_the_job_speaks_feet(tmp_path: Path) -> None:
    """The same scan in feet, cell by cell with its unit: the same transformation."""
    job = tmp_path / "job"
    shutil.copytree(HALL, job)

    def feet(rows: Rows) -> None:
        for r in rows:
            for c in "xyz":
                r[c] = f"{float(r[c]) / 0.3048!r} ft"

    path = spoilt(tmp_path, feet)
    assert document(job, "--scanner", path)["fit"]["shift"] == pytest.approx(
        document(HALL)["fit"]["shift"], abs=1e-6
    )

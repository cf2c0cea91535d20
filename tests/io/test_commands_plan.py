"""hubtack plan: verdicts, exit codes, the document, sketches, pictures, faults."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests.io.planned import JOB, MARKS, planned, run

from hubtack.adjust.plan import plan as plan_network
from hubtack.io.catalogue import catalogue, choices_for
from hubtack.io.job import read_job


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return planned(tmp_path / "lock")


def document(*arguments: object) -> dict:  # type: ignore[type-arg]
    return json.loads(run("plan", *arguments, "--json").stdout)


def test_a_plan_in_words(job: Path) -> None:
    result = run("plan", job)
    assert result.exit_code == 0
    assert result.stderr == ""
    for words in (
        "PREDICTED, and every mark is checked",
        "Worst position: S3",
        "Where the error of S3",
        "What one change",
        "No reading was used",
    ):
        assert words in " ".join(result.stdout.split())
    assert max(len(line) for line in result.stdout.splitlines() if "Smallest" not in line) <= 80
    assert [p.name for p in job.iterdir() if p.is_dir()] == []


def test_the_document_has_the_shape_of_a_result(job: Path) -> None:
    d = document(job)
    for key in ("format", "job", "marks", "relative", "observations", "setups", "components", "findings"):
        assert key in d
    assert d["global_test"]["variance_factor"] is None
    assert {o["residual"] for o in d["observations"]} == {None}
    assert {s["height_error"] for s in d["setups"]} == {None}
    read = read_job(job)
    a = plan_network(read.network, read.settings)
    s3 = next(m for m in d["marks"] if m["mark"] == "S3")
    assert s3["ellipse"]["semi_major"] == pytest.approx(a.marks.semi_major[4])
    parts = [q["covariance"] for q in d["plan"]["budget"]["sources"]]
    assert sum(q[0][0] for q in parts) == pytest.approx(s3["covariance"][0][0], rel=1e-9)
    assert d["plan"]["meets"] is None


@pytest.mark.parametrize(("option", "value", "code", "word"), [
    ("--position", "1 mm", 1, "MISSES the tolerance"), ("--position", "9 mm", 0, "MEETS the tolerance"),
    ("--height", "0.1 mm", 1, "in height"), ("--relative", "0.1 mm + 1 ppm", 1, "pairs"), ("--relative", "9 mm", 0, "MEETS"),
])  # fmt: skip
def test_tolerances(job: Path, option: str, value: str, code: int, word: str) -> None:
    result = run("plan", job, option, value, "--no-changes")
    assert result.exit_code == code
    assert word in result.stdout


def test_tolerance_and_times_of_the_job(tmp_path: Path) -> None:
    toml = JOB + '[tolerance]\nposition = "1 mm"\n[times]\npointing = 2.0\n'
    d = document(planned(tmp_path / "lock", toml=toml))
    assert d["plan"]["tolerance"]["position"] == 0.001
    assert d["plan"]["meets"] is False
    rounds = next(c for c in d["plan"]["changes"] if c["kind"] == "rounds")
    assert rounds["minutes"] == 36  # nine sights on both faces, 2 minutes each
    bad = run("plan", planned(tmp_path / "bad", toml=JOB + "[tolerance]\nposition = 3\npositon = 1\n"))
    assert bad.exit_code == 2
    assert "positon" in bad.stderr
    assert "has no unit" in bad.stderr


def test_a_tolerance_without_unit_is_refused(job: Path) -> None:
    result = run("plan", job, "--position", "5")
    assert result.exit_code == 2
    assert 'such as "5 m" or "5 mm"' in result.stderr


def test_marks_without_places_are_named(tmp_path: Path) -> None:
    job = planned(tmp_path / "lock", MARKS.replace("S2,70,80,5", "S2,,,"))
    result = run("plan", job)
    assert result.exit_code == 2
    assert result.stderr.startswith("marks.csv:5:mark: NET310")
    sketch = tmp_path / "sketch.csv"
    sketch.write_text("mark,east,north\nS2,70,80\n")
    assert run("plan", job, "--sketch", sketch, "--no-changes").exit_code == 0
    geometry = {"type": "Point", "coordinates": [70, 80, 5]}
    points = {"features": [{"properties": {"mark": "S2"}, "geometry": geometry}]}
    shapes = tmp_path / "sketch.geojson"
    shapes.write_text(json.dumps(points))
    whole = document(planned(tmp_path / "whole"), "--no-changes")
    by_shapes = document(job, "--sketch", shapes, "--no-changes")
    assert by_shapes["marks"] == whole["marks"]


@pytest.mark.parametrize(("text", "words"), [
    ("mark,east\nS2,70\n", "no column north"), ("mark,east,north\nS9,1,2\n", 'no mark "S9"'),
    ("mark,east,north\nS2,a,2\n", "not a length"),
    ("{", "not GeoJSON"),
    ('{"features":[{"properties":{"mark":"S2"},"geometry":{"type":"Point","coordinates":[8.1,47.2]}},'
     '{"properties":{"mark":"S1"},"geometry":{"type":"Point","coordinates":[8.2,47.3]}}]}', "longitudes"),
])  # fmt: skip
def test_sketches_at_fault(job: Path, tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "sketch"
    file.write_text(text)
    result = run("plan", job, "--sketch", file)
    assert result.exit_code == 2
    assert words in result.stderr
    assert run("plan", job, "--sketch", tmp_path / "none.csv").exit_code == 2


def test_supports_are_compared_and_drawn(job: Path, tmp_path: Path) -> None:
    picture = tmp_path / "budget.svg"
    result = run("plan", job, "--compare", "--picture", picture, "--no-changes")
    assert result.exit_code == 0
    lines = result.stdout[result.stdout.index("on other supports") :].splitlines()
    position = {
        tuple(line.split()[:2]): float(line.split()[2])
        for line in lines[2:]
        if len(line.split()) > 5 and line.split()[1] == "targets"
    }
    assert position["pole-40", "targets"] > position["pole-8", "targets"] > position["stand", "targets"]
    first = picture.read_bytes()
    assert b"centring of target" in first
    run("plan", job, "--compare", "--picture", picture, "--no-changes")
    assert picture.read_bytes() == first
    assert run("plan", job, "--picture", tmp_path / "budget.bmp").exit_code == 2
    assert run("plan", job, "--picture", tmp_path / "no" / "budget.png").exit_code == 2


def test_the_catalogue_is_whole(job: Path) -> None:
    found = catalogue()
    assert {c.name for c in found.choices} == set(found.sources)
    assert all("no source" in s or "from memory" in s for s in found.sources.values())
    assert {str(c.support.kind[0]) for c in found.choices} == {
        "stand",
        "pole",
        "tribrach",
        "bolt",
        "adhesive",
    }
    names = [c.name for c in choices_for(read_job(job))]
    assert names[:2] == ["tripod", "pole"]


def test_a_job_with_readings_is_planned_without_coordinates() -> None:
    folder = Path(__file__).resolve().parents[2] / "sample_networks" / "braced-traverse"
    d = document(folder, "--no-changes")
    assert any(r["code"] == "REM511" for r in d["remarks"])
    assert {o["observed"] for o in d["observations"]} == {None}

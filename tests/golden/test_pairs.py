"""Samples of two jobs: what their READMEs say of them is so."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.golden.bless import PLANNED, SAMPLES
from tests.golden.make_samples import PLANNED as PLANS
from tests.golden.make_samples import plan_only
from tests.io.planned import run

from hubtack.adjust import adjust
from hubtack.adjust.plan import plan
from hubtack.io.job import read_job

SIDING, WALL = SAMPLES / "siding", SAMPLES / "kiln-wall"


def words(*arguments: object) -> str:
    return " ".join(run(*arguments).stdout.split())


def test_plans_are_made_by_the_generator(tmp_path: Path) -> None:
    assert set(PLANS) == PLANNED
    for name in PLANS:
        shutil.copy(SAMPLES / name / "job.toml", tmp_path)
        plan_only(name, tmp_path)
        for table in sorted(tmp_path.glob("*.csv")):
            committed = (SAMPLES / name / table.name).read_text(encoding="utf-8")
            assert table.read_text(encoding="utf-8") == committed, table.name


def test_the_plan_misses_and_says_what_would_help() -> None:
    result = run("plan", SIDING / "plan", "--json")
    assert result.exit_code == 1
    said = words("plan", SIDING / "plan")
    readme = " ".join((SIDING / "README.md").read_text(encoding="utf-8").split())
    assert "Worst position: R5, semi-major axis 34.3 mm" in said
    assert "R5: a mistake in" in said
    assert "only good to 34 mm" in readme
    changes = {c["about"][-1] + c["kind"]: c for c in json.loads(result.stdout)["plan"]["changes"]}
    assert 1e3 * changes["low-standsupport"]["position"] == pytest.approx(9.4, abs=0.1)  # "down to 9 mm"
    assert changes["low-standsupport"]["minutes"] == 0.0
    assert 1e3 * changes["G5sight"]["position"] == pytest.approx(14.1, abs=0.1)
    assert changes["R5sight"]["unchecked"] == 0
    assert not any(c["meets"] for c in changes.values())


def test_the_day_meets_the_tolerance_and_is_what_its_plan_says() -> None:
    assert run("plan", SIDING / "day").exit_code == 0
    job = read_job(SIDING / "day")
    day = adjust(job.network, job.settings)
    assert not day.flagged
    # the same geometry: planned at the coordinates that the day found, without its readings
    nothing = {c: np.full(len(job.network.sights), np.nan) for c in ("circle", "zenith", "slope")}
    found = {a: getattr(day.marks, a) for a in ("east", "north", "height")}
    blank = replace(
        job.network, sights=job.network.sights.replace(**nothing), marks=job.network.marks.replace(**found)
    )
    before = plan(blank, replace(job.settings, reference_height=day.reference_height))
    # distances as measured and as computed differ by millimetres, their sigmas by 1e-8 m
    assert before.marks.semi_major == pytest.approx(day.marks.semi_major, rel=1e-5, abs=1e-12)
    assert before.marks.sigma_height == pytest.approx(day.marks.sigma_height, rel=1e-5, abs=1e-12)
    assert before.marks.unchecked.tolist() == day.marks.unchecked.tolist() == [False] * len(day.marks)


def test_what_moved_is_named_with_its_movement() -> None:
    result = run("compare", WALL / "epoch-1", WALL / "epoch-2", "--json")
    assert result.exit_code == 1
    said = json.loads(result.stdout)
    (moved,) = said["moved"]
    assert moved["mark"] == "W3"
    truth = np.array([0.0011, -0.0052, -0.0018])
    sigma = np.sqrt(np.diagonal(moved["covariance"]))
    assert np.all(np.abs(np.array([moved[a] for a in ("east", "north", "height")]) - truth) < 3.0 * sigma)
    assert said["datum"]["marks"] == ["R1", "R2", "R3", "R4"]


def test_the_verdict_does_not_hang_on_the_datum() -> None:
    one, two = (
        json.loads(run("compare", WALL / "epoch-1", WALL / "epoch-2", *more, "--json").stdout)
        for more in ((), ("--datum", "W1,W2,W4,W5"))
    )
    assert one["test"]["statistic"] == pytest.approx(
        two["test"]["statistic"], rel=1e-3
    )  # start values differ, and with them the curvature
    assert [m["mark"] for m in two["moved"]] == ["W3"]


def test_the_other_marks_alone_are_congruent(tmp_path: Path) -> None:
    """Without W3's bolt in the second epoch nothing is said to have moved."""
    shutil.copytree(WALL / "epoch-2", tmp_path / "late")
    path = tmp_path / "late" / "job.toml"
    out = "".join(
        f'\n[[decision]]\nleave_out = "setup {s}"\nreason = "not compared"\n' for s in ("T-W3", "T-W3b")
    )
    path.write_text(path.read_text(encoding="utf-8") + out, encoding="utf-8")
    assert "CONGRUENT" in words("compare", WALL / "epoch-1", tmp_path / "late")


def test_a_folder_of_two_jobs_names_them() -> None:
    result = run("adjust", WALL)
    assert result.exit_code == 2
    assert "Jobs in it: epoch-1, epoch-2" in result.stderr
    assert "can be planned" in run("adjust", SIDING / "plan").stderr

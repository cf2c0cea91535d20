"""What notebooks use: tables as data frames in the job's units, pictures, the same job with something else."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from tests.io.planned import planned, run

from hubtack.io.faults import Faults
from hubtack.io.job import read_job
from hubtack.io.notebook import Picture, compare, open_job, open_plan
from hubtack.io.writers.atomic import Refused

SAMPLES = Path(__file__).resolve().parents[2] / "sample_networks"
WALL = SAMPLES / "kiln-wall"


def test_tables_are_those_of_the_adjustment() -> None:
    day = open_job(SAMPLES / "by-hand")
    m = day.adjustment.marks
    assert day.marks.index.tolist() == m.mark.tolist()
    assert day.marks["east [m]"].to_numpy() == pytest.approx(m.east, abs=6e-6, nan_ok=True)
    assert day.marks["sigma height [mm]"].to_numpy() == pytest.approx(
        1e3 * m.sigma_height, abs=6e-3, nan_ok=True
    )
    o = day.adjustment.observations
    assert day.readings.index[: len(o)].tolist() == o.id.tolist()
    assert day.setups.index.tolist() == day.adjustment.network.setups.setup.tolist()
    assert repr(day).startswith(day.job.name)
    assert "PASSES" in repr(day)


def test_the_textbook_rule_and_another_height_leave_the_job_alone() -> None:
    day = open_job(SAMPLES / "taped-height")
    before = day.job.network.setups.height.copy()
    tried = day.with_height("T07", 0.1863)
    assert day.adjustment.flagged
    assert not tried.adjustment.flagged
    assert day.job.network.setups.height.tolist() == before.tolist()
    assert day.independent().job.settings.correlation == "independent"
    assert day.job.settings.correlation == "shared"
    assert any("T07" in f for f in day.findings)
    with pytest.raises(ValueError, match="T99"):
        day.with_height("T99", 1.0)


def test_faults_are_raised_as_faults(tmp_path: Path) -> None:
    with pytest.raises(Faults, match="RUN401"):
        open_job(tmp_path / "nowhere")


def test_deliver_writes_the_whole_and_refuses_the_job_itself(tmp_path: Path) -> None:
    day = open_job(SAMPLES / "by-hand")
    files = day.deliver(tmp_path / "out", write="layout")
    assert {"report.html", "layout_marks.csv"} <= set(files)
    assert json.loads((tmp_path / "out" / "result.json").read_text(encoding="utf-8"))["job"] == day.job.name
    with pytest.raises(Refused):
        day.deliver(day.job.folder)


def test_a_plan_says_what_the_command_says(tmp_path: Path) -> None:
    folder = planned(tmp_path / "lock")
    plan = open_plan(folder)
    said = json.loads(run("plan", folder, "--json").stdout)
    ours = [c["minutes"] for c in said["plan"]["changes"]]
    assert plan.changes["minutes"].tolist() == [round(m) for m in ours]
    sigma = [m["sigma_height"] for m in said["marks"]]
    assert plan.marks["sigma height [mm]"].to_numpy() == pytest.approx(1e3 * np.array(sigma, float), abs=6e-3)
    assert "What one change would give" not in repr(plan)  # none was tried
    assert plan.supports["support"].iloc[0] == "as planned"
    assert plan.budget().png.startswith(b"\x89PNG")
    assert plan.map().svg.startswith("<?xml")


def test_epochs_and_their_picture(tmp_path: Path) -> None:
    both = compare(open_job(WALL / "epoch-1"), open_job(WALL / "epoch-2"))
    assert both.marks[both.marks["moved"]].index.tolist() == ["W3"]
    assert both.marks.loc["W3", "north [mm]"] == pytest.approx(
        1e3 * both.comparison.difference[list(both.comparison.marks).index("W3"), 1], abs=6e-3
    )
    assert both.comparison.datum_marks == ("R1", "R2", "R3", "R4")
    both.map().save(tmp_path / "wall.png")
    epochs = ("compare", WALL / "epoch-1", WALL / "epoch-2", "--picture")
    assert run(*epochs, tmp_path / "b.svg").exit_code == 1
    drawing = (tmp_path / "b.svg").read_text(encoding="utf-8")
    assert all(name in drawing for name in ("W3", "R4", "1000 times too large"))
    result = run(*epochs, tmp_path / "c.gif")
    assert result.exit_code == 2
    assert "RUN425" in result.stderr


def test_pictures_are_saved_as_what_they_are(tmp_path: Path) -> None:
    Picture(svg="<svg/>").save(tmp_path / "a.svg")
    with pytest.raises(ValueError, match=r"\.svg"):
        Picture(svg="<svg/>").save(tmp_path / "a.png")


def test_a_prism_that_the_job_states_is_told_with_its_constant(tmp_path: Path) -> None:
    toml = (planned(tmp_path / "a") / "job.toml").read_text() + '[targets.prism]\nconstant = "17.5 mm"\n'
    told = [r.text for r in read_job(planned(tmp_path / "b", toml=toml)).remarks if r.code == "REM505"]
    assert "constant 17.5 mm" in told[0]

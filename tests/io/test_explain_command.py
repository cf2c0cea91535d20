"""`hubtack explain JOB OBSERVATION`: the words hold the numbers of the tables, and every name finds what it means."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from hubtack.adjust import adjust
from hubtack.io.cli import cli
from hubtack.io.job import read_job
from hubtack.io.pages.explanation import explanations

SAMPLES = Path(__file__).parents[2] / "sample_networks"
YARD = SAMPLES / "braced-traverse"


def run(*words: str):
    return CliRunner().invoke(cli, ["explain", *words])


def test_a_reading_from_circle_to_coordinates() -> None:
    result = run(str(YARD), "22.direction")
    assert result.exit_code == 0
    text = result.output
    assert "direction from I02 on Y2 to T08 on Y8, round 1" in text
    rows = [line.split() for line in text.splitlines()]
    # by hand, from sights.csv: 62-23-38.0 on face 1, 242-23-34.5 on face 2: the mean is 62-23-36.25
    assert ["22", "1", "62-23-38.0", "62-23-38.0", "sights.csv:23"] in rows
    assert ["29", "2", "242-23-34.5", "62-23-34.5", "sights.csv:30"] in rows
    job = read_job(YARD)
    a = adjust(job.network, job.settings)
    (row,) = np.flatnonzero(a.observations.id == "22.direction")
    assert f"w {a.observations.standardized[row]:.2f}, critical 3.29" in text
    assert "What it does to the coordinates" in text


@pytest.mark.parametrize(
    ("name", "ids"),
    [
        ("22", ["22.direction", "22.zenith", "22.distance"]),
        ("29", ["22.direction", "22.zenith", "22.distance"]),  # averaged with 22
        ("22.zenith", ["22.zenith"]),
        ("T04", ["T04.effect.east", "T04.effect.north", "T04.effect.height"]),
        ("G1", ["G1.east", "G1.north", "G1.height"]),
    ],
)
def test_names_mean_what_they_say(name: str, ids: list[str]) -> None:
    result = run(str(YARD), name, "--json")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    found = [o["id"] for o in document["observations"]]
    assert found == ids or set(found) == set(ids) | {i for i in found if ".control." in i}


def test_json_holds_the_steps_in_si() -> None:
    (o,) = json.loads(run(str(YARD), "5.distance", "--json").stdout)["observations"]
    assert o["reduced"][-1] == {"name": "prism constant", "amount": 0.0175, "value": o["observed"]}
    assert sum(s["amount"] for s in o["model"]) == pytest.approx(o["adjusted"], abs=1e-7)
    assert o["adjusted"] - o["observed"] == pytest.approx(o["residual"], abs=1e-12)
    assert sum(t["sigma"] for t in o["terms"] if t["counted"]) / 2**0.5 == pytest.approx(o["sigma"], rel=1e-6)


def test_what_is_not_known_is_told_with_the_nearest() -> None:
    result = run(str(YARD), "22.dirction")
    assert (result.exit_code, result.stdout) == (2, "")
    assert 'Is "22.direction" meant?' in result.stderr
    result = run(str(YARD), "Y4")
    assert result.exit_code == 2
    assert "Y4 is no control" in result.stderr
    result = run(str(YARD))
    assert result.exit_code == 2
    assert "name an observation too" in result.stderr
    assert run("tab204").stdout.startswith("TAB204")
    assert "sights.csv" in run("sights.csv").stdout


def test_what_a_decision_left_out_is_explained_too(tmp_path: Path) -> None:
    shutil.copytree(YARD, tmp_path / "job", ignore=shutil.ignore_patterns("out"))
    text = (tmp_path / "job" / "job.toml").read_text(encoding="utf-8")
    text += '\n[[decision]]\nleave_out = "observation 22.direction"\nreason = "wind"\n'
    (tmp_path / "job" / "job.toml").write_text(text, encoding="utf-8")
    result = run(str(tmp_path / "job"), "22.direction")
    assert result.exit_code == 0
    assert "A decision leaves it out." in result.output
    assert "62-23-38.0" in result.output


@pytest.mark.parametrize("sample", sorted(p.parent.name for p in SAMPLES.glob("*/job.toml")))
def test_everything_of_every_sample_can_be_explained(sample: str) -> None:
    job = read_job(SAMPLES / sample)
    a = adjust(job.network, job.settings)
    made = explanations(a, job, list(range(len(a.observations))), list(range(len(a.left_out))))
    assert [e.id for e in made] == [*map(str, a.observations.id), *map(str, a.left_out.id)]
    for e in made:
        words = [w for s in e.sections for r in s.rows for w in r.words]
        assert words
        assert not any("nan" in w.split() for w in words)
        json.dumps(e.document, allow_nan=False)

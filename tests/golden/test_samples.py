"""The sample networks: they pass, they hold their truth, they stay what they were, and the generator makes them."""

from __future__ import annotations

import csv
import dataclasses
import json
import math
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.golden.bless import NAMES, SAMPLES, blessed, document
from tests.golden.make_samples import PLANS, make

from hubtack.adjust import adjust
from hubtack.io.job import read_job

HERE = Path(__file__).parent
AXES = ("east", "north", "height")
UNCHECKED = {
    "braced-traverse": ["Y4", "Y6"],
    "free-stations": [],
    "by-hand": ["D"],
    "siding/day": [],
    "kiln-wall/epoch-1": [],
    "kiln-wall/epoch-2": [],
    "ropeway": [],
    "haul-road": [],
}  # as their READMEs explain


def test_every_sample_has_a_plan_and_a_readme() -> None:
    assert sorted(PLANS) == NAMES
    assert all((SAMPLES / name.partition("/")[0] / "README.md").is_file() for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_sample_passes_and_only_the_explained_marks_are_unchecked(name: str) -> None:
    job = read_job(SAMPLES / name)
    a = adjust(job.network, job.settings)
    assert not a.flagged
    assert list(a.marks.mark[a.marks.unchecked]) == UNCHECKED[name]


@pytest.mark.parametrize("name", NAMES)
def test_truth_lies_within_the_joint_uncertainty(name: str) -> None:
    """Holding every mark at its truth raises vᵀPv by dᵀQ⁻¹d, which is χ² with as many degrees as there are unknowns.

    Q is the full covariance of all marks and never formed here. A weighted control coordinate that is held loses its
    pseudo-observation, whose share is put back by hand. The band is 99.8 %, and the seeds are fixed.
    """
    from scipy.stats import chi2

    job = read_job(SAMPLES / name)
    network = job.network
    free = adjust(network, job.settings)
    with (SAMPLES / name / "truth.csv").open(encoding="utf-8", newline="") as file:
        truth = {row["mark"]: [float(row[a]) for a in AXES] for row in csv.DictReader(file)}
    coordinates = np.array([truth[mark] for mark in network.marks.mark])
    given = np.stack([getattr(network.marks, a) for a in AXES], axis=1)
    sigma = np.stack([getattr(network.marks, f"sigma_{a}") for a in AXES], axis=1)
    weighted = np.isfinite(sigma) & (sigma > 0.0)
    reached = np.isfinite(np.stack([getattr(free.marks, a) for a in AXES], axis=1))
    held = network.marks.replace(
        **dict(zip(AXES, coordinates.T, strict=True)), **{f"sigma_{a}": np.zeros(len(truth)) for a in AXES}
    )
    settings = dataclasses.replace(job.settings, reference_height=free.reference_height)
    fixed = adjust(dataclasses.replace(network, marks=held), settings)
    rise = fixed.global_test.variance_factor * fixed.degrees_of_freedom
    rise += float((((given - coordinates)[weighted] / sigma[weighted]) ** 2).sum())
    rise -= free.global_test.variance_factor * free.degrees_of_freedom
    unknowns = int((reached & (sigma > 0.0)).sum()) - len(free.datum)
    assert chi2.ppf(0.001, unknowns) < rise < chi2.ppf(0.999, unknowns)


def test_the_independent_rule_does_to_the_traverse_what_its_readme_says() -> None:
    job = read_job(SAMPLES / "braced-traverse")
    shared = adjust(job.network, job.settings)
    independent = adjust(job.network, dataclasses.replace(job.settings, correlation="independent"))
    y4 = list(job.network.marks.mark).index("Y4")
    figures = [f"{1000 * a.marks.sigma_height[y4]:.2f} mm" for a in (shared, independent)]
    figures.append(f"fails with {independent.global_test.variance_factor:.2f}")
    readme = " ".join((SAMPLES / "braced-traverse" / "README.md").read_text(encoding="utf-8").split())
    assert [text for text in figures if text not in readme] == []
    assert shared.marks.unchecked[y4]
    assert not independent.marks.unchecked[y4]
    assert not independent.global_test.passed


@pytest.mark.parametrize("name", NAMES)
def test_result_is_what_was_blessed(name: str) -> None:
    stored = json.loads(blessed(name).read_text(encoding="utf-8"))
    found = differences(stored, document(SAMPLES / name), name)
    assert not found, "\n".join(found[:20])


def differences(blessed: Any, now: Any, place: str) -> list[str]:
    """Where two documents differ; a key that came in addition is none.

    Numbers: 1e-6 of their size or 1e-9 m, and for what is no plain length as fine: 1e-12 m² for covariances, 1e-11 rad
    (1e-9 m at 100 m) for angles. The azimuth of an ellipse is as undetermined as the ellipse is round: 1e-4 rad.
    """
    if isinstance(blessed, dict) and isinstance(now, dict):
        missing = [f"{place}: {key} is gone" for key in blessed.keys() - now.keys()]
        return missing + [
            text
            for key in blessed
            if key in now
            for text in differences(blessed[key], now[key], f"{place}.{key}")
        ]
    if isinstance(blessed, list) and isinstance(now, list):
        if len(blessed) != len(now):
            return [f"{place}: {len(blessed)} entries, now {len(now)}"]
        return [
            text
            for i, (b, n) in enumerate(zip(blessed, now, strict=True))
            for text in differences(b, n, f"{place}[{named(b, i)}]")
        ]
    if isinstance(blessed, float) and isinstance(now, float):
        finer = (
            (1e-12, ("covariance",)),
            (1e-4, ("azimuth",)),
            (1e-11, ("direction", "zenith", "orientations")),
        )
        fine = next((size for size, words in finer if any(w in place for w in words)), 1e-9)
        same = math.isclose(blessed, now, rel_tol=1e-6, abs_tol=fine)
        return [] if same else [f"{place}: {blessed!r}, now {now!r}"]
    return [] if blessed == now else [f"{place}: {blessed!r}, now {now!r}"]


def named(record: Any, i: int) -> str:
    """What a record is called, for the message."""
    keys = ("id", "mark", "setup", "from")
    return next((str(record[k]) for k in keys if k in record), str(i)) if isinstance(record, dict) else str(i)


@pytest.mark.parametrize("name", NAMES)
def test_same_input_gives_same_bytes(name: str, tmp_path: Path) -> None:
    job = tmp_path / "job"
    shutil.copytree(SAMPLES / name, job, ignore=shutil.ignore_patterns("out"))
    outputs = []
    for seed in ("1", "2"):
        out = tmp_path / seed / "out"
        out.parent.mkdir()
        command = [sys.executable, "-m", "hubtack.io.cli", "adjust", str(job), "--out", str(out)]
        done = subprocess.run(
            command, capture_output=True, env=os.environ | {"PYTHONHASHSEED": seed}, check=False
        )
        assert done.returncode == 0, done.stderr.decode()
        outputs.append({p.name: p.read_bytes() for p in sorted(out.iterdir())})
    assert outputs[0].keys() == outputs[1].keys()
    assert [n for n in outputs[0] if outputs[0][n] != outputs[1][n]] == []


@pytest.mark.parametrize("name", NAMES)
def test_the_generator_makes_the_committed_tables(name: str, tmp_path: Path) -> None:
    shutil.copy(SAMPLES / name / "job.toml", tmp_path)
    make(name, tmp_path)
    for table in sorted(tmp_path.glob("*.csv")):
        assert table.read_text(encoding="utf-8") == (SAMPLES / name / table.name).read_text(
            encoding="utf-8"
        ), table.name

"""The sample haul-road says what its README says: the swing is told, and gone once the far vectors count."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from hubtack.adjust import adjust
from hubtack.adjust.outcome.orientation import swings
from hubtack.io.job import read_job
from hubtack.io.pages.orientation import orientation_section

SAMPLE = Path(__file__).parents[2] / "sample_networks" / "haul-road"


def test_the_pair_alone_and_with_the_far_vectors(tmp_path: Path) -> None:
    job = read_job(SAMPLE)
    a = adjust(job.network, job.settings)
    (s,) = swings(a)
    marks = [str(m) for m in a.marks.mark]
    assert [marks[i] for i in s.carriers] == ["H1", "H2"]
    assert marks[s.far] == "R6"
    told = " ".join(row.words[0] for row in orientation_section(a, job).rows)
    readme = (SAMPLE / "README.md").read_text(encoding="utf-8")
    for figure in ("9.5", "7.6", "54 mm"):
        assert figure in told
        assert figure in readme
    # the miss of this very day, by its truth, against twice the factor of what is to be expected
    with (SAMPLE / "truth.csv").open(encoding="utf-8", newline="") as file:
        truth = {r["mark"]: np.array([float(r["east"]), float(r["north"])]) for r in csv.DictReader(file)}
    away = np.array([a.marks.east[s.far], a.marks.north[s.far]]) - truth["R6"]
    along = truth["R6"] - truth["H1"]
    across = abs(away @ np.array([along[1], -along[0]]) / np.linalg.norm(along))
    assert across < 2.0 * s.swing

    for path in SAMPLE.glob("*.csv"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    text = (SAMPLE / "job.toml").read_text(encoding="utf-8")
    (tmp_path / "job.toml").write_text(text.split("[[decision]]")[0], encoding="utf-8")
    whole = read_job(tmp_path)
    b = adjust(whole.network, whole.settings)
    assert swings(b) == ()
    assert not b.flagged
    assert b.marks.semi_major[s.far] < 0.01
    assert a.marks.semi_major[s.far] == pytest.approx(0.073, abs=0.0005)

"""With two known marks the network tests their distance alone: which of them is wrong is never put forward."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hubtack.adjust import adjust
from hubtack.adjust.judge.diagnose import judge
from hubtack.io.job import read_job

HALL = Path(__file__).parents[3] / "sample_networks" / "free-stations"


@pytest.mark.parametrize(
    ("mark", "axis", "add"),
    [("D1", "north", -3.6), ("D1", "east", 0.09), ("D2", "east", -0.81), ("D2", "north", 2.7)],
)
def test_a_control_mark_mistyped_by_metres(mark: str, axis: str, add: float) -> None:
    """D1 and D2 are 43 m apart and tie the hall alone. Simulating found T-D1 "on another point" as sure for a D1 3.6 m off."""
    job = read_job(HALL)
    marks = job.network.marks
    values = getattr(marks, axis).copy()
    values[marks.mark.tolist().index(mark)] += add
    solved = adjust(replace(job.network, marks=marks.replace(**{axis: values})), job.settings).solved
    assert solved is not None
    finding = judge(solved)[0]
    assert not finding.told
    assert {("control", "D1"), ("control", "D2"), ("setup", "T-D1")} <= {
        (e.what, e.name) for e in (finding.first, *finding.rivals)
    }

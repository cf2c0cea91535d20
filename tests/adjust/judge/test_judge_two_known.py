"""With two known marks the network tests their distance alone: which of them is wrong is never put forward."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hubtack.adjust import adjust
from hubtack.adjust.judge import diagnose
from hubtack.adjust.judge.diagnose import judge
from hubtack.adjust.judge.finding import Explanation, Finding
from hubtack.adjust.judge.point import find_point
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


@pytest.mark.parametrize(("size", "cause"), [(0.2, "off_mark"), (3.6, "other_point")])
def test_the_other_mark_and_the_only_device_on_either_are_rivals(size: float, cause: str) -> None:
    """T-D1 is all that stood on D1; on D2 stood two. A device 0.3 m off stood on something else, a nearer one beside its mark."""
    job = read_job(HALL)
    solved = adjust(job.network, job.settings).solved
    assert solved is not None
    names = job.network.marks.mark.tolist()
    known = np.array([names.index("D1"), names.index("D2")])
    first = Explanation("control", "D1", "control_moved", size, 900.0, subject=names.index("D1"))
    found = Finding(1, first, True, 20.0, 1e-9)
    made = diagnose._of_two_known(find_point(solved), found, known)
    assert not made.told
    setups = job.network.setups
    stood = [
        str(s)
        for s, m in zip(setups.setup, setups.mark, strict=True)
        if m in known and (setups.mark == m).sum() == 1
    ]
    wanted = {("control", "D2", "control_moved"), *(("setup", name, cause) for name in stood)}
    assert {(e.what, e.name, e.cause) for e in made.rivals} == wanted
    assert ("setup", "T-D1", cause) in wanted

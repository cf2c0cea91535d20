"""Without pyproj a job on the earth is refused in one sentence, and nothing else is made of it."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from hubtack.io.faults import Faults
from hubtack.io.job import read_job

SAMPLES = Path(__file__).parents[2] / "sample_networks"


@pytest.mark.parametrize("name", ["haul-road", "ropeway"])
def test_the_missing_library_is_the_only_fault(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """haul-road's vectors were also said to be of the wrong frame, though job.toml says frame = "earth"."""
    monkeypatch.setitem(sys.modules, "pyproj", None)
    with pytest.raises(Faults) as caught:
        read_job(SAMPLES / name)
    assert [f.code for f in caught.value.faults] == ["JOB155"]

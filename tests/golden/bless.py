"""Stores what the samples adjust to now as what they should adjust to. Look at the difference before committing it.

python tests/golden/bless.py [NAME …]
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from hubtack.adjust import adjust
from hubtack.io.job import read_job
from hubtack.io.writers.result import as_text, result_document

HERE = Path(__file__).parent
SAMPLES = HERE.parents[1] / "sample_networks"
SPOILED = {
    "taped-height",
    "prism-mix-up",
    "moved-control",
    "no-telling",
}  # make_blunders.py, test_blunders.py
PLANNED = {"siding/plan"}  # without readings: test_pairs.py
NAMES = sorted(
    {p.parent.relative_to(SAMPLES).as_posix() for p in SAMPLES.glob("**/job.toml")} - SPOILED - PLANNED
)
KEPT = (
    "format",
    "job",
    "flagged",
    "iterations",
    "degrees_of_freedom",
    "reference_height",
    "global_test",
    "datum",
    "marks",
    "relative",
    "observations",
    "setups",
    "control",
    "orientations",
    "constants",
)  # fmt: skip  (not the words, versions and settings, which may change without a number changing)


def blessed(name: str) -> Path:
    """Where the result of a sample is stored."""
    return HERE / f"{name.replace('/', '-')}.json"


def document(folder: Path) -> dict[str, Any]:
    """What result.json says of a job, reduced to what is compared."""
    job = read_job(folder)
    result = result_document(adjust(job.network, job.settings), job)
    kept: dict[str, Any] = json.loads(as_text({key: result[key] for key in KEPT}))
    return kept


if __name__ == "__main__":
    for name in sys.argv[1:] or NAMES:
        blessed(name).write_text(as_text(document(SAMPLES / name)), encoding="utf-8", newline="\n")
        print(f"blessed {name}")

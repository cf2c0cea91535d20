"""Adjusted jobs for the tests of deliverables: real ones, one of them with names as odd as users make them."""

from __future__ import annotations

import csv
import dataclasses
import functools
import shutil
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from hubtack.adjust import adjust
from hubtack.adjust.results import AdjustedMarks, Adjustment
from hubtack.io.job import Job, read_job
from hubtack.io.units import Units
from hubtack.io.writers.result import as_text, result_document

SAMPLES = Path(__file__).parents[2] / "sample_networks"
METRES = {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}
ODD = {
    "Y1": "=SUM(A1:A9)",
    "Y2": '<b>&"bold"\'</b>',
    "Y3": "שער 7",
    "Y5": "100 %%c^J",
    "Y6": "Çay & Söhne; käße",
    "P1": "+49,5",
    "P2": "http://example.org/@x",
    "G2": "水準点 12",
}  # unchecked in the original and so here: Y4, Y6


def change(path: Path, columns: dict[str, Any]) -> None:
    """Put every cell of some columns of a CSV file through a function (row number, cell)."""
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    for number, row in enumerate(rows):
        for name, function in columns.items():
            row[name] = function(number, row[name])
    with path.open("w", encoding="utf-8", newline="") as stream:
        out = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        out.writeheader()
        out.writerows(rows)


def odd_folder(parent: Path) -> Path:
    """The braced traverse with odd names and notes, a height wrongly entered and corrected, and a sight left out."""
    folder = parent / "odd"
    shutil.copytree(SAMPLES / "braced-traverse", folder)
    change(
        folder / "marks.csv",
        {"mark": lambda _, m: ODD.get(m, m), "note": lambda i, n: n + "\n<x>\x01y" * (i == 3)},
    )
    change(
        folder / "setups.csv",
        {
            "mark": lambda _, m: ODD.get(m, m),
            "height": lambda i, h: "2.5" if i == 2 else h,
            "note": lambda i, n: "=1+1" if i == 1 else n,
        },
    )
    with (folder / "job.toml").open("a", encoding="utf-8") as stream:
        stream.write(
            '\n[[decision]]\ncorrect = "setup T02 height"\nvalue = "1.5 m"\nreason = "photo & note <3>"\n'
            '\n[[decision]]\nleave_out = "sight 20"\nreason = "tripod kicked"\nby = "party chief"\n'
        )
    return folder


@functools.cache
def delivered(name: str, units: Units | None = None) -> tuple[Adjustment, Job]:
    """An adjusted job by name: a sample network or "odd"; `units` are what its people speak."""
    with tempfile.TemporaryDirectory() as scratch:
        job = read_job(odd_folder(Path(scratch)) if name == "odd" else SAMPLES / name)
    adjustment = adjust(job.network, job.settings)
    return adjustment, dataclasses.replace(job, units=units) if units else job


def numbers(adjustment: Adjustment, job: Job) -> dict[str, Any]:
    """result.json as read by json: what every deliverable is compared with."""
    import json

    document: dict[str, Any] = json.loads(as_text(result_document(adjustment, job)))
    return document


def dense_cofactor(adjustment: Adjustment) -> np.ndarray:
    """(AᵀA)⁻¹ from the whitened rows of the last iteration, by plain dense algebra."""
    solution, n = adjustment.solved.solution, adjustment.solved.unknowns.n
    parts = []
    for rows in solution.rows:
        A = np.zeros((len(rows.columns), n + 1))
        np.add.at(A, (np.arange(len(A))[:, None], rows.columns), rows.values)
        parts.append(A[:, :n])
    A = np.vstack(parts)
    return np.linalg.inv(A.T @ A)


def same_marks(found: AdjustedMarks, wanted: AdjustedMarks) -> None:
    """Two adjustments of one network agree to the rounding of their sums.

    Not to the bit: where an array happens to lie in memory decides in which order some numpy versions add.
    """
    for name in ("east", "north", "height"):
        np.testing.assert_allclose(
            getattr(found, name), getattr(wanted, name), rtol=0, atol=1e-10, err_msg=name
        )
    size = float(np.nanmax(np.abs(wanted.covariance), initial=0.0))
    np.testing.assert_allclose(found.covariance, wanted.covariance, rtol=1e-9, atol=1e-12 * size)

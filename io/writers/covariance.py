"""covariance.npz: the full covariance of all adjusted marks, for programs. SI.

Arrays (open with numpy.load; nothing in it is pickled):
    marks (m,)        names of all marks, text
    mark (k,)         row of `marks` that a component belongs to
    component (k,)    "east", "north" or "height", as ASCII text
    value (k,)        adjusted coordinate, m
    covariance (k, k) m², rows and columns in the order of `mark` and `component`; held components are 0
    job, version      text
Components that nothing reaches are absent. 1 sigma is the square root of the diagonal; σ0 = 1 a priori.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hubtack.io.about import version

from .atomic import Refused

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

FILE = "covariance.npz"
AXES = np.array(["east", "north", "height"])


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write covariance.npz into `folder`. Raises atomic.Refused where the matrix would be too large."""
    from hubtack.adjust.outcome.joint import MOST, TooLarge, mark_covariance

    try:
        joint = mark_covariance(adjustment)
    except TooLarge as large:
        found = (
            f"The covariance of {large.components} mark components is too large for a file: {MOST} at most."
        )
        raise Refused("RUN423", found, "Leave covariance out, or adjust a part of the network.") from large
    if joint is None:
        raise Refused("RUN423", "This result came without its full covariance.", "Adjust the job anew.")
    m = adjustment.marks
    coordinates = np.column_stack([m.east, m.north, m.height])
    np.savez(  # doubles hardly compress
        folder / FILE,
        allow_pickle=False,
        marks=np.array([str(n) for n in m.mark]),
        mark=joint.mark,
        component=AXES[joint.axis],
        value=coordinates[joint.mark, joint.axis],
        covariance=joint.covariance,
        job=np.array(job.name),
        version=np.array(version()),
    )

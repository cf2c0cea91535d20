"""covariance.npz: the full covariance of all adjusted marks and target centres, for programs. SI.

Arrays (open with numpy.load; nothing in it is pickled):
    marks (m,)        names of all marks, text
    mark (k,)         row of `marks` that a component belongs to
    component (k,)    "east", "north" or "height", as ASCII text
    value (k,)        adjusted coordinate, m
    covariance (k, k) m², rows and columns in the order of `mark` and `component`; held components are 0
    targets (t,)      names of all target setups, text
    target (c,), target_component (c,), target_value (c,)    the same of the centres of the targets: mark + (δe, δn, h + δh)
    target_covariance (c, c), cross_covariance (k, c)        m², among centres, and between marks and centres
    job, version      text
The six arrays of targets are absent where marks and targets together would be too many for a dense matrix.
Components that nothing reaches are absent. 1 sigma is the square root of the diagonal; σ0 = 1 a priori.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

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
    from hubtack.adjust.outcome.joint import MOST, TooLarge, centre_covariance, mark_covariance

    try:
        joint = mark_covariance(adjustment)
    except TooLarge as large:
        found = (
            f"The covariance of {large.components} mark components is too large for a file: {MOST} at most."
        )
        raise Refused("RUN423", found, "Leave covariance out, or adjust a part of the network.") from large
    if joint is None:
        raise Refused("RUN423", "This result came without its full covariance.", "Adjust the job anew.")
    setups = adjustment.network.setups
    targets = np.flatnonzero(~setups.instrument)
    try:
        centres = centre_covariance(adjustment, joint, targets)
    except TooLarge:
        centres = None
    of_targets: dict[str, Any] = {}
    if centres is not None:
        number = np.cumsum(~setups.instrument) - 1  # row of setups → row of `targets`
        of_targets = {
            "targets": np.array([str(n) for n in setups.setup[targets]], dtype=np.str_),
            "target": number[centres.setup],
            "target_component": AXES[centres.axis],
            "target_value": centres.value,
            "target_covariance": centres.covariance,
            "cross_covariance": centres.cross,
        }
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
        **of_targets,
        job=np.array(job.name),
        version=np.array(version()),
    )

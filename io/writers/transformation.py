"""The transformation of a registered scan with its covariance, as CSV: metres and radians, whatever the job's units.

    site = shift + R · scanner

in straight axes at ground scale through `origin`, a point in site coordinates, along its east, north and up. Where the site's
coordinates are a grid, distances on it are `grid factor` times those; near the origin the two agree.

Rows: the shift (the scanner's origin on the site), three small turns about the site's east, north and up (nought by
definition; they carry the uncertainty of R, exp([turn]×)·R), then R row by row, its unit quaternion, and the scale, which is 1.
The six columns `cov …` are the covariance of the first six rows, in m², m·rad and rad².
"""

from __future__ import annotations

import csv
import os
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.registration.rigid import quaternion

from .atomic import Refused

if TYPE_CHECKING:
    from hubtack.adjust.registration.story import Registration

NAMES = ("shift east", "shift north", "shift height", "turn east", "turn north", "turn up")


def write(result: Registration, path: Path) -> None:
    """Write the transformation of a fitted registration; the file appears whole or not at all. Raises Refused."""
    f = result.fit
    assert f is not None
    Q = f.covariance_at_origin()
    out = StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(["parameter", "value", "unit", "sigma", *(f"cov {n}" for n in NAMES)])
    values = np.append(f.shift, np.zeros(3))
    for i, name in enumerate(NAMES):
        unit = "m" if i < 3 else "rad"
        sigma = float(np.sqrt(Q[i, i]))
        rows.writerow([name, repr(float(values[i])), unit, repr(sigma), *(repr(float(v)) for v in Q[i])])
    for i in range(3):
        for j in range(3):
            rows.writerow([f"R {i + 1}{j + 1}", repr(float(f.rotation[i, j])), "", *[""] * 7])
    for name, v in zip("wxyz", quaternion(f.rotation), strict=True):
        rows.writerow([f"quaternion {name}", repr(float(v)), "", *[""] * 7])
    rows.writerow(["scale", "1", "", *[""] * 7])
    for name, v in zip(("east", "north", "height"), result.local.origin, strict=True):
        rows.writerow([f"origin {name}", repr(float(v)), "m", *[""] * 7])
    rows.writerow(["grid factor", repr(result.local.factor), "", *[""] * 7])
    new = path.with_name(f".{path.name}.new-{os.getpid()}")
    try:
        new.write_text(out.getvalue(), encoding="utf-8", newline="")
        os.replace(new, path)
    except OSError as error:
        new.unlink(missing_ok=True)
        found = f"{path} can't be written: {error.strerror}."
        raise Refused("RUN421", found, "Name a file in a folder that you may write to.") from error

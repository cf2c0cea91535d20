"""One declared scale, and the alarm on it: what scale would the distances themselves have?

Distances enter as they were measured; the declared factor grid / ground makes them fit the control. A free scale is
fitted besides, as a test and never as a result. Where it comes out at none of the declared factor, or at twice it, the
distances had been reduced before they came here, or never should have been.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..ground.table import Floats
from ..results import Adjustment

LENGTHS = ("distance", "level")


@dataclass(frozen=True)
class ScaleTest:
    """declared: grid / ground − 1. extra, sigma: what the network adds to the scale of its distances.

    times: how many times the declared factor fits best (0, 1 or 2), NaN where they can't be told apart; failed: the extra
    scale fails its test; alarm: it does, and the factor fits 0 or 2 times better than once. All ratios.
    """

    declared: float
    extra: float
    sigma: float
    times: float
    failed: bool
    alarm: bool


def scale_test(adjustment: Adjustment) -> ScaleTest | None:
    """None where no factor is declared, where nothing tells the scale, or without the solution (it was pickled)."""
    solved = adjustment.solved
    if solved is None:
        return None
    declared = solved.equations.frame.grid_over_ground(solved.state.coordinates) - 1.0
    if abs(declared) < 1e-9:
        return None
    signature: list[tuple[int, Floats]] = []
    for k, group in enumerate(solved.equations.groups):
        if len(group.kinds) == 1 and group.kinds[0].name in LENGTHS:
            each = solved.equations.sigmas(solved.solution.x, group.rows)
            signature.append((k, solved.obs.value[group.rows] / each))
    if not signature:
        return None
    n = solved.unknowns.n
    right, square, product = np.zeros(n + 1), 0.0, 0.0
    for k, c in signature:
        rows = solved.solution.rows[k]
        np.add.at(right, rows.columns, rows.values * c[:, None])
        square += float(c @ c)
        product += float(c @ rows.misclosure)
    strength = square - float(right[:-1] @ solved.solution.cofactor.solve(right[:-1]))
    if strength < 1e-9 * square:  # control that leaves the scale to the distances
        return None
    # observed = (1 + extra)·true: distances come out too long by `extra`
    extra, spread = product / strength, 1.0 / math.sqrt(strength)
    apart = abs(declared) > solved.critical * spread
    near = int(np.argmin([abs(extra - declared), abs(extra), abs(extra + declared)]))
    failed = abs(extra) > solved.critical * spread
    return ScaleTest(
        declared, extra, spread, float(near) if apart else np.nan, failed, failed and apart and near != 1
    )

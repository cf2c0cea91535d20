"""Covariances that stand in no table: between any marks, and between marks and the effects of their setups.

The tables hold one 3 × 3 block a mark and the sighted pairs. What is here solves for whole columns of the inverse,
dense in the number of components asked for, and therefore only on request.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.table import Floats, Ints
from ..results import Adjustment
from ..solved import Solved

MOST = 4000  # components: 128 MB for their matrix, and as much again for every thousand unknowns beside them


class TooLarge(Exception):  # noqa: N818
    """More components than a dense matrix is made for."""

    def __init__(self, components: int) -> None:
        self.components = components
        super().__init__(f"{components} components, at most {MOST}")


@dataclass(frozen=True)
class JointCovariance:
    """Covariance of all determined mark components, (k, k) m²; held ones are free of error.

    `mark` (k,) rows of the marks table and `axis` (k,) 0 east, 1 north, 2 height name rows and columns.
    """

    mark: Ints
    axis: Ints
    covariance: Floats


def mark_covariance(adjustment: Adjustment) -> JointCovariance | None:
    """The joint covariance of every determined component of every mark, in the order of the marks.

    None where the adjustment came without its solution (it was pickled). Raises TooLarge.
    """
    solved = adjustment.solved
    if solved is None:
        return None
    m = adjustment.marks
    mark, axis = np.nonzero(np.isfinite(np.column_stack([m.east, m.north, m.height])))
    if len(mark) > MOST:
        raise TooLarge(len(mark))
    covariance = _between(solved, solved.unknowns.marks[mark, axis])
    return JointCovariance(mark.astype(np.int64), axis.astype(np.int64), covariance)


def device_covariance(adjustment: Adjustment, setups: Ints) -> Floats | None:
    """Covariance (n, 3, 3), m², of the device centres of some setups: mark + (δe, δn, h + δh).

    Components of marks that are not determined are NaN. With setup effects that are no unknowns (independent
    correlation) the effects' own variances are added to the marks', which overstates a little. None where the
    adjustment came without its solution.
    """
    solved = adjustment.solved
    if solved is None:
        return None
    u, net = solved.unknowns, adjustment.network
    out = np.empty((len(setups), 3, 3))
    for first in range(0, len(setups), 200):  # whole columns of the inverse: a few at a time
        part = setups[first : first + 200]
        places = np.hstack([u.marks[net.setups.mark[part]], u.effects[part]])
        wanted, at = np.unique(places[places >= 0], return_inverse=True)
        number = np.full(places.shape, -1)
        number[places >= 0] = at
        Q = np.zeros((len(wanted) + 1, len(wanted) + 1))
        if len(wanted):
            Q[:-1, :-1] = solved.solution.cofactor.columns(wanted)[wanted]
        six = Q[number[:, :, None], number[:, None, :]]
        out[first : first + 200] = six[:, :3, :3] + six[:, :3, 3:] + six[:, 3:, :3] + six[:, 3:, 3:]
    own = np.column_stack([u.centring_sigma, u.centring_sigma, u.height_sigma])[setups]
    folded = np.where(u.effects[setups] < 0, np.nan_to_num(own), 0.0)
    out[:, [0, 1, 2], [0, 1, 2]] += folded**2
    m = adjustment.marks
    blank = ~np.isfinite(np.column_stack([m.east, m.north, m.height]))[net.setups.mark[setups]]
    out[blank[:, :, None] | blank[:, None, :]] = np.nan
    return out


def _between(solved: Solved, places: Ints) -> Floats:
    """Covariance among components by their unknowns; −1 is held: no variance."""
    free = np.flatnonzero(places >= 0)
    out = np.zeros((len(places), len(places)))
    if len(free):
        wanted = places[free]
        Q = solved.solution.cofactor.columns(wanted)[wanted]
        out[np.ix_(free, free)] = 0.5 * (Q + Q.T)
    return out

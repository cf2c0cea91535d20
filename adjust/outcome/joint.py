"""Covariances that stand in no table: between any marks, and between marks and the effects of their setups.

The tables hold one 3 × 3 block a mark and the sighted pairs. What is here solves for whole columns of the inverse,
dense in the number of components asked for, and therefore only on request.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.supports import vertical_heights
from ..ground.table import Floats, Ints
from ..results import Adjustment
from ..solved import Solved

MOST = 4000  # components: 128 MB for their matrix
_AT_ONCE = 256  # whole columns of the inverse that are held at once: 2 kB for each unknown of the network


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


@dataclass(frozen=True)
class CentreCovariance:
    """Covariance (c, c) m² among device centres, and (k, c) m² between mark components and them.

    `setup` (c,) rows of the setups table and `axis` (c,) name rows and columns; `value` (c,) m are the centres.
    """

    setup: Ints
    axis: Ints
    value: Floats
    covariance: Floats
    cross: Floats


def centre_covariance(
    adjustment: Adjustment, marks: JointCovariance, setups: Ints
) -> CentreCovariance | None:
    """The joint covariance of the determined centres of some setups, also with the marks of `mark_covariance`.

    None where the adjustment came without its solution. Raises TooLarge.
    """
    solved = adjustment.solved
    if solved is None:
        return None
    u, on = solved.unknowns, adjustment.network.setups.mark
    centres = device_centres(adjustment, setups)
    row, axis = np.nonzero(np.isfinite(centres))
    setup, k = setups[row], len(marks.mark)
    if k + len(row) > MOST:
        raise TooLarge(k + len(row))
    first = np.concatenate([u.marks[marks.mark, marks.axis], u.marks[on[setup], axis]])
    second = np.concatenate([np.full(k, -1), u.effects[setup, axis]])
    places, at = np.unique(np.append(first, second), return_inverse=True)
    Q, f, s = _between(solved, places), at[: len(first)], at[len(first) :]
    both = Q[np.ix_(f, f)] + Q[np.ix_(f, s)] + Q[np.ix_(s, f)] + Q[np.ix_(s, s)]
    covariance = both[k:, k:]
    covariance[np.diag_indices(len(row))] += _folded(solved, setups)[row, axis]
    return CentreCovariance(setup, axis.astype(np.int64), centres[row, axis], covariance, both[:k, k:])


def device_centres(adjustment: Adjustment, setups: Ints) -> Floats:
    """Adjusted device centres (n, 3) m of some setups: mark + (δe, δn, h + δh); NaN where not determined."""
    m, net, s = adjustment.marks, adjustment.network, adjustment.setups
    on = net.setups.mark[setups]
    effects = np.column_stack([s.centring_east, s.centring_north, s.height_error])[setups]
    marks = np.column_stack([m.east, m.north, m.height])[on]
    marks[:, 2] += vertical_heights(net)[setups]
    return np.asarray(marks + np.nan_to_num(effects))


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
    places = np.hstack([u.marks[net.setups.mark[setups]], u.effects[setups]])
    left, right = np.broadcast_to(places[:, :, None], (len(setups), 6, 6)), places[:, None, :]
    six = _entries(solved, left.ravel(), np.broadcast_to(right, left.shape).ravel()).reshape(left.shape)
    out = six[:, :3, :3] + six[:, :3, 3:] + six[:, 3:, :3] + six[:, 3:, 3:]
    out[:, [0, 1, 2], [0, 1, 2]] += _folded(solved, setups)
    m = adjustment.marks
    blank = ~np.isfinite(np.column_stack([m.east, m.north, m.height]))[net.setups.mark[setups]]
    out[blank[:, :, None] | blank[:, None, :]] = np.nan
    return out


def point_coordinates(
    adjustment: Adjustment, marks: Ints, setups: Ints, heights: Floats | None = None
) -> Floats:
    """Adjusted points (n, 3) m: marks, or where setup ≥ 0 the centre of the device there; NaN where not determined.

    `heights` (n,) m stands in the place of the heights of the devices.
    """
    m = adjustment.marks
    points = np.column_stack([m.east, m.north, m.height])[marks]
    there = setups >= 0
    points[there] = device_centres(adjustment, setups[there])
    if heights is not None:
        points[there, 2] += (heights - vertical_heights(adjustment.network)[setups])[there]
    return np.asarray(points)


def point_covariance(adjustment: Adjustment, marks: Ints, setups: Ints) -> Floats:
    """Joint covariance (3n, 3n) m² of such points, all three coordinates of which are determined.

    Raises ValueError for an adjustment that came without its solution, TooLarge.
    """
    solved = adjustment.solved
    if solved is None:
        raise ValueError("this adjustment carries no solution to take covariances from")
    if 3 * len(marks) > MOST:
        raise TooLarge(3 * len(marks))
    u, there = solved.unknowns, setups >= 0
    first, second = u.marks[marks].reshape(-1), np.full((len(marks), 3), -1, dtype=np.int64)
    second[there] = u.effects[setups[there]]
    places, at = np.unique(np.append(first, second.reshape(-1)), return_inverse=True)
    Q, f, s = _between(solved, places), at[: len(first)], at[len(first) :]
    out = Q[np.ix_(f, f)] + Q[np.ix_(f, s)] + Q[np.ix_(s, f)] + Q[np.ix_(s, s)]
    extra = np.zeros((len(marks), 3))
    extra[there] = _folded(solved, setups[there])
    out[np.diag_indices(len(out))] += extra.reshape(-1)
    return np.asarray(out)


def _folded(solved: Solved, setups: Ints) -> Floats:
    """Variances (n, 3) of the effects that are no unknowns."""
    u = solved.unknowns
    own = np.column_stack([u.centring_sigma, u.centring_sigma, u.height_sigma])[setups]
    return np.where(u.effects[setups] < 0, np.nan_to_num(own), 0.0) ** 2


def _between(solved: Solved, places: Ints) -> Floats:
    """Covariance among components by their unknowns; −1 is held: no variance."""
    free = np.flatnonzero(places >= 0)
    out = np.zeros((len(places), len(places)))
    wanted = places[free]
    Q = np.empty((len(free), len(free)))
    for first in range(0, len(free), _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        Q[:, part] = solved.solution.cofactor.columns(wanted[part])[wanted]
    out[np.ix_(free, free)] = 0.5 * (Q + Q.T)
    return out


def _entries(solved: Solved, left: Ints, right: Ints) -> Floats:
    """Single entries of the inverse, by their unknowns; −1 is held: no variance.

    Unknowns that stand together in an equation have theirs on the pattern of the factor, already at hand.
    """
    n, cofactor = solved.unknowns.n, solved.solution.cofactor
    if not len(left):
        return np.zeros(0)
    out = np.where((left < 0) | (right < 0), 0.0, np.nan)
    wanted, at = np.unique(np.where(np.isnan(out), left * n + right, -1), return_inverse=True)
    values = np.zeros(len(wanted))
    there = wanted >= 0
    values[there] = cofactor.entries(wanted[there] // n, wanted[there] % n)
    return np.asarray(values[at].reshape(out.shape))

"""Two names on one point: marks that coincide within their own uncertainty, more closely than chance would bring them.

Nothing misfits there, so no test of residuals can show it. With n marks strewn over an area A, the expected number of
pairs nearer than r in plan is n(n − 1)/2·πr²/A; a pair is told if it coincides (T of its difference is no larger than
chance allows) and if so close a pair is itself improbable.
"""

from __future__ import annotations

import math

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .finding import Explanation, Finding, Remedy
from .point import Point
from .statistics import critical_value_of

LEVEL = 0.01
REACH = 0.05  # m: names further apart are two points however uncertain they are
MOST = 10


def twins(point: Point) -> list[Finding]:
    """One finding for every pair of marks that are one point to the readings."""
    marks = point.solved.network.marks
    place, columns = point.state.coordinates, point.unknowns.marks
    lasting = np.flatnonzero(np.isfinite(place[:, :2]).all(axis=1) & _occupied(point))
    n = len(lasting)
    if n < 3:
        return []
    span = np.ptp(place[lasting, :2], axis=0)
    area = float(span[0] * span[1])
    out: list[Finding] = []
    for i, j in _near(place, lasting):
        if area <= 0.0 or len(out) == MOST:
            break
        axes = [a for a in range(3) if np.isfinite(place[[i, j], a]).all()]
        d = place[j, axes] - place[i, axes]
        Q = _covariance(point, columns[i, axes], columns[j, axes])
        values, vectors = np.linalg.eigh(Q)
        if values.min() <= 0.0:
            continue  # two held marks: their distance is given, not found
        T = float(np.sum((vectors.T @ d) ** 2 / values))
        if critical_value_of(1, len(axes)) < T:
            continue
        reach = max(float(np.linalg.norm(d[:2])), 3.0 * math.sqrt(float(np.trace(Q[:2, :2]))))
        probability = -math.expm1(-0.5 * n * (n - 1) * math.pi * reach**2 / area)
        if probability >= LEVEL:
            continue
        one, two = str(marks.mark[i]), str(marks.mark[j])
        length = float(np.linalg.norm(d))
        first = Explanation(
            "mark", one, "same_point", length, T, int(i), math.sqrt(float(values.max())), len(axes),
            tuple(d.tolist()), math.nan, (two, int(j)),
        )  # fmt: skip
        setups = point.solved.network.setups
        remedies = tuple(
            Remedy("correct", f"setup {setups.setup[s]} mark", one)
            for s in np.flatnonzero(setups.mark == j).tolist()
        )
        out.append(Finding(0, first, True, critical_value_of(1, len(axes)), probability, remedies=remedies))
    return out


def _near(place: Floats, rows: Ints) -> list[tuple[int, int]]:
    """Pairs of marks within REACH in plan, found along a sorted axis."""
    order = rows[np.argsort(place[rows, 0], kind="stable")]
    east = place[order, 0]
    count = np.searchsorted(east, east + 1.001 * REACH, side="right") - np.arange(1, len(order) + 1)
    first = np.repeat(np.arange(len(order)), count)
    second = first + 1 + np.arange(len(first)) - np.repeat(np.cumsum(count) - count, count)
    i, j = order[first], order[second]
    d = place[j] - place[i]
    near = (np.hypot(d[:, 0], d[:, 1]) < REACH) & ~(np.abs(d[:, 2]) > REACH)
    pairs = np.stack([np.minimum(i, j), np.maximum(i, j)], axis=1)[near]
    return [(a, b) for a, b in pairs.tolist()]


def _occupied(point: Point) -> Flags:
    """Marks that a target stood on, or between which something was read; not a free station's."""
    obs = point.solved.obs
    out = np.zeros(len(point.solved.network.marks), dtype=bool)
    out[obs.end_mark[obs.used]] = True
    out[obs.start_mark[obs.used & (obs.start_setup < 0)]] = True
    return out


def _covariance(point: Point, one: Ints, two: Ints) -> Floats:
    """Of the difference of two marks; a held coordinate has no column and no variance."""
    wanted = np.concatenate([one, two])
    free = np.unique(wanted[wanted >= 0])
    Q = np.zeros((len(wanted), len(wanted)))
    if len(free):
        entries = point.cofactor.columns(free)[free]
        at = {int(c): k for k, c in enumerate(free.tolist())}
        rows = [k for k, c in enumerate(wanted.tolist()) if c >= 0]
        which = [at[int(wanted[k])] for k in rows]
        Q[np.ix_(rows, rows)] = entries[np.ix_(which, which)]
    k = len(one)
    return np.asarray(Q[:k, :k] + Q[k:, k:] - Q[:k, k:] - Q[k:, :k])

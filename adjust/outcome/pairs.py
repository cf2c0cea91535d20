"""Relative precision of pairs of marks."""

from __future__ import annotations

import numpy as np

from ..estimate.precision import ellipse_factor, ellipses
from ..ground.table import Ints, frozen
from ..results import Relative
from ..solved import PAIRS, Solved, sighted_pairs

AT_ONCE = 1 << 14  # pairs whose covariances are made together
DIFFERENCE = np.hstack([-np.eye(3), np.eye(3)])


def relative_table(solved: Solved) -> Relative:
    """Sighted pairs from the selected inverse; pairs the user names by solves."""
    u, marks = solved.unknowns, solved.network.marks
    pairs = sighted_pairs(solved.obs)
    C = np.empty((len(pairs), 3, 3))
    for at in range(0, len(pairs), AT_ONCE):
        here = slice(at, at + AT_ONCE)
        both = np.concatenate([u.marks[pairs[here, 0]], u.marks[pairs[here, 1]]], axis=1)
        C[here] = DIFFERENCE @ solved.solution.cofactor.query(PAIRS, both, here) @ DIFFERENCE.T
    further = _further(solved, pairs) if solved.settings.pairs else []
    if further:
        extra = np.array(further, dtype=np.int64)
        columns = np.concatenate([u.marks[extra[:, 0]], u.marks[extra[:, 1]]], axis=1)
        block = np.zeros((len(extra), 6, 6))
        for i, c in enumerate(columns):
            there = np.flatnonzero(c >= 0)
            block[i][np.ix_(there, there)] = solved.solution.cofactor.columns(c[there])[c[there]]
        C = np.concatenate([C, DIFFERENCE @ block @ DIFFERENCE.T])
        pairs = np.concatenate([pairs, extra])
    a, b = solved.state.coordinates[pairs[:, 0]], solved.state.coordinates[pairs[:, 1]]
    plan = np.all(u.reached[pairs, :2], axis=(1, 2))
    high = np.all(u.reached[pairs, 2], axis=1)
    delta = np.where(plan[:, None], (b - a)[:, :2], np.nan)
    distance = np.hypot(delta[:, 0], delta[:, 1])
    with np.errstate(invalid="ignore", divide="ignore"):
        unit = delta / distance[:, None]
    along = np.einsum("pi,pij,pj->p", unit, C[:, :2, :2], unit)
    major, minor, azimuth = ellipses(C[:, :2, :2])
    factor = ellipse_factor(solved.settings.confidence)
    return Relative(
        start=frozen(marks.mark[pairs[:, 0]]),
        end=frozen(marks.mark[pairs[:, 1]]),
        start_mark=pairs[:, 0],
        end_mark=pairs[:, 1],
        distance=frozen(distance),
        sigma_distance=frozen(np.sqrt(np.maximum(along, 0.0))),
        semi_major=frozen(np.where(plan, factor * major, np.nan)),
        semi_minor=frozen(np.where(plan, factor * minor, np.nan)),
        ellipse_azimuth=frozen(np.where(plan, azimuth, np.nan)),
        sigma_height=frozen(np.where(high, np.sqrt(np.maximum(C[:, 2, 2], 0.0)), np.nan)),
    )


def _further(solved: Solved, pairs: Ints) -> list[tuple[int, int]]:
    """Pairs that the user names and no sight joins."""
    row = {str(m): i for i, m in enumerate(solved.network.marks.mark)}
    seen = {(a, b) for a, b in pairs.tolist()}
    named = [(row[a], row[b]) for a, b in solved.settings.pairs if a in row and b in row and row[a] != row[b]]
    return [p for p in named if p not in seen and p[::-1] not in seen]

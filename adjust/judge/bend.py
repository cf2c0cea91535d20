"""Signatures of what moved far: exact for one displacement, and right to first order about it.

    C' = C + (s − CΔ)Δᵀ/|Δ|²

C are the derivatives where the device (or mark) would be after a displacement Δ, s is the secant: the observations as
they would be computed there, minus as they are here. Then C'Δ = s, however strongly the lines bend on the way.

Where a device that is wrong carries its mark along, the device stays and it is the mark that gives way, as least squares
lets it: then both ends of the secant belong to different unknowns, and s is what remains once A times that way is taken off.
Of two devices on one mark the one is bent so and the other not; bent alike they would seem to be told apart by curvature.
"""

from __future__ import annotations

import numpy as np

from ..ground.table import Floats, Ints
from .point import Point
from .signatures import Book, Hypothesis
from .statistics import Tests, estimate, fitted, given, shifts

NOTHING = 1e-9  # sigmas: what does not differ
FAR = 0.02  # m: displacements beyond this are given their own signature
GROSS = 1000.0  # T from which it matters
MOST = 8
SHARE = 0.1  # of the largest T: what lies below is no candidate
WAYS = 3  # how often the way of the unknowns is found anew
REFINED = 0.003  # share of the way by which a better size must differ to be worth another signature


Entries = tuple[Ints, Floats, Ints]


def bent(point: Point, columns: list[int], move: Floats, give: Floats | None = None) -> Entries:
    """Whitened rows, values and columns (0, 1, …) of C'; columns of the wide system, move in m along each.

    `give` (n,): how far the unknowns move along.
    """
    difference, C = point.displaced(columns, move, give)
    C += np.outer(difference - C @ move, move) / float(move @ move)
    row, column = np.nonzero(np.abs(C) > NOTHING)
    return row, C[row, column], column


def bend_far(book: Book, tests: Tests, done: dict[int, Floats]) -> bool:
    """Give what looks displaced far its own signature; True where there was any. Only at a robust point.

    `done` keeps for what displacement each hypothesis has been bent.
    """
    if not book.point.robust:
        return False
    g = given(tests, (), {})
    least = max(GROSS, SHARE * float(g.T.max(initial=0.0)))
    order = [int(h) for h in np.argsort(-g.T, kind="stable") if g.T[h] > least]
    order.sort(key=lambda h: tests.hypotheses[h].what != "control")  # those bend the whole network
    number, changed = 0, False
    for h in order:
        hypothesis = tests.hypotheses[h]
        columns = _columns(book.point, hypothesis)
        if not columns or g.told[h] < hypothesis.q:  # what the network can't see, curvature must not invent
            continue
        size, _ = estimate(g, h)
        move = -size if hypothesis.cause in ("height_wrong", "control_height") else size
        if not FAR < np.linalg.norm(move) < 1e4:
            continue
        before = done.get(h)
        number += 1
        if number > MOST:
            break
        if before is not None and np.linalg.norm(move - before) < REFINED * np.linalg.norm(move):
            continue
        done[h] = move
        changed = True
        give = book.point.step - shifts(tests, h, size)  # of the unknowns, if this is the cause
        row, value, column = _best(book.point, columns, move, give)
        if hypothesis.cause in ("height_wrong", "control_height"):
            value = -value
        book.exchange(hypothesis, row, value, column)
    return changed


def _best(point: Point, columns: list[int], move: Floats, give: Floats) -> Entries:
    """Of a device that moves alone and one whose mark gives way, the signature that explains more."""
    alone = bent(point, columns, move)
    most, best = fitted(point, *alone)[0], alone
    for _ in range(WAYS):
        entries = bent(point, columns, move, give)
        T, size, give = fitted(point, *entries)
        if most < T:
            most, best = T, entries
        if not 0.5 < np.linalg.norm(size) / np.linalg.norm(move) < 2.0:
            break
        move = size
    return best


def _columns(point: Point, h: Hypothesis) -> list[int]:
    """Columns of the wide system that a hypothesis displaces; none where it displaces nothing."""
    wide = point.wide.unknowns
    if h.cause == "height_wrong":
        columns = wide.effects[h.subject, 2:]
    elif h.cause in ("off_mark", "base_off_mark"):
        columns = wide.effects[h.subject, :2]
    elif h.cause == "control_height" and point.unknowns.marks[h.subject, 2] < 0:
        columns = wide.marks[h.subject, 2:]
    elif h.cause == "control_moved" and (point.unknowns.marks[h.subject, :2] < 0).all():
        columns = wide.marks[h.subject, :2]
    else:
        return []
    return [int(c) for c in columns] if (columns >= 0).all() and len(columns) == h.q else []

"""A frame grown from what is known in it, mark by mark, confirmed ones first.

What a further reading confirms is placed at once. Only where nothing is confirmed does growth take a mark or
an orientation that rests on the fewest readings, and then looks again; so a wrong reading is followed only
where nothing else leads on. Afterwards every mark with a misfit is placed anew from all its neighbours.
"""

from __future__ import annotations

from collections import deque
from math import atan2, hypot

import numpy as np

from ...ground.table import Floats
from .consensus import Frame, Placement, orient, place
from .constructions import wrap
from .readings import COMPASS, NEAR, Readings

SWEEPS = 6


def grow(
    readings: Readings, frame: Frame, allowed: set[int] | None = None, start: list[int] | None = None
) -> None:
    """Place every mark and orient every group that the known ones of the frame lead to.

    `allowed` restricts the groups whose rays may be used; `start` names the marks to look out from (all known
    ones by default).
    """
    Growth(readings, frame, allowed).run(start)


class Growth:
    """The queues of one growth: what to look at, and what could be placed if nothing better turns up."""

    def __init__(self, readings: Readings, frame: Frame, allowed: set[int] | None) -> None:
        self.readings, self.frame, self.allowed = readings, frame, allowed
        self.dirty: dict[int, None] = {}  # marks ≥ 0, groups as −1 − group; a dict keeps the order
        self.waiting: dict[int, Placement | tuple[float, int, int]] = {}
        self.agreed: deque[int] = deque()
        self.disputed: deque[int] = deque()
        self.tied: deque[int] = deque()  # two places that contradicting readings make equally good

    def run(self, start: list[int] | None) -> None:
        """Grow until nothing moves."""
        points = self.frame.points
        for mark in range(self.readings.n_marks) if start is None else start:
            if points[mark] is not None:
                self._look_around(mark)
        while True:
            while self.dirty:
                self._look(next(iter(self.dirty)))
            if not (self._take(self.agreed) or self._take(self.disputed) or self._take(self.tied)):
                return

    def _look_around(self, mark: int) -> None:
        """A mark became known: look at what its readings lead to."""
        readings, points, turned = self.readings, self.frame.points, self.frame.orientations
        rays, lengths, dirty = readings.rays, readings.lengths, self.dirty
        for group in readings.groups_at[mark]:
            if turned[group] is None:
                dirty[-1 - group] = None
        for k in readings.rays_from[mark]:
            if points[rays.end[k]] is None:
                dirty[rays.end[k]] = None
            if rays.group[k] == COMPASS and turned[COMPASS] is None:
                dirty[-1 - COMPASS] = None
        for k in readings.rays_to[mark]:
            other = rays.start[k]
            if points[other] is None:
                dirty[other] = None
            elif turned[rays.group[k]] is None:
                dirty[-1 - rays.group[k]] = None
        if self.frame.scaled:
            for k in readings.lengths_at[mark]:
                other = lengths.a[k] if lengths.b[k] == mark else lengths.b[k]
                if points[other] is None:
                    dirty[other] = None

    def _look(self, what: int) -> None:
        """Place or orient at once what is confirmed; keep the rest waiting."""
        del self.dirty[what]
        if what < 0:
            group = -1 - what
            if self.frame.orientations[group] is not None or not self._may(group):
                return
            turn = orient(self.readings, self.frame, group)
            if turn is None:
                return
            if turn[1] >= 2 and turn[1] > turn[2]:
                self._settle(what, turn)
            else:
                self._wait(what, turn)
            return
        if self.frame.points[what] is not None:
            return
        placement = place(self.readings, self.frame, what)
        if placement is None:
            return
        if placement.confirmed:
            self._settle(what, placement)
        elif placement.rival is None or placement.against > 0:
            self._wait(what, placement)
        else:
            self.waiting.pop(what, None)

    def _may(self, group: int) -> bool:
        return self.allowed is None or group in self.allowed

    def _wait(self, what: int, found: Placement | tuple[float, int, int]) -> None:
        self._queue_of(found).append(what)
        self.waiting[what] = found

    def _take(self, queue: deque[int]) -> bool:
        """Settle the first thing of a queue that still waits."""
        while queue:
            what = queue.popleft()
            found = self.waiting.get(what)
            if found is None:
                continue
            if queue is not self._queue_of(found):
                continue
            self._settle(what, found)
            return True
        return False

    def _queue_of(self, found: Placement | tuple[float, int, int]) -> deque[int]:
        if isinstance(found, tuple):
            return self.disputed if found[2] > 0 else self.agreed
        if found.rival is not None:
            return self.tied
        return self.disputed if found.against > 0 else self.agreed

    def _settle(self, what: int, found: Placement | tuple[float, int, int]) -> None:
        self.waiting.pop(what, None)
        readings, frame = self.readings, self.frame
        if isinstance(found, Placement):
            frame.points[what] = found.point
            if found.rival is not None:
                frame.doubtful.add(what)
            self._look_around(what)
            return
        group = -1 - what
        frame.orientations[group] = found[0]
        for k in readings.rays_of[group]:
            for mark in (readings.rays.end[k], readings.rays.start[k]):
                if frame.points[mark] is None:
                    self.dirty[mark] = None


def misfits(readings: Readings, frame: Frame) -> tuple[Floats, Floats]:
    """How far rays (rad) and lengths (m) miss, in units of their tolerances; NaN where an end is not
    known.
    """
    p = np.array([(np.nan, np.nan) if q is None else q for q in frame.points]).reshape(-1, 2)
    turn = np.array([np.nan if o is None else o for o in frame.orientations])
    rays, lengths = readings.rays, readings.lengths
    d = p[np.array(rays.end, dtype=int)] - p[np.array(rays.start, dtype=int)]
    off = np.arctan2(d[:, 0], d[:, 1]) - np.array(rays.value) - turn[np.array(rays.group, dtype=int)]
    off = np.abs((off + np.pi) % (2 * np.pi) - np.pi)
    ray_misfit = off / (np.array(rays.tolerance) + NEAR / (np.hypot(d[:, 0], d[:, 1]) + 1e-9))
    d = p[np.array(lengths.a, dtype=int)] - p[np.array(lengths.b, dtype=int)]
    length_misfit = np.abs(np.hypot(d[:, 0], d[:, 1]) - np.array(lengths.value)) / np.array(lengths.tolerance)
    return ray_misfit, length_misfit


def count_misfits(readings: Readings, frame: Frame) -> int:
    """How many readings miss by more than their tolerance."""
    ray, length = misfits(readings, frame)
    count = int(np.count_nonzero(ray > 1.0))
    return count + int(np.count_nonzero(length > 1.0)) if frame.scaled else count


def sweep(readings: Readings, frame: Frame) -> None:
    """Place and orient anew, from all neighbours, whatever has a misfit; repeat while it helps."""
    rays, lengths = readings.rays, readings.lengths
    for _ in range(SWEEPS):
        ray, length = misfits(readings, frame)
        marks: dict[int, None] = {}
        groups: dict[int, None] = {}
        for k in np.flatnonzero(ray > 1.0).tolist():
            groups[rays.group[k]] = None
            marks[rays.start[k]] = marks[rays.end[k]] = None
        if frame.scaled:
            for k in np.flatnonzero(length > 1.0).tolist():
                marks[lengths.a[k]] = marks[lengths.b[k]] = None
        moved = False
        for group in groups:
            if group == COMPASS:
                continue
            turn = orient(readings, frame, group)
            before = frame.orientations[group]
            if turn is not None and before is not None and abs(wrap(turn[0] - before)) > 1e-3 and turn[1] > 1:
                frame.orientations[group] = turn[0]
                moved = True
        for mark in marks:
            if not frame.fixed[mark]:
                moved |= _replace(readings, frame, mark)
        if not moved:
            return


def _replace(readings: Readings, frame: Frame, mark: int) -> bool:
    """Move a mark, and turn its groups with it, where another place satisfies more readings."""
    placement = place(readings, frame, mark, free_own=True)
    before = frame.points[mark]
    if placement is None or before is None or placement.rival is not None:
        return False
    old = local_misfits(readings, frame, mark)
    if old == 0:
        return False
    turned = [(g, frame.orientations[g]) for g in readings.groups_at[mark]]
    frame.points[mark] = placement.point
    for g, was in turned:
        turn = orient(readings, frame, g)
        if turn is not None and was is not None:
            frame.orientations[g] = turn[0]
    if local_misfits(readings, frame, mark) < old:
        return hypot(placement.point[0] - before[0], placement.point[1] - before[1]) > 0.0
    frame.points[mark] = before
    for g, was in turned:
        frame.orientations[g] = was
    return False


def local_misfits(readings: Readings, frame: Frame, mark: int) -> int:
    """How many readings to, from and at a mark miss by more than their tolerance."""
    rays, lengths, points = readings.rays, readings.lengths, frame.points
    count = 0
    for k in (*readings.rays_to[mark], *readings.rays_from[mark]):
        a, b, turn = points[rays.start[k]], points[rays.end[k]], frame.orientations[rays.group[k]]
        if a is not None and b is not None and turn is not None and k not in frame.without_rays:
            de, dn = b[0] - a[0], b[1] - a[1]
            off = abs(wrap(atan2(de, dn) - rays.value[k] - turn))
            count += off > rays.tolerance[k] + NEAR / (hypot(de, dn) + 1e-9)
    if frame.scaled:
        for k in readings.lengths_at[mark]:
            a, b = points[lengths.a[k]], points[lengths.b[k]]
            if a is not None and b is not None and k not in frame.without_lengths:
                off = abs(hypot(a[0] - b[0], a[1] - b[1]) - lengths.value[k])
                count += off > lengths.tolerance[k]
    return count

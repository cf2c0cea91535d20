"""The reduced observations as rays and lengths in the plane, ready for construction.

A ray runs from a mark to a mark and bears a direction that leans on the orientation of its *group*: all
rounds of one instrument setup, the angles at one mark that share sights, or the compass (azimuths and
vectors), which is group 0. A length joins two marks. Readings of the same thing that agree are one ray or one
length; where they disagree each stays, because nobody knows yet which is wrong.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from math import atan2, hypot

import numpy as np

from ..reductions import Observations
from .constructions import wrap

COMPASS = 0
RAY_TOLERANCE = 0.004  # rad: what a clean reading may miss by while coordinates are still rough
LENGTH_TOLERANCE = 0.004  # the same for lengths, as a share of the length
NEAR = 0.03  # m: centring, rounding and the like, which weigh most at short range
SIGMAS = 5.0


@dataclass(slots=True)
class Rays:
    """Columns of the rays: from mark, to mark, group, direction (rad), tolerance (rad), rows of the
    observations.
    """

    start: list[int] = field(default_factory=list)
    end: list[int] = field(default_factory=list)
    group: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    tolerance: list[float] = field(default_factory=list)
    rows: list[list[int]] = field(default_factory=list)

    def add(self, start: int, end: int, group: int, value: float, tolerance: float, rows: list[int]) -> None:
        """Append one ray."""
        self.start.append(start)
        self.end.append(end)
        self.group.append(group)
        self.value.append(value)
        self.tolerance.append(tolerance)
        self.rows.append(rows)


@dataclass(slots=True)
class Lengths:
    """Columns of the lengths: the two marks, horizontal length and tolerance (m), rows of the
    observations.
    """

    a: list[int] = field(default_factory=list)
    b: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    tolerance: list[float] = field(default_factory=list)
    rows: list[list[int]] = field(default_factory=list)

    def add(self, a: int, b: int, value: float, tolerance: float, rows: list[int]) -> None:
        """Append one length."""
        self.a.append(a)
        self.b.append(b)
        self.value.append(value)
        self.tolerance.append(tolerance)
        self.rows.append(rows)


@dataclass(slots=True)
class Readings:
    """Everything that speaks of the plane, with the lists by which growth finds its way."""

    n_marks: int
    rays: Rays
    lengths: Lengths
    group_mark: list[int]  # the mark at which a group stands, −1 for the compass
    rays_of: list[list[int]]  # by group
    rays_to: list[list[int]]  # by mark: rays that arrive
    rays_from: list[list[int]]  # by mark: rays that leave
    lengths_at: list[list[int]]  # by mark
    groups_at: list[list[int]]  # by mark, the compass left out
    length_between: dict[tuple[int, int], list[int]]  # by pair of marks, the lower row first

    @property
    def n_groups(self) -> int:
        """How many groups there are, the compass included."""
        return len(self.group_mark)

    def between(self, a: int, b: int) -> list[int]:
        """The lengths that join two marks."""
        return self.length_between.get((a, b) if a < b else (b, a), [])


def gather(obs: Observations, n_marks: int, horizontal: dict[int, float]) -> Readings:
    """Rays and lengths of the observations that are used.

    `horizontal` gives, by row, the horizontal length of what was measured as a slope distance.
    """
    rays, lengths = Rays(), Lengths()
    group_mark = [-1]
    used = np.flatnonzero(obs.used)
    kinds = obs.kind[used].tolist()
    rows_of: dict[str, list[int]] = defaultdict(list)
    for row, kind in zip(used.tolist(), kinds, strict=True):
        rows_of[kind].append(row)
    start, end = obs.start_mark.tolist(), obs.end_mark.tolist()
    value, sigma = obs.value.tolist(), obs.sigma.tolist()

    _directions(obs, rows_of["direction"], rays, group_mark)
    _angles(obs, rows_of["angle"], rays, group_mark)
    measured: dict[tuple[int, int], list[tuple[float, float, int]]] = defaultdict(list)
    for row in rows_of["azimuth"]:
        if start[row] != end[row]:
            rays.add(start[row], end[row], COMPASS, value[row], RAY_TOLERANCE + SIGMAS * sigma[row], [row])
    for row in (*rows_of["distance"], *rows_of["level"], *rows_of["horizontal"]):
        a, b = sorted((start[row], end[row]))
        if a != b:
            measured[a, b].append((horizontal.get(row, value[row]), SIGMAS * sigma[row], row))
    for row_e, row_n in _vector_rows(obs, rows_of["vector.east"], rows_of["vector.north"]):
        de, dn = value[row_e], value[row_n]
        length, spread = hypot(de, dn), SIGMAS * max(sigma[row_e], sigma[row_n])
        if start[row_e] == end[row_e]:
            continue
        if length > 1e-6:  # a plumb vector has no azimuth
            loose = RAY_TOLERANCE + min(spread / length, 3.0)
            rays.add(start[row_e], end[row_e], COMPASS, atan2(de, dn), loose, [row_e, row_n])
        a, b = sorted((start[row_e], end[row_e]))
        measured[a, b].append((max(length, 1e-6), spread, row_e))
    for (a, b), found in measured.items():
        for level, loose, rows in _merge(found):
            lengths.add(a, b, level, NEAR + LENGTH_TOLERANCE * level + loose, rows)
    return index(n_marks, rays, lengths, group_mark)


def index(n_marks: int, rays: Rays, lengths: Lengths, group_mark: list[int]) -> Readings:
    """The readings with their lists by mark and by group."""
    rays_of: list[list[int]] = [[] for _ in group_mark]
    rays_to: list[list[int]] = [[] for _ in range(n_marks)]
    rays_from: list[list[int]] = [[] for _ in range(n_marks)]
    lengths_at: list[list[int]] = [[] for _ in range(n_marks)]
    groups_at: list[list[int]] = [[] for _ in range(n_marks)]
    between: dict[tuple[int, int], list[int]] = {}
    for ray, (i, j, g) in enumerate(zip(rays.start, rays.end, rays.group, strict=True)):
        rays_of[g].append(ray)
        rays_from[i].append(ray)
        rays_to[j].append(ray)
    for length, (a, b) in enumerate(zip(lengths.a, lengths.b, strict=True)):
        lengths_at[a].append(length)
        lengths_at[b].append(length)
        between.setdefault((a, b), []).append(length)
    for group, mark in enumerate(group_mark):
        if mark >= 0:
            groups_at[mark].append(group)
    return Readings(
        n_marks, rays, lengths, group_mark, rays_of, rays_to, rays_from, lengths_at, groups_at, between
    )


def _directions(obs: Observations, rows: list[int], rays: Rays, group_mark: list[int]) -> None:
    """Rounds of one instrument setup, turned onto each other by the targets they share, make one group."""
    setup, mark = obs.start_setup.tolist(), obs.start_mark.tolist()
    end, orientation = obs.end_mark.tolist(), obs.orientation.tolist()
    value, sigma = obs.value.tolist(), obs.sigma.tolist()
    rounds: dict[int, dict[int, list[int]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        if mark[row] != end[row]:
            rounds[setup[row]][orientation[row]].append(row)
    for by_round in rounds.values():
        left = sorted(by_round.values(), key=len, reverse=True)
        while left:
            targets: dict[int, list[tuple[float, float, int]]] = defaultdict(list)
            for row in left[0]:
                targets[end[row]].append((value[row], SIGMAS * sigma[row], row))
            waiting = []
            for more in left[1:]:
                shifts = [(targets[end[r]][0][0] - value[r]) for r in more if end[r] in targets]
                if not shifts:
                    waiting.append(more)
                    continue
                shift = mode_of_angles(shifts, RAY_TOLERANCE)[0]
                for row in more:
                    targets[end[row]].append((value[row] + shift, SIGMAS * sigma[row], row))
            group_mark.append(mark[left[0][0]])
            for target, found in targets.items():
                base = found[0][0]
                near = [(wrap(v - base), loose, row) for v, loose, row in found] if len(found) > 1 else found
                for level, loose, merged in _merge(near, RAY_TOLERANCE):
                    turned = level + base if len(found) > 1 else level
                    rays.add(
                        group_mark[-1], target, len(group_mark) - 1, turned, RAY_TOLERANCE + loose, merged
                    )
            left = waiting


def _angles(obs: Observations, rows: list[int], rays: Rays, group_mark: list[int]) -> None:
    """Angles at one mark that share sights are directions of one group."""
    at, start, end = obs.at_mark.tolist(), obs.start_mark.tolist(), obs.end_mark.tolist()
    value, sigma = obs.value.tolist(), obs.sigma.tolist()
    by_mark: dict[int, list[int]] = defaultdict(list)
    for row in rows:
        by_mark[at[row]].append(row)
    for mark, angles in by_mark.items():
        arms: dict[int, list[tuple[int, float, int]]] = defaultdict(list)
        for row in angles:
            arms[start[row]].append((end[row], value[row], row))
            arms[end[row]].append((start[row], -value[row], row))
        settled: dict[int, float] = {}
        for root in arms:
            if root in settled:
                continue
            group_mark.append(mark)
            group, settled[root], spent = len(group_mark) - 1, 0.0, set()
            rays.add(mark, root, group, 0.0, RAY_TOLERANCE, [arms[root][0][2]])
            stack = [root]
            for arm in stack:
                for other, turn, row in arms[arm]:
                    if row in spent:
                        continue
                    spent.add(row)
                    there, loose = settled[arm] + turn, RAY_TOLERANCE + SIGMAS * sigma[row]
                    if other not in settled:
                        settled[other] = there
                        stack.append(other)
                        rays.add(mark, other, group, there, loose, [row])
                    elif abs(wrap(there - settled[other])) > loose:
                        rays.add(mark, other, group, there, loose, [row])


def _vector_rows(obs: Observations, east: list[int], north: list[int]) -> Iterable[tuple[int, int]]:
    """The rows of east and of north that belong to one vector."""
    block = obs.block.tolist()
    partner = {block[row]: row for row in north}
    return [(row, partner[block[row]]) for row in east if block[row] in partner]


def _merge(
    found: list[tuple[float, float, int]], tolerance: float | None = None
) -> list[tuple[float, float, list[int]]]:
    """Values that agree become their mean; the others stay by themselves. (value, looseness, row) in, rows
    joined.
    """
    if len(found) == 1:
        value, loose, row = found[0]
        return [(value, loose, [row])]
    merged: list[tuple[float, float, list[int]]] = []
    cluster: list[tuple[float, float, int]] = []
    for item in [*sorted(found), (float("inf"), 0.0, -1)]:
        if cluster:
            reach = tolerance if tolerance is not None else NEAR + LENGTH_TOLERANCE * cluster[0][0]
            if item[0] - cluster[0][0] > reach + item[1]:
                mean = sum(c[0] for c in cluster) / len(cluster)
                merged.append((mean, max(c[1] for c in cluster), [c[2] for c in cluster]))
                cluster = []
        cluster.append(item)
    return merged


def mode_of_angles(angles: list[float], tolerance: float) -> tuple[float, int]:
    """The middle of the densest cluster of angles and how many lie in it (not further from it than the
    tolerance).
    """
    best, best_count = angles[0], 0
    for candidate in angles:
        near = [wrap(a - candidate) for a in angles]
        near = [d for d in near if abs(d) <= tolerance]
        if len(near) > best_count:
            best, best_count = candidate + sum(near) / len(near), len(near)
            if best_count == len(angles):
                break
    return wrap(best), best_count

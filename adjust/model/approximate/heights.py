"""Heights of the marks from whatever speaks of height differences.

A zenith angle with a length gives the rise between two device centres, u = S cos z + (1 − k)(S sin z)²/(2R),
or D cot z + (1 − k)D²/(2R) where a horizontal length D is known; with the heights of the devices over their
marks that is the rise between the marks. Rises and vectors give it at once. Source: surveying textbooks, from
memory.

The differences are linear in the heights, so the robust solution (least absolute misfits) does not depend on
where it starts. A setup whose height over the mark is not known is a node of its own.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Set
from dataclasses import dataclass
from math import cos, hypot, sin, sqrt, tan

import numpy as np

from ...ground.table import Floats, Ints
from ..reductions import Observations
from .consensus import Frame
from .spreading import Rises, Spread

NEAR, SHARE = 0.05, 0.004  # m and ratio: what a clean difference may miss by


@dataclass(slots=True)
class Sightlines:
    """Zenith angles and distances of each pair of setups, and what they lack."""

    zeniths: dict[tuple[int, int], list[int]]
    slopes: list[int]
    levels: dict[tuple[int, int], list[int]]


def sightlines(obs: Observations) -> Sightlines:
    """The used rows of zenith angles, slope distances and horizontal distances, by pair of setups."""
    by_kind: dict[str, list[int]] = defaultdict(list)
    used = np.flatnonzero(obs.used)
    for row, kind in zip(used.tolist(), obs.kind[used].tolist(), strict=True):
        by_kind[kind].append(row)
    start, end = obs.start_setup.tolist(), obs.end_setup.tolist()
    zeniths: dict[tuple[int, int], list[int]] = defaultdict(list)
    levels: dict[tuple[int, int], list[int]] = defaultdict(list)
    for row in by_kind["zenith"]:
        zeniths[start[row], end[row]].append(row)
    for row in by_kind["level"]:
        levels[start[row], end[row]].append(row)
    return Sightlines(zeniths, by_kind["distance"], levels)


class Geometry:
    """What turns readings of a sight into height differences and lengths: device heights, radius,
    refraction.
    """

    def __init__(
        self, obs: Observations, heights: Floats, n_marks: int, radius: float, refraction: float
    ) -> None:
        self.value, self.sigma = obs.value.tolist(), obs.sigma.tolist()
        self.start, self.end, self.round = (
            obs.start_setup.tolist(),
            obs.end_setup.tolist(),
            obs.round.tolist(),
        )
        self.start_mark, self.end_mark = obs.start_mark.tolist(), obs.end_mark.tolist()
        self.device = [0.0 if h != h else h for h in heights.tolist()]
        self.unknown = [h != h for h in heights.tolist()]
        self.n_marks, self.bend = n_marks, (1.0 - refraction) / (2.0 * radius)

    def node(self, setup: int, mark: int) -> int:
        """The node of a setup: its mark, or its own where its height is not known."""
        return self.n_marks + setup if setup >= 0 and self.unknown[setup] else mark

    def centre(self, setup: int) -> float:
        """Height of the device centre over its node, m."""
        return self.device[setup] if setup >= 0 else 0.0

    def zenith_for(self, row: int, lines: Sightlines) -> int | None:
        """The zenith angle read with a distance: of the same round, else of any."""
        rows = lines.zeniths.get((self.start[row], self.end[row]))
        if not rows:
            return None
        return next((z for z in rows if self.round[z] == self.round[row]), rows[0])

    def rise(self, row: int, across: float, zenith: int, up: float, rises: Rises) -> None:
        """Add the rise of one sight: `across` m horizontal, `up` m between the device centres by the straight
        line.
        """
        value = up + self.bend * across * across
        value += self.centre(self.start[row]) - self.centre(self.end[row])
        start, end = (
            self.node(self.start[row], self.start_mark[row]),
            self.node(self.end[row], self.end_mark[row]),
        )
        loose = NEAR + (SHARE + 5 * self.sigma[zenith]) * max(across, abs(up))
        if start != end:
            rises.add(start, end, value, loose, zenith)


def measured_rises(
    obs: Observations, lines: Sightlines, geometry: Geometry, wrong: Set[int] = frozenset()
) -> tuple[Rises, set[int]]:
    """Differences that need no coordinates, and the zenith angles spent on them; `wrong` distances are not
    used.
    """
    rises, spent = Rises(), set()
    value = geometry.value
    for row in lines.slopes:
        zenith = geometry.zenith_for(row, lines)
        if zenith is not None and row not in wrong:
            spent.add(zenith)
            across, up = value[row] * sin(value[zenith]), value[row] * cos(value[zenith])
            geometry.rise(row, across, zenith, up, rises)
    for pair, rows in lines.levels.items():
        for zenith in lines.zeniths.get(pair, []):
            if zenith not in spent and abs(sin(value[zenith])) > 0.05:
                spent.add(zenith)
                geometry.rise(zenith, value[rows[0]], zenith, value[rows[0]] / tan(value[zenith]), rises)
    for row in np.flatnonzero(obs.used & ((obs.kind == "rise") | (obs.kind == "vector.up"))).tolist():
        if geometry.start_mark[row] == geometry.end_mark[row]:
            continue
        setups = geometry.start[row], geometry.end[row]
        start, end = (
            geometry.node(setups[0], geometry.start_mark[row]),
            geometry.node(setups[1], geometry.end_mark[row]),
        )
        up = value[row] + geometry.centre(setups[0]) - geometry.centre(setups[1])
        rises.add(start, end, up, NEAR + 5 * geometry.sigma[row], row)
    return rises, spent


def sighted_rises(lines: Sightlines, geometry: Geometry, frame: Frame, spent: set[int], rises: Rises) -> None:
    """Differences from zenith angles without a length of their own, over the lengths between known
    coordinates.
    """
    for rows in lines.zeniths.values():
        for zenith in rows:
            p, q = frame.points[geometry.start_mark[zenith]], frame.points[geometry.end_mark[zenith]]
            angle = geometry.value[zenith]
            if zenith in spent or p is None or q is None or abs(sin(angle)) < 0.05:
                continue
            across = hypot(p[0] - q[0], p[1] - q[1])
            if across > 0.0:
                geometry.rise(zenith, across, zenith, across / tan(angle), rises)


def lend(levels: Spread, setup_marks: Ints, n_marks: int) -> None:
    """A mark of unknown height takes that of the device over it, as if the device stood on it: so the engine
    reads a height over the mark that is not given.
    """
    for setup, mark in enumerate(setup_marks.tolist()):
        node = n_marks + setup
        if levels.heights[mark] is None and levels.heights[node] is not None:
            levels.heights[mark], levels.island[mark] = levels.heights[node], levels.island[node]


def lengths_by_zenith(lines: Sightlines, geometry: Geometry) -> dict[int, float]:
    """The horizontal length of every slope distance that has a zenith angle, by row, whatever heights say."""
    lengths = {}
    for row in lines.slopes:
        zenith = geometry.zenith_for(row, lines)
        if zenith is not None:
            lengths[row] = geometry.value[row] * abs(sin(geometry.value[zenith]))
    return lengths


def level_lengths(lines: Sightlines, geometry: Geometry, levels: Spread) -> dict[int, float]:
    """The horizontal length of every slope distance, by row.

    From the zenith angle where the heights bear it out; from the heights where they are sure and it does not
    fit, or where there is none; from the slope as it is where nothing else is known.
    """
    lengths = {}
    for row in lines.slopes:
        slope = geometry.value[row]
        zenith = geometry.zenith_for(row, lines)
        by_angle = None if zenith is None else slope * abs(sin(geometry.value[zenith]))
        start, end = (
            geometry.node(geometry.start[row], geometry.start_mark[row]),
            geometry.node(geometry.end[row], geometry.end_mark[row]),
        )
        a, b = levels.heights[start], levels.heights[end]
        by_height = None
        if a is not None and b is not None and (zenith is None or (levels.sure[start] and levels.sure[end])):
            up = b + geometry.centre(geometry.end[row]) - a - geometry.centre(geometry.start[row])
            if abs(up) < slope:
                by_height = sqrt(slope * slope - up * up)
        if by_angle is None or (by_height is not None and abs(by_angle - by_height) > NEAR + SHARE * slope):
            lengths[row] = slope if by_height is None else by_height
        else:
            lengths[row] = by_angle
    return lengths

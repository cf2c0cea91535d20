"""A mark placed, or a group of directions oriented, by what most of the readings agree on.

Every construction of a point from its fewest readings is a proposal; each proposal is asked how many of all
the readings it satisfies; the one with most wins. A wrong reading makes wrong proposals, but these stand
alone: two wrong ones agree only by chance. What wins with nothing to spare is told apart from what a further
reading confirms.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import atan2, hypot, pi, sin

from .constructions import (
    Point,
    angle_and_distance,
    azimuth,
    intersection,
    polar,
    ray_and_distance,
    resection,
    similarity,
    two_distances,
    wrap,
)
from .readings import COMPASS, NEAR, Readings, mode_of_angles

PROPOSALS = 60  # enough that a handful of wrong readings can't spoil all of them
ENOUGH = 12  # proposals after which a majority of two thirds settles it
PAIRS = 8  # how many readings of one sort are paired with each other


@dataclass(slots=True)
class Frame:
    """Where marks lie and how groups are oriented in one system of coordinates; None where not known yet."""

    points: list[Point | None]
    orientations: list[float | None]
    fixed: list[bool]  # marks that control holds here
    scaled: bool = True  # False: no length was used, the size of the frame is arbitrary
    without_rays: set[int] = field(
        default_factory=set
    )  # readings set aside while another explanation is tried
    without_lengths: set[int] = field(default_factory=set)
    doubtful: set[int] = field(
        default_factory=set
    )  # marks whose readings contradict each other, vote for vote

    @staticmethod
    def blank(readings: Readings) -> Frame:
        """A frame in which nothing is known."""
        n = readings.n_marks
        return Frame([None] * n, [None] * readings.n_groups, [False] * n)

    def copy(self) -> Frame:
        """A frame of its own with the same contents."""
        return Frame(
            list(self.points),
            list(self.orientations),
            self.fixed,
            self.scaled,
            self.without_rays,
            self.without_lengths,
            set(self.doubtful),
        )


@dataclass(slots=True)
class Placement:
    """A proposal that won: the point, readings that agree and that don't, and a rival as good but
    elsewhere.
    """

    point: Point
    support: float
    against: float
    rival: Point | None = None

    @property
    def confirmed(self) -> bool:
        """More readings agree than two coordinates need, and they outnumber the others."""
        return self.rival is None and self.support >= 3 and self.support > self.against


class Witnesses:
    """The readings that tie one mark to what is known in a frame."""

    __slots__ = ("lengths", "own", "rays", "total")

    def __init__(self, readings: Readings, frame: Frame, mark: int, free_own: bool = False) -> None:
        points, turned = frame.points, frame.orientations
        # (known point, length, tolerance, other mark); (known point, azimuth from it, tolerance, other mark)
        self.lengths: list[tuple[Point, float, float, int]] = []
        self.rays: list[tuple[Point, float, float, int]] = []
        # one list a group at the mark that is not oriented: (known point, direction, tolerance, other mark)
        self.own: list[list[tuple[Point, float, float, int]]] = []
        lengths, rays = readings.lengths, readings.rays
        if frame.scaled:
            for k in readings.lengths_at[mark]:
                other = lengths.a[k] if lengths.b[k] == mark else lengths.b[k]
                p = points[other]
                if p is not None and k not in frame.without_lengths:
                    self.lengths.append((p, lengths.value[k], lengths.tolerance[k], other))
        for k in readings.rays_to[mark]:
            p, turn = points[rays.start[k]], turned[rays.group[k]]
            if p is not None and turn is not None and k not in frame.without_rays:
                self.rays.append((p, rays.value[k] + turn, rays.tolerance[k], rays.start[k]))
        own: dict[int, list[tuple[Point, float, float, int]]] = {}
        for k in readings.rays_from[mark]:
            p = points[rays.end[k]]
            if p is None or k in frame.without_rays:
                continue
            g = rays.group[k]
            turn = turned[g]
            if turn is not None and (g == COMPASS or not free_own):
                self.rays.append((p, rays.value[k] + turn + pi, rays.tolerance[k], rays.end[k]))
            else:
                own.setdefault(g, []).append((p, rays.value[k], rays.tolerance[k], rays.end[k]))
        self.own = [seen for seen in own.values() if len(seen) > 1]
        self.total = len(self.lengths) + len(self.rays) + sum(len(seen) - 1 for seen in self.own)

    def agreeing(self, at: Point) -> tuple[float, float]:
        """How many readings agree with a point, and the sum of their misfits in units of their tolerances."""
        x, y = at
        support, cost = 0, 0.0
        for (px, py), length, tolerance, _ in self.lengths:
            off = abs(hypot(x - px, y - py) - length)
            if off <= tolerance:
                support += 1
                cost += off / tolerance
        for (px, py), turn, tolerance, _ in self.rays:
            de, dn = x - px, y - py
            off = abs(wrap(atan2(de, dn) - turn))
            loose = tolerance + NEAR / (hypot(de, dn) + 1e-9)
            if off <= loose:
                support += 1
                cost += off / loose
        for seen in self.own:
            turns, loosest = [], 0.0
            for (px, py), direction, tolerance, _ in seen:
                de, dn = px - x, py - y
                turns.append(atan2(de, dn) - direction)
                loosest = max(loosest, tolerance + NEAR / (hypot(de, dn) + 1e-9))
            middle, count = mode_of_angles(turns, loosest)
            if count > 1:
                support += count - 1
                cost += sum(min(abs(wrap(t - middle)) / loosest, 1.0) for t in turns) / 2
        return support, cost

    def settled(self, at: Point) -> Point:
        """The point moved to where the readings that agree with it fit best, by one step of least squares."""
        x, y = at
        ee = en = nn = re = rn = 0.0
        for (px, py), length, tolerance, _ in self.lengths:
            de, dn = x - px, y - py
            d = hypot(de, dn) + 1e-9
            off = length - d
            if abs(off) <= tolerance:
                w = 1.0 / (tolerance * tolerance)
                ue, un = de / d, dn / d
                ee, en, nn = ee + w * ue * ue, en + w * ue * un, nn + w * un * un
                re, rn = re + w * ue * off, rn + w * un * off
        for (px, py), turn, tolerance, _ in self.rays:
            de, dn = x - px, y - py
            d = hypot(de, dn) + 1e-9
            off = wrap(turn - atan2(de, dn))
            loose = tolerance + NEAR / d
            if abs(off) <= loose:
                w = 1.0 / (loose * loose * d * d)
                ue, un = dn / d, -de / d
                ee, en, nn = ee + w * ue * ue, en + w * ue * un, nn + w * un * un
                re, rn = re + w * ue * off * d, rn + w * un * off * d
        determinant = ee * nn - en * en
        if determinant <= 0.01 * ee * nn or determinant <= 0.0:
            return at
        return x + (nn * re - en * rn) / determinant, y + (ee * rn - en * re) / determinant

    def proposals(self) -> Iterator[Point]:
        """Points from the fewest readings, the best conditioned constructions first."""
        rays, lengths = self.rays, self.lengths
        for p, turn, _, other in rays:
            for _, length, _, far in lengths:
                if far == other:
                    yield polar(p, turn, length)
        cuts = [(abs(sin(rays[i][1] - rays[j][1])), i, j) for i in range(len(rays[:PAIRS])) for j in range(i)]
        for _, i, j in sorted(cuts, reverse=True)[: 2 * PAIRS]:
            point = intersection(rays[i][0], rays[i][1], rays[j][0], rays[j][1])
            if point is not None:
                yield point
        for seen in self.own:
            yield from self._free_station(seen)
        for i, (p, length, _, other) in enumerate(lengths[:PAIRS]):
            for q, second, _, _ in lengths[:i]:
                yield from two_distances(q, second, p, length)
            for q, turn, _, far in rays[:PAIRS]:
                if far != other:
                    yield from ray_and_distance(q, turn, p, length)
            for seen in self.own:
                for a, at_a, _, mark_a in seen[:PAIRS]:
                    if mark_a == other:
                        for b, at_b, _, mark_b in seen[:PAIRS]:
                            if mark_b != other:
                                yield from angle_and_distance(a, length, b, at_b - at_a)

    def _free_station(self, seen: list[tuple[Point, float, float, int]]) -> Iterator[Point]:
        """The instrument from its own sights: two with lengths, an incoming ray and a second sight, or three
        directions.
        """
        length_to: dict[int, float] = {}
        for _, length, _, other in self.lengths:
            length_to.setdefault(other, length)
        both = [(p, direction, length_to[m]) for p, direction, _, m in seen if m in length_to][:PAIRS]
        pairs = [
            (hypot(a[0][0] - b[0][0], a[0][1] - b[0][1]), a, b) for i, a in enumerate(both) for b in both[:i]
        ]
        pairs.sort(key=lambda pair: -pair[0])
        for base, a, b in pairs[: 2 * PAIRS]:
            if base > 0.0:
                local = [polar((0.0, 0.0), a[1], a[2]), polar((0.0, 0.0), b[1], b[2])]
                _, shift = similarity(local, [a[0], b[0]], scaled=False)
                yield shift.real, shift.imag
        for p, turn, _, other in self.rays[:PAIRS]:
            for _, direction, _, far in seen:
                if far == other:  # the same sight read both ways orients the group
                    for r, second, _, third in seen[:PAIRS]:
                        if third != other:
                            point = intersection(p, turn, r, turn + second - direction)
                            if point is not None:
                                yield point
        n = min(len(seen), PAIRS)
        for i in range(n):
            for j in range(i + 1, n):
                for k in range(j + 1, n):
                    three = (seen[i], seen[j], seen[k])
                    point = resection([s[0] for s in three], [s[1] for s in three])
                    if point is not None:
                        yield point


def place(readings: Readings, frame: Frame, mark: int, free_own: bool = False) -> Placement | None:
    """The point of a mark on which most readings agree; None where they fix no point.

    `free_own` lets the orientations of the groups at the mark follow the point.
    """
    witnesses = Witnesses(readings, frame, mark, free_own)
    if witnesses.total < 2:
        return None
    best: list[tuple[float, float, Point]] = []
    most = 0.0
    for count, point in enumerate(witnesses.proposals()):
        support, cost = witnesses.agreeing(point)
        best.append((-support, cost, point))
        most = max(most, support)
        if support >= witnesses.total and support > 2:
            break
        # A clear majority is not beaten by readings that contradict it, so there is no need to hear all of them.
        if count >= PROPOSALS or (count >= ENOUGH and most > 2 and 3 * most > 2 * witnesses.total):
            break
    if not best:
        return None
    best.sort()
    support, _, point = best[0]
    reach = 0.02 * max(
        (hypot(point[0] - w[0][0], point[1] - w[0][1]) for w in (*witnesses.lengths, *witnesses.rays)),
        default=1.0,
    )
    rival = None
    for other_support, _, other in best[1:]:
        if other_support > support:
            break
        if hypot(other[0] - point[0], other[1] - point[1]) > reach + 2 * NEAR:
            rival = other
            break
    if rival is None and -support > 2:
        point = witnesses.settled(point)
    return Placement(point, -support, witnesses.total + support, rival)


def orient(readings: Readings, frame: Frame, group: int) -> tuple[float, int, int] | None:
    """The orientation of a group by the marks known at both ends: value, how many rays agree, how many don't.

    Where no two agree, a ray whose length fits as well is believed first, then the longest.
    """
    rays, points = readings.rays, frame.points
    turns: list[tuple[float, float, float]] = []
    for k in readings.rays_of[group]:
        a, b = points[rays.start[k]], points[rays.end[k]]
        if a is None or b is None or k in frame.without_rays:
            continue
        reach = hypot(b[0] - a[0], b[1] - a[1])
        if reach < 1e-6:
            continue
        fits = 1.0
        if frame.scaled:
            for n in readings.between(rays.start[k], rays.end[k]):
                if abs(readings.lengths.value[n] - reach) > readings.lengths.tolerance[n]:
                    fits = 0.0
        turns.append((azimuth(a, b) - rays.value[k], rays.tolerance[k] + NEAR / reach, fits * 1e9 + reach))
    if not turns:
        return None
    turns.sort(key=lambda t: -t[2])
    middle, count = mode_of_angles([t[0] for t in turns], max(t[1] for t in turns))
    return middle, count, len(turns) - count

"""Traverses between control marks, closed in the plane on what the control says.

A traverse m_0 … m_k runs from one control mark to another over marks that are none. How much can be held against the
control depends on where a control mark was sighted as well:

    at both ends    angles (the azimuths between control marks) and position, three figures
    at one end      position, two
    at neither      the distance from m_0 to m_k, one: what two sights from one free setup already give

With α_0 the azimuth of the first leg, α_i = α_(i−1) + angle_i − π and p = m_0 + Σ D_i (sin α_i, cos α_i), the closures
are α_(k−1) + π + angle_k − azimuth(m_k → sighted) and p − m_k. Their covariance is propagated to first order from readings,
setup effects (each once) and the sigmas of weighted control. Closures of connecting traverses: all textbooks, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..ground.network import Network
from ..ground.table import Floats
from ..model.frames import frame_of
from ..model.reductions import wrap
from ..settings import Settings
from .check import Check, Effects, Form, chi2_check, normal_check
from .legs import Index, Leg, angle

LONGEST = 40  # legs of a traverse: beyond, its closure says next to nothing


@dataclass(frozen=True)
class Traverse:
    """Marks m_0 … m_k, the angle at each (None at an end without one) as legs to what lies before and behind."""

    marks: tuple[int, ...]
    angles: tuple[tuple[Leg, Leg] | None, ...]
    distances: tuple[Leg, ...]


@dataclass(frozen=True)
class Closed:
    """What of a traverse closes: angle (rad; NaN where one end lacks it), then (east, north) or the distance alone (m).

    covariance (q, q) of all of them; length of the traverse, m.
    """

    angle: float
    misses: Floats
    covariance: Floats
    length: float

    @property
    def statistic(self) -> tuple[float, int]:
        """T = cᵀ Q⁻¹ c of all closures together, and how many they are."""
        c = self.misses if np.isnan(self.angle) else np.append(self.angle, self.misses)
        return float(c @ np.linalg.solve(self.covariance, c)), len(c)


def traverse_checks(network: Network, settings: Settings, index: Index, limit: float) -> list[Check]:
    """The closures of independent traverses between control marks (see `traverses`)."""
    effects = Effects.of(network)
    found: list[Check] = []
    for traverse in traverses(network, index):
        closed = close(network, settings, effects, traverse)
        names = tuple(str(network.marks.mark[m]) for m in traverse.marks)
        Q, n = closed.covariance, len(names)
        if not np.isnan(closed.angle):
            sigma = float(np.sqrt(Q[0, 0]))
            found.append(normal_check("traverse, angles", names, closed.angle, sigma, limit, "angle", n))
            Q = Q[1:, 1:]
        size = float(np.hypot.reduce(closed.misses))
        ratio = closed.length / size if size > 0.0 else float("inf")
        if len(closed.misses) == 1:
            sigma, kind = float(np.sqrt(Q[0, 0])), "traverse, distance"
            found.append(
                normal_check(
                    kind, names, float(closed.misses[0]), sigma, limit, "length", n, ratio_to_perimeter=ratio
                )
            )
            continue
        T, sigma = float(closed.misses @ np.linalg.solve(Q, closed.misses)), float(np.sqrt(np.trace(Q)))
        kind, alpha = "traverse, position", settings.alpha
        found.append(chi2_check(kind, names, T, 2, size, sigma, alpha, "length", n, ratio_to_perimeter=ratio))
    return found


def traverses(network: Network, index: Index) -> tuple[Traverse, ...]:
    """Shortest traverses between control marks, as many as are independent: each joins what none before it does."""
    marks = network.marks
    plane = np.isfinite(marks.sigma_east) & np.isfinite(marks.sigma_north)
    known = np.flatnonzero(plane & np.isfinite(marks.east) & np.isfinite(marks.north)).tolist()
    paths = [p for first in known for p in _paths(first, set(known), index) if first < p[-1]]
    above = {m: m for m in known}

    def top(m: int) -> int:
        while above[m] != m:
            m = above[m]
        return m

    found = []
    for path in sorted(paths, key=len):
        a, b = top(path[0]), top(path[-1])
        if a != b:
            above[b] = a
            found.append(_traverse(path, known, network, index))
    return tuple(found)


def _paths(first: int, known: set[int], index: Index) -> list[tuple[int, ...]]:
    """From a control mark to each other one that is reached, the fewest legs; an angle at every mark between.

    Walked leg by leg, since the angle at a mark needs the one before: a state is a leg, and each is entered once.
    """
    paths: dict[int, tuple[int, ...]] = {}
    ahead: list[tuple[int, ...]] = [(first, m) for m in index.beside(first)]
    seen: set[tuple[int, ...]] = set(ahead)
    for _ in range(LONGEST):
        further: list[tuple[int, ...]] = []
        for path in ahead:
            at = path[-1]
            if at in known:
                paths.setdefault(at, path)
                continue
            for m in index.beside(at):
                if m in path or (at, m) in seen or index.angle_at(at, path[-2], m) is None:
                    continue
                seen.add((at, m))
                further.append((*path, m))
        ahead = further
    return list(paths.values())


def _traverse(path: tuple[int, ...], known: list[int], network: Network, index: Index) -> Traverse:
    """Its angles; at an end to the control mark farthest off that was sighted there with the leg."""
    given = np.column_stack([network.marks.east, network.marks.north])

    def oriented(at: int, other: int, first: bool) -> tuple[Leg, Leg] | None:
        for c in sorted(known, key=lambda c: -float(np.hypot(*(given[c] - given[at])))):
            if c in (at, other):
                continue
            pair = index.angle_at(at, c, other) if first else index.angle_at(at, other, c)
            if pair is not None:
                return pair
        return None

    inner = [index.angle_at(b, a, c) for a, b, c in zip(path, path[1:], path[2:], strict=False)]
    angles = (oriented(path[0], path[1], True), *inner, oriented(path[-1], path[-2], False))
    distances = tuple(index.distance(a, b) for a, b in pairwise(path))
    return Traverse(path, angles, distances)


def close(network: Network, settings: Settings, effects: Effects, traverse: Traverse) -> Closed:
    """The closures of a traverse. One with an azimuth at its far end alone is run backwards."""
    angles = traverse.angles
    if angles[0] is None and angles[-1] is not None:
        turned = tuple(None if p is None else p[::-1] for p in angles[::-1])
        traverse = Traverse(traverse.marks[::-1], turned, traverse.distances[::-1])
        angles = turned
    given = np.column_stack([network.marks.east, network.marks.north])
    marks, k = traverse.marks, len(traverse.distances)
    D = np.array([leg.D for leg in traverse.distances])
    if not all(leg.on_grid for leg in traverse.distances):
        D = D * _to_grid(network, settings, marks)
    start, end = angles[0], angles[-1]
    azimuth = np.zeros(k)
    if start is not None:
        azimuth[0] = _azimuth(given, marks[0], start[0].end_mark) + angle(*start)[0]
    for i in range(1, k):
        pair = angles[i]
        assert pair is not None
        azimuth[i] = azimuth[i - 1] + angle(*pair)[0] - np.pi
    unit = np.column_stack([np.sin(azimuth), np.cos(azimuth)])
    across = np.column_stack([np.cos(azimuth), -np.sin(azimuth)])
    run = (D[:, None] * unit).sum(axis=0)
    chord = given[marks[-1]] - given[marks[0]]
    both = start is not None and end is not None
    if start is not None:  # rows of `to` pick what is closed out of (angle, east, north)
        misses, to = run - chord, np.eye(3) if both else np.eye(3)[1:]
    else:
        far = float(np.hypot(*run))
        misses, to = np.array([far - np.hypot(*chord)]), np.concatenate([[0.0], run / far])[None]
    turn = float("nan")
    if start is not None and end is not None:
        last = azimuth[-1] + np.pi + angle(*end)[0]
        turn = float(wrap(np.array(last - _azimuth(given, marks[-1], end[1].end_mark))))
    form = Form(len(to))
    for i, pair in enumerate(angles):
        if pair is None or (i == k and not both):
            continue
        swing = (D[i:, None] * across[i:]).sum(axis=0)  # the legs that it turns; the last angle turns none
        by = to @ np.array([1.0, *swing])
        form.add(("angle", pair[0].number, pair[1].number), angle(*pair)[1], by)
        for leg, sign in ((pair[1], 1.0), (pair[0], -1.0)):
            outer = (i == 0 and leg is pair[0]) or (i == k and leg is pair[1])
            heading, length = _heading(given, marks, azimuth, D, i, leg, outer)
            push = sign * np.array([np.cos(heading), -np.sin(heading)]) / length
            effects.shift(form, leg.end, by * push[0], by * push[1])
            effects.shift(form, leg.start, -by * push[0], -by * push[1])
            for m, side in ((leg.end_mark, -1.0), (marks[i], 1.0)) if outer else ():
                for axis in (0, 1):  # the azimuth to a control mark is the given one, with its sigma
                    form.add(("control", m, axis), _sigma(network, m, axis), side * by * push[axis])
    for i, leg in enumerate(traverse.distances):
        along = to @ np.array([0.0, *unit[i]])
        form.add(("distance", leg.number, 0), leg.sigma_flat, along)
        forwards = 1.0 if leg.start_mark == marks[i] else -1.0
        for setup, side in ((leg.end, forwards), (leg.start, -forwards)):
            effects.shift(form, setup, side * along * unit[i, 0], side * along * unit[i, 1])
    # the distance alone was run in a frame of its own: along the chord the control has its own direction
    seen = to[:, 1:] if start is not None else (chord / np.hypot(*chord))[None]
    for m, side in ((marks[0], 1.0), (marks[-1], -1.0)):
        for axis in (0, 1):
            form.add(("control", m, axis), _sigma(network, m, axis), side * seen[:, axis])
    return Closed(turn, misses, form.covariance(), float(D.sum()))


def _heading(
    given: Floats, marks: tuple[int, ...], azimuth: Floats, D: Floats, i: int, leg: Leg, outer: bool
) -> tuple[float, float]:
    """Azimuth and length of a sight from m_i: to a neighbour on the traverse, or to another control mark."""
    if outer:
        step = given[leg.end_mark] - given[marks[i]]
        return float(np.arctan2(*step)), float(np.hypot(*step))
    if i < len(marks) - 1 and leg.end_mark == marks[i + 1]:
        return float(azimuth[i]), float(D[i])
    return float(azimuth[i - 1] + np.pi), float(D[i - 1])


def _azimuth(given: Floats, start: int, end: int) -> float:
    return float(np.arctan2(*(given[end] - given[start])))


def _sigma(network: Network, mark: int, axis: int) -> float:
    return float((network.marks.sigma_east, network.marks.sigma_north)[axis][mark])


def _to_grid(network: Network, settings: Settings, marks: tuple[int, ...]) -> float:
    """Grid length / distance at the level of the instrument, the mean of the two control marks: scale·(R + h0)/(R + h) in a
    plane (10 m of another height are 1.6 ppm), point scale and height on the earth."""
    m, ends = network.marks, [marks[0], marks[-1]]
    given = np.full((len(m), 3), np.nan)
    given[ends] = np.column_stack([m.east, m.north, m.height])[ends]
    return float(np.mean(frame_of(network, settings).grid_scales(given)[ends]))

"""Frames of their own where growth from control gets stuck, and how they are joined.

An instrument setup carries a frame: its own position and the direction of its circle's zero. It grows like
any other and is joined to the control by a turn and a shift over the marks known in both, found from all
pairs of them. A traverse whose first setup sees no other control is such a frame; so is a whole network
without control.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

from .consensus import Frame
from .constructions import Point, polar, similarity, wrap
from .growth import grow
from .readings import COMPASS, Readings

PAIRS = 60
CLOSE = 0.01  # two frames agree on a mark if they differ by less than this share of the frame's extent


def seeds(readings: Readings, frame: Frame) -> list[int]:
    """Groups that could carry a frame: not oriented yet, those with most measured rays first."""
    rays = readings.rays

    def worth(group: int) -> tuple[int, int]:
        ends = [(rays.start[k], rays.end[k]) for k in readings.rays_of[group]]
        return sum(1 for a, b in ends if readings.between(a, b)), len(ends)

    loose = [g for g in range(1, readings.n_groups) if frame.orientations[g] is None and readings.rays_of[g]]
    return sorted(loose, key=worth, reverse=True)


def frame_from(readings: Readings, world: Frame, group: int) -> Frame:
    """The frame of one group: its mark at the origin, its circle's zero as north, grown as far as it goes.

    Without a length to start from, the first sight sets the unit and no length is used.
    """
    frame = Frame.blank(readings)
    frame.without_rays, frame.without_lengths = world.without_rays, world.without_lengths
    rays = readings.rays
    mark = readings.group_mark[group]
    frame.points[mark] = (0.0, 0.0)
    frame.orientations[group] = 0.0
    allowed = {g for g in range(readings.n_groups) if world.orientations[g] is None or g == COMPASS}
    measured = any(readings.between(mark, rays.end[k]) for k in readings.rays_of[group])
    if not measured:
        frame.scaled = False
        back = {rays.start[k] for k in readings.rays_to[mark]}
        first = [k for k in readings.rays_of[group] if rays.end[k] in back] or readings.rays_of[group]
        frame.points[rays.end[first[0]]] = polar((0.0, 0.0), rays.value[first[0]], 1.0)
    grow(readings, frame, allowed)
    if not frame.scaled:
        _measure(readings, frame)
    return frame


def frame_of_azimuths(readings: Readings, world: Frame, mark: int) -> Frame:
    """A frame that starts from a mark and the azimuths alone (azimuths and vectors bring their own north)."""
    frame = Frame.blank(readings)
    frame.without_rays, frame.without_lengths = world.without_rays, world.without_lengths
    frame.points[mark] = (0.0, 0.0)
    frame.orientations[COMPASS] = 0.0
    grow(readings, frame)
    return frame


def frame_of_lengths(readings: Readings, world: Frame, length: int) -> Frame | None:
    """A frame that starts from one length and two more that meet in a third mark, on the side chosen here."""
    frame = Frame.blank(readings)
    frame.without_rays, frame.without_lengths = world.without_rays, world.without_lengths
    lengths = readings.lengths
    a, b = lengths.a[length], lengths.b[length]
    frame.points[a], frame.points[b] = (0.0, 0.0), (0.0, lengths.value[length])
    far = {
        (lengths.a[k] if lengths.b[k] == a else lengths.b[k]): lengths.value[k]
        for k in readings.lengths_at[a]
    }
    best: tuple[float, int, Point] | None = None
    for k in readings.lengths_at[b]:
        c = lengths.a[k] if lengths.b[k] == b else lengths.b[k]
        if c in far and c != a:
            base, along = lengths.value[length], 0.0
            along = (far[c] ** 2 - lengths.value[k] ** 2 + base**2) / (2 * base)
            square = far[c] ** 2 - along**2
            if square > 0 and (best is None or square > best[0]):
                best = (square, c, (square**0.5, along))
    if best is None:
        return None
    frame.points[best[1]] = best[2]
    grow(readings, frame)
    return frame


def _measure(readings: Readings, frame: Frame) -> None:
    """Give a frame without a unit the one that its lengths have, if it has any."""
    ratios = []
    lengths = readings.lengths
    for a, b, value in zip(lengths.a, lengths.b, lengths.value, strict=True):
        p, q = frame.points[a], frame.points[b]
        if p is not None and q is not None and hypot(p[0] - q[0], p[1] - q[1]) > 1e-6:
            ratios.append(value / hypot(p[0] - q[0], p[1] - q[1]))
    if ratios:
        scale = sorted(ratios)[len(ratios) // 2]
        frame.points = [None if p is None else (p[0] * scale, p[1] * scale) for p in frame.points]
        frame.scaled = True
        grow(readings, frame)


def best_similarity(
    local: Sequence[Point], world: Sequence[Point], scaled: bool, turn: float | None = None
) -> tuple[complex, complex, int]:
    """κ and τ of world = κ·local + τ on which most points agree, and how many do.

    `scaled`: the scale is free as well. `turn` (rad, clockwise) is given where the rotation is known already;
    one common point is then enough.
    """
    ls, zs = [complex(*p) for p in local], [complex(*p) for p in world]
    n = len(ls)
    extent = max((abs(p - ls[0]) for p in ls), default=0.0)
    best: tuple[int, float, complex, complex] | None = None
    proposals: list[tuple[complex, complex]] = []
    if turn is not None and not scaled:
        kappa = complex_turn(turn)
        proposals = [(kappa, zs[i] - kappa * ls[i]) for i in range(n)]
    else:
        pairs = sorted(
            ((abs(ls[i] - ls[j]), i, j) for i in range(min(n, 40)) for j in range(i)), reverse=True
        )
        for apart, i, j in pairs[:PAIRS]:
            if apart < 1e-6 or abs(zs[i] - zs[j]) < 1e-6:
                continue
            kappa = (zs[i] - zs[j]) / (ls[i] - ls[j])
            if not scaled:
                kappa /= abs(kappa)
            proposals.append((kappa, 0.5 * (zs[i] + zs[j] - kappa * (ls[i] + ls[j]))))
    for kappa, shift in proposals:
        off = [abs(kappa * p + shift - z) for p, z in zip(ls, zs, strict=True)]
        reach = CLOSE * extent * abs(kappa) + 0.1
        count, cost = sum(1 for o in off if o <= reach), sum(min(o, 3 * reach) for o in off)
        if best is None or (-count, cost) < (-best[0], best[1]):
            best = (count, cost, kappa, shift)
    if best is None:
        return 1 + 0j, (zs[0] - ls[0]) if n else 0j, 0
    count, _, kappa, shift = best
    reach = CLOSE * extent * abs(kappa) + 0.1
    good = [i for i in range(n) if abs(kappa * ls[i] + shift - zs[i]) <= reach]
    if len(good) > 2 and turn is None:
        kappa, shift = similarity([local[i] for i in good], [world[i] for i in good], scaled=scaled)
    return kappa, shift, count


def complex_turn(turn: float) -> complex:
    """The factor that turns east + i·north clockwise by an angle."""
    from cmath import exp

    return exp(-1j * turn)


def turn_of(kappa: complex) -> float:
    """The clockwise turn of a similarity, rad."""
    from cmath import phase

    return -phase(kappa)


def moved(frame: Frame, kappa: complex, shift: complex) -> Frame:
    """The frame after a similarity: points moved, orientations turned along."""
    turn = turn_of(kappa)
    points: list[Point | None] = []
    for p in frame.points:
        z = None if p is None else kappa * complex(*p) + shift
        points.append(None if z is None else (z.real, z.imag))
    turned = [None if o is None else wrap(o + turn) for o in frame.orientations]
    return Frame(
        points, turned, frame.fixed, frame.scaled, frame.without_rays, frame.without_lengths, frame.doubtful
    )


def mirrored(frame: Frame) -> Frame:
    """The frame with east and west exchanged: what lengths alone can't tell apart."""
    points: list[Point | None] = [None if p is None else (-p[0], p[1]) for p in frame.points]
    return Frame(
        points, frame.orientations, frame.fixed, frame.scaled, frame.without_rays, frame.without_lengths
    )


def common(a: Frame, b: Frame) -> list[int]:
    """Marks known in both frames."""
    return [
        m for m, (p, q) in enumerate(zip(a.points, b.points, strict=True)) if p is not None and q is not None
    ]


def join(world: Frame, frame: Frame, readings: Readings) -> list[int] | None:
    """Bring a frame into the world over their common marks; the marks that are new, or None if it can't be
    tied.

    Two common marks are wanted, or one if both know the compass.
    """
    shared = common(world, frame)
    north, there = world.orientations[COMPASS], frame.orientations[COMPASS]
    turn = None if north is None or there is None else north - there
    if turn is not None and not frame.scaled:
        turn = None
    if len(shared) < (1 if turn is not None else 2):
        return None
    local = [_point(frame, m) for m in shared]
    target = [_point(world, m) for m in shared]
    if max(hypot(p[0] - local[0][0], p[1] - local[0][1]) for p in local) < 1e-6 and turn is None:
        return None
    kappa, shift, _ = best_similarity(local, target, not frame.scaled, turn)
    return adopt(world, moved(frame, kappa, shift))


def adopt(world: Frame, frame: Frame) -> list[int]:
    """Take over what the world lacks; the marks that are new in it."""
    new = []
    for mark, p in enumerate(frame.points):
        if world.points[mark] is None and p is not None:
            world.points[mark] = p
            new.append(mark)
            if mark in frame.doubtful:
                world.doubtful.add(mark)
    for group, turn in enumerate(frame.orientations):
        if world.orientations[group] is None and turn is not None:
            world.orientations[group] = turn
    return new


def _point(frame: Frame, mark: int) -> Point:
    p = frame.points[mark]
    assert p is not None
    return p

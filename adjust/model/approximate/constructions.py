"""The classical constructions of a point in the plane, each from the fewest readings that fix it.

Points are (east, north) in metres, azimuths clockwise from north in radians. A construction whose geometry is
too weak to mean anything answers None, or an empty tuple. They are plain floats and not arrays: growth calls
them one at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import atan2, cos, hypot, pi, sin, sqrt

Point = tuple[float, float]

WEAKEST_CUT = (
    0.05  # sine of the flattest cut of two rays (3°) that still fixes a point well enough to start from
)
DANGER = (
    0.01  # two circles of a resection whose centres lie closer than this share of their radius are one circle
)


def wrap(angle: float) -> float:
    """The angle turned into (−π, π]."""
    turned = (angle + pi) % (2 * pi) - pi
    return pi if turned == -pi else turned


def azimuth(a: Point, b: Point) -> float:
    """Azimuth from a to b, rad."""
    return atan2(b[0] - a[0], b[1] - a[1])


def polar(a: Point, direction: float, distance: float) -> Point:
    """The point at `distance` from a along an azimuth."""
    return a[0] + distance * sin(direction), a[1] + distance * cos(direction)


def intersection(a: Point, at_a: float, b: Point, at_b: float) -> Point | None:
    """Where the ray from a meets the ray from b; None if they cut too flat, or behind either of them."""
    cut = sin(at_b - at_a)
    if abs(cut) < WEAKEST_CUT:
        return None
    de, dn = b[0] - a[0], b[1] - a[1]
    along_a = (dn * sin(at_b) - de * cos(at_b)) / cut
    along_b = (dn * sin(at_a) - de * cos(at_a)) / cut
    if along_a <= 0.0 or along_b <= 0.0:
        return None
    return polar(a, at_a, along_a)


def two_distances(a: Point, from_a: float, b: Point, from_b: float) -> tuple[Point, ...]:
    """The two points at these distances from a and from b (left of a→b first); near the line the foot alone
    is good.
    """
    base = hypot(b[0] - a[0], b[1] - a[1])
    if base == 0.0:
        return ()
    along = (from_a * from_a - from_b * from_b + base * base) / (2 * base)
    square = from_a * from_a - along * along
    if square < -0.02 * from_a * from_a:  # circles that miss each other by more than their errors explain
        return ()
    across = sqrt(max(square, 0.0))
    ue, un = (b[0] - a[0]) / base, (b[1] - a[1]) / base
    foot = a[0] + along * ue, a[1] + along * un
    return (foot[0] - across * un, foot[1] + across * ue), (foot[0] + across * un, foot[1] - across * ue)


def ray_and_distance(a: Point, at_a: float, b: Point, from_b: float) -> tuple[Point, ...]:
    """The points of the ray from a that lie at a distance from b: none, one or two."""
    ue, un = sin(at_a), cos(at_a)
    along = (b[0] - a[0]) * ue + (b[1] - a[1]) * un
    off = (b[0] - a[0]) * un - (b[1] - a[1]) * ue
    square = from_b * from_b - off * off
    if square < -0.02 * from_b * from_b:
        return ()
    half = sqrt(max(square, 0.0))
    return tuple((a[0] + t * ue, a[1] + t * un) for t in (along - half, along + half) if t > 0.0)


def angle_and_distance(a: Point, from_a: float, b: Point, angle: float) -> tuple[Point, ...]:
    """The points at a distance from a where the clockwise angle a → b has this value: none, one or two.

    Sine rule in the triangle: sin(at b) = from_a·sin(angle)/base.
    """
    base = hypot(b[0] - a[0], b[1] - a[1])
    if base == 0.0 or from_a == 0.0:
        return ()
    turn = wrap(angle)
    at_b = from_a * abs(sin(turn)) / base
    if at_b > 1.02:
        return ()
    first = atan2(min(at_b, 1.0), sqrt(max(1.0 - at_b * at_b, 0.0)))
    ab = azimuth(a, b)
    points = []
    for at_b in (first, pi - first):
        at_a = pi - abs(turn) - at_b
        if at_a >= -1e-9:
            # Seen from the point, b lies clockwise of a for a positive angle: the point is then right of a → b.
            points.append(polar(a, ab + (at_a if turn > 0 else -at_a), from_a))
    return tuple(points)


def resection(points: Sequence[Point], directions: Sequence[float]) -> Point | None:
    """Where three directions to three known points were read; None near the circle through all three.

    The angle between two of them puts the instrument on a circle through both points; two such circles meet
    in the middle point and in the instrument, which is the middle point mirrored in the line of the centres.
    """
    a, b, c = points
    first = _circle(a, b, directions[1] - directions[0])
    second = _circle(b, c, directions[2] - directions[1])
    de, dn = second[0] - first[0], second[1] - first[1]
    apart = hypot(de, dn)
    radius = max(hypot(first[0] - b[0], first[1] - b[1]), hypot(second[0] - b[0], second[1] - b[1]))
    if apart <= DANGER * radius:
        return None
    ue, un = de / apart, dn / apart
    off = (b[0] - first[0]) * un - (b[1] - first[1]) * ue
    if abs(off) < 1e-9 * radius:
        return None
    return b[0] - 2 * off * un, b[1] + 2 * off * ue


def _circle(a: Point, b: Point, angle: float) -> Point:
    """Centre of the circle of all points that see b clockwise of a by `angle`."""
    opening = sin(angle)
    if abs(opening) < 1e-5:  # the circle is a line: one so large that it is a line for our purpose
        opening = 1e-5 if opening >= 0 else -1e-5
    half = 0.5 * cos(angle) / opening
    de, dn = b[0] - a[0], b[1] - a[1]
    return 0.5 * (a[0] + b[0]) + half * dn, 0.5 * (a[1] + b[1]) - half * de


def similarity(
    local: Sequence[Point],
    world: Sequence[Point],
    weights: Sequence[float] | None = None,
    scaled: bool = True,
) -> tuple[complex, complex]:
    """The turn-and-scale κ and the shift τ of world = κ·local + τ by least squares, points as complex east +
    i·north.

    κ = Σ w·z·conj(l)/Σ w·|l|² of the centred points; |κ| = 1 where `scaled` is False. Two points at least.
    """
    w = [1.0] * len(local) if weights is None else list(weights)
    total = sum(w)
    ls = [complex(*p) for p in local]
    zs = [complex(*p) for p in world]
    middle_l = sum((k * p for k, p in zip(w, ls, strict=True)), 0j) / total
    middle_z = sum((k * p for k, p in zip(w, zs, strict=True)), 0j) / total
    top = sum(
        (k * (z - middle_z) * (p - middle_l).conjugate() for k, p, z in zip(w, ls, zs, strict=True)), 0j
    )
    bottom = sum(k * abs(p - middle_l) ** 2 for k, p in zip(w, ls, strict=True))
    size = bottom if scaled else abs(top)
    kappa = top / size if size > 0 else 1 + 0j
    return kappa, middle_z - kappa * middle_l

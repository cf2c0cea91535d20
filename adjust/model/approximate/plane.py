"""One plane from nothing: grow from control, carry frames of their own where that gets stuck, and join
them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .consensus import Frame, place
from .constructions import Point
from .frames import (
    adopt,
    best_similarity,
    common,
    frame_from,
    frame_of_azimuths,
    frame_of_lengths,
    join,
    mirrored,
    moved,
    seeds,
)
from .growth import grow, misfits
from .readings import COMPASS, Readings

LENGTH_FRAMES = 12


@dataclass(slots=True)
class Plane:
    """A frame filled as far as the readings go, and the marks for which two places are equally good."""

    frame: Frame
    ambiguous: dict[int, tuple[Point, Point]] = field(default_factory=dict)
    guided: list[int] = field(default_factory=list)  # marks that had to keep their start value
    moved: list[int] = field(default_factory=list)  # control marks that the readings put elsewhere
    mirrored: list[int] = field(
        default_factory=list
    )  # marks that lengths alone tie, on either side of a line
    mirror: list[int] = field(default_factory=list)  # the known marks in that line
    doubtful: list[int] = field(
        default_factory=list
    )  # marks whose readings contradict each other, vote for vote


def needed(readings: Readings) -> set[int]:
    """Marks that some reading in the plane reaches."""
    rays, lengths = readings.rays, readings.lengths
    return {*rays.start, *rays.end, *lengths.a, *lengths.b}


def construct(
    readings: Readings, known: dict[int, Point], guide: dict[int, Point], without_rays: set[int], without_lengths: set[int]
) -> Plane:  # fmt: skip
    world = Frame.blank(readings)
    world.without_rays, world.without_lengths = without_rays, without_lengths
    world.orientations[COMPASS] = 0.0
    for mark, p in known.items():
        world.points[mark], world.fixed[mark] = p, True
    plane = Plane(world)
    wanted = needed(readings)
    if not wanted & known.keys():
        _invent(readings, world)
    grow(readings, world)
    frames: list[Frame] = []
    tried: set[int] = set()
    lengths_tried: set[int] = set()
    while not _complete(readings, world, wanted):
        if _join_one(readings, world, frames):
            continue
        fresh = [
            g
            for g in seeds(readings, world)
            if g not in tried and all(f.orientations[g] is None for f in frames)
        ]
        if fresh:
            tried.add(fresh[0])
            frames.append(frame_from(readings, world, fresh[0]))
            continue
        length = _loose_length(readings, world, lengths_tried) if len(lengths_tried) < LENGTH_FRAMES else None
        if length is not None:
            lengths_tried.add(length)
            frame = frame_of_lengths(readings, world, length)
            if frame is not None and _join_mirrored(readings, plane, frame, guide):
                continue
        if _choose(readings, plane, guide, wanted) or _hang(readings, world, frames, guide):
            continue
        if not _follow_guide(readings, plane, guide, wanted):
            break
    if known and not readings.rays.start and not plane.mirrored:
        _choose_side(readings, plane, known, guide)
    return plane


def _complete(readings: Readings, world: Frame, wanted: set[int]) -> bool:
    return all(world.points[m] is not None for m in wanted) and all(
        world.orientations[g] is not None for g in range(1, readings.n_groups) if readings.rays_of[g]
    )


def _invent(readings: Readings, world: Frame) -> None:
    """Without control: the frame of the best group, or of the azimuths, or of the lengths, is the world."""
    for group in seeds(readings, world)[:1]:
        frame = frame_from(readings, world, group)
        turn = frame.orientations[COMPASS]
        if turn is not None:
            frame = moved(frame, best_similarity([(0.0, 0.0)], [(0.0, 0.0)], False, -turn)[0], 0j)
        world.scaled = frame.scaled
        adopt(world, frame)
        return
    compass = readings.rays_of[COMPASS]
    if compass:
        ends = [readings.rays.start[k] for k in compass] + [readings.rays.end[k] for k in compass]
        adopt(world, frame_of_azimuths(readings, world, max(set(ends), key=ends.count)))
        return
    for length in range(min(len(readings.lengths.a), LENGTH_FRAMES)):
        found = frame_of_lengths(readings, world, length)
        if found is not None:
            adopt(world, found)
            return


def _join_one(readings: Readings, world: Frame, frames: list[Frame]) -> bool:
    """Join one frame to the world, or two frames to each other; True if anything came of it."""
    for frame in list(frames):
        before = sum(o is not None for o in world.orientations)
        new = join(world, frame, readings)
        if new is not None:
            frames.remove(frame)
            if new or sum(o is not None for o in world.orientations) > before:
                grow(readings, world)
                return True
    for i, frame in enumerate(frames):
        for other in frames[:i]:
            if frame.scaled == other.scaled and len(common(frame, other)) >= 2:
                frames.remove(other)
                if join(frame, other, readings):
                    grow(
                        readings,
                        frame,
                        {g for g, o in enumerate(world.orientations) if o is None} | {COMPASS},
                    )
                    return True
    return False


def _join_mirrored(readings: Readings, plane: Plane, frame: Frame, guide: dict[int, Point]) -> bool:
    """Join a frame made of lengths on the side on which more of the common marks fit, else on that of the
    start values; where nothing tells the sides apart its marks are remembered as mirrored.
    """
    world = plane.frame
    shared = common(world, frame)
    if len(shared) < 2:
        return False
    target = [p for m in shared if (p := world.points[m]) is not None]
    sides = []
    for side in (frame, mirrored(frame)):
        local = [p for m in shared if (p := side.points[m]) is not None]
        kappa, shift, count = best_similarity(local, target, False)
        placed = moved(side, kappa, shift)
        near = [(p, q) for m, q in guide.items() if (p := placed.points[m]) is not None]
        sides.append((count, -sum(abs(complex(*p) - complex(*q)) for p, q in near), placed))
    best = max(sides, key=lambda s: s[:2])
    if sides[0][:2] == sides[1][:2]:
        plane.mirrored += [m for m, p in enumerate(frame.points) if p is not None and world.points[m] is None]
        plane.mirror = shared
    if not adopt(world, best[2]):
        return False
    grow(readings, world)
    return True


def _choose_side(readings: Readings, plane: Plane, known: dict[int, Point], guide: dict[int, Point]) -> None:
    """Where lengths are all there is and the known marks lie in one line, start values tell the side, or
    nothing.
    """
    frame = plane.frame
    first, *others = [complex(*p) for p in known.values()]
    far = max(others, key=lambda z: abs(z - first), default=first + 1)
    along = (far - first) / (abs(far - first) or 1.0)

    def off(p: Point) -> float:
        return ((complex(*p) - first) * along.conjugate()).imag

    extent = max((abs(complex(*p) - first) for p in frame.points if p is not None), default=0.0)
    if any(abs(off(p)) > 0.01 * extent for p in known.values()):
        return
    free = [(m, p) for m, p in enumerate(frame.points) if p is not None and m not in known]
    vote = sum(off(p) * off(guide[m]) for m, p in free if m in guide)
    other = frame.copy()
    for m, p in free:
        z = complex(*p) - 2j * off(p) * along
        other.points[m] = (z.real, z.imag)
    if vote == 0.0:  # a slight bend in the line of known marks may tell
        here, there = (float(np.nansum(misfits(readings, f)[1])) for f in (frame, other))
        vote = there - here if max(here, there) > 3.0 * min(here, there) + 1.0 else 0.0
    if vote < 0.0:
        frame.points = other.points
    elif vote == 0.0 and any(abs(off(p)) > 0.01 * extent for _, p in free):
        plane.mirrored, plane.mirror = [m for m, _ in free], sorted(known)


def _loose_length(readings: Readings, world: Frame, tried: set[int]) -> int | None:
    """A length not tried yet between marks without a place, else to such a mark."""
    lengths = readings.lengths
    for both in (True, False):
        for k in range(len(lengths.a)):
            loose = (world.points[lengths.a[k]] is None) + (world.points[lengths.b[k]] is None)
            if k not in tried and (loose == 2 or (loose == 1 and not both)):
                return k
    return None


def _choose(readings: Readings, plane: Plane, guide: dict[int, Point], wanted: set[int]) -> bool:
    """Settle a mark that could be in two places: where its start value says, else told and taken as it
    comes.
    """
    world = plane.frame
    for mark in sorted(wanted):
        if world.points[mark] is None and mark not in plane.ambiguous:
            found = place(readings, world, mark)
            if found is None or found.rival is None:
                continue
            near = guide.get(mark)
            if near is None:
                plane.ambiguous[mark] = (found.point, found.rival)
                continue
            first, second = (abs(complex(*p) - complex(*near)) for p in (found.point, found.rival))
            world.points[mark] = found.point if first <= second else found.rival
            grow(readings, world, start=[mark])
            return True
    return False


def _hang(readings: Readings, world: Frame, frames: list[Frame], guide: dict[int, Point]) -> bool:
    """A frame on an island with one known mark: its turn is nobody's to know, so start values set it, or
    nothing does.
    """
    for frame in list(frames):
        shared = common(world, frame)
        if len(shared) != 1 or sum(world.fixed[m] for m in _island(readings, shared[0])) > 1:
            continue
        frames.remove(frame)
        pivot, target = frame.points[shared[0]], world.points[shared[0]]
        if pivot is None or target is None:
            continue
        turns = [
            (complex(*g) - complex(*target)) / (complex(*p) - complex(*pivot))
            for m, g in guide.items()
            if (p := frame.points[m]) is not None and m != shared[0] and g != target and p != pivot
        ]
        kappa = 1 + 0j
        if turns:
            mean = sum(t / abs(t) for t in turns)
            kappa = mean / abs(mean) if frame.scaled and abs(mean) > 0 else turns[0]
        adopt(world, moved(frame, kappa, complex(*target) - kappa * complex(*pivot)))
        grow(readings, world)
        return True
    return False


def _follow_guide(readings: Readings, plane: Plane, guide: dict[int, Point], wanted: set[int]) -> bool:
    """The last resort: one mark that nothing else places keeps its start value."""
    for mark in sorted(wanted):
        if plane.frame.points[mark] is None and mark in guide:
            plane.frame.points[mark] = guide[mark]
            plane.guided.append(mark)
            grow(readings, plane.frame)
            return True
    return False


def _island(readings: Readings, mark: int) -> set[int]:
    """All marks that rays and lengths join to one."""
    rays, lengths = readings.rays, readings.lengths
    seen, stack = {mark}, [mark]
    while stack:
        m = stack.pop()
        ends = [rays.start[k] for k in readings.rays_to[m]] + [rays.end[k] for k in readings.rays_from[m]]
        ends += [lengths.a[k] for k in readings.lengths_at[m]] + [
            lengths.b[k] for k in readings.lengths_at[m]
        ]
        new = set(ends) - seen
        seen |= new
        stack += new
    return seen

"""The plane that most readings bear out: constructed, refined, and built again without what may be wrong.

A wrong angle in a single traverse is outvoted nowhere, but without it everything else closes. So where
misfits are left that the marks next to them can't outvote, each suspicious reading is left out in turn and
the plane is built again; the plane in which fewest readings miss is kept.
"""

from __future__ import annotations

import numpy as np

from ...ground.table import Floats
from .consensus import Frame
from .constructions import Point
from .growth import count_misfits, grow, local_misfits, misfits, sweep
from .plane import Plane, construct, needed
from .readings import COMPASS, Readings
from .refine import STRONG, refine

SEARCH_WORK = 9000  # readings times trials: what is spent on building again and again
SEARCH_TRIALS = 60
SEARCH_READINGS = 600
CONTROL_TRIALS = 12
MOVED = 2  # a control mark that is not where it is given weighs as much as this many misfits
DOUBTFUL = 2
UNPLACED = 100  # a mark without a place weighs as much as this many misfits


def build(
    readings: Readings, known: dict[int, Point], guide: dict[int, Point], thorough: bool = True
) -> Plane:
    """The plane in the system of the known marks; with none known, in a system of its own.

    `guide` holds start values: they choose between two places a mark could have and stand in where nothing
    else does. `thorough` False builds once and leaves nothing out.
    """
    quick = _from_start_values(readings, known, guide)
    if quick is not None:
        return quick
    plane = construct(readings, known, guide, set(), set())
    _polish(readings, plane)
    few = len(readings.rays.start) + len(readings.lengths.a) <= SEARCH_READINGS
    if thorough and few and contested(readings, plane, known, guide):
        plane = _leave_out(readings, known, guide, plane)
    return plane


def burden(readings: Readings, plane: Plane) -> int:
    """How bad a plane is: its misfits, marks that have no place or a doubtful one, control that does not
    fit.
    """
    frame = plane.frame
    unplaced = sum(frame.points[m] is None for m in needed(readings))
    doubts = DOUBTFUL * len(frame.doubtful) + MOVED * len(plane.moved) + UNPLACED * len(plane.mirrored)
    return count_misfits(readings, frame) + UNPLACED * unplaced + doubts


def contested(
    readings: Readings,
    plane: Plane,
    known: dict[int, Point] | None = None,
    guide: dict[int, Point] | None = None,
) -> bool:
    """True where what misses may well be right, and something that fits be wrong.

    That is so where a mark or an orientation next to a misfit has no clear majority, or (if `known` is given)
    where the readings that fit would not determine the plane by themselves.
    """
    frame, rays, lengths = plane.frame, readings.rays, readings.lengths
    if frame.doubtful or plane.moved:
        return True
    ray, length = misfits(readings, frame)
    bad_rays, bad_lengths = (
        set(np.flatnonzero(ray > 1.0).tolist()),
        set(np.flatnonzero(length > 1.0).tolist()),
    )
    if not frame.scaled:
        bad_lengths = set()
    if len(bad_rays) + len(bad_lengths) < 2:
        return False
    for group in {rays.group[k] for k in bad_rays}:
        wrong = sum(k in bad_rays for k in readings.rays_of[group])
        if len(readings.rays_of[group]) - wrong < max(2, wrong + 1):
            return True
    marks = {m for k in bad_rays for m in (rays.start[k], rays.end[k])}
    marks |= {m for k in bad_lengths for m in (lengths.a[k], lengths.b[k])}
    for mark in marks:
        if frame.fixed[mark]:
            continue
        at = [*readings.rays_to[mark], *(k for k in readings.rays_from[mark] if rays.group[k] == COMPASS)]
        good = sum(k not in bad_rays for k in at) + sum(
            k not in bad_lengths for k in readings.lengths_at[mark]
        )
        wrong = sum(k in bad_rays for k in at) + sum(k in bad_lengths for k in readings.lengths_at[mark])
        for group in readings.groups_at[mark]:
            off = sum(k in bad_rays for k in readings.rays_of[group])
            good += max(len(readings.rays_of[group]) - off - 1, 0)
            wrong += off
        if good < 3 or good <= wrong:
            return True
    if known is None:
        return False
    rest = construct(readings, known, guide or {}, bad_rays, bad_lengths).frame
    return bool(rest.doubtful) or any(rest.points[m] is None for m in needed(readings))


def _from_start_values(readings: Readings, known: dict[int, Point], guide: dict[int, Point]) -> Plane | None:
    """The given coordinates, where every mark has some and the readings bear them out."""
    given = {**guide, **known}
    if not needed(readings) <= given.keys() or not guide:
        return None
    frame = Frame.blank(readings)
    frame.orientations[COMPASS] = 0.0
    for mark, p in given.items():
        frame.points[mark] = p
        frame.fixed[mark] = mark in known
    grow(readings, frame)
    plane = Plane(frame)
    count, total = count_misfits(readings, frame), len(readings.rays.start) + len(readings.lengths.a)
    if count > 0.1 * total:
        return None
    if count:
        _polish(readings, plane)
        if contested(readings, plane):
            return None
    return plane


def _polish(readings: Readings, plane: Plane) -> None:
    """All neighbours for every mark with a misfit, then all readings at once; the stronger way where that
    fails.
    """
    frame = plane.frame
    sweep(readings, frame)
    if readings.n_marks > 300 and count_misfits(readings, frame) == 0:
        return
    before = frame.copy()
    refine(readings, frame)
    frame.doubtful = {m for m in frame.doubtful if local_misfits(readings, frame, m)}
    if not contested(readings, plane):
        return
    sweep(readings, frame)
    refine(readings, before, STRONG)
    sweep(readings, before)
    refine(readings, before)
    if count_misfits(readings, before) < count_misfits(readings, frame):
        plane.frame = before


def _leave_out(readings: Readings, known: dict[int, Point], guide: dict[int, Point], plane: Plane) -> Plane:
    """Leave out one suspicious reading at a time; keep the plane in which fewest readings miss."""
    ray, length = misfits(readings, plane.frame)
    best, fewest = plane, burden(readings, plane)
    worst = fewest
    trials = min(SEARCH_TRIALS, SEARCH_WORK // (len(readings.rays.start) + len(readings.lengths.a)))
    suspects: list[tuple[set[int], set[int], set[int]]] = [
        (r, s, set()) for r, s in _suspects(readings, ray, length)[:trials]
    ]
    if len(known) > 2:
        held = [m for m in known if local_misfits(readings, plane.frame, m)]
        suspects += [(set(), set(), {m}) for m in held[:CONTROL_TRIALS]]
    for rays_out, lengths_out, marks_out in suspects:
        others = {m: p for m, p in known.items() if m not in marks_out}
        hints = {**guide, **{m: known[m] for m in marks_out}}  # good enough to tell left from right
        trial = _trial(readings, others, hints, rays_out, lengths_out, worst)
        trial.moved = sorted(marks_out)
        count = burden(readings, trial)
        if count < fewest and not (trial.guided and not plane.guided):
            best, fewest = trial, count
        if fewest <= 1:
            break
    if best is not plane:
        best.frame.without_rays, best.frame.without_lengths = set(), set()
        refine(readings, best.frame)
    return best


def _trial(
    readings: Readings,
    known: dict[int, Point],
    guide: dict[int, Point],
    rays_out: set[int],
    lengths_out: set[int],
    worst: int,
) -> Plane:
    """A plane built without some readings, improved only where that could make it better than what there
    is.
    """
    trial = construct(readings, known, guide, rays_out, lengths_out)
    if burden(readings, trial) < worst + 4:
        sweep(readings, trial.frame)
        refine(readings, trial.frame)
    return trial


def quick_burden(readings: Readings, known: dict[int, Point], guide: dict[int, Point], worst: int) -> int:
    """The burden of these readings, without trying to leave any out; exact only where it is less than
    `worst`.
    """
    return burden(readings, _trial(readings, known, guide, set(), set(), worst))


def _suspects(readings: Readings, ray: Floats, length: Floats) -> list[tuple[set[int], set[int]]]:
    """Single readings and whole sights, nearest to the misfits first."""
    rays, lengths = readings.rays, readings.lengths
    hot: dict[int, float] = {}
    for k in np.flatnonzero(ray > 1.0).tolist():
        for m in (rays.start[k], rays.end[k]):
            hot[m] = hot.get(m, 0.0) + 1.0
    for k in np.flatnonzero(length > 1.0).tolist():
        for m in (lengths.a[k], lengths.b[k]):
            hot[m] = hot.get(m, 0.0) + 1.0
    warm = dict(hot)
    for a, b in (*zip(rays.start, rays.end, strict=True), *zip(lengths.a, lengths.b, strict=True)):
        for m, other in ((a, b), (b, a)):
            if other in hot and m not in hot:
                warm[m] = max(warm.get(m, 0.0), 0.5)
    found: list[tuple[float, set[int], set[int]]] = []
    for k in range(len(rays.start)):
        heat = warm.get(rays.start[k], 0.0) + warm.get(rays.end[k], 0.0) + 3.0 * float(ray[k] > 1.0)
        found.append((heat, {k}, set()))
        spans = readings.between(rays.start[k], rays.end[k])
        if spans:
            found.append((heat - 0.75, {k}, set(spans)))
    for k in range(len(lengths.a)):
        heat = warm.get(lengths.a[k], 0.0) + warm.get(lengths.b[k], 0.0) + 3.0 * float(length[k] > 1.0)
        found.append((heat, set(), {k}))
    found.sort(key=lambda f: -f[0])
    return [(r, s) for _, r, s in found]

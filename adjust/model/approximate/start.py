"""Coordinates to start from: the whole story."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from statistics import median

import numpy as np

from ...ground.network import Marks, Network
from ...ground.table import Floats
from ...ground.wording import and_list, ids, listing
from ...settings import Settings
from ...trouble import Trouble, Undetermined
from ..reductions import Observations
from .constructions import Point
from .flattened import flattened
from .frames import best_similarity, mirrored, moved
from .growth import misfits
from .heights import (
    Geometry,
    lend,
    lengths_by_zenith,
    level_lengths,
    measured_rises,
    sighted_rises,
    sightlines,
)
from .plane import Plane, needed
from .readings import COMPASS, RAY_TOLERANCE, Readings, gather, mode_of_angles
from .search import build, burden, contested, quick_burden
from .spreading import Spread, spread
from .stars import from_stars, misses

EXCHANGE_OBSERVATIONS = 1500  # larger networks are not built again and again
MOST_MISSING = 0.02  # share of the readings that a large network's first coordinates may leave unexplained
EXCHANGE_WORK = 10000  # observations times trials
EXCHANGES = 60
EXCHANGE_GAIN = 2  # so many misfits must an exchange of two targets explain


@dataclass(frozen=True, eq=False)
class Start:
    """Where Gauss-Newton starts.

    coordinates: (n_marks, 3) east, north, height in m, NaN where no reading reaches (control keeps what is
    given); orientations: (n_orientations,) rad, NaN where no direction with known ends leans on it; suspects:
    rows of observations that miss by far more than a start value does, so probably gross errors; remarks:
    what a reader should know, such as a mark that had to keep its start value.
    """

    coordinates: Floats
    orientations: Floats
    suspects: tuple[int, ...] = ()
    remarks: tuple[Trouble, ...] = ()


def approximate(
    network: Network,
    obs: Observations,
    settings: Settings,
    heights: Floats | None = None,
    quick: bool = True,
    near: Floats | None = None,
) -> Start:
    """Coordinates and orientations good enough to start from, out of the readings and the control alone.

    `heights` (n_setups,) are the vertical heights of devices over their marks, m, NaN where unknown; None
    takes the setups' own. Start values of free marks serve where nothing is held, to choose between two
    places, and last of all. `quick` False leaves out the short way, which large networks may take though some readings
    miss. `near` (n_marks, 3) are coordinates found before: in the earth frame they bring the new ones to a centimetre.

    Raises Undetermined, naming marks and readings, where a mark that readings reach can't be placed.
    """
    device = network.setups.height if heights is None else heights
    obs = flattened(network, obs, settings, near)
    short = _quick(network, obs, settings, device) if quick else None
    if short is not None:
        return short
    found = _attempt(network, obs, settings, device)
    if len(obs) <= EXCHANGE_OBSERVATIONS and contested(found.readings, found.plane, found.known, found.guide):
        found = _exchange(network, settings, device, found)
    marks, readings, plane = network.marks, found.readings, found.plane
    _check(network, found.obs, readings, plane, found.levels)
    if not any(m in found.known for m in needed(readings)):
        _anchor(readings, plane, _datum_points(marks, found.guide, settings))
    coordinates = _coordinates(marks, plane, found.levels, settings)
    return Start(
        coordinates,
        _orientations(obs, coordinates),
        _suspects(found, obs),
        tuple(_remarks(network, found)),
    )


def _quick(network: Network, obs: Observations, settings: Settings, device: Floats) -> Start | None:
    """Where stars of polar points place every mark and every reading bears it out, there is nothing to search for.

    A large network may have some readings that don't: those that are wrong, and those by which two ends of a long chain
    meet; its adjustment starts from there all the same.
    """
    large = len(obs) > EXCHANGE_OBSERVATIONS
    coordinates = from_stars(network, obs, settings, device, spread=large)
    if coordinates is None:
        return None
    missing, turns = misses(obs, coordinates, device, settings)
    if large and len(missing):  # a wrong reading may have been spread as well
        other = from_stars(network, obs, settings, device)
        assert other is not None
        fewer, their_turns = misses(obs, other, device, settings)
        if len(fewer) < len(missing):
            coordinates, missing, turns = other, fewer, their_turns
    if not len(missing):
        return Start(coordinates, turns)
    if not large or len(missing) > MOST_MISSING * len(obs):
        return None
    if np.isnan(coordinates[obs.start_mark[missing]] + coordinates[obs.end_mark[missing]]).any():
        return None
    return Start(coordinates, _orientations(obs, coordinates), tuple(missing.tolist()))


@dataclass(slots=True)
class _Attempt:
    """One run of the story, on the observations as they are or with two targets exchanged."""

    obs: Observations
    readings: Readings
    plane: Plane
    levels: Spread
    lengths: dict[int, float]  # horizontal lengths of slope distances, by row
    known: dict[int, Point]
    guide: dict[int, Point]
    exchanged: tuple[int, ...] = ()  # rows whose target was exchanged
    targets: tuple[int, int] = (-1, -1)  # the two target setups


def _attempt(
    network: Network, obs: Observations, settings: Settings, device: Floats, thorough: bool = True
) -> _Attempt:
    marks = network.marks
    lines = sightlines(obs)
    geometry = Geometry(obs, device, len(marks), settings.radius, settings.refraction)
    rises, spent = measured_rises(obs, lines, geometry)
    nodes = len(marks) + len(network.setups)
    held = _known_heights(marks)
    levels = spread(nodes, rises, held)
    known, guide = _known_points(marks)
    lengths = level_lengths(lines, geometry, levels)
    readings = gather(obs, len(marks), lengths)
    plane = build(readings, known, guide, thorough)
    wrong = {
        row
        for k in np.flatnonzero(misfits(readings, plane.frame)[1] > 1.0)
        for row in readings.lengths.rows[k]
    }
    if wrong & set(lines.slopes):  # a wrong distance says nothing of heights, its zenith angle still does
        rises, spent = measured_rises(obs, lines, geometry, wrong)
    if any(z not in spent for rows in lines.zeniths.values() for z in rows):
        sighted_rises(lines, geometry, plane.frame, spent, rises)
        levels = spread(nodes, rises, held)
        better = level_lengths(lines, geometry, levels)
        if any(abs(better[row] - lengths[row]) > 0.002 * lengths[row] + 0.02 for row in lengths):
            readings = gather(obs, len(marks), better)
            plane, lengths = build(readings, known, guide, thorough), better
    lend(levels, network.setups.mark, len(marks))
    return _Attempt(obs, readings, plane, levels, lengths, known, guide)


def _exchange(network: Network, settings: Settings, device: Floats, first: _Attempt) -> _Attempt:
    """Try every two targets of one instrument setup as if their names had been swapped; keep what fits
    clearly best.
    """
    obs, fewest = first.obs, burden(first.readings, first.plane)
    best: Observations | None = None
    rows: tuple[int, ...] = ()
    targets = (-1, -1)
    geometry = Geometry(obs, device, len(network.marks), settings.radius, settings.refraction)
    plain = lengths_by_zenith(sightlines(obs), geometry)  # heights are taken from the names that are in doubt
    wrong = _suspects(first, obs)
    doubtful = set(first.plane.frame.doubtful)
    seen: dict[int, dict[int, float]] = {}
    for row in np.flatnonzero(obs.used & (obs.kind == "direction")).tolist():
        heats = seen.setdefault(int(obs.start_setup[row]), {})
        heats[int(obs.end_setup[row])] = float(int(obs.end_mark[row]) in doubtful)
    for row in wrong:
        setup, target = int(obs.start_setup[row]), int(obs.end_setup[row])
        if target in seen.get(setup, {}):
            seen[setup][target] += 1.0
    hot = {setup: sum(heat.values()) for setup, heat in seen.items()}
    pairs = [
        (-heat[a] - heat[b] - hot[setup] / len(heat), setup, a, b)
        for setup, heat in seen.items()
        for a in heat
        for b in heat
        if a < b
    ]
    pairs = sorted(pairs)[: min(EXCHANGES, EXCHANGE_WORK // len(obs))]
    for _, setup, a, b in pairs:
        rows_a = np.flatnonzero((obs.start_setup == setup) & (obs.end_setup == a))
        rows_b = np.flatnonzero((obs.start_setup == setup) & (obs.end_setup == b))
        ends, marks = obs.end_setup.copy(), obs.end_mark.copy()
        ends[rows_a], ends[rows_b] = b, a
        marks[rows_a], marks[rows_b] = network.setups.mark[b], network.setups.mark[a]
        swapped = obs.replace(end_setup=ends, end_mark=marks)
        own = {row: plain[row] for row in (*rows_a.tolist(), *rows_b.tolist()) if row in plain}
        readings = gather(swapped, len(network.marks), {**first.lengths, **own})
        count = quick_burden(readings, first.known, first.guide, fewest)
        if count + EXCHANGE_GAIN <= fewest:
            fewest, best, rows, targets = count, swapped, (*rows_a.tolist(), *rows_b.tolist()), (a, b)
        if fewest == 0:
            break
    if best is None:
        return first
    found = _attempt(network, best, settings, device, thorough=False)
    found.exchanged, found.targets = rows, targets
    return found


def _remarks(network: Network, found: _Attempt) -> Iterator[Trouble]:
    marks = [str(m) for m in network.marks.mark]
    for m in found.plane.moved:
        text = f"The readings fit far better if the control mark {marks[m]} lies elsewhere than it is given."
        yield Trouble("NET306", text, "Check its name and its coordinates.", (marks[m],))
    for m in found.plane.guided:
        text = f"{marks[m]} could not be constructed from the readings; its start value was taken."
        yield Trouble("NET303", text, marks=(marks[m],))
    for m in sorted(found.plane.frame.doubtful):
        text = f"The readings that reach {marks[m]} contradict each other, vote for vote; one way was taken to start."
        yield Trouble("NET303", text, marks=(marks[m],))
    if found.exchanged:
        a, b = (str(network.setups.setup[t]) for t in found.targets)
        rows = ids(found.obs, found.exchanged)
        text = f"All readings fit far better if {a} and {b} are exchanged in {listing(rows)}."
        yield Trouble("NET307", text, "Check the names of the targets.", (), (a, b), rows)


def _known_points(marks: Marks) -> tuple[dict[int, Point], dict[int, Point]]:
    """Control in the plane, and start values of the other marks."""
    given = np.isfinite(marks.east) & np.isfinite(marks.north)
    control = given & np.isfinite(marks.sigma_east) & np.isfinite(marks.sigma_north)
    points = list(zip(marks.east.tolist(), marks.north.tolist(), strict=True))
    known = {m: points[m] for m in np.flatnonzero(control).tolist()}
    return known, {m: points[m] for m in np.flatnonzero(given & ~control).tolist()}


def _known_heights(marks: Marks) -> dict[int, float]:
    held = np.isfinite(marks.height) & np.isfinite(marks.sigma_height)
    return {m: float(marks.height[m]) for m in np.flatnonzero(held).tolist()}


def _datum_points(marks: Marks, guide: dict[int, Point], settings: Settings) -> dict[int, Point]:
    """Start values onto which a free network is fitted: those of the datum marks, where at least one has
    some.
    """
    chosen = {m: p for m, p in guide.items() if marks.mark[m] in settings.datum_marks}
    return chosen or guide


def _anchor(readings: Readings, plane: Plane, onto: dict[int, Point]) -> None:
    """Bring a free network as near as can be to the given start values, without changing its shape."""
    frame = plane.frame
    marks = [m for m in onto if frame.points[m] is not None]
    if not marks:
        return
    local = [p for m in marks if (p := frame.points[m]) is not None]
    target = [onto[m] for m in marks]
    turn = 0.0 if readings.rays_of[COMPASS] else None
    if len(marks) == 1:
        turn = 0.0
    kappa, shift, count = best_similarity(local, target, not frame.scaled, turn)
    if not readings.rays.start:  # lengths alone don't know left from right
        other = mirrored(frame)
        found = best_similarity([(-p[0], p[1]) for p in local], target, not frame.scaled, turn)
        if found[2] > count:
            frame, kappa, shift = other, found[0], found[1]
    plane.frame = moved(frame, kappa, shift)


def _coordinates(marks: Marks, plane: Plane, levels: Spread, settings: Settings) -> Floats:
    """Plane and heights together; heights that hang in the air are shifted onto the start values by the
    median.
    """
    n, h, island = len(marks), levels.heights, levels.island
    coordinates = np.full((n, 3), np.nan)
    for m, p in enumerate(plane.frame.points):
        if p is not None:
            coordinates[m, :2] = p
    shift: dict[int, float] = {0: 0.0}
    for number in set(island[:n]) - {0, -1}:
        members = [m for m in range(n) if island[m] == number and np.isfinite(marks.height[m])]
        chosen = [m for m in members if marks.mark[m] in settings.datum_marks] or members
        shift[number] = median(marks.height[m] - (h[m] or 0.0) for m in chosen) if chosen else 0.0
    for m in range(n):
        height = h[m]
        if height is not None:
            coordinates[m, 2] = height + shift[island[m]]
    control = np.stack([marks.sigma_east, marks.sigma_north, marks.sigma_height], axis=1)
    given = np.stack([marks.east, marks.north, marks.height], axis=1)
    return np.where(np.isfinite(control) & np.isfinite(given), given, coordinates)


def _orientations(obs: Observations, coordinates: Floats) -> Floats:
    """The azimuth of each circle's zero on which most of its directions agree; used ones first."""
    count = int(obs.orientation.max(initial=-1)) + 1
    turns = np.full(count, np.nan)
    d = coordinates[obs.end_mark] - coordinates[obs.start_mark]
    off = np.arctan2(d[:, 0], d[:, 1]) - obs.value
    good = (
        (obs.orientation >= 0)
        & (obs.kind == "direction")
        & np.isfinite(off)
        & (np.hypot(d[:, 0], d[:, 1]) > 0)
    )
    for rows in (good & ~obs.used, good & obs.used):  # the later ones win
        found: dict[int, list[float]] = {}
        for o, turn in zip(obs.orientation[rows].tolist(), off[rows].tolist(), strict=True):
            found.setdefault(o, []).append(turn)
        for o, values in found.items():
            turns[o] = mode_of_angles(values, RAY_TOLERANCE)[0]
    return turns


def _suspects(found: _Attempt, obs: Observations) -> tuple[int, ...]:
    """Rows of the observations that miss, and of those whose targets seem to be exchanged."""
    readings = found.readings
    ray, length = misfits(readings, found.plane.frame)
    rows = [row for k in np.flatnonzero(ray > 1.0).tolist() for row in readings.rays.rows[k]]
    rows += [row for k in np.flatnonzero(length > 1.0).tolist() for row in readings.lengths.rows[k]]
    return tuple(sorted({*rows, *found.exchanged}))


def _check(network: Network, obs: Observations, readings: Readings, plane: Plane, levels: Spread) -> None:
    """Raise Undetermined with reasons where something that readings reach has no place."""
    n = len(network.marks)
    missing = np.zeros(n, dtype=bool)
    for m in needed(readings):
        missing[m] = plane.frame.points[m] is None and m not in plane.ambiguous
    has_height = np.array([levels.heights[m] is not None for m in range(n)])
    slopes = obs.used & (obs.kind == "distance")
    sloped = np.zeros(n, dtype=bool)
    sloped[obs.start_mark[slopes]] = sloped[obs.end_mark[slopes]] = True
    vertical = bool(np.isin(obs.kind[obs.used], ("zenith", "rise", "vector.up")).any())
    flat = sloped & ~has_height if vertical else np.zeros(n, dtype=bool)
    if not (missing.any() or flat.any() or plane.ambiguous or plane.mirrored):
        return
    from ...ground.topology import explain_undetermined

    if plane.mirrored:
        names = [str(m) for m in network.marks.mark]
        marks = [names[m] for m in plane.mirrored]
        one = len(marks) == 1
        text = (
            f"{and_list(marks)} {'is' if one else 'are'} tied by distances alone: {'it' if one else 'they'} "
        )
        text += f"can lie on either side of the line through {and_list([names[m] for m in plane.mirror])}."
        wanted = "Give rough coordinates of one of them, or read one angle."
        raise Undetermined((Trouble("NET303", text, wanted, tuple(marks)),))
    twofold = [str(network.marks.mark[m]) for m in plane.ambiguous]
    raise Undetermined(explain_undetermined(network, obs, missing, flat, twofold))

"""Marks: control moved or mistyped, names swapped, a setup on another mark than noted.

A moved control mark is linear: the column its coordinate would have had. A setup on another mark than noted is a device
far off its mark; at the robust point, where its effect has already carried it to where it stood, that is linear as well.
What the distance between the two marks then says is a signature of size 1.
"""

from __future__ import annotations

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .bend import NOTHING, bent
from .point import Point
from .pose import lie, stations
from .signatures import Book, Hypothesis

FAR = 0.25  # m: a setup further than this off its mark makes one ask whether it stood on that mark
ACROSS = 0.001  # m: step of the differences across a long way
MOST = 12  # setups that are tried on other marks
NEAR = (
    0.02,
    0.02,
)  # m and share of the way: how well a robust position must hit another mark to be tried there


Shifts = dict[int, list[tuple[int, tuple[Ints, Floats]]]]  # setup → marks on which it fits, and the entries


def add_control(book: Book) -> None:
    """Every control mark moved in plan (two columns) and wrong in height (one)."""
    point = book.point
    network, p = point.solved.network, point.unknowns.priors
    columns: dict[tuple[int, int], tuple[Ints, Floats]] = {}
    for k, e in enumerate(point.extras):
        if e.kind == "control":
            columns[e.row, e.axis] = point.extra(k)
    for j in np.flatnonzero(p.source == "control").tolist():
        row = np.array([point.prior_offset + j])
        columns[int(p.mark[j]), int(p.axis[j])] = row, np.array([-1.0 / p.sigma[j]])
    for m in sorted({mark for mark, _ in columns}):
        name = str(network.marks.mark[m])
        plan = [columns[m, a] for a in (0, 1) if (m, a) in columns]
        if plan:
            which = np.concatenate([np.full(len(row), c) for c, (row, _) in enumerate(plan)])
            hypothesis = Hypothesis("control", name, "control_moved", m, q=len(plan))
            book.add(
                hypothesis, np.concatenate([r for r, _ in plan]), np.concatenate([v for _, v in plan]), which
            )
        if (m, 2) in columns:
            row, value = columns[m, 2]
            book.add(Hypothesis("control", name, "control_height", m), row, -value)


def add_other_points(book: Book) -> None:
    """Target setups far off their mark: anywhere (three columns), on another mark, or two of them exchanged.

    Only at a robust point: where no residual is gross, no setup is so far off. Where the device stood follows from the
    readings to it; the signature is the secant to there, and what is left over in two directions across.
    """
    point = book.point
    if not point.robust:
        return
    setups, marks = point.solved.network.setups, point.solved.network.marks
    effects = point.wide.unknowns.effects
    place = point.state.coordinates
    shifts: Shifts = {}
    standing = stations(point.solved.equations, place, point.pictures)
    elsewhere = stood(point, set(standing))
    _bend_control(book, standing | elsewhere)
    for s, moved in (standing | elsewhere).items():
        axes = [a for a in range(3) if effects[s, a] >= 0]
        if not axes:
            continue
        if len(axes) == 3:
            _add_elsewhere(book, s, moved)
            _bend_height(book, s, float(moved[2]))
        for m in range(len(marks)):
            way = (place[m] - place[setups.mark[s]])[axes]
            if m == setups.mark[s] or not np.isfinite(way).all():
                continue
            if np.linalg.norm(way - moved[axes]) > NEAR[0] + NEAR[1] * np.linalg.norm(way):
                continue
            difference, _ = point.displaced([int(effects[s, a]) for a in axes], way)
            row = np.flatnonzero(np.abs(difference) > NOTHING)
            entry = row, difference[row]
            shifts.setdefault(s, []).append((m, entry))
            detail = (str(marks.mark[m]), m)
            book.add(
                Hypothesis("setup", str(setups.setup[s]), "wrong_mark", s, fixed=1.0, detail=detail), *entry
            )
    free = _Free(point)
    _add_swaps(book, shifts, free)
    _add_left_behind(book, standing | elsewhere, free)
    _add_other_targets(book, set(elsewhere) | set(standing))


def _add_elsewhere(book: Book, s: int, moved: Floats) -> None:
    """One setup, some `moved` (3,) m from its mark."""
    point = book.point
    columns = [int(c) for c in point.wide.unknowns.effects[s]]
    name = str(point.solved.network.setups.setup[s])
    book.add(Hypothesis("setup", name, "other_point", s, q=3), *bent(point, columns, moved))


def _bend_height(book: Book, s: int, rise: float) -> None:
    """The hypothesis of a wrong height, bent at what the readings say of it."""
    if abs(rise) < FAR:
        return
    for hypothesis in book.hypotheses:
        if hypothesis.cause == "height_wrong" and hypothesis.subject == s:
            column = int(book.point.wide.unknowns.effects[s, 2])
            row, value, which = bent(book.point, [column], np.array([rise]))
            book.exchange(hypothesis, row, -value, which)


def _bend_control(book: Book, moved: dict[int, Floats]) -> None:
    """Held marks whose setups lie far off: moved by as much, or with east and north exchanged."""
    point = book.point
    network, columns = point.solved.network, point.wide.unknowns.marks
    marks = network.marks
    seen: set[int] = set()
    if int(np.isfinite(marks.sigma_east).sum()) < 3:
        return  # of two marks nobody can say which has moved, and curvature must not
    for s, by in moved.items():
        m = int(network.setups.mark[s])
        if m in seen or (columns[m, :2] < point.unknowns.n).any() or not np.hypot(by[0], by[1]) > FAR:
            continue
        seen.add(m)
        plan = [int(c) for c in columns[m, :2]]
        for h in book.hypotheses:
            if h.cause == "control_moved" and h.subject == m and h.q == 2:
                book.exchange(h, *bent(point, plan, by[:2]))
        across = float(marks.north[m] - marks.east[m])
        if abs(across) > FAR:
            difference, _ = point.displaced(plan, np.array([across, -across]))
            row = np.flatnonzero(np.abs(difference) > NOTHING)
            made = Hypothesis("control", str(marks.mark[m]), "control_axes_swapped", m, fixed=1.0)
            book.add(made, row, difference[row])


def stood(point: Point, passed: set[int]) -> dict[int, Floats]:
    """Target setups whose readings put them further than FAR off their mark, worst first: how far, (3,) m.

    The middle of what all rounds of all instrument setups say, but for those `passed` over; curvature and refraction
    are left to the fit.
    """
    state, mark = point.state, point.solved.network.setups.mark
    found: dict[int, list[Floats]] = {}
    for p in point.pictures:
        if p.station in passed:
            continue
        off = lie(p, state.coordinates, float(state.orientations[p.orientation]), mark)
        for end, by in zip(p.targets.tolist(), np.nan_to_num(off), strict=True):
            found.setdefault(end, []).append(by)
    moved = {s: np.sort(np.array(m), axis=0)[len(m) // 2] for s, m in found.items()}
    far = [s for s, m in moved.items() if np.linalg.norm(m) > FAR]
    return {s: moved[s] for s in sorted(far, key=lambda s: -float(np.linalg.norm(moved[s])))[:MOST]}


def _add_other_targets(book: Book, explained: set[int]) -> None:
    """Sights that hit another target than noted: the setup is where it should be for others, and this sight is not."""
    point = book.point
    obs, setups = point.solved.obs, point.solved.network.setups
    place = point.state.coordinates
    heights = np.nan_to_num(point.unknowns.heights)
    centres = place[setups.mark] + np.column_stack([np.zeros((len(setups), 2)), heights])
    targets = np.flatnonzero(~setups.instrument)
    done: set[tuple[int, int]] = set()
    for p in point.pictures:
        if p.station in explained:
            continue
        off = lie(p, place, float(point.state.orientations[p.orientation]), setups.mark)
        for end, by in zip(p.targets.tolist(), off, strict=True):
            far = float(np.hypot(*by[:2]))
            if not far > FAR or end in explained or (p.station, end) in done or len(done) >= MOST:
                continue
            done.add((p.station, end))
            there = centres[end] + np.nan_to_num(by)
            way = np.sqrt(np.nansum((centres[targets] - there) ** 2, axis=1))
            other = int(targets[np.nanargmin(way)])
            if other == end or way.min() > NEAR[0] + NEAR[1] * far:
                continue
            columns = [int(c) for c in point.wide.unknowns.effects[end] if c >= 0]
            move = np.nan_to_num(centres[other] - centres[end])[: len(columns)]
            if len(columns) < 2:
                continue
            difference, _ = point.displaced(columns, move)
            rows = np.flatnonzero(
                obs.used & (obs.start_setup == p.station) & (obs.end_setup == end) & (obs.block < 0)
            )
            keep = point.place[rows]
            name = str(obs.rows[rows[0]][0])
            made = Hypothesis(
                "sight", name, "wrong_target", int(rows[0]), fixed=1.0, detail=(str(setups.setup[other]),)
            )
            book.add(made, keep, difference[keep])


def _add_swaps(book: Book, shifts: Shifts, free: _Free) -> None:
    """Two setups each of which fits on the mark of the other.

    Two marks that nothing but their setups places may as well exchange their places: then who stood on the wrong one, and
    who did not, exchange their parts. What looks like one setup of three on the wrong mark may be the other two exchanged,
    and the other way round, and of four either two, whatever is read.
    """
    setups = book.point.solved.network.setups

    def swap(s: int, t: int, row: Ints, value: Floats) -> None:
        detail = (str(setups.setup[t]), t)
        book.add(
            Hypothesis("setup", str(setups.setup[s]), "names_swapped", s, fixed=1.0, detail=detail),
            row,
            value,
        )

    keys = sorted(shifts)
    for i, s in enumerate(keys):
        for t in keys[i + 1 :]:
            one = [e for m, e in shifts[s] if m == setups.mark[t]]
            two = [e for m, e in shifts[t] if m == setups.mark[s]]
            if not (one and two):
                continue
            row, value = np.concatenate([one[0][0], two[0][0]]), np.concatenate([one[0][1], two[0][1]])
            swap(s, t, row, value)
            here, there = int(setups.mark[s]), int(setups.mark[t])
            third = [r for r in (*free.on(here), *free.on(there)) if r not in (s, t)]
            if not (free.mark[here] and free.mark[there]):
                continue
            if len(third) == 2 and setups.mark[third[0]] == here and setups.mark[third[1]] == there:
                swap(third[0], third[1], row, value)
            elif len(third) == 1:
                r = third[0]
                m = there if setups.mark[r] == here else here
                detail = (str(book.point.solved.network.marks.mark[m]), m)
                name = str(setups.setup[r])
                book.add(Hypothesis("setup", name, "wrong_mark", r, fixed=1.0, detail=detail), row, value)
    for s in keys:
        here = int(setups.mark[s])
        for m, entry in shifts[s]:
            others = [r for r in free.on(here) if r != s]
            theirs = free.on(m)
            if free.mark[here] and free.mark[m] and len(others) == 1 and len(theirs) == 1:
                swap(others[0], theirs[0], *entry)


def _add_left_behind(book: Book, moved: dict[int, Floats], free: _Free) -> None:
    """The one setup of a free mark that lies where the mark is taken to be, all others lying elsewhere together.

    The point has gone with the one; as well it is the mark that lies elsewhere, and the one is off it.
    """
    point = book.point
    setups, effects = point.solved.network.setups, point.wide.unknowns.effects
    for m in sorted({int(setups.mark[s]) for s in moved}):
        far = [s for s in free.on(m) if s in moved]
        left = [s for s in free.on(m) if s not in moved]
        if not free.mark[m] or len(left) != 1 or (effects[[*far, *left]] < 0).any():
            continue
        by = np.array([moved[s] for s in far])
        way = by.mean(axis=0)
        if np.abs(by - way).max() > NEAR[0] + NEAR[1] * np.linalg.norm(way):
            continue
        name = str(setups.setup[left[0]])
        columns = np.unique(effects[far], axis=0)
        row, value, column = bent(point, columns.ravel().tolist(), np.tile(way, len(columns)))
        made = Hypothesis("setup", name, "other_point", left[0], q=3, detail=tuple(far))
        book.add(made, row, -value, column % 3)


class _Free:
    """Marks that nothing but their setups places (mark, flags), and the setups whose readings are in use."""

    def __init__(self, point: Point) -> None:
        marks = point.solved.network.marks
        sigma = np.column_stack([getattr(marks, f"sigma_{a}") for a in ("east", "north", "height")])
        obs = point.solved.obs
        self.mark: Flags = np.isinf(sigma).all(axis=1)
        between = obs.used & (obs.start_setup < 0)
        self.mark[obs.start_mark[between]] = self.mark[obs.end_mark[between]] = False
        self._mark = point.solved.network.setups.mark
        ends = np.concatenate([obs.start_setup[obs.used], obs.end_setup[obs.used]])
        self._used = np.isin(np.arange(len(self._mark)), ends)

    def on(self, m: int) -> list[int]:
        """Setups on a mark."""
        found: list[int] = np.flatnonzero(self._used & (self._mark == m)).tolist()
        return found

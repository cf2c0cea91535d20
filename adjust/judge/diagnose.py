"""The judgement of a solved network in one screen: hypotheses, tests, the search, and findings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..estimate.datum import Constraints
from ..estimate.ranking import ranked
from ..ground.table import Flags, Floats, Ints
from ..model.equations import Equations
from ..solved import Solved
from .angles import add_faces, add_orientations
from .apart import tell_apart
from .bend import bend_far
from .centring import add_centrings, add_leans
from .distances import add_distances
from .explain import explanations
from .finding import Apart, Explanation, Finding
from .heights import add_heights
from .marks import add_control, add_other_points
from .point import Point, find_point
from .rank import ALIKE, EVEN, MOST, OFF, Search, probability, rivals, search
from .readings import add_readings
from .remedy import remedies
from .robust import robust_solution
from .signatures import Book
from .statistics import Given, critical_value_of, estimate, given, make_tests, shifts
from .twins import twins
from .written import Written

HYPOTHESES = (
    add_heights,
    add_centrings,
    add_distances,
    add_orientations,
    add_leans,
    add_control,
    add_faces,
    add_other_points,
    add_readings,
)
MANY = 600  # setups from which only those are looked at closely where something is odd
ODD = 2.8  # |w|, beyond which lie 0.5 % of all readings
BENDS = 2  # once more with the better size
SETTLED = 1e-4  # m: marks that a correction moves by less are not worth naming


def judge(solved: Solved, written: Written | None = None) -> tuple[Finding, ...]:
    """Causes that would explain what does not fit, worst first; empty where nothing stands out.

    `written` tells in which units the book was kept, for slips of the pen.
    """
    if solved.solution.degrees_of_freedom <= 0:
        return ()
    book = hypotheses(solved)
    if not book.columns:
        return ()
    tests = make_tests(book)
    bent: dict[int, Floats] = {}
    for _ in range(BENDS):
        if not bend_far(book, tests, bent):
            break
        tests = make_tests(book)
    found = search(tests)
    return _findings(book.point, found, written or Written())


def judge_unsettled(
    equations: Equations, constraints: Constraints | None, written: Written | None = None
) -> tuple[Finding, ...]:
    """What keeps a network from being adjusted, where Gauss-Newton does not settle: judged at the robust point.

    `constraints` are those of the datum. Empty where there is no robust point either.
    """
    solution = robust_solution(equations, constraints)
    return judge(Solved(equations, solution), written) if solution is not None else ()


def hypotheses(solved: Solved) -> Book:
    """All that is tried on a network, with its signatures."""
    book = Book(find_point(solved))
    if len(solved.network.setups) > MANY:
        book.busy = _busy(book.point)
    for add in HYPOTHESES:
        add(book)
    return book


def _busy(point: Point) -> Flags:
    """Setups one of whose readings or effects has |w| > ODD. What is shared by several of them would show in one."""
    obs, u = point.solved.obs, point.unknowns
    out = np.zeros(len(point.solved.network.setups), dtype=bool)
    for group, reliability in zip(point.solved.equations.groups, point.reliability, strict=False):
        odd = group.rows[np.abs(np.nan_to_num(reliability.standardized)) > ODD]
        for side in (obs.start_setup[odd], obs.end_setup[odd]):
            out[side[side >= 0]] = True
    if len(u.priors):
        odd = np.flatnonzero(np.abs(np.nan_to_num(point.reliability[-1].standardized)) > ODD)
        out[u.priors.setup[odd][u.priors.setup[odd] >= 0]] = True
    return out


def _findings(point: Point, s: Search, written: Written) -> tuple[Finding, ...]:
    out = []
    for f in s.found:
        g = given(s.tests, [k for k in s.found if k != f], s.columns)
        out.append(_finding(point, s, g, f, written))
    out = _of_few_known(point, out)
    out = [out[i] for i in ranked([f.first.statistic for f in out])]
    out += twins(point)
    return tuple(replace(finding, rank=rank) for rank, finding in enumerate(out, 1))


def _of_few_known(point: Point, found: list[Finding]) -> list[Finding]:
    """Of two known marks nobody can say which has lost its place: several names on wrong points are then not told.

    One name wrong on either turns the whole network, and the point with it, so that others look wrong as well.
    """
    known = np.flatnonzero(np.isfinite(point.solved.network.marks.sigma_east))
    if len(known) == 2:
        found = [_of_two_known(point, f, known) for f in found]
    wrong = [f.first.group == "mark" for f in found]
    if len(known) not in (1, 2) or sum(wrong) < 2:
        return found
    return [replace(f, told=f.told and not w) for f, w in zip(found, wrong, strict=True)]


def _of_two_known(point: Point, found: Finding, known: Ints) -> Finding:
    """Of two known marks the network tests their distance alone: what changes that may be either mark, or the only
    placing of a device on either. All of these are rivals; a gross error bends so that their signatures do not say it."""
    network, e = point.solved.network, found.first
    setups = network.setups
    marks = network.marks.mark
    on_known = e.what == "setup" and e.group in ("mark", "centring") and setups.mark[e.subject] in known
    in_plan = e.what == "control" and e.cause != "control_height"
    if not (on_known or in_plan):
        return found
    obs = point.solved.obs
    seen = np.unique(np.concatenate([obs.start_setup[obs.used], obs.end_setup[obs.used]]))
    seen = seen[seen >= 0]
    alike: list[tuple[str, str, str, int]] = []
    for m in known.tolist():
        alike.append(("control", str(marks[m]), "control_moved", m))
        mine = seen[setups.mark[seen] == m]
        if len(mine) == 1:
            cause = "other_point" if e.size > OFF else "off_mark"
            alike.append(("setup", str(setups.setup[mine[0]]), cause, int(mine[0])))
    if on_known and (e.what, e.name) not in {(what, name) for what, name, _, _ in alike}:
        return found  # the others on its mark speak against it alone
    named = {(r.what, r.name) for r in (e, *found.rivals)}
    more = [
        replace(e, what=what, name=name, cause=cause, subject=subject, vector=(), value=np.nan, detail=())
        for what, name, cause, subject in alike
        if (what, name) not in named
    ]
    return replace(found, told=False, rivals=(*found.rivals, *more)[:MOST])


def _finding(point: Point, s: Search, g: Given, f: int, written: Written) -> Finding:
    """One finding, with all others taken as present."""
    first, *same = _explained(point, g, f, 1.0, written)
    around = rivals(s, g, f)
    others = list(same)
    told, strongest = True, -1
    for h, rho in around:
        rival = _explained(point, g, h, rho, written)[0]
        alike = (rival.what, rival.name) == (first.what, first.name)
        if alike and rival.cause == first.cause:
            continue
        others.append(rival)
        strongest = h if strongest < 0 else strongest
        even = rho > ALIKE or g.evidence[h] > g.evidence[f] - EVEN
        told &= not even or (alike and rival.group == first.group)
    size, _ = estimate(g, f)
    apart: Apart | None = None
    if strongest >= 0:
        apart = tell_apart(s.tests, f, size, strongest, estimate(g, strongest)[0])
    return Finding(
        rank=0,
        first=first,
        told=told and not s.exhausted,
        exhausted=s.exhausted,
        critical=critical_value_of(s.tried, first.freedoms),
        probability=probability(s, g, f),
        rivals=tuple(others[:MOST]),
        rivals_not_shown=max(0, len(others) - MOST),
        apart=apart,
        remedies=remedies(point, first),
        moved=_moved(point, s, f, size),
        tried=s.tried,
    )


def _explained(point: Point, g: Given, h: int, rho: float, written: Written) -> list[Explanation]:
    size, covariance = estimate(g, h)
    made = explanations(
        point, g.tests.hypotheses[h], size, covariance, float(g.T[h]), int(g.told[h]), written
    )
    return [replace(e, correlation=rho) for e in made]


def _moved(
    point: Point, s: Search, f: int, size: Floats, most: int = 3
) -> tuple[tuple[str, float, float, float], ...]:
    """Marks that move most if the cause is real and put right: name, east, north, height in m.

    At a robust point, only for a lone cause and against an adjustment that settled.
    """
    marks, solution = point.unknowns.marks, point.solved.solution
    change = -shifts(s.tests, f, np.nan_to_num(size))
    if point.robust:
        if len(s.found) > 1 or not solution.iterations:
            return ()
        change += point.x + point.step - solution.x
    move = np.append(change, 0.0)[marks]
    length = np.sqrt((move**2).sum(axis=1))
    order = np.argsort(-length, kind="stable")[:most]
    names = point.solved.network.marks.mark
    return tuple(
        (str(names[i]), float(move[i, 0]), float(move[i, 1]), float(move[i, 2]))
        for i in order.tolist()
        if length[i] > SETTLED
    )

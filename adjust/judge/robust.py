"""A point that gross errors don't bend: from the approximate coordinates, by weights that fall off to nothing.

The approximate coordinates survive a gross error (`model.approximate`), so what does not fit there stands out. Weights
1/(1 + (l/c)²)² with c shrinking from coarse to fine (graduated non-convexity; from memory) let the rest settle and leave
the error where it is: in the residuals of the readings, with the device taken to be where it is said to be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from ..estimate.datum import Cofactor, Constraints
from ..estimate.normals import Defect
from ..estimate.pattern import Pattern
from ..estimate.rows import Rows, gradient, objective
from ..estimate.solve import Solution
from ..ground.table import Floats, Ints, distinct
from ..model.equations import Equations
from ..model.reductions import wrap
from ..solved import queries
from .pose import replaced

LOOSE = 2e-4  # m: how firmly what is held is held while the point is sought
COARSE, FINE = 35.0, 3.0  # sigmas: c at the start and at the end
REJECTED = 30.0  # sigmas: a reading this far off has no say
WILD = 1e7  # sigmas a metre: an arc second is seen so from a few centimetres
FLOOR = 1e-5  # of the root of a weight: what is rejected still holds what nothing else holds
ITERATIONS = 8
FAR = 0.015  # m: an effect beyond this is an error, and is left to the residuals
SETTLED = 5e-4  # m or rad: as near as a linear model needs

Found = tuple[Floats, list[Rows], Cofactor, Floats]


def robust_point(
    equations: Equations,
    wide: Equations,
    constraints: Constraints | None,
    base: Floats,
    solution: Solution | None,
) -> Found | None:
    """x of the wide system, the equations there in the unknowns alone, their cofactor and o − c; None where none is found.

    The least-squares solution, where there is one, is started from where it fits better than the approximate coordinates.
    """
    n, k = equations.unknowns.n, len(base)
    hold = Rows((n + np.arange(k))[:, None], np.full((k, 1), 1.0 / LOOSE), np.zeros(k))
    padded = _padded(constraints, k)

    def evaluate(x: Floats) -> list[Rows]:
        return [*(_tamed(r) for r in wide.evaluate(x)), replace(hold, misclosure=(base - x[n:]) / LOOSE)]

    def cost(rows: list[Rows]) -> float:
        return float(sum(np.log1p((r.misclosure / FINE) ** 2).sum() for r in rows))

    place, turns, _ = replaced(equations, orientations(equations), equations.start)
    first = equations.first_guess(turns)
    free = equations.unknowns.marks >= 0
    first[equations.unknowns.marks[free]] = place[free]
    starts = [np.concatenate([first, base])]
    if solution is not None:
        starts.append(np.concatenate([solution.x, base]))
    tried = [(cost(rows), i, x, rows) for i, x in enumerate(starts) for rows in (evaluate(x),)]
    columns = [r.columns for r in tried[0][3]] + ([padded.pins.columns] if padded else [])
    pattern = Pattern.build(n + k, columns, wide.unknowns.node, wide.unknowns.late)
    for _, _, x, rows in sorted(tried, key=lambda s: s[:2]):
        try:
            x = _kept_turns(equations, x, _settled(evaluate, pattern, padded, x, rows))
            if np.isfinite(x).all():
                return _back(
                    equations, constraints, x, base, solution.cofactor.factor.pattern if solution else None
                )
        except (Defect, np.linalg.LinAlgError):
            continue
    return None


def _settled(
    evaluate: Callable[[Floats], list[Rows]],
    pattern: Pattern,
    constraints: Constraints | None,
    x: Floats,
    rows: list[Rows],
) -> Floats:
    """x where the weighted equations rest, c shrinking from coarse to fine on the way."""
    c = COARSE
    for _ in range(ITERATIONS):
        weighted = [_reweighted(r, c) for r in rows]
        dx = Cofactor(pattern, weighted, constraints).solve(gradient(weighted, pattern.n))
        x = x + dx
        if c <= FINE and np.abs(dx).max() < SETTLED:
            break
        rows = evaluate(x)
        c = max(FINE, 0.3 * c)
    return x


def _kept_turns(equations: Equations, start: Floats, x: Floats) -> Floats:
    """Circles none of whose directions fits keep the orientation they started with: what is rejected says nothing."""
    obs, n = equations.obs, equations.unknowns.n
    best = np.full(len(equations.unknowns.orientations), np.inf)
    for group, rows in zip(equations.groups, equations.evaluate(x[:n]), strict=False):
        if group.kinds[0].name == "direction":
            np.minimum.at(best, obs.orientation[group.rows], np.abs(rows.misclosure))
    columns = equations.unknowns.orientations[(best > REJECTED) & np.isfinite(best)]
    columns = columns[columns >= 0]
    x[columns] = start[columns]
    return x


def robust_solution(equations: Equations, constraints: Constraints | None) -> Solution | None:
    """A stand-in for a solution where Gauss-Newton does not settle, for `judge` alone: its x is robust, not adjusted.

    None where there is none either.
    """
    from .point import base_of, widen

    wide, extras = widen(equations)
    found = robust_point(equations, wide, constraints, base_of(equations, extras), None)
    if found is None:
        return None
    x, rows, cofactor, raw = found
    n = equations.unknowns.n
    free = constraints.count if constraints else 0
    return Solution(x[:n], rows, cofactor, 0, objective(rows), len(raw) - (n - free))


def _back(
    equations: Equations, constraints: Constraints | None, x: Floats, base: Floats, pattern: Pattern | None
) -> Found:
    """What is held, and every effect that has run far, put back to where it is said to be; all equations there."""
    u, n = equations.unknowns, equations.unknowns.n
    x = np.concatenate([x[:n], base])
    effects = u.effects[u.effects >= 0]
    x[effects[np.abs(x[effects]) > FAR]] = 0.0
    rows = [_tamed(r) for r in equations.evaluate(x[:n])]
    if pattern is None:
        columns = [r.columns for r in rows] + ([constraints.pins.columns] if constraints else [])
        pattern = Pattern.build(n, columns, u.node, u.late, queries(equations.obs, u))
    raw = np.concatenate([r.misclosure for r in rows])
    return x, rows, Cofactor(pattern, rows, constraints), raw


def _tamed(r: Rows) -> Rows:
    """Rows without those of a sight from a mark to itself, whose derivatives know no bounds: they pull at nothing."""
    wild = np.abs(r.values).max(axis=1, initial=0.0) > WILD
    return replace(r, values=np.where(wild[:, None], 0.0, r.values)) if wild.any() else r


def _reweighted(r: Rows, c: float) -> Rows:
    """Rows scaled by the root of their weights; what was whitened together is weighted together."""
    size = np.abs(r.misclosure)
    if r.block > 1:
        size = np.repeat(np.sqrt((size.reshape(-1, r.block) ** 2).sum(axis=1) / r.block), r.block)
    root = np.maximum(1.0 / (1.0 + (size / c) ** 2), FLOOR)
    return Rows(r.columns, r.values * root[:, None], r.misclosure * root, r.block)


def _padded(c: Constraints | None, k: int) -> Constraints | None:
    if c is None or not k:
        return c
    return Constraints(
        np.vstack([c.B, np.zeros((k, c.B.shape[1]))]), np.concatenate([c.origin, np.zeros(k)]), c.pins
    )


def orientations(equations: Equations) -> Floats:
    """Of every circle, from the start coordinates: the one on which the most directions agree. rad.

    Two directions agree with each other as little the one way as the other: then the target whose distance fits is believed.
    """
    obs = equations.obs
    out = np.zeros(len(equations.unknowns.orientations))
    rows = np.flatnonzero(obs.used & (obs.kind == "direction"))
    if not len(rows):
        return out
    computed = equations.computed(equations.first_guess(out), rows)
    turn = wrap(computed - obs.value[rows])
    off = _off(equations, equations.first_guess(out), rows)
    for o in distinct(obs.orientation[rows]):
        mine = obs.orientation[rows] == o
        t = turn[mine]
        apart = np.median(np.abs(wrap(t[:, None] - t[None, :])), axis=1)
        out[o] = t[np.lexsort((off[mine], np.round(apart, 9)))[0]]  # there and back differ by rounding
    return out


def _off(equations: Equations, start: Floats, rows: Ints) -> Floats:
    """By how much the distances that go with these directions fail at the start coordinates, m; 0 where there is none."""
    obs = equations.obs
    lengths = np.flatnonzero(obs.used & np.isin(obs.kind, ("distance", "level")))
    miss = np.abs(equations.computed(start, lengths) - obs.value[lengths])
    worst: dict[tuple[int, int], float] = {}
    ends = zip(obs.start_setup[lengths].tolist(), obs.end_setup[lengths].tolist(), miss.tolist(), strict=True)
    for a, b, by in ends:
        worst[a, b] = max(by, worst.get((a, b), 0.0))
    pairs = zip(obs.start_setup[rows].tolist(), obs.end_setup[rows].tolist(), strict=True)
    return np.array([worst.get(pair, 0.0) for pair in pairs])

"""Where the network is linearised for judging, and the residuals there.

Small errors are judged at the adjusted coordinates. A gross error bends those, and with them the linear model on which
every test stands; then a robust point is used instead (`robust`), which leaves the error in the residuals. A bias of an
observation is additive, so the linear model at such a point is right however large the bias; what moves a device or a mark
far has a secant for its signature: the readings as they would be computed there, minus as they are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..estimate.datum import Cofactor
from ..estimate.reliability import Reliability, correlated_reliability, reliability
from ..estimate.rows import Rows, gradient
from ..ground.table import Floats, Ints, distinct
from ..model.equations import Equations, State
from ..model.reductions import Observations, wrap
from ..model.unknowns import Unknowns
from ..solved import Solved
from .pose import Picture, pictures
from .robust import robust_point

GROSS = 0.015  # m: an effect or a residual beyond this bends the lines of an indoor network by 0.01 mm


@dataclass(frozen=True)
class Extra:
    """Something that has no unknown and may yet be wrong: a held coordinate, or the effect of a setup with sigma 0."""

    kind: str  # "control" or "effect"
    row: int  # of the mark, or of the setup that owns the effect
    axis: int  # 0 east, 1 north, 2 height


@dataclass(frozen=True)
class Point:
    """Whitened equations at one point, their M, and the residuals Ml, counted through all Rows.

    misclosure (m,) is Ml; extras[k] has the signature (extra_row, extra_value)[extra_start[k]:extra_start[k + 1]].
    """

    solved: Solved
    x: Floats
    rows: list[Rows]
    cofactor: Cofactor
    raw: Floats
    step: Floats  # what least squares would add to x, (n,)
    misclosure: Floats
    offsets: Ints
    extras: list[Extra]
    extra_start: Ints
    extra_row: Ints
    extra_value: Floats
    robust: bool
    wide: Equations
    wide_x: Floats

    @property
    def unknowns(self) -> Unknowns:
        return self.solved.unknowns

    @cached_property
    def place(self) -> Ints:
        """Row in the whitened system of every observation; −1 where it is not in use."""
        place = np.full(len(self.solved.obs), -1, dtype=np.int64)
        for group, offset in zip(self.solved.equations.groups, self.offsets, strict=False):
            place[group.rows] = offset + np.arange(len(group.rows))
        return place

    @cached_property
    def sigma(self) -> Floats:
        """A priori sigma of every observation, m or rad; NaN where it is not in use."""
        out = np.full(len(self.solved.obs), np.nan)
        used = np.flatnonzero(self.solved.obs.used)
        out[used] = self.solved.equations.sigmas(self.x, used)
        return out

    @cached_property
    def _weight(self) -> Floats:
        return np.asarray(1.0 / self.sigma)

    @cached_property
    def _correlated(self) -> bool:
        return bool((self.solved.obs.block >= 0).any())

    @cached_property
    def pictures(self) -> list[Picture]:
        """What every instrument setup saw in every round."""
        return pictures(self.solved.equations)

    @cached_property
    def state(self) -> State:
        """Coordinates, effects and orientations at the point."""
        return self.wide.state(self.wide_x)

    @property
    def prior_offset(self) -> int:
        """Row in the whitened system of the first pseudo-observation."""
        return int(self.offsets[len(self.solved.equations.groups)])

    @cached_property
    def reliability(self) -> list[Reliability]:
        """As `Solved.reliability`, at this point."""
        if not self.robust:
            return self.solved.reliability
        out = []
        for k, (rows, covariance) in enumerate(zip(self.rows, self.solved.covariances, strict=True)):
            if covariance is None:
                out.append(reliability(self.cofactor, k, rows))
            else:
                out.append(correlated_reliability(self.cofactor, k, rows, covariance))
        return out

    def whiten(self, observation: Ints) -> tuple[Ints, Ints, Floats]:
        """Whitened rows, which of `observation` each belongs to, and the coefficients of a unit shift of it."""
        if not self._correlated:
            return self.place[observation], np.arange(len(observation)), self._weight[observation]
        blocked = self.solved.obs.block[observation] >= 0
        plain = np.flatnonzero(~blocked)
        row, entry = self.place[observation[plain]], plain
        value = self._weight[observation[plain]]
        if not blocked.any():
            return row, entry, value
        rows, entries, values = [row], [entry], [value]
        for i in np.flatnonzero(blocked).tolist():
            k = len(self.solved.equations.groups) - 1
            at = int(self.place[observation[i]])
            within = at - int(self.offsets[k])
            covariance = self.solved.covariances[k]
            assert covariance is not None
            inverse = np.linalg.inv(np.linalg.cholesky(covariance[within // 3]))
            rows.append(at - within % 3 + np.arange(3))
            entries.append(np.full(3, i))
            values.append(inverse[:, within % 3])
        return np.concatenate(rows), np.concatenate(entries), np.concatenate(values)

    def displaced(
        self, columns: list[int], move: Floats, give: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """How the observations would differ if devices or marks were elsewhere, (m,), and derivatives there, (m, k).

        columns: of the wide system; move (k,) m. The difference: computed there − computed here, over σ. `give` (n,):
        how far the unknowns move along; what the linear model says of that alone is taken off again.
        """
        x = self.wide_x.copy()
        if give is not None:
            x[: len(give)] += give
        x[columns] += move
        there = self.wide.evaluate(x)
        difference = np.zeros(len(self.misclosure))
        derivative = np.zeros((len(self.misclosure), len(columns)))
        for k, group in enumerate(self.solved.equations.groups):
            part = slice(int(self.offsets[k]), int(self.offsets[k + 1]))
            by = self._here[k].misclosure - there[k].misclosure
            if len(group.kinds) == 1 and group.kinds[0].quantity == "angle":
                sigma = self.sigma[group.rows]
                by = wrap(by * sigma) / sigma
            difference[part] = by if give is None else by - self.rows[k].times(give)
            for a, c in enumerate(columns):
                derivative[part, a] = np.sum(np.where(there[k].columns == c, there[k].values, 0.0), axis=1)
        return difference, derivative

    @cached_property
    def _here(self) -> list[Rows]:
        return self.wide.evaluate(self.wide_x)

    def extra(self, k: int) -> tuple[Ints, Floats]:
        """Signature of the k-th extra: what the observations gain per unit of it."""
        part = slice(int(self.extra_start[k]), int(self.extra_start[k + 1]))
        return self.extra_row[part], self.extra_value[part]


def find_point(solved: Solved) -> Point:
    """The point to judge at: the solution, or a robust one where a gross error bends it."""
    wide, extras = widen(solved.equations)
    n = solved.unknowns.n
    base = base_of(solved.equations, extras)
    if _gross(solved):
        found = robust_point(
            solved.equations, wide, solved.solution.cofactor._constraints, base, solved.solution
        )
        if found is not None:
            x, rows, cofactor, raw = found
            return _point(solved, wide, x, extras, rows, cofactor, raw, robust=True)
    rows = solved.solution.rows
    raw = np.concatenate([r.misclosure for r in rows])
    x = np.concatenate([solved.solution.x, base])
    assert len(x) == n + len(extras)
    return _point(solved, wide, x, extras, rows, solved.solution.cofactor, raw, robust=False)


def _point(
    solved: Solved,
    wide: Equations,
    x: Floats,
    extras: list[Extra],
    rows: list[Rows],
    cofactor: Cofactor,
    raw: Floats,
    *,
    robust: bool,
) -> Point:
    n = solved.unknowns.n
    offsets = np.concatenate([[0], np.cumsum([len(r.misclosure) for r in rows])]).astype(np.int64)
    misclosure, dx = raw, np.zeros(n)
    if robust:
        here = [
            replace(r, misclosure=raw[a:b]) for r, a, b in zip(rows, offsets[:-1], offsets[1:], strict=True)
        ]
        dx = cofactor.solve(gradient(here, n))
        misclosure = np.concatenate([r.misclosure - r.times(dx) for r in here])
    start, row, value = np.zeros(1, np.int64), np.zeros(0, np.int64), np.zeros(0)
    if extras:
        found_row, found_column, found_value = [], [], []
        for r, offset in zip(wide.evaluate(x)[: len(solved.equations.groups)], offsets, strict=False):
            i, j = np.nonzero(r.columns >= n)
            found_row.append(i + offset)
            found_column.append(r.columns[i, j] - n)
            found_value.append(r.values[i, j])
        column = np.concatenate(found_column)
        order = np.argsort(column, kind="stable")
        row, value = np.concatenate(found_row)[order], np.concatenate(found_value)[order]
        start = np.searchsorted(column[order], np.arange(len(extras) + 1))
    return Point(
        solved,
        x[:n],
        rows,
        cofactor,
        raw,
        dx,
        misclosure,
        offsets,
        extras,
        start,
        row,
        value,
        robust,
        wide,
        x,
    )


def _gross(solved: Solved) -> bool:
    """Does a residual or an estimated effect lie beyond what a linear model bears?"""
    x, u = solved.solution.x, solved.unknowns
    effects = u.effects[u.effects >= 0]
    if len(effects) and np.abs(x[effects]).max() > GROSS:
        return True
    for group, rows in zip(solved.equations.groups, solved.solution.rows, strict=False):
        if not len(group.rows) or np.abs(rows.misclosure).max() < 5.0:
            continue
        if len(group.kinds) > 1:
            return False
        size = np.abs(rows.misclosure) * solved.equations.sigmas(x, group.rows)
        if group.kinds[0].quantity == "angle":
            c = solved.state.coordinates
            d = c[solved.obs.end_mark[group.rows]] - c[solved.obs.start_mark[group.rows]]
            size = size * np.maximum(1.0, np.sqrt(np.nansum(d**2, axis=1)))
        if size.max() > GROSS:
            return True
    return False


def widen(equations: Equations) -> tuple[Equations, list[Extra]]:
    """The equations with a column for everything that is held and could be wrong."""
    u, network, obs = equations.unknowns, equations.network, equations.obs
    sigma = np.column_stack([getattr(network.marks, f"sigma_{a}") for a in ("east", "north", "height")])
    marks, effects = u.marks.copy(), u.effects.copy()
    extras: list[Extra] = []
    for m, a in zip(*np.nonzero(u.reached & (sigma == 0.0)), strict=True):
        marks[m, a] = u.n + len(extras)
        extras.append(Extra("control", int(m), int(a)))
    if len(effects):
        for a, setups, group in (
            (0, _touched(obs, plan=True), network.setups.base),
            (1, _touched(obs, plan=True), network.setups.base),
            (2, _touched(obs, plan=False), network.setups.height_base),
        ):
            owner: dict[int, int] = {}
            for s in setups.tolist():
                if effects[s, a] >= 0:
                    continue
                key = int(group[s]) if group[s] >= 0 else -2 - s
                if key not in owner:
                    owner[key] = u.n + len(extras)
                    extras.append(Extra("effect", s, a))
                effects[s, a] = owner[key]
    if not extras:
        return equations, []
    k = len(extras)
    last = int(u.node.max(initial=-1)) + 1
    wide = replace(
        u,
        n=u.n + k,
        marks=marks,
        effects=effects,
        node=np.concatenate([u.node, last + np.arange(k)]),
        late=np.concatenate([u.late, np.zeros(k, dtype=bool)]),
    )
    e = equations
    return Equations(network, obs, wide, e.settings, e.frame, e.start), extras


def _touched(obs: Observations, *, plan: bool) -> Ints:
    """Setups whose plan position, or height, the observations in use feel."""
    rows = obs.used & ~np.isin(obs.kind.astype(str), () if plan else ("direction", "level"))
    setups = np.concatenate([obs.start_setup[rows], obs.end_setup[rows]])
    return distinct(setups[setups >= 0])


def base_of(equations: Equations, extras: list[Extra]) -> Floats:
    """Where the extras are held: coordinates as given, effects 0."""
    return np.array([float(equations.start[e.row, e.axis]) if e.kind == "control" else 0.0 for e in extras])

"""Engine and dense model side by side: every number that both give."""

from __future__ import annotations

from typing import Any

import numpy as np
from tests.oracle.dense import Dense

from hubtack.adjust import Adjustment


def agree(
    a: Adjustment,
    start: Any,
    objective: float = 1e-6,
    metres: float = 1e-7,
    redundancy: float = 1e-6,
    nothing: float = 1e-9,
) -> Dense:
    """Solve `a.network` again densely, starting at what is given, else from start (n_marks, 3), and compare everything.

    metres: coordinates. objective: relative, vᵀPv (and, with its root, what is made from residuals).
    """
    given = np.column_stack([a.network.marks.east, a.network.marks.north, a.network.marks.height])
    d = Dense(a.network, a.settings, np.where(np.isnan(given), np.asarray(start, float), given)).solve()
    assert a.degrees_of_freedom == d.freedom
    assert set(a.datum) == set(d.loose)
    assert a.reference_height == d.h0
    _marks(a, d, metres)
    _observations(a, d, objective, redundancy, nothing)
    _setups(a, d, objective)
    _pairs(a, d)
    _constants(a, d)
    if nothing:
        _unchecked(a, d)
    if d.freedom:
        low, high = d.bounds()
        total = a.global_test.variance_factor * d.freedom
        assert np.isclose(total, d.objective, rtol=objective, atol=1e-9)
        assert np.isclose(a.global_test.lower, low, rtol=1e-9)
        assert np.isclose(a.global_test.upper, high, rtol=1e-9)
    return d


def _marks(a: Adjustment, d: Dense, metres: float) -> None:
    mine = np.column_stack([a.marks.east, a.marks.north, a.marks.height])
    theirs = d.coordinates()
    both = ~np.isnan(theirs)
    assert not np.isnan(mine[d.reached]).any()
    assert np.abs(mine - theirs)[both & d.reached].max(initial=0.0) < metres
    for m in np.flatnonzero(d.reached.any(axis=1)):
        known = d.reached[m]
        block = np.ix_(known, known)
        Q = d.cross(int(m), int(m))
        size = np.sqrt(np.outer(np.diag(Q), np.diag(Q)))
        assert np.all(np.abs(a.marks.covariance[m] - Q)[block] <= 2e-4 * size[block] + 1e-18), a.marks.mark[m]


def _observations(a: Adjustment, d: Dense, objective: float, redundancy: float, nothing: float) -> None:
    o = a.observations
    row = {str(name): i for i, name in enumerate(o.id)}
    assert set(row) <= set(d.names)
    # an effect (or a collimation, where both faces were read) that no reading feels is no unknown of the engine's;
    # here its row has no redundancy
    quiet = {n for n, r in zip(d.names, d.redundancy, strict=True) if abs(r) < 1e-8}
    silent = {n for n in quiet if ".effect." in n or n.endswith((".collimation", ".index"))}
    assert set(d.names) - set(row) <= silent
    slack = max(objective, 1e-6) ** 0.5 * 1e-1
    for i, name in enumerate(d.names):
        if name not in row:
            continue
        k = row[name]
        assert np.isclose(o.sigma[k], d.sigmas[i], rtol=1e-4), name
        assert abs(o.redundancy[k] - d.redundancy[i]) < redundancy * max(1.0, abs(d.redundancy[i])), name
        assert abs(o.residual[k] - d.residual[i]) < slack * d.sigmas[i] + 1e-14, name
        if d.strength[i] ** 2 > 1e-4:
            assert np.isclose(o.standardized[k], d.w[i], rtol=1e-3, atol=slack * 10), name
            # the strength is the root of a difference near 1: what is left of its digits
            assert np.isclose(
                o.minimal_detectable_bias[k], d.mdb[i], rtol=1e-4 + 1e-9 / d.strength[i] ** 2
            ), name
        elif d.strength[i] ** 2 < nothing:
            assert np.isnan(o.standardized[k]), name
            assert np.isinf(o.minimal_detectable_bias[k]), name


def _setups(a: Adjustment, d: Dense, objective: float) -> None:
    slack = max(objective, 1e-6) ** 0.5
    row = {name: i for i, name in enumerate(d.names)}
    known = {str(name) for name in a.observations.id}
    for s in range(len(a.setups)):
        assert np.isclose(a.setups.sigma_centring[s], d.spread[s, 0], rtol=1e-12)
        assert np.isclose(a.setups.sigma_height[s], d.spread[s, 2], rtol=1e-12)
        for axis, column in enumerate(("centring_east", "centring_north", "height_error")):
            key = d.effect.get((s, axis))
            if key is None:
                continue
            k = d.place[key]
            if d.unknowns[k].name not in known:
                assert np.isnan(getattr(a.setups, column)[s])
                continue
            assert abs(getattr(a.setups, column)[s] - d.x[k]) < slack * d.unknowns[k].sigma * 0.1 + 1e-9
            if axis == 2:
                i = row[d.unknowns[k].name]
                if d.strength[i] ** 2 > 1e-4:
                    assert np.isclose(a.setups.standardized_height[s], d.w[i], rtol=1e-3, atol=slack)
                    assert np.isclose(a.setups.minimal_detectable_height[s], d.mdb[i], rtol=2e-4)
                    assert np.isclose(a.setups.redundancy_height[s], d.redundancy[i], atol=1e-6)
        if (s, 0) in d.effect:
            rows = [row[d.unknowns[d.place[d.effect[s, k]]].name] for k in (0, 1)]
            inner = d.C[:, rows].T @ d.M @ d.C[:, rows] * d.spread[s, 0] ** 2
            if np.linalg.eigvalsh(inner)[0] > 1e-4:
                assert np.isclose(a.setups.standardized_centring[s], d.centring(s), rtol=1e-3, atol=slack)


def _pairs(a: Adjustment, d: Dense) -> None:
    p = a.relative
    pair = {frozenset((int(d.network.setups.mark[o.a]), int(d.network.setups.mark[o.b])))
            for o in d.readings if o.kind in ("direction", "zenith", "distance", "level")}  # fmt: skip
    listed = {frozenset((int(i), int(j))) for i, j in zip(p.start_mark, p.end_mark, strict=True)}
    assert {q for q in pair if len(q) == 2} <= listed
    factor = np.sqrt(-2.0 * np.log(1.0 - a.settings.confidence))
    where = d.coordinates()
    for k in range(len(p)):
        i, j = int(p.start_mark[k]), int(p.end_mark[k])
        D = d.cross(i, i) + d.cross(j, j) - d.cross(i, j) - d.cross(j, i)
        scale = max(float(np.trace(d.cross(i, i) + d.cross(j, j))), 1e-18)
        if d.reached[i, :2].all() and d.reached[j, :2].all():
            values = np.sqrt(np.maximum(np.linalg.eigvalsh(D[:2, :2]), 0.0)) * factor
            near = 1e-6 * np.sqrt(scale)
            assert np.isclose(p.semi_minor[k], values[0], rtol=2e-4, atol=near)
            assert np.isclose(p.semi_major[k], values[1], rtol=2e-4, atol=near)
            u = where[j, :2] - where[i, :2]
            length = float(np.hypot(*u))
            assert np.isclose(p.distance[k], length, atol=2e-7)
            if length > 0.0:
                assert np.isclose(
                    p.sigma_distance[k] ** 2,
                    u @ D[:2, :2] @ u / length**2,
                    rtol=2e-4,
                    atol=1e-12 * scale + 1e-18,
                )
        if d.reached[i, 2] and d.reached[j, 2]:
            assert np.isclose(p.sigma_height[k] ** 2, D[2, 2], rtol=2e-4, atol=1e-9 * scale + 1e-18)


def _constants(a: Adjustment, d: Dense) -> None:
    told = {str(name): k for k, name in enumerate(a.constants.name)}
    for i, u in enumerate(d.unknowns):
        if u.name in told and not u.name.endswith(("east", "north", "height")):
            k, sigma = told[u.name], float(np.sqrt(d.Q[i, i]))
            assert np.isclose(a.constants.prior_sigma[k], u.sigma, rtol=1e-12)
            assert np.isclose(a.constants.sigma[k], sigma, rtol=1e-4)
            assert abs(a.constants.value[k] - d.x[i]) < 1e-3 * sigma
    assert set(told) <= set(d.names)


def _unchecked(a: Adjustment, d: Dense) -> None:
    o = a.observations
    blunders = {str(i) for i, k in zip(o.id, o.kind, strict=True) if k not in ("control", "constant")}
    hidden, limit = d.worst_hidden(blunders), a.settings.unchecked_ratio
    for m in range(len(hidden)):
        if abs(hidden[m] - limit) > 0.01 * limit:  # the limit itself is nobody's
            assert bool(a.marks.unchecked[m]) == bool(hidden[m] > limit), (a.marks.mark[m], hidden[m])
        assert bool(a.marks.unchecked[m]) == bool(a.marks.unchecked_by[m])

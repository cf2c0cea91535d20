"""Centring: a device or a base off its mark, a pole out of plumb. Size: true − assumed position of the device."""

from __future__ import annotations

import numpy as np

from ..ground.table import Floats, Ints, distinct
from .point import Point
from .signatures import Book, Hypothesis


def add_centrings(book: Book) -> None:
    """Two columns (east, north) for every setup, or every base, whose position the observations feel."""
    point = book.point
    setups = point.solved.network.setups
    columns = effect_columns(point)
    done: set[tuple[int, ...]] = set()
    normals = _prior_blocks(point)
    for s in range(len(setups)):
        if (s, 0) not in columns or (s, 1) not in columns:
            continue
        pair = columns[s, 0], columns[s, 1]
        key = (int(pair[0][0][0]), int(pair[1][0][0]), len(pair[0][0])) if len(pair[0][0]) == 1 else (-1, s)
        if key in done:
            continue
        done.add(key)
        cause = "base_off_mark" if setups.base[s] >= 0 else "off_mark"
        hypothesis = Hypothesis("setup", str(setups.setup[s]), cause, s, q=2)
        (east, a), (north, b) = pair
        column = np.concatenate([np.zeros(len(east), np.int64), np.ones(len(north), np.int64)])
        book.add(hypothesis, np.concatenate([east, north]), np.concatenate([a, b]), column)
        if s in normals:
            book.know(hypothesis, normals[s])


def effect_columns(point: Point) -> dict[tuple[int, int], tuple[Ints, Floats]]:
    """(setup, axis) → signature of the device standing 1 m further east, north or higher than assumed.

    A setup whose effect is an unknown has it in its pseudo-observation; of a base, every setup points to the same.
    """
    u, p = point.unknowns, point.unknowns.priors
    out: dict[tuple[int, int], tuple[Ints, Floats]] = {}
    prior = np.full(u.n + 1, -1)
    prior[p.place] = np.arange(len(p))
    for s, a in zip(*np.nonzero(u.effects >= 0), strict=True):
        j = int(prior[u.effects[s, a]])
        out[int(s), int(a)] = np.array([point.prior_offset + j]), np.array([-1.0 / p.sigma[j]])
    for k, e in enumerate(point.extras):
        if e.kind == "effect":
            out[e.row, e.axis] = point.extra(k)
    return out


def _prior_blocks(point: Point) -> dict[int, Floats]:
    """Setup → CᵀMC of its two pseudo-observations: I/σ² − Q/σ⁴."""
    from ..solved import CENTRING

    u = point.unknowns
    both = (u.effects[:, :2] >= 0).all(axis=1) if len(u.effects) else np.zeros(0, dtype=bool)
    if not both.any():
        return {}
    Q = point.cofactor.query(CENTRING, u.effects[:, :2])
    s = u.centring_sigma
    return {i: np.eye(2) / s[i] ** 2 - Q[i] / s[i] ** 4 for i in np.flatnonzero(both).tolist()}


def add_leans(book: Book) -> None:
    """A support that leans alike wherever it stands: along the line of sight, and across it, times its height.

    Crews turn a pole to the instrument, so a bubble out of adjustment repeats in the frame of the sight.
    """
    point = book.point
    network, obs = point.solved.network, point.solved.obs
    setups, supports = network.setups, network.supports
    columns = effect_columns(point)
    place = point.state.coordinates
    towards: dict[int, list[Floats]] = {}
    seen = obs.used & (obs.start_setup >= 0) & (obs.end_setup >= 0)
    for start, end in distinct(np.stack([obs.start_setup[seen], obs.end_setup[seen]], axis=1)).tolist():
        d = place[setups.mark[start], :2] - place[setups.mark[end], :2]
        if np.isfinite(d).all() and np.hypot(*d) > 0.0:
            towards.setdefault(end, []).append(d / np.hypot(*d))
    for k in range(len(supports)):
        if supports.kind[k] not in ("pole", "stand"):
            continue
        rows: list[Ints] = []
        values: list[Floats] = []
        which: list[Ints] = []
        members = 0
        for s in np.flatnonzero((setups.support == k) & ~setups.instrument).tolist():
            h = float(point.unknowns.heights[s])
            if len(towards.get(s, ())) != 1 or (s, 0) not in columns or (s, 1) not in columns or not h > 0.0:
                continue
            members += 1
            u = towards[s][0]
            for axis, along, across in ((0, u[0], u[1]), (1, u[1], -u[0])):
                row, value = columns[s, axis]
                for c, factor in ((0, along), (1, across)):
                    rows.append(row)
                    values.append(value * factor * h)
                    which.append(np.full(len(row), c))
        if members > 1:
            name = str(supports.support[k])
            hypothesis = Hypothesis("instrument", name, "pole_lean", k, q=2, detail=(members,))
            book.add(hypothesis, np.concatenate(rows), np.concatenate(values), np.concatenate(which))

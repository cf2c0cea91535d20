"""Centring: a device or a base off its mark, a pole out of plumb. Size: true − assumed position of the device."""

from __future__ import annotations

import numpy as np

from ..ground.table import Floats, Ints, distinct
from .point import Point
from .signatures import Book, Hypothesis


def add_centrings(book: Book) -> None:
    """Two columns (east, north) for every setup, or every base, whose position the observations feel."""
    point = book.point
    setups, p = point.solved.network.setups, point.unknowns.priors
    prior = effect_priors(point)[:, :2]
    extras = {(e.row, e.axis): k for k, e in enumerate(point.extras) if e.kind == "effect"}

    def made(s: int) -> Hypothesis:
        cause = "base_off_mark" if setups.base[s] >= 0 else "off_mark"
        return Hypothesis("setup", str(setups.setup[s]), cause, s, q=2)

    both = np.flatnonzero((prior >= 0).all(axis=1)) if len(prior) else np.zeros(0, np.int64)
    if len(both):
        both = np.sort(both[np.unique(prior[both, 0], return_index=True)[1]])  # of a base, its first setup
        j = prior[both]
        book.add_pairs(
            [made(s) for s in both.tolist()],
            point.prior_offset + j,
            -1.0 / p.sigma[j],
            _prior_blocks(point)[both],
        )
    columns = effect_columns(point) if extras else {}
    for s in sorted({s for s, a in extras if a < 2}):
        if (s, 0) not in columns or (s, 1) not in columns:
            continue
        (east, a), (north, b) = columns[s, 0], columns[s, 1]
        column = np.concatenate([np.zeros(len(east), np.int64), np.ones(len(north), np.int64)])
        book.add(made(s), np.concatenate([east, north]), np.concatenate([a, b]), column)


def effect_priors(point: Point) -> Ints:
    """Row in `unknowns.priors` of every setup effect, (n_setups, 3); −1 where it is no unknown."""
    u = point.unknowns
    prior = np.full(u.n + 1, -1)
    prior[u.priors.place] = np.arange(len(u.priors))
    return np.asarray(np.where(u.effects >= 0, prior[u.effects], -1))


def effect_columns(point: Point) -> dict[tuple[int, int], tuple[Ints, Floats]]:
    """(setup, axis) → signature of the device standing 1 m further east, north or higher than assumed.

    A setup whose effect is an unknown has it in its pseudo-observation; of a base, every setup points to the same.
    """
    prior = effect_priors(point)
    row, value = point.prior_offset + prior, -1.0 / point.unknowns.priors.sigma
    out: dict[tuple[int, int], tuple[Ints, Floats]] = {}
    for s, a in zip(*np.nonzero(prior >= 0), strict=True):
        j = prior[s, a]
        out[int(s), int(a)] = row[s, a : a + 1], value[j : j + 1]
    for k, e in enumerate(point.extras):
        if e.kind == "effect":
            out[e.row, e.axis] = point.extra(k)
    return out


def _prior_blocks(point: Point) -> Floats:
    """CᵀMC of the two pseudo-observations of every setup, (n_setups, 2, 2): I/σ² − Q/σ⁴; NaN where they are none."""
    from ..solved import CENTRING

    u = point.unknowns
    Q = point.cofactor.query(CENTRING, u.effects[:, :2])
    weight = 1.0 / np.where(u.centring_sigma > 0.0, u.centring_sigma, np.nan)[:, None, None] ** 2
    return np.asarray(np.eye(2) * weight - Q * weight**2)


def add_leans(book: Book) -> None:
    """A support that leans alike wherever it stands: along the line of sight, and across it, times its height.

    Crews turn a pole to the instrument, so a bubble out of adjustment repeats in the frame of the sight.
    """
    point = book.point
    network, obs = point.solved.network, point.solved.obs
    setups, supports = network.setups, network.supports
    leaning = np.isin(supports.kind.astype(str), ("pole", "stand"))
    if not (leaning[setups.support] & ~setups.instrument).any():
        return
    columns = effect_columns(point)
    place = point.state.coordinates[:, :2]
    seen = obs.used & (obs.start_setup >= 0) & (obs.end_setup >= 0)
    pairs = distinct(np.stack([obs.start_setup[seen], obs.end_setup[seen]], axis=1))
    d = place[setups.mark[pairs[:, 0]]] - place[setups.mark[pairs[:, 1]]]
    length = np.hypot(d[:, 0], d[:, 1])
    told = np.isfinite(length) & (length > 0.0)
    ends, d = pairs[told, 1], d[told] / length[told, None]
    lines = np.bincount(ends, minlength=len(setups))
    towards = np.zeros((len(setups), 2))
    towards[ends] = d
    heights = point.unknowns.heights
    for k in np.flatnonzero(leaning).tolist():
        able = (setups.support == k) & ~setups.instrument & (lines == 1) & (heights > 0.0)
        members = [s for s in np.flatnonzero(able).tolist() if (s, 0) in columns and (s, 1) in columns]
        if len(members) < 2:
            continue
        entries = [columns[s, axis] for axis in (0, 1) for s in members]
        each = [len(row) for row, _ in entries]
        u = towards[members] * heights[members][:, None]
        along = np.repeat(u.T.ravel(), each)
        across = np.repeat(np.concatenate([u[:, 1], -u[:, 0]]), each)
        row = np.concatenate([row for row, _ in entries])
        value = np.concatenate([value for _, value in entries])
        name = str(supports.support[k])
        hypothesis = Hypothesis("instrument", name, "pole_lean", k, q=2, detail=(len(members),))
        column = np.repeat(np.arange(2), len(row))
        book.add(hypothesis, np.tile(row, 2), np.concatenate([value * along, value * across]), column)

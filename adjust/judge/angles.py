"""Angles within a setup: the circle turned between two sights, or twisted slowly; a face wrongly noted.

A step before a row shifts every later row of the round; a reduced direction takes the share of its rows that come later,
so a step between the two faces shows in halves. A twist runs through the round, or through its first half and then
rests; out on one face and back on the other an even twist cancels, and does no harm. Size: read − true, rad.
"""

from __future__ import annotations

import numpy as np

from ..ground.table import Floats
from .point import Point
from .signatures import Book, Hypothesis

FACE_SUSPECT = 0.3  # rad: a face wrongly noted moves a direction by half a turn over its number of readings


def add_orientations(book: Book) -> None:
    """Steps and ramps for every instrument setup and round with at least three directions."""
    point = book.point
    obs, network = point.solved.obs, point.solved.network
    rows = np.flatnonzero(obs.used & (obs.kind == "direction"))
    if not len(rows):
        return
    row_of = {str(name): i for i, name in enumerate(network.sights.id)}
    groups = obs.orientation[rows]
    order = np.argsort(groups, kind="stable")
    known: dict[tuple[tuple[int, ...], ...], Patterns] = {}
    for part in np.split(order, np.flatnonzero(np.diff(groups[order])) + 1):
        mine = rows[part]
        if len(mine) < 3:
            continue
        times = [sorted(row_of[r] for r in obs.rows[i]) for i in mine.tolist()]
        every = sorted({t for own in times for t in own})
        place = {t: k for k, t in enumerate(every)}
        ranks = tuple(tuple(place[t] for t in own) for own in times)
        if ranks not in known:
            known[ranks] = _patterns(ranks, len(every))
        at, share = known[ranks]
        setup = int(obs.start_setup[mine[0]])
        name, number = str(network.setups.setup[setup]), int(obs.round[mine[0]])
        if book.passes(setup, len(at)):
            continue
        made = [
            Hypothesis(
                "setup", name, "orientation_step", setup, detail=(str(network.sights.id[every[k]]), number)
            )
            if k
            else Hypothesis("setup", name, "orientation_ramp", setup, detail=("", number))
            for k in at
        ]
        book.add_shifts(made, mine, share)


Patterns = tuple[list[int], Floats]


def _patterns(ranks: tuple[tuple[int, ...], ...], number: int) -> Patterns:
    """Steps before each row (its rank, what each direction takes of it) and ramps (0), each shape once: (p,), (p, n)."""
    size = np.array([len(own) for own in ranks])
    rank = np.zeros((len(ranks), int(size.max())))  # what is lacking has rank 0, before which nothing turns
    for i, own in enumerate(ranks):
        rank[i, : len(own)] = own
    steps = np.arange(1, number)
    share = (rank >= steps[:, None, None]).sum(axis=2) / size
    middle = np.sort(share, axis=1)
    n = len(ranks)
    middle = 0.5 * (middle[:, (n - 1) // 2] + middle[:, n // 2])
    lone = (np.abs(share - middle[:, None]) > 1e-9).sum(axis=1) <= 1  # that is one direction wrong
    end = max(1, number - 1) * np.array([1.0, 0.5])
    ramp = np.minimum(rank / end[:, None, None], 1.0).sum(axis=2) / size
    level = ramp.max(axis=1) - ramp.min(axis=1) <= 1e-9
    every, at = (
        np.vstack([share[~lone], ramp[~level]]),
        [*steps[~lone].tolist(), *([0] * int((~level).sum()))],
    )
    first: dict[bytes, int] = {}
    for i, shape in enumerate(_shapes(every)):
        first.setdefault(shape.tobytes(), i)
    chosen = list(first.values())
    return [at[i] for i in chosen], every[chosen]


def _shapes(share: Floats) -> Floats:
    """What is left of patterns (p, n) once the orientation has taken their means and their sizes are forgotten."""
    centred = share - share.mean(axis=1)[:, None]
    size = np.abs(centred)
    lead = np.argmax(size > 1e-9 * size.max(axis=1, initial=0.0)[:, None], axis=1)
    out = np.round(centred / centred[np.arange(len(share)), lead][:, None], 6)
    return np.asarray(out + 0.0)  # no negative zeros


def add_faces(book: Book) -> None:
    """A face wrongly noted, for rows whose direction is off by a large angle."""
    point = book.point
    obs, sights = point.solved.obs, point.solved.network.sights
    residual = _residual(point)
    suspects = np.flatnonzero(obs.used & (obs.kind == "direction") & (np.abs(residual) > FACE_SUSPECT))
    if not len(suspects):
        return
    row_of = {str(name): i for i, name in enumerate(sights.id)}
    zeniths = {
        (int(obs.start_setup[i]), int(obs.end_setup[i]), int(obs.round[i])): int(i)
        for i in np.flatnonzero(obs.used & (obs.kind == "zenith"))
    }
    for i in suspects[:20].tolist():
        k = zeniths.get((int(obs.start_setup[i]), int(obs.end_setup[i]), int(obs.round[i])))
        for r in obs.rows[i]:
            row = row_of[r]
            turn = np.pi / int(obs.count[i]) * (1.0 if residual[i] > 0.0 else -1.0)
            observation, shift = [i], [turn]
            if k is not None and r in obs.rows[k]:
                v = float(sights.zenith[row])
                as_noted, other = (2.0 * np.pi - v, v) if sights.face[row] == 2 else (v, 2.0 * np.pi - v)
                observation.append(k)
                shift.append((as_noted - other) / int(obs.count[k]))
            book.add_shift(
                Hypothesis("sight", str(obs.rows[i][0]), "wrong_face", i, fixed=1.0, detail=(r,)),
                np.array(observation),
                np.array(shift),
            )


def _residual(point: Point) -> Floats:
    """observed − computed at the point, before anything was fitted to it, in m or rad; NaN where not in use."""
    obs = point.solved.obs
    out = np.full(len(obs), np.nan)
    plain = np.flatnonzero((point.place >= 0) & (obs.block < 0))
    out[plain] = point.raw[point.place[plain]] * point.sigma[plain]
    return out

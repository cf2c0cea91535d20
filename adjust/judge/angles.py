"""Angles within a setup: the circle turned between two sights, or twisted slowly; a face wrongly noted.

A step before a row shifts every later row of the round; a reduced direction takes the share of its rows that come later,
so a step between the two faces shows in halves. Size: read − true, rad.
"""

from __future__ import annotations

import numpy as np

from ..ground.table import Floats, Ints
from .point import Point
from .signatures import Book, Hypothesis

FACE_SUSPECT = 0.3  # rad: a face wrongly noted moves a direction by half a turn over its number of readings


def add_orientations(book: Book) -> None:
    """Steps and a ramp for every instrument setup and round with at least three directions."""
    point = book.point
    obs, network = point.solved.obs, point.solved.network
    rows = np.flatnonzero(obs.used & (obs.kind == "direction"))
    if not len(rows):
        return
    row_of = {str(name): i for i, name in enumerate(network.sights.id)}
    groups = obs.orientation[rows]
    order = np.argsort(groups, kind="stable")
    for part in np.split(order, np.flatnonzero(np.diff(groups[order])) + 1):
        mine = rows[part]
        if len(mine) < 3:
            continue
        times = [np.sort([row_of[r] for r in obs.rows[i]]) for i in mine.tolist()]
        every = np.unique(np.concatenate(times))
        setup = int(obs.start_setup[mine[0]])
        name, number = str(network.setups.setup[setup]), int(obs.round[mine[0]])
        seen: set[tuple[float, ...]] = set()
        for at in every[1:].tolist():
            share = np.array([float(np.mean(t >= at)) for t in times])
            key = _shape(share)
            lone = np.sum(np.abs(share - np.median(share)) > 1e-9) <= 1  # that is one direction wrong
            if lone or key in seen:
                continue
            seen.add(key)
            detail = (str(network.sights.id[at]), number)
            _add(book, Hypothesis("setup", name, "orientation_step", setup, detail=detail), mine, share)
        ramp = np.array([float(np.mean(np.searchsorted(every, t))) for t in times]) / max(1, len(every) - 1)
        if _shape(ramp) not in seen and np.ptp(ramp) > 1e-9:
            _add(book, Hypothesis("setup", name, "orientation_ramp", setup, detail=("", number)), mine, ramp)


def _add(book: Book, hypothesis: Hypothesis, rows: Ints, share: Floats) -> None:
    keep = np.abs(share) > 1e-12
    book.add_shift(hypothesis, rows[keep], share[keep])


def _shape(share: Floats) -> tuple[float, ...]:
    """What is left of a pattern once the orientation has taken its mean and its size is forgotten."""
    centred = share - share.mean()
    scale = float(np.abs(centred).max())
    if scale < 1e-12:
        return ()
    lead = centred[np.argmax(np.abs(centred) > 1e-9 * scale)]
    return tuple(np.round(centred / lead, 6).tolist())


def add_faces(book: Book) -> None:
    """A face wrongly noted, for rows whose direction is off by a large angle."""
    point = book.point
    obs, sights = point.solved.obs, point.solved.network.sights
    residual = _residual(point)
    suspects = np.flatnonzero(obs.used & (obs.kind == "direction") & (np.abs(residual) > FACE_SUSPECT))
    row_of = {str(name): i for i, name in enumerate(sights.id)} if len(suspects) else {}
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

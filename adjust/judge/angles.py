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
    known: dict[tuple[tuple[int, ...], ...], list[Pattern]] = {}
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
        setup = int(obs.start_setup[mine[0]])
        name, number = str(network.setups.setup[setup]), int(obs.round[mine[0]])
        if book.passes(setup, len(known[ranks])):
            continue
        for at, share in known[ranks]:
            cause, row = (
                ("orientation_step", str(network.sights.id[every[at]])) if at else ("orientation_ramp", "")
            )
            keep = np.abs(share) > 1e-12
            made = Hypothesis("setup", name, cause, setup, detail=(row, number))
            book.add_shift(made, mine[keep], share[keep])


Pattern = tuple[int, Floats]


def _patterns(ranks: tuple[tuple[int, ...], ...], number: int) -> list[Pattern]:
    """Steps before each row (its rank, what each direction takes of it) and ramps (0), each shape once."""
    out: list[Pattern] = []
    seen: set[tuple[float, ...]] = set()
    for at in range(1, number):
        share = np.array([sum(r >= at for r in own) / len(own) for own in ranks])
        lone = np.sum(np.abs(share - np.median(share)) > 1e-9) <= 1  # that is one direction wrong
        if not lone and _shape(share) not in seen:
            seen.add(_shape(share))
            out.append((at, share))
    for until in (1.0, 0.5):
        end = until * max(1, number - 1)
        ramp = np.array([sum(min(r / end, 1.0) for r in own) / len(own) for own in ranks])
        if np.ptp(ramp) > 1e-9 and _shape(ramp) not in seen:
            seen.add(_shape(ramp))
            out.append((0, ramp))
    return out


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

"""The observation that would tell two causes apart.

If a cause of size s is real, the adjusted unknowns were dragged by QAᵀC·s; two rivals drag them differently. A further
observation of sigma σ between marks tells them apart as far as they disagree about it, measured in σ. Where they agree
about every mark, only measuring the thing itself again helps.
"""

from __future__ import annotations

import numpy as np

from ..ground.table import Flags, Floats
from .finding import Apart
from .signatures import Hypothesis
from .statistics import Tests, shifts

LEVEL_SIGMA = 0.3e-3  # m: a rise levelled over one or two changes of instrument; common practice, no source
TAPE_SIGMA = 1.0e-3  # m: a distance taped, or measured once more from a new setup
ENOUGH = 4.0  # sigmas of disagreement that settle it
NEARBY = 80.0  # m: further than this levelling is no longer the cheap way


def tell_apart(tests: Tests, first: int, size: Floats, rival: int, rival_size: Floats) -> Apart:
    """The cheapest observation between marks that settles it, else a sight, else the thing measured again."""
    point = tests.book.point
    hypotheses = tests.hypotheses
    moved = _dragged(tests, first, _finite(size)) - _dragged(tests, rival, _finite(rival_size))
    names = point.solved.network.marks.mark
    place = point.solved.state.coordinates
    moved[~_lasting(tests)] = 0.0
    best: list[tuple[float, Apart]] = []
    tallest = np.argsort(-np.abs(moved[:, 2]))[:3]
    for i in tallest.tolist():
        d = np.abs(moved[i, 2] - moved[:, 2])
        way = np.hypot(*(place[:, :2] - place[i, :2]).T)
        near = ~(way > NEARBY)  # of a levelling net nobody says how far its marks are apart
        d = np.where(near & np.isfinite(place[:, 2]) & _lasting(tests), d, 0.0)
        j = _nearest(d, way)
        if d[j] > 0.0:
            best.append((d[j] / LEVEL_SIGMA, Apart("level", (str(names[i]), str(names[j])), (), float(d[j]))))
    widest = np.argsort(-np.hypot(moved[:, 0], moved[:, 1]))[:3]
    for i in widest.tolist():
        way = place[:, :2] - place[i, :2]
        length = np.hypot(way[:, 0], way[:, 1])
        safe = np.where(length > 0.0, length, np.inf)
        d = np.abs(np.sum((moved[:, :2] - moved[i, :2]) * way, axis=1) / safe)
        d = np.where(np.isfinite(d) & _lasting(tests), d, 0.0)
        j = _nearest(d, length)
        if d[j] > 0.0:
            best.append((d[j] / TAPE_SIGMA, Apart("tape", (str(names[i]), str(names[j])), (), float(d[j]))))
    settled = [b for b in best if b[0] >= ENOUGH]
    if settled:
        ratio, chosen = max(settled, key=lambda b: b[0])
        return Apart(chosen.kind, chosen.marks, (), chosen.difference, float(ratio))
    return _again(tests, hypotheses[first], hypotheses[rival])


def _nearest(difference: Floats, way: Floats) -> int:
    """Of the marks about which they disagree nearly most, the nearest."""
    most = np.flatnonzero(difference >= 0.9 * difference.max(initial=0.0))
    return int(most[np.argmin(np.nan_to_num(way[most], nan=0.0))])


def _lasting(tests: Tests) -> Flags:
    """Marks that somebody can go back to: sighted, or control; a free station is gone."""
    solved = tests.book.point.solved
    marks = solved.network.marks
    given = np.column_stack([marks.sigma_east, marks.sigma_north, marks.sigma_height])
    out: Flags = np.asarray(np.isfinite(given).any(axis=1))
    rows = solved.obs.used
    out[solved.obs.end_mark[rows]] = True
    out[solved.obs.start_mark[rows & (solved.obs.start_setup < 0)]] = True
    return np.asarray(out)


def _dragged(tests: Tests, h: int, size: Floats) -> Floats:
    """How far a cause has put every mark from where it is, (n_marks, 3) m; a wrong control mark itself included."""
    point, hypothesis = tests.book.point, tests.hypotheses[h]
    moved = np.append(shifts(tests, h, size), 0.0)[point.unknowns.marks]
    m = hypothesis.subject
    if hypothesis.cause == "control_height":
        moved[m, 2] += size[0]
    elif hypothesis.cause == "control_moved":
        moved[m, : hypothesis.q] -= size
    return np.asarray(moved)


def _again(tests: Tests, first: Hypothesis, rival: Hypothesis) -> Apart:
    """Nothing between marks helps: set up once more on the mark and sight it, or measure the thing itself."""
    network, obs = tests.book.point.solved.network, tests.book.point.solved.obs
    marks: list[str] = []
    setups: list[str] = []
    for h in (first, rival):
        if h.what == "setup":
            setups.append(h.name)
            marks.append(str(network.marks.mark[network.setups.mark[h.subject]]))
        elif h.what == "sight":
            marks.append(str(network.marks.mark[obs.end_mark[h.subject]]))
            if obs.end_setup[h.subject] >= 0:
                setups.append(str(network.setups.setup[obs.end_setup[h.subject]]))
        elif h.what == "control":
            marks.append(h.name)
    kind = "sight" if marks and len(network.setups) else "repeat"
    if any(h.what == "control" for h in (first, rival)):
        kind = "known"  # all marks move along with the wrong one: only another known mark stands still
    return Apart(kind, tuple(dict.fromkeys(marks)), tuple(dict.fromkeys(setups)))


def _finite(size: Floats) -> Floats:
    return np.nan_to_num(size, nan=0.0, posinf=0.0, neginf=0.0)

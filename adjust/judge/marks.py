"""Marks: control moved or mistyped, names swapped, a setup on another mark than noted.

A moved control mark is linear: the column its coordinate would have had. A setup on another mark than noted is a device
far off its mark; at the robust point, where its effect has already carried it to where it stood, that is linear as well.
What the distance between the two marks then says is a signature of size 1.
"""

from __future__ import annotations

import numpy as np

from ..ground.table import Floats, Ints
from .centring import effect_columns
from .signatures import Book, Hypothesis

FAR = 0.05  # m: a setup further than this off its mark makes one ask whether it stood on that mark
MOST = 12  # setups that are tried on other marks
NEAR = (
    0.02,
    0.02,
)  # m and share of the way: how well a robust position must hit another mark to be tried there


def add_control(book: Book) -> None:
    """Every control mark moved in plan (two columns) and wrong in height (one)."""
    point = book.point
    network, p = point.solved.network, point.unknowns.priors
    columns: dict[tuple[int, int], tuple[Ints, Floats]] = {}
    for k, e in enumerate(point.extras):
        if e.kind == "control":
            columns[e.row, e.axis] = point.extra(k)
    for j in np.flatnonzero(p.source == "control").tolist():
        row = np.array([point.prior_offset + j])
        columns[int(p.mark[j]), int(p.axis[j])] = row, np.array([-1.0 / p.sigma[j]])
    for m in sorted({mark for mark, _ in columns}):
        name = str(network.marks.mark[m])
        plan = [columns[m, a] for a in (0, 1) if (m, a) in columns]
        if plan:
            which = np.concatenate([np.full(len(row), c) for c, (row, _) in enumerate(plan)])
            hypothesis = Hypothesis("control", name, "control_moved", m, q=len(plan))
            book.add(
                hypothesis, np.concatenate([r for r, _ in plan]), np.concatenate([v for _, v in plan]), which
            )
        if (m, 2) in columns:
            row, value = columns[m, 2]
            book.add(Hypothesis("control", name, "control_height", m), row, -value)


def add_other_points(book: Book) -> None:
    """Setups far off their mark: anywhere (three columns), on another mark, or exchanged with another setup.

    Only at a robust point: where no residual is gross, no setup is so far off.
    """
    point = book.point
    if not point.robust:
        return
    network = point.solved.network
    setups = network.setups
    state = point.wide.state(point.wide_x)
    columns = effect_columns(point)
    shifts: dict[int, list[tuple[int, tuple[Ints, Floats]]]] = {}
    for s in _suspects(state.effects):
        axes = [a for a in range(3) if (s, a) in columns]
        signature = [columns[s, a] for a in axes]
        if len(axes) == 3:
            which = np.concatenate([np.full(len(row), c) for c, (row, _) in enumerate(signature)])
            hypothesis = Hypothesis("setup", str(setups.setup[s]), "other_point", s, q=3)
            row, value = (np.concatenate(part) for part in zip(*signature, strict=True))
            book.add(hypothesis, row, value, which)
        here = state.coordinates[setups.mark[s]]
        for m in range(len(network.marks)):
            way = (state.coordinates[m] - here)[axes]
            if m == setups.mark[s] or not axes or not np.isfinite(way).all():
                continue
            miss = float(np.linalg.norm(way - state.effects[s][axes]))
            if miss > NEAR[0] + NEAR[1] * float(np.linalg.norm(way)):
                continue
            entry = (
                np.concatenate([row for row, _ in signature]),
                np.concatenate([value * w for (_, value), w in zip(signature, way, strict=True)]),
            )
            shifts.setdefault(s, []).append((m, entry))
            detail = (str(network.marks.mark[m]), m)
            book.add(
                Hypothesis("setup", str(setups.setup[s]), "wrong_mark", s, fixed=1.0, detail=detail), *entry
            )
    _add_swaps(book, shifts)


def _add_swaps(book: Book, shifts: dict[int, list[tuple[int, tuple[Ints, Floats]]]]) -> None:
    """Two setups each of which fits on the mark of the other."""
    setups = book.point.solved.network.setups
    keys = sorted(shifts)
    for i, s in enumerate(keys):
        for t in keys[i + 1 :]:
            one = [e for m, e in shifts[s] if m == setups.mark[t]]
            two = [e for m, e in shifts[t] if m == setups.mark[s]]
            if one and two:
                detail = (str(setups.setup[t]), t)
                book.add(
                    Hypothesis("setup", str(setups.setup[s]), "names_swapped", s, fixed=1.0, detail=detail),
                    np.concatenate([one[0][0], two[0][0]]),
                    np.concatenate([one[0][1], two[0][1]]),
                )


def _suspects(effects: Floats) -> list[int]:
    """Setups further than FAR off their mark, worst first."""
    size = np.sqrt((effects**2).sum(axis=1))
    return [int(s) for s in np.argsort(-size, kind="stable")[:MOST] if size[s] > FAR]

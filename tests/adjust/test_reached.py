"""What the observations in use reach has unknowns and hangs together; what they do not reach has none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import INF, NAN, Plan, adjusted

from hubtack.adjust.ground.network import Network
from hubtack.adjust.model.reductions import reduce_readings


def polar() -> Network:
    """Two stations, one on a held mark and one on the new one, between three held marks."""
    p = Plan()
    stand = p.support("stand")
    p.instrument()
    p.target()
    a, b, c = p.held("A", 0, 0, 0), p.held("B", 100, 0, 0), p.held("C", 50, 90, 0)
    new = p.mark("N", 40, 30, 0)
    for at, others in ((a, (b, new)), (new, (a, b, c))):
        station = p.station(at, 1.5, stand)
        for to in others:
            p.sight(station, p.prism(to, 1.5, stand))
    return p.simulated(1)


def test_a_setup_whose_directions_are_all_left_out_has_no_orientation() -> None:
    """As if its circle had not been read."""
    network = polar()
    obs = reduce_readings(network)
    second = int(np.flatnonzero(network.setups.instrument)[1])
    gone = (obs.kind == "direction") & (obs.start_setup == second)
    assert gone.sum() == 3
    left_out = adjusted(replace(network, left_out=frozenset(map(str, obs.id[gone]))))
    assert left_out.solved is not None
    assert (left_out.solved.unknowns.orientations >= 0).sum() == 1
    circle = np.where(network.sights.start == second, NAN, network.sights.circle)
    unread = adjusted(replace(network, sights=network.sights.replace(circle=circle)))
    for axis in ("east", "north", "height"):
        assert getattr(left_out.marks, axis) == pytest.approx(getattr(unread.marks, axis), abs=1e-9)
        name = f"sigma_{axis}"
        assert getattr(left_out.marks, name) == pytest.approx(getattr(unread.marks, name), rel=1e-6)


def test_a_mark_on_which_angles_stand_hangs_together_with_what_they_see() -> None:
    """Resection by two angles from three held marks: angles worked out from a known place lead back to it."""
    p = Plan()
    a, b, c = p.held("A", 0, 0, 0), p.held("B", 100, 10, 0), p.held("C", 50, 90, 0)
    new = p.mark("N", 40, 30, 0, known=True, sigma=(INF, INF, 0.0))
    p.reduce("angle", a, b, 5e-6, at=new)
    p.reduce("angle", b, c, 5e-6, at=new)
    network = p.network()

    def bearing(to: int) -> float:
        d = np.array(p.truth[to]) - np.array(p.truth[new])
        return float(np.arctan2(d[0], d[1]))

    value = np.mod([bearing(b) - bearing(a), bearing(c) - bearing(b)], 2 * np.pi)
    east = network.marks.east.copy()
    east[new] += 0.3
    marks = network.marks.replace(east=east)
    r = adjusted(replace(network, marks=marks, reduced=network.reduced.replace(value=value)))
    assert (r.marks.east[new], r.marks.north[new]) == pytest.approx((40.0, 30.0), abs=1e-7)


FREE = {  # readings of sights, what control there is, the freedoms
    "czs": ("", ["east", "north", "rotation", "height"]),
    "ch": ("", ["east", "north", "rotation"]),
    "c": ("", ["east", "north", "rotation", "scale"]),
    "cz": ("", ["east", "north", "rotation", "scale", "height"]),
    "c one": ("east north", ["rotation", "scale"]),
    "czs one": ("east north height", ["rotation"]),
    "czs two": ("east north", ["height"]),
}


@pytest.mark.parametrize("case", FREE)
def test_freedoms_are_as_many_as_the_equations_lack(case: str) -> None:
    """Rank of the dense equations, against the freedoms told from the graph; and no motion of the marks is left."""
    control, freedoms = FREE[case]
    p = Plan()
    stand = p.support("stand")
    p.instrument()
    p.target()
    corners = ((0, 0, 10), (80, 5, 12), (70, 60, 11), (-5, 55, 13), (30, 30, 10))
    held = tuple(0.0 if a in control.split() else INF for a in ("east", "north", "height"))
    tied = 2 if case.endswith("two") else 1
    marks = [
        p.mark(f"P{i}", *map(float, c), known=True, sigma=(INF,) * 3 if i >= tied else held)  # type: ignore[arg-type]
        for i, c in enumerate(corners)
    ]
    for at in marks[:4]:
        station = p.station(
            at, 1.5, stand
        )  # as high as the targets: a difference of known heights would be a scale
        for to in marks:
            if to != at:
                p.sight(station, p.prism(to, 1.5, stand), readings=case.split()[0])
    r = adjusted(p.simulated(3))
    assert r.solved is not None
    assert list(r.datum) == freedoms
    constraints, rows = r.solved.solution.cofactor._constraints, r.solved.solution.rows
    assert constraints is not None
    n = r.solved.unknowns.n
    A = np.vstack([each.times(np.eye(n)) for each in rows])
    # the sphere's hold on heights and on the scale of them is faint: 1e-8 of what is measured
    singular = np.linalg.svd(A / np.linalg.norm(A, axis=0), compute_uv=False)
    assert int((singular < 1e-5).sum()) + max(0, n - len(A)) == len(freedoms)
    B = constraints.B
    assert B.shape == (n, len(freedoms))
    assert np.linalg.matrix_rank(np.vstack([A / np.linalg.norm(A, axis=0), B.T])) == n
    # conditions lie along motions that nothing notices, once orientations turn along
    turns = A[:, r.solved.unknowns.orientations]
    moved = A @ B
    left = moved - turns @ np.linalg.lstsq(turns, moved, rcond=None)[0]
    # linearised at given coordinates, a few centimetres from the adjusted ones
    assert np.linalg.norm(left, axis=0).max() < 2e-3 * np.linalg.norm(A, axis=0).max()

"""GNSS vectors beside a total station: antennas as setups, what a session has in common, and whether the ellipses hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, MM, Plan, adjusted

from hubtack.adjust import Settings, adjust
from hubtack.adjust.judged import judged
from hubtack.adjust.simulate import simulate

COVARIANCE = np.diag([3.0, 3.0, 6.0]) ** 2 * MM**2


def weir(scale: float = 0.0, turn: float = 0.0, antenna: float = 1.5 * MM) -> Plan:
    """Two held marks, four new ones; a traverse between them, and two GNSS sessions with antennas on tripods."""
    p = Plan()
    for name, e, n, h in (("A", 0, 0, 10), ("B", 900, 120, 14)):
        p.held(name, e, n, h)
    for name, e, n, h in (("P", 210, 60, 11), ("Q", 430, -40, 9), ("R", 640, 90, 13), ("S", 800, -30, 12)):
        p.mark(name, e, n, h, known=True)
    p.support("tripod", 1.0 * MM, 1.0 * MM)
    p.support("antenna tripod", 1.0 * MM, antenna, height_kind="taped")
    p.instrument(1.5, 1.5, 1.5e-3)
    p.target()
    line = [0, 2, 3, 4, 5, 1]
    for k, m in enumerate(line):
        here = p.station(m, 1.6)
        for other in line[max(0, k - 1) : k] + line[k + 1 : k + 2]:
            p.sight(here, p.prism(other, 1.5), rounds=2)
    sessions = [p.session(s, scale_sigma=scale, turn_sigma=turn) for s in ("am", "pm")]
    for session in sessions:
        antennas = [p.prism(m, 1.7, support=1) for m in line]
        for other in antennas[1:]:
            p.vector(antennas[0], other, COVARIANCE, setups=True, session=session)
    return p


def test_ellipses_and_heights_hold_the_truth() -> None:
    """80 days of four new marks, shared antenna errors drawn once a setup: three standard errors of 320 draws are 0.037."""
    p = weir(scale=2e-6, turn=2 * ARCSEC)
    truth = np.array(p.truth)
    network = p.network()
    plan = height = 0
    for seed in range(80):
        a = adjust(simulate(network, truth, Settings(), seed))
        m = a.marks
        for i in range(2, 6):
            d = np.array([m.east[i], m.north[i]]) - truth[i, :2]
            plan += d @ np.linalg.solve(m.covariance[i, :2, :2], d) < 5.991
            height += abs(m.height[i] - truth[i, 2]) < 1.96 * m.sigma_height[i]
    assert plan / 320 == pytest.approx(0.95, abs=0.037)
    assert height / 320 == pytest.approx(0.95, abs=0.037)


def test_a_session_that_is_too_long_and_turned_is_found_out() -> None:
    """Planted 6 ppm and 4″ in one session, on readings without noise: the constants, and nothing else, take it up."""
    p = weir(scale=20e-6, turn=20 * ARCSEC)
    network = p.network()
    made = simulate(network, np.array(p.truth), Settings(), 1)
    v = network.vectors
    # exact readings: those of a simulation whose sigmas are nothing
    quiet = replace(
        network,
        supports=network.supports.replace(height_sigma=[0.0, 0.0], centring_sigma=[0.0, 0.0]),
        instruments=network.instruments.replace(direction=[1e-12], zenith=[1e-12], distance=[1e-9]),
        vectors=v.replace(covariance=1e-12 * v.covariance),
        sessions=network.sessions.replace(scale_sigma=[0.0, 0.0], turn_sigma=[0.0, 0.0]),
    )
    made = simulate(quiet, np.array(p.truth), Settings(), 1)
    d = made.vectors.difference.copy()
    am = v.session == 0
    s, turn = 6e-6, 4 * ARCSEC
    d[am] += s * d[am] + turn * np.column_stack([d[am, 1], -d[am, 0], np.zeros(am.sum())])
    a = adjusted(replace(network, sights=made.sights, vectors=v.replace(difference=d)))
    c = {
        str(n): (float(x), float(q))
        for n, x, q in zip(a.constants.name, a.constants.value, a.constants.sigma, strict=True)
    }
    assert set(c) == {"am.scale", "am.turn", "pm.scale", "pm.turn"}
    # priors of 20 ppm and 20″ pull by (σ/20)², a few per cent
    assert c["am.scale"][0] == pytest.approx(s, abs=0.05 * s)
    assert c["am.turn"][0] == pytest.approx(turn, abs=0.05 * turn)
    assert abs(c["pm.scale"][0]) < 0.1 * s
    assert np.column_stack([a.marks.east, a.marks.north]) == pytest.approx(np.array(p.truth)[:, :2], abs=5e-5)


def test_a_wrong_antenna_height_is_named() -> None:
    p = weir(antenna=0.5 * MM)
    network = simulate(p.network(), np.array(p.truth), Settings(), 4)
    setups = network.setups
    row = len(setups) - 2  # on S in the afternoon
    height = setups.height.copy()
    height[row] += 0.05
    a = judged(adjust(replace(network, setups=setups.replace(height=height))))
    found = a.findings[0]
    name = str(setups.setup[row])
    assert (found.first.what, found.first.name) == ("setup", name)
    # one vector alone ends on that antenna: its rise may be what is wrong, and nobody can tell
    assert {(e.what, e.name) for e in found.rivals} - {("setup", name)} == {("sight", "v9")}
    assert not found.told
    assert found.first.size == pytest.approx(0.05, abs=3.0 * found.first.sigma)
    assert len(a.findings) == 1


def test_vectors_better_than_stated_show_in_their_component() -> None:
    """Covariances stated nine times too small in the morning: the component of that session says so, the others stay."""
    p = weir()
    network = p.network()
    made = simulate(network, np.array(p.truth), Settings(), 6)
    am = made.vectors.session == 0
    covariance = np.where(am[:, None, None], made.vectors.covariance / 9.0, made.vectors.covariance)
    ratios = []
    for seed in range(12):
        made = simulate(network, np.array(p.truth), Settings(), seed)
        a = judged(adjust(replace(made, vectors=made.vectors.replace(covariance=covariance))), heights=False)
        assert a.components is not None
        c = a.components
        by = {str(g): (e / d) for g, e, d in zip(c.group, c.sigma_estimated, c.sigma_declared, strict=True)}
        ratios.append((by["vector am"], by["vector pm"]))
    found = np.nanmedian(np.array(ratios), axis=0)
    assert found == pytest.approx([3.0, 1.0], rel=0.35)  # 15 components a session, 12 days


def test_a_vector_held_as_exact_is_simulated_as_it_is() -> None:
    """A covariance of zeros has no root that Cholesky finds. Two days share that vector to a micrometre, and no other."""
    p = weir()
    network = p.network()
    exact = network.vectors.covariance.copy()
    exact[0] = 0.0
    network = replace(
        network,
        supports=network.supports.replace(height_sigma=[0.0, 0.0], centring_sigma=[0.0, 0.0]),
        vectors=network.vectors.replace(covariance=exact),
    )
    one, other = (simulate(network, np.array(p.truth), Settings(), seed) for seed in (7, 8))
    off = np.abs(one.vectors.difference - other.vectors.difference).max(axis=1)
    assert off[0] < 1e-6
    assert np.all(off[1:] > 1e-5)

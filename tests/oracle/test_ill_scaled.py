"""Sights of 1 m and of 20 km in one network, sigmas over six decades: the coordinates of a solution in extended precision,
or a remark that they can't be promised."""

from __future__ import annotations

import numpy as np
import pytest
from tests.adjust.networks import Plan
from tests.oracle.extended import Long, least_squares, minimum
from tests.oracle.model import Model

from hubtack.adjust import Settings, adjust
from hubtack.adjust.ground.network import Network

TENTH_OF_A_MICRON = 1e-8  # m, and less: what is promised


def mixed(seed: int, decades: float, origin: float = 0.0) -> Network:
    """Six marks within 3 m, three 20 km away, one held at each distance; every sigma drawn from its range."""
    rng = np.random.default_rng(seed)
    p = Plan()

    def drawn(middle: float) -> float:
        return middle * 10.0 ** float(rng.uniform(-decades / 2.0, decades / 2.0))

    for _ in range(3):
        p.support(f"s{len(p.supports)}", centring=drawn(1e-4), height=drawn(1e-4))
    for _ in range(4):
        p.instrument(direction=drawn(20.0), zenith=drawn(20.0), distance=drawn(1e-3))
    p.target()
    e, n = origin + 5000.0, origin + 2000.0
    marks = [p.held("A", e, n, 100.0)]
    for i in range(5):
        place = e + rng.uniform(-1.5, 1.5), n + rng.uniform(-1.5, 1.5), 100.0 + rng.uniform(-0.4, 0.4)
        marks.append(p.mark(f"N{i}", *place, known=True))
    for i, a in enumerate((0.3, 2.1, 4.4)):
        place = e + 2e4 * np.cos(a), n + 2e4 * np.sin(a), 300.0 + rng.uniform(-100.0, 400.0)
        marks.append(p.mark(f"F{i}", *place, known=True))
    marks.append(p.held("B", e + 12_000.0, n - 15_000.0, 250.0))
    for m in (0, 1, 2, 6, 7, 3):
        station = p.station(m, 1.6, int(rng.integers(3)), int(rng.integers(4)))
        for t in marks:
            if t != m and rng.uniform() < 0.75:
                p.sight(station, p.prism(t, 1.5, int(rng.integers(3))), 2)
    return p.simulated(seed)


def apart(network: Network) -> tuple[float, list[str]]:
    """How far the engine's coordinates are from those in extended precision, m, and the codes of its remarks."""
    a = adjust(network)
    mine = np.column_stack([a.marks.east, a.marks.north, a.marks.height])
    model = Model(network, Settings(), mine)
    return float(np.abs(mine - minimum(model)).max()), [r.code for r in a.remarks]


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("decades", [0.0, 3.0, 6.0])
def test_coordinates_of_extended_precision_or_a_remark(seed: int, decades: float) -> None:
    off, remarks = apart(mixed(seed, decades))
    assert off < TENTH_OF_A_MICRON or "REM507" in remarks


def test_a_far_origin_is_told() -> None:
    """Coordinates of millions of metres are themselves rounded, and sights of 1 m carry that to 20 km: no solver helps."""
    off, remarks = apart(mixed(1, 3.0, origin=5e7))
    assert "REM507" in remarks
    assert off > TENTH_OF_A_MICRON


def test_ordinary_networks_are_not_doubted() -> None:
    _, remarks = apart(mixed(0, 0.0))
    assert "REM507" not in remarks


def test_the_judge_is_more_exact_than_the_judged() -> None:
    """A Hilbert system whose solution is known: QR with 64 bits keeps what 53 bits lose."""
    n = 9
    i = np.arange(n)
    A = Long(1) / (i[:, None] + i[None, :] + 1).astype(Long)
    x = least_squares(A, A.sum(axis=1))
    plain = np.linalg.solve(A.astype(float), A.sum(axis=1).astype(float))
    assert np.abs(x - 1).max() < 1e-7
    assert np.abs(x - 1).max() < np.abs(plain - 1).max() / 100

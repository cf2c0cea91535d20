"""Three invented networks to plant mistakes in, and how to solve one with all that the judge needs.

The scenario: the lock and the pump house of a canal. Every figure of a support is a usual one (common practice, no
source). Lengths m, angles rad.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from tests.benchmarks.networks import Day

from hubtack.adjust import adjust
from hubtack.adjust.estimate.datum import Constraints
from hubtack.adjust.ground.network import Network, Reduced, Targets
from hubtack.adjust.ground.table import Floats
from hubtack.adjust.judge.robust import robust_solution
from hubtack.adjust.model.approximate import approximate
from hubtack.adjust.model.datum import find_datum
from hubtack.adjust.model.equations import Equations
from hubtack.adjust.model.frames import frame_of
from hubtack.adjust.model.reductions import reduce_readings
from hubtack.adjust.model.unknowns import place_unknowns
from hubtack.adjust.settings import Settings
from hubtack.adjust.solved import Solved
from hubtack.adjust.trouble import NotConverged, Undetermined


@dataclass(frozen=True)
class Ground:
    """A network without readings, and the truth it stands for."""

    network: Network
    truth: Floats


def solve(network: Network, settings: Settings) -> Solved:
    """The solved network behind `adjust`; where that does not settle, one at the robust point.

    Raises Undetermined, or NotConverged where there is no robust point either.
    """
    try:
        solved = adjust(network, settings).solved
        assert solved is not None
        return solved
    except (NotConverged, Undetermined):
        equations, constraints = set_up(network, settings)
        robust = robust_solution(equations, constraints)
        if robust is None:
            raise
        return Solved(equations, robust)


def set_up(network: Network, settings: Settings) -> tuple[Equations, Constraints | None]:
    """The equations of a network at its approximate coordinates, and the constraints of its datum."""
    obs = reduce_readings(network)
    unknowns = place_unknowns(network, obs, settings)
    frame = frame_of(network, settings)
    start = approximate(network, obs, settings, unknowns.heights)
    equations = Equations(network, obs, unknowns, settings, frame, start.coordinates)
    first = equations.first_guess(start.orientations)
    datum = find_datum(network, obs, unknowns, settings, start.coordinates, first)
    return equations, datum.constraints if datum else None


def braced_traverse(rng: np.random.Generator) -> Ground:
    """Seven marks along the lock, stations on five, poles and stands and tribrachs set up anew; four marks held."""
    day, n = Day(), 7
    for i in range(n):
        e, north, h = rng.normal(0, 1, 3) * (4, 4, 1.5) + (38 * i, 30 * (i % 2), 0)
        day.mark(f"L{i + 1}", 500 + e, 800 + north, 40 + h, 0.0 if i in (0, 2, 4, 6) else np.inf)
    for i in (0, 1, 3, 5, 6):
        at = day.setup(f"L{i + 1}", "tribrach", round(rng.uniform(1.45, 1.70), 3), instrument=True)
        ends = []
        for j in range(n):
            if j != i and abs(i - j) <= 3:
                support = ("pole", "stand", "tribrach")[(i + j) % 3]
                low, high = {"pole": (1.3, 2.0), "stand": (0.21, 0.21), "tribrach": (1.2, 1.6)}[support]
                ends.append(day.setup(f"L{j + 1}", support, round(float(rng.uniform(low, high)), 3)))
        day.sight(at, ends, rounds=2)
    return Ground(_devices(day.network()), day.truth())


def free_indoor(rng: np.random.Generator) -> Ground:
    """The pump house: four wall bolts and five floor marks, stands set anew in three visits of two free stations."""
    day = Day()
    for i in range(4):
        e, n, h = rng.normal(0, 1, 3) * (0.5, 0.5, 0.4) + ((-14, 14)[i % 2], (-9, 9)[i // 2], 2.0)
        day.mark(f"W{i + 1}", 100 + e, 100 + n, 10 + h, 0.0)
    for i in range(5):
        e, n, h = rng.normal(0, 1, 3) * (1.0, 1.0, 0.1) + (5 * (i - 2), 5 * (-1) ** i, 0.0)
        day.mark(f"F{i + 1}", 100 + e, 100 + n, 10 + h)
    bolts = [day.setup(f"W{i + 1}", "bolt", 0.06) for i in range(4)]
    for visit in range(3):
        floor = [day.setup(f"F{i + 1}", "pole", round(float(rng.uniform(1.2, 1.9)), 3)) for i in range(5)]
        for k in range(2):
            e, n, h = rng.normal(0, 1, 3) * (1.5, 1.5, 0.1) + (8 * (visit - 1), (-4, 4)[k], 1.6)
            name = day.mark(f"S{2 * visit + k + 1}", 100 + e, 100 + n, 10 + h)
            day.sight(day.setup(name, "free", 0.0, instrument=True), bolts + floor, rounds=1)
    return Ground(_devices(day.network()), day.truth())


def levelled_small(rng: np.random.Generator) -> Ground:
    """Four marks round a gauge, each visited three times and sighted from three free stations; rises levelled."""
    day = Day()
    for i in range(4):
        e, n, h = rng.normal(0, 1, 3) * (2, 2, 0.5) + (25 * (i % 2), 20 * (i // 2), 0.0)
        day.mark(f"G{i + 1}", 300 + e, 300 + n, 5 + h, 0.0 if i in (0, 3) else np.inf)
    for visit in range(3):
        supports = ("pole", "tribrach", "stand", "pole")
        ends = [
            day.setup(f"G{i + 1}", s, 0.21 if s == "stand" else round(float(rng.uniform(1.2, 1.9)), 3))
            for i, s in enumerate(supports)
        ]
        for k in range(3):
            e, n, h = rng.normal(0, 1, 3) * (2, 2, 0.2) + (12 * k, 8 + 4 * visit, 1.6)
            name = day.mark(f"Z{3 * visit + k + 1}", 300 + e, 300 + n, 5 + h)
            day.sight(day.setup(name, "free", 0.0, instrument=True), ends, rounds=1)
    pairs = [(0, 1), (1, 3), (3, 2), (2, 0), (0, 3)]
    reduced = Reduced(
        id=[f"r{k + 1}" for k in range(len(pairs))], kind=["rise"] * len(pairs),
        start=[a for a, _ in pairs], end=[b for _, b in pairs], value=np.zeros(len(pairs)),
        sigma=np.full(len(pairs), 0.3e-3),
    )  # fmt: skip
    return Ground(replace(_devices(day.network()), reduced=reduced), day.truth())


def _devices(network: Network) -> Network:
    """Three prisms dealt out in turn."""
    targets = Targets(target=["mini", "round", "tilting"], constant=[0.0175, 0.0, 0.0])
    n = np.arange(len(network.setups))
    device = np.where(network.setups.instrument, 0, (n + n // 5) % 3)
    return replace(network, targets=targets, setups=network.setups.replace(device=device))


GROUNDS: dict[str, Callable[[np.random.Generator], Ground]] = {
    "braced traverse": braced_traverse,
    "free stations": free_indoor,
    "three visits, levelled": levelled_small,
}

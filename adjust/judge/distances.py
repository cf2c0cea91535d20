"""Distances: prism constants of one setup or of a device, zero and scale of an instrument. Size: recorded − true."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..ground.network import Network
from ..ground.table import Floats, Ints, distinct
from .point import Point
from .signatures import Book, Hypothesis

# Differences between prism constants in use (common practice, no source)
COMMON_DIFFERENCES = (0.0044, 0.0129, 0.0175, 0.030, 0.0344, 0.040)


def add_distances(book: Book) -> None:
    """A constant for every target setup, every target device and every instrument, and a scale for every instrument."""
    point = book.point
    network, obs = point.solved.network, point.solved.obs
    rows = np.flatnonzero(obs.used & ((obs.kind == "distance") | (obs.kind == "level")))
    if not len(rows):
        return
    setups = network.setups
    one = np.ones(len(rows))
    end = obs.end_setup[rows]

    def add(hypothesis: Hypothesis, chosen: Ints, shift: Floats) -> None:
        book.add_shift(hypothesis, rows[chosen], shift[chosen])

    order = np.argsort(end, kind="stable")
    parts = np.split(order, np.flatnonzero(np.diff(end[order])) + 1)
    groups = [tuple(chosen.tolist()) for chosen in parts]
    # a lone distance is a reading of its own
    several = [part for part in parts if len(part) > 1 and not book.passes(int(end[part[0]]))]
    if several:
        made = [
            Hypothesis("setup", str(setups.setup[s]), "prism_constant", s)
            for s in (int(end[part[0]]) for part in several)
        ]
        which = np.repeat(np.arange(len(several)), [len(part) for part in several])
        book.add_apart(made, rows[np.concatenate(several)], which)
    if len(network.targets):
        device = setups.device[end]
        for d in distinct(device).tolist():
            chosen = np.flatnonzero(device == d)
            groups.append(tuple(chosen.tolist()))
            if len(chosen) > 1 and groups.count(groups[-1]) == 1:
                name = str(network.targets.target[d])
                add(Hypothesis("instrument", name, "device_constant", d), chosen, one)
    instrument = setups.device[obs.start_setup[rows]]
    length = obs.value[rows]
    for d in distinct(instrument).tolist():
        chosen = np.flatnonzero(instrument == d)
        name = str(network.instruments.instrument[d])
        if len(chosen) > 1:
            if groups.count(tuple(chosen.tolist())) == 0:
                add(Hypothesis("instrument", name, "distance_zero", d), chosen, one)
            add(Hypothesis("instrument", name, "distance_scale", d), chosen, length)


def prisms(point: Point, setup: int) -> Iterator[float]:
    """Differences (m) that another prism of this job, or a usual one, would make on a setup: recorded − true."""
    network = point.solved.network
    yield from _differences(network, own_constant(network, setup))


def own_constant(network: Network, setup: int) -> float:
    """What is added to distances to a setup, m."""
    own = float(network.setups.prism_constant[setup])
    if np.isnan(own) and len(network.targets):
        own = float(network.targets.constant[network.setups.device[setup]])
    return 0.0 if np.isnan(own) else own


def device_prisms(network: Network, device: int) -> Iterator[float]:
    """The same for all setups of a device."""
    yield from _differences(network, float(network.targets.constant[device]))


def _differences(network: Network, own: float) -> Iterator[float]:
    others = {round(own - float(c), 6) for c in network.targets.constant}
    others |= set(COMMON_DIFFERENCES) | {-d for d in COMMON_DIFFERENCES}
    yield from sorted(d for d in others if abs(d) > 1e-5)

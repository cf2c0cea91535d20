"""Invent a day's readings from a truth: what planning, calibration and catch rates are tried on.

Every setup (or base) is drawn its centring and height error once, every instrument its constants, every round its
orientation; then every reading its own noise. That is the shared model, whatever rule the adjustment then uses.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .ground.atmosphere import velocity_factors
from .ground.network import REDUCED_KINDS, Marks, Network
from .ground.table import Floats, Ints
from .model.equations import Equations
from .model.frames import frame_of
from .model.observations import KINDS
from .model.reductions import Observations, prism_constants, reduce_readings, vector_covariances
from .model.unknowns import place_unknowns
from .settings import Settings


def simulate(network: Network, truth: Floats, settings: Settings, seed: int | np.random.Generator) -> Network:
    """A copy of `network` with invented readings and control.

    truth (n_marks, 3): true coordinates, m. Every reading that is not NaN in `network` is replaced; a weighted control
    coordinate is drawn about its truth with its own sigma, a held one is the truth,
    start values stay. The same seed gives the same day.
    """
    rng = np.random.default_rng(seed)
    network = replace(network, marks=_control(network, truth, rng))
    shared = replace(settings, correlation="shared")
    sights = network.sights
    single = replace(
        network, sights=sights.replace(round=np.arange(len(sights)), used=np.ones(len(sights), bool))
    )
    obs = reduce_readings(single)
    unknowns = place_unknowns(single, obs, shared)
    frame = frame_of(network, settings)
    equations = Equations(single, obs, unknowns, shared, frame, truth)

    turns: dict[tuple[int, int], float] = {}
    orientations = np.zeros(len(unknowns.orientations))
    for i in np.flatnonzero(obs.orientation >= 0):
        key = (int(obs.start_setup[i]), int(sights.round[obs.round[i]]))
        turns.setdefault(key, float(rng.uniform(0.0, 2.0 * np.pi)))
        orientations[obs.orientation[i]] = turns[key]
    x = equations.first_guess(orientations)
    placed = unknowns.marks >= 0
    x[unknowns.marks[placed]] = truth[placed]
    p = unknowns.priors
    drawn = p.source != "control"
    x[p.place[drawn]] = p.value[drawn] + p.sigma[drawn] * rng.standard_normal(int(drawn.sum()))

    exact = equations.computed(x, np.arange(len(obs)))
    # sigmas of distances grow with the distance itself, so they come from the exact readings
    sigma = reduce_readings(_write(single, obs, exact, exact)).sigma
    return _write(network, obs, exact, exact + sigma * rng.standard_normal(len(obs)), rng)


def _control(network: Network, truth: Floats, rng: np.random.Generator) -> Marks:
    marks = network.marks
    columns = {}
    for a, name in enumerate(("east", "north", "height")):
        sigma = getattr(marks, f"sigma_{name}")
        drawn = truth[:, a] + np.where(np.isfinite(sigma), sigma, 0.0) * rng.standard_normal(len(marks))
        columns[name] = np.where(np.isfinite(sigma), drawn, getattr(marks, name))
    return marks.replace(**columns)


def _write(
    network: Network, obs: Observations, exact: Floats, noisy: Floats, rng: np.random.Generator | None = None
) -> Network:
    """Faces and prism constants undone, every value back in its column; vectors get their correlated noise here."""
    sights, vectors = network.sights, network.vectors
    columns = {name: getattr(sights, name).copy() for name in ("circle", "zenith", "slope", "horizontal")}
    constants = prism_constants(network)
    second = sights.face == 2

    def rows(kind: str) -> tuple[Ints, Ints]:
        at = np.flatnonzero(obs.kind == kind)
        return at, obs.round[at]

    at, row = rows("direction")
    columns["circle"][row] = np.mod(noisy[at] + np.where(second[row], np.pi, 0.0), 2.0 * np.pi)
    at, row = rows("zenith")
    columns["zenith"][row] = np.where(second[row], 2.0 * np.pi - noisy[at], noisy[at])
    for kind, name in (("distance", "slope"), ("level", "horizontal")):
        at, row = rows(kind)
        read = noisy[at] - constants[sights.end[row]]
        columns[name][row] = read / velocity_factors(network, sights.start[row], sights.end[row])
    reduced = network.reduced
    if len(reduced):
        value = reduced.value.copy()
        for kind in REDUCED_KINDS:
            at = np.flatnonzero(obs.kind == kind)
            value[reduced.kind == kind] = noisy[at]
        reduced = reduced.replace(
            value=np.where(
                np.array([KINDS[k].whole_circle for k in reduced.kind], dtype=bool),
                np.mod(value, 2.0 * np.pi),
                value,
            )
        )
    if len(vectors):
        difference = exact[obs.block >= 0].reshape(-1, 3)
        if rng is not None:
            root = np.linalg.cholesky(vector_covariances(network, np.arange(len(vectors))))
            difference = difference + np.einsum("nij,nj->ni", root, rng.standard_normal(difference.shape))
        vectors = vectors.replace(difference=difference)
    return replace(network, sights=sights.replace(**columns), reduced=reduced, vectors=vectors)

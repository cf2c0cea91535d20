"""One more sight: what it would gain, before it is taken.

With a (k, n) the rows of a candidate, R its covariance and Q that of the unknowns (matrix inversion lemma):

    Q′ = Q − Qaᵀ(R + aQaᵀ)⁻¹aQ,   gain ½ ln det(I + R⁻¹aQaᵀ) nats

A candidate to a new target setup brings that setup's effects as new unknowns with their priors: their variances stand in R.
One from or to an existing setup finds its effects among the unknowns. Candidates are ranked by what they do to the marks
that nothing checks, then by the worst ellipse, and by nats last: nats alone favour angles that hardly matter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..estimate.precision import ellipses
from ..ground.network import Network, Setups, Sights
from ..ground.table import Floats, Ints
from ..model.equations import Equations
from ..model.reductions import Observations, as_objects, reduce_readings
from ..model.unknowns import Unknowns, place_unknowns
from ..solved import MARKS, Solved
from .variants import joined

MOST = 400  # candidates that are looked at
FACES = 2


@dataclass(frozen=True)
class Candidate:
    """A sight in both faces from an instrument setup to a mark, on a new target setup there."""

    start: int  # row of the instrument setup
    mark: int  # row of the mark
    support: int  # row of the support of the new target setup
    device: int  # row of its target
    height: float
    distance: float  # m, horizontal


@dataclass(frozen=True)
class Gain:
    """What a candidate would do: worst semi-major axis (1σ) and worst height sigma of the new marks, m; and nats."""

    candidate: Candidate
    position: float
    height: float
    own: float  # how much the trace of the sighted mark's covariance shrinks, m²
    nats: float


def update(Q: Floats, a: Floats, R: Floats) -> tuple[Floats, float]:
    """Q′ and the gain in nats of observations with rows a (k, n) and covariance R (k, k)."""
    G = Q @ a.T
    S = R + a @ G
    gain = 0.5 * (np.linalg.slogdet(S)[1] - np.linalg.slogdet(R)[1])
    return Q - G @ np.linalg.solve(S, G.T), float(gain)


def candidates(
    network: Network, coordinates: Floats, starts: Ints, reach: float, only: Ints | None = None
) -> list[Candidate]:
    """Sights from some instrument setups to every mark (of `only`, rows) within `reach` m, nearest first."""
    setups = network.setups
    targets = np.flatnonzero(~setups.instrument)
    if not len(targets) or not len(starts):
        return []
    support, device, height = _usual(network, targets)
    found: list[Candidate] = []
    for s in starts.tolist():
        at = int(setups.mark[s])
        away = np.hypot(*(coordinates[:, :2] - coordinates[at, :2]).T)
        near = (away > 1.0) & (away <= reach)
        for m in (np.flatnonzero(near) if only is None else only[near[only]]).tolist():
            found.append(Candidate(int(s), m, support, device, height, float(away[m])))
    found.sort(key=lambda c: (c.distance, c.start, c.mark))
    return found[:MOST]


def with_sight(network: Network, chosen: list[Candidate]) -> Network:
    """The network with candidates added, each on a target setup of its own, in both faces and in round 1."""
    n, k = len(network.setups), len(chosen)
    placed: dict[str, Any] = {
        name: [getattr(c, name) for c in chosen] for name in ("mark", "support", "device", "height")
    }
    setups = Setups(**placed, setup=as_objects([f"+{i + 1}" for i in range(k)]), instrument=np.zeros(k, bool))
    first = _first_rounds(network)
    twice = [(i, c, face) for i, c in enumerate(chosen) for face in (1, 2)]
    read: dict[str, Any] = {
        "id": [f"+{i + 1}.{face}" for i, _, face in twice],
        "start": [c.start for _, c, _ in twice],
        "end": [n + i for i, *_ in twice],
        "round": [first.get(c.start, 1) for _, c, _ in twice],
        "face": [face for *_, face in twice],
        "circle": np.zeros(2 * k),
        "zenith": [0.5 * np.pi if face == 1 else 1.5 * np.pi for *_, face in twice],
        "slope": [c.distance for _, c, _ in twice],
    }
    sights = Sights(**read)
    return replace(network, setups=joined(network.setups, setups), sights=joined(network.sights, sights))


def gains(solved: Solved, chosen: list[Candidate], new: Ints) -> list[Gain]:
    """What each candidate would do to the marks `new` (rows), from the solved network alone."""
    if not chosen:
        return []
    blocks = _rows(solved, chosen)
    u, cofactor = solved.unknowns, solved.solution.cofactor
    kept = [i for i, b in enumerate(blocks) if b is not None]
    right = np.zeros((u.n, sum(len(b[1]) for b in blocks if b is not None)))
    at = 0
    for b in blocks:
        if b is not None:
            right[:, at : at + len(b[1])] = b[0].T
            at += len(b[1])
    G = cofactor.solve(right)
    marks = u.marks
    padded = np.vstack([G, np.zeros((1, G.shape[1]))])[marks]  # (n_marks, 3, columns)
    Q = cofactor.query(MARKS, marks)
    out: list[Gain] = []
    at = 0
    for i in kept:
        block = blocks[i]
        assert block is not None
        a, R = block
        k = len(R)
        S = R + a @ G[:, at : at + k]
        part = padded[:, :, at : at + k]
        after = Q - part @ np.linalg.solve(S, part.transpose(0, 2, 1))
        at += k
        nats = 0.5 * (np.linalg.slogdet(S)[1] - np.linalg.slogdet(R)[1])
        c = chosen[i]
        major = ellipses(after[new][:, :2, :2])[0]
        own = float(np.trace(Q[c.mark]) - np.trace(after[c.mark]))
        heights = np.sqrt(np.maximum(after[new][:, 2, 2], 0.0))
        out.append(Gain(c, float(major.max(initial=0.0)), float(heights.max(initial=0.0)), own, float(nats)))
    return out


def _rows(solved: Solved, chosen: list[Candidate]) -> list[tuple[Floats, Floats] | None]:
    """For each candidate its rows over the known unknowns (k, n) and its covariance with the new effects (k, k).

    None where a candidate leans on something that is not yet an unknown.
    """
    network = with_sight(solved.network, chosen)
    old = solved.unknowns
    obs = reduce_readings(network)
    u = place_unknowns(network, obs, solved.settings)
    fresh = Equations(network, obs, u, solved.settings, solved.equations.frame, _full(solved))
    exact = fresh.computed(fresh.first_guess(np.zeros(len(u.orientations))), np.arange(len(obs)))
    equations = Equations(
        network, obs.replace(value=exact), u, solved.settings, solved.equations.frame, _full(solved)
    )
    x = equations.first_guess(np.zeros(len(u.orientations)))
    to_old = _places(old.n, u, old, obs, solved.obs)
    n_setups = len(solved.network.setups)
    sigma = np.zeros(u.n)
    for e, s in ((0, u.centring_sigma), (1, u.centring_sigma), (2, u.height_sigma)):
        has = u.effects[:, e] >= 0
        sigma[u.effects[has, e]] = s[has]
    found: dict[int, list[tuple[Floats, Floats]]] = {}
    lost: set[int] = set()
    for group, rows in zip(equations.groups, equations.evaluate(x), strict=False):
        mine = np.flatnonzero(obs.end_setup[group.rows] >= n_setups)
        for i in mine.tolist():
            c = int(obs.end_setup[group.rows[i]]) - n_setups
            row, own = np.zeros(old.n), np.zeros(3)
            for column, value in zip(rows.columns[i].tolist(), rows.values[i].tolist(), strict=True):
                if column < 0 or value == 0.0:
                    continue
                place = to_old[column]
                if place >= 0:
                    row[place] += value
                    continue
                axis = np.flatnonzero(u.effects[n_setups + c] == column)
                if not len(axis):
                    lost.add(c)
                    break
                own[axis[0]] += value * sigma[column]
            found.setdefault(c, []).append((row, own))
    out: list[tuple[Floats, Floats] | None] = []
    for c in range(len(chosen)):
        pairs = found.get(c, [])
        if c in lost or not pairs:
            out.append(None)
            continue
        own = np.array([p[1] for p in pairs])
        out.append((np.array([p[0] for p in pairs]), np.eye(len(pairs)) + own @ own.T))
    return out


def _places(n: int, u: Unknowns, old: Unknowns, obs: Observations, old_obs: Observations) -> Ints:
    """Column of the augmented network → column of the solved one, −1 where it is new."""
    place = np.full(u.n, -1, dtype=np.int64)
    for new, was in ((u.marks, old.marks), (u.effects[: len(old.effects)], old.effects)):
        both = (new >= 0) & (was >= 0)
        place[new[both]] = was[both]
    number = {
        (int(old_obs.start_setup[i]), int(old_obs.round[i])): int(old_obs.orientation[i])
        for i in np.flatnonzero(old_obs.used & (old_obs.orientation >= 0)).tolist()
    }
    for i in np.flatnonzero(obs.used & (obs.orientation >= 0)).tolist():
        turn = number.get((int(obs.start_setup[i]), int(obs.round[i])), -1)
        if turn >= 0 and old.orientations[turn] >= 0:
            place[u.orientations[obs.orientation[i]]] = old.orientations[turn]
    label = {c.label: c.place for c in old.constants}
    for c in u.constants:
        place[c.place] = label.get(c.label, -1)
    return place


def _full(solved: Solved) -> Floats:
    return solved.state.coordinates


def _first_rounds(network: Network) -> dict[int, int]:
    """The first round of every instrument setup."""
    s = network.sights
    found: dict[int, int] = {}
    for start, number in zip(s.start[s.used].tolist(), s.round[s.used].tolist(), strict=True):
        found[start] = min(number, found.get(start, number))
    return found


def _usual(network: Network, targets: Ints) -> tuple[int, int, float]:
    """Support, device and height that most target setups have; the first of equals."""
    setups = network.setups
    keys = [(int(setups.support[t]), int(setups.device[t])) for t in targets.tolist()]
    most = max(dict.fromkeys(keys), key=keys.count)
    heights = [float(setups.height[t]) for t, k in zip(targets.tolist(), keys, strict=True) if k == most]
    known = [h for h in heights if not np.isnan(h)]
    return *most, float(np.median(known)) if known else 0.0

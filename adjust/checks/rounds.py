"""Rounds: how far the directions of an instrument setup spread, against the sigma that is stated.

l_ij = x_j + o_i with one orientation o_i a round, by least squares, so that incomplete rounds do no harm;
s² = vᵀPv / f, f = readings − targets − rounds + 1 (method of direction sets, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.network import Network
from ..ground.table import Floats, Ints
from ..model.reductions import Observations, reduce_readings, wrap
from ..settings import Settings
from .check import Check, alpha_of, chi2_check


@dataclass(frozen=True)
class Rounds:
    """Directions of one setup: reduced to the first target, and s of one direction (of unit weight: in stated sigmas)."""

    directions: Floats  # (targets,) rad
    residuals: Floats  # (readings,) rad
    spread: float  # √(vᵀPv / f), a ratio; NaN without redundancy
    freedom: int


def adjust_rounds(target: Ints, round_: Ints, value: Floats, sigma: Floats) -> Rounds:
    """Directions (n,) rad to targets in rounds, both numbered from 0; sigma (n,) rad."""
    n_targets, n_rounds = int(target.max()) + 1, int(round_.max()) + 1
    first = np.zeros(n_rounds)
    for i in range(len(value) - 1, -1, -1):
        first[round_[i]] = value[i]
    start = np.array([value[np.flatnonzero(target == j)[0]] for j in range(n_targets)])
    turn = np.array([first[round_[np.flatnonzero(target == j)[0]]] for j in range(n_targets)])
    approx = wrap(start - turn)
    # orientation of each round against these, so that the rest is small and nothing wraps
    o = np.zeros(n_rounds)
    for r in range(n_rounds):
        i = int(np.flatnonzero(round_ == r)[0])
        o[r] = value[i] - approx[target[i]]
    rest = wrap(value - approx[target] - o[round_])
    A = np.zeros((len(value), n_targets + n_rounds))
    A[np.arange(len(value)), target] = 1.0
    A[np.arange(len(value)), n_targets + round_] = 1.0
    A = np.delete(A, 0, axis=1)  # the first target gives the zero
    x, _, rank, _ = np.linalg.lstsq(A / sigma[:, None], rest / sigma, rcond=None)
    v = A @ x - rest
    freedom = len(value) - int(rank)
    directions = approx + np.concatenate([[0.0], x[: n_targets - 1]])
    spread = float(np.sqrt(np.sum((v / sigma) ** 2) / freedom)) if freedom > 0 else float("nan")
    return Rounds(wrap(directions - directions[0]), v, spread, freedom)


def round_checks(network: Network, settings: Settings) -> list[Check]:
    """Spread of directions, zenith angles and distances over the rounds of every instrument setup."""
    obs = reduce_readings(network)
    order = np.flatnonzero(obs.used & (obs.start_setup >= 0))
    order = order[np.argsort(obs.start_setup[order], kind="stable")]
    setups, first = np.unique(obs.start_setup[order], return_index=True)
    of_setup = dict(
        zip(setups.tolist(), np.split(order, first[1:]), strict=False)
    )  # nothing read: no setup, one empty part
    told = []
    for setup in dict.fromkeys(network.sights.start[network.sights.used].tolist()):
        mine = of_setup.get(setup, order[:0])
        for kind in ("direction", "zenith", "distance", "level"):
            rows = mine[obs.kind[mine] == kind]
            if len(rows) > 1:
                T, f, worst = _spread(obs, rows, kind)
                if f > 0:
                    told.append((str(network.setups.setup[setup]), kind, rows, T, f, worst))
    alpha = alpha_of(settings, len(told))
    found: list[Check] = []
    for name, kind, rows, T, f, worst in told:
        sigma = float(np.median(obs.sigma[rows]))
        quantity = "angle" if kind in ("direction", "zenith") else "length"
        words = "distance" if kind == "level" else kind
        check = chi2_check(
            f"spread of {words}s", (name,), T, f, sigma * float(np.sqrt(T / f)), sigma, alpha, quantity,
            len(rows), worst=str(obs.id[worst]), freedom=float(f), readings=float(np.median(obs.count[rows])),
        )  # fmt: skip
        found.append(check)
    return found


def _spread(obs: Observations, rows: Ints, kind: str) -> tuple[float, int, int]:
    """vᵀPv, degrees of freedom, and the row that is furthest off."""
    target = np.unique(obs.end_setup[rows], return_inverse=True)[1]
    value, sigma = obs.value[rows], obs.sigma[rows]
    if kind == "direction":
        r = adjust_rounds(target, np.unique(obs.round[rows], return_inverse=True)[1], value, sigma)
        v, f = r.residuals, r.freedom
    else:
        weight = 1.0 / sigma**2
        mean = np.bincount(target, weight * value) / np.bincount(target, weight)
        v, f = mean[target] - value, len(rows) - int(target.max()) - 1
    return float(np.sum((v / sigma) ** 2)), f, int(rows[int(np.argmax(np.abs(v) / sigma))])

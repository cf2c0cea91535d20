"""Wrong heights that would be seen and could not be told apart.

The tests of two setups' heights correlate by ρ = c_iᵀMc_j / √(c_iᵀMc_i · c_jᵀMc_j), with M = P − PAQAᵀP (Förstner 1983, from
memory). For pseudo-observations of sigma σ that is, in units of σ, m_ij = δ_ij − Q_ij / (σ_iσ_j).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..estimate.reliability import NO_CHECK
from ..ground.table import Floats, Ints
from ..solved import Solved

ALIKE = 0.99  # beyond this the geometry hardly ever tells which of two it was: P(right) is 0.61 at the MDB
MOST = 2000  # effects: dense in their number


@dataclass(frozen=True)
class Separability:
    """Of every setup with a height effect: its row, its likest other setup, and |ρ| between their tests (0: alone)."""

    setup: Ints
    rival: Ints
    correlation: Floats


def separability(solved: Solved) -> Separability | None:
    """The nearest rival of every height; None where there are more effects than a dense matrix is made for."""
    p = solved.unknowns.priors
    rows = np.flatnonzero((p.source == "effect") & (p.axis == 2))
    if len(rows) > MOST:
        return None
    place, sigma = p.place[rows], p.sigma[rows]
    Q = solved.solution.cofactor.columns(place)[place] if len(rows) else np.zeros((0, 0))
    M = np.eye(len(rows)) - Q / np.outer(sigma, sigma)
    strength = np.diagonal(M)
    seen = strength > NO_CHECK
    scale = np.where(seen, 1.0 / np.sqrt(np.where(seen, strength, 1.0)), 0.0)
    rho = np.abs(M * np.outer(scale, scale))
    np.fill_diagonal(rho, 0.0)
    rival = rho.argmax(axis=1) if len(rows) else np.zeros(0, dtype=np.int64)
    largest = np.clip(rho.max(axis=1, initial=0.0), 0.0, 1.0)
    return Separability(p.setup[rows], np.where(largest > 0.0, p.setup[rows][rival], -1), largest)

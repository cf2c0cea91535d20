"""Setups: estimated centring and height errors with their tests."""

from __future__ import annotations

import numpy as np

from ..estimate.quantiles import noncentrality_plane
from ..estimate.reliability import NO_CHECK, Reliability
from ..ground.table import frozen
from ..results import AdjustedSetups
from ..solved import CENTRING, Solved


def setup_table(solved: Solved) -> AdjustedSetups:
    """Estimated centring and height errors with their tests; setups on one base share theirs."""
    u, n = solved.unknowns, len(solved.network.setups)
    p = u.priors
    x = np.append(solved.solution.x, np.nan)
    place_to_prior = np.full(u.n + 1, -1)
    place_to_prior[p.place] = np.arange(len(p))
    estimate = x[u.effects]
    prior = place_to_prior[u.effects]
    rel = solved.prior_reliability if len(p) else Reliability(np.zeros(1), np.zeros(1), np.zeros(1))
    has = prior[:, 2] >= 0
    height = np.where(has, prior[:, 2], 0)
    w = np.where(has, rel.standardized[height], np.nan)
    strength = np.where(has, rel.strength[height], np.nan)
    # centring: one test of two degrees of freedom
    T, weakest = np.full(n, np.nan), np.full(n, np.nan)
    there = (u.effects[:, :2] >= 0).all(axis=1)
    if there.any():
        Q = solved.solution.cofactor.query(CENTRING, u.effects[:, :2])[there]
        s = u.centring_sigma[there]
        M = np.eye(2) - Q / (s**2)[:, None, None]
        values, vectors = np.linalg.eigh(M)
        b = np.einsum("nji,nj->ni", vectors, estimate[there, :2] / s[:, None])
        told = values > NO_CHECK
        squares = np.where(told, b**2 / np.where(told, values, 1.0), 0.0)
        T[there] = np.where(told.any(axis=1), np.sqrt(squares.sum(axis=1)), np.nan)
        delta = noncentrality_plane(solved.settings.alpha, solved.settings.power)
        least = np.where(told.all(axis=1), values[:, 0], 0.0)
        with np.errstate(divide="ignore"):
            weakest[there] = np.where(least > 0.0, delta * s / np.sqrt(np.maximum(least, 1e-300)), np.inf)
    with np.errstate(divide="ignore", invalid="ignore"):
        mdb = np.where(
            strength > 0.0, solved.delta0 * u.height_sigma / strength, np.where(has, np.inf, np.nan)
        )
    return AdjustedSetups(
        setup=solved.network.setups.setup,
        sigma_centring=u.centring_sigma,
        sigma_height=u.height_sigma,
        centring_east=estimate[:, 0],
        centring_north=estimate[:, 1],
        height_error=estimate[:, 2],
        standardized_centring=frozen(T),
        standardized_height=frozen(w),
        redundancy_height=frozen(np.where(has, rel.redundancy[height], np.nan)),
        minimal_detectable_height=frozen(mdb),
        minimal_detectable_centring=frozen(weakest),
        flagged=frozen((np.abs(w) > solved.critical) | (solved.critical_centring < T)),
    )

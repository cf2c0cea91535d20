"""Redundancy, standardized residuals and minimal detectable biases of whitened equations.

With M = P − PAQAᵀP and a unit bias c in one observation (Baarda 1968; from memory):

    w = cᵀPv / √(cᵀMc),   MDB = δ0 / √(cᵀMc),   r = (Q_vP)_ii

Uncorrelated: w = v/(σ√r), MDB = δ0·σ/√r. Redundancies sum to the degrees of freedom in any case.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.table import Floats
from .datum import Cofactor
from .rows import Rows

WORTH = (
    1e-6  # a statistic whose information is a smaller share than this says nothing that is worth a sentence
)
NO_CHECK = 1e-9  # redundancy below this is as good as none; structural zeros come out below 1e-13


@dataclass(frozen=True)
class Reliability:
    """For the m equations of one Rows: r, w, and √(cᵀMc) in units of the observation's own sigma (√r if alone)."""

    redundancy: Floats
    standardized: Floats  # NaN where nothing checks
    strength: Floats  # √(cᵀMc)·σ, 0 where nothing checks


def reliability(cofactor: Cofactor, k: int, rows: Rows) -> Reliability:
    """Of uncorrelated equations: the k-th Rows of the solution."""
    h, rounding = cofactor.leverage(k, rows)
    r = np.clip(1.0 - h, 0.0, 1.0)
    checked = r > np.maximum(NO_CHECK, rounding)
    strength = np.where(checked, np.sqrt(r), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        w = np.where(checked, -rows.misclosure / strength, np.nan)
    return Reliability(r, w, strength)


def correlated_reliability(cofactor: Cofactor, k: int, rows: Rows, covariance: Floats) -> Reliability:
    """Of equations whitened in blocks; covariance (m / block, block, block) is that before whitening."""
    b = rows.block
    L = np.linalg.cholesky(covariance)
    inverse = np.linalg.inv(L)
    H = cofactor.gram(k, rows)
    middle = np.eye(b) - H
    M = inverse.transpose(0, 2, 1) @ middle @ inverse
    R = L @ middle @ inverse
    pv = np.einsum("mji,mj->mi", inverse, -rows.misclosure.reshape(-1, b))
    sigma = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    strength = np.sqrt(np.maximum(np.diagonal(M, axis1=1, axis2=2), 0.0)) * sigma
    redundancy = np.diagonal(R, axis1=1, axis2=2)
    checked = strength**2 > NO_CHECK
    with np.errstate(divide="ignore", invalid="ignore"):
        w = np.where(checked, pv * sigma / strength, np.nan)
    return Reliability(redundancy.reshape(-1), w.reshape(-1), np.where(checked, strength, 0.0).reshape(-1))

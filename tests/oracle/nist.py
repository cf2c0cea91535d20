"""Certified regression problems of the NIST Statistical Reference Datasets (StRD), for the general solver.

The data are in the public domain. Values are certified to 11 (nonlinear) or 15 (linear) digits; they are
compared by the number of correct digits, −log₁₀ of the relative error.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from hubtack.adjust.estimate.rows import Rows
from hubtack.adjust.estimate.solve import Solution, gauss_newton


def rows_of(A: np.ndarray, misclosure: np.ndarray) -> Rows:
    """A dense matrix (m, n) and its misclosure (m,) in the padded form of the solver."""
    columns = np.tile(np.arange(A.shape[1]), (len(A), 1))
    return Rows(columns=columns, values=A, misclosure=misclosure)


def fit(
    model: Callable[[np.ndarray], np.ndarray],
    jacobian: Callable[[np.ndarray], np.ndarray],
    y: np.ndarray,
    sigma: float,
    start: np.ndarray,
    tolerance: np.ndarray | float,
    max_iterations: int = 60,
) -> Solution:
    """Least squares of y on model(b), all observations with the same sigma; `tolerance` is that of the
    solver.
    """

    def evaluate(b: np.ndarray) -> list[Rows]:
        return [rows_of(jacobian(b) / sigma, (y - model(b)) / sigma)]

    return gauss_newton(evaluate, start, tolerance=tolerance, max_iterations=max_iterations)


def sigmas(solution: Solution) -> np.ndarray:
    """Standard deviations of all unknowns at the sigma of the observations."""
    n = len(solution.x)
    return np.sqrt(np.diag(solution.cofactor.columns(np.arange(n))))


def digits(found: np.ndarray, certified: np.ndarray, most: float = 15.0) -> float:
    """The smallest number of correct digits of a vector, at most `most`."""
    with np.errstate(divide="ignore"):
        lre = -np.log10(np.abs(np.asarray(found) - certified) / np.abs(certified))
    worst = float(np.min(lre))
    return -math.inf if math.isnan(worst) else min(most, worst)

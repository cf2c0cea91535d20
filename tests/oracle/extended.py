"""The dense model of `model` solved once more in extended precision: Householder's QR, 64 bits of mantissa."""

from __future__ import annotations

import numpy as np
from tests.oracle.model import Model

Long = np.longdouble


def minimum(model: Model, steps: int = 8) -> np.ndarray:
    """Coordinates (n_marks, 3) at the minimum of the sum of squares, from where the model starts."""
    x = model.x0.astype(Long)
    for _ in range(steps):
        A = np.imag(model.residuals(x[:, None] + Long(1e-30) * 1j * np.eye(len(x)))) / Long(1e-30)
        size = np.sqrt((A * A).sum(axis=0))
        dx = least_squares(A / size, model.residuals(x)) / size
        x = x - dx
        if np.abs(dx).max() < 1e-15:
            break
    return np.array([[float(v) for v in model._mark(x, m)] for m in range(len(model.given))])


def least_squares(A: np.ndarray, b: np.ndarray) -> np.ndarray:
    """x that minimises |Ax − b|, by Householder's reflections (from memory); in the precision of A."""
    R, c = A.copy(), b.astype(A.dtype).copy()
    n = R.shape[1]
    for k in range(n):
        v = R[k:, k].copy()
        v[0] += np.copysign(np.sqrt(v @ v), v[0])
        v /= np.sqrt(v @ v)
        R[k:, k:] -= 2 * np.outer(v, v @ R[k:, k:])
        c[k:] -= 2 * v * (v @ c[k:])
    x = np.zeros(n, dtype=A.dtype)
    for k in reversed(range(n)):
        x[k] = (c[k] - R[k, k + 1 : n] @ x[k + 1 :]) / R[k, k]
    return x

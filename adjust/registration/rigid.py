"""Rigid motions y = t + R x: the rotation between two lists of points, whatever it is, and what small motions do.

    R = U diag(1, 1, det UVᵀ) Vᵀ,  U S Vᵀ = Σ (y − ȳ)(x − x̄)ᵀ        (Kabsch 1976, Umeyama 1991; from memory)

With reflection allowed the last sign follows the data: axes exchanged in one of the lists show as det R = −1.
"""

from __future__ import annotations

import numpy as np

from ..ground.table import Floats, Ints


def aligned(
    x: Floats, y: Floats, weights: Floats | None = None, reflect: bool = False
) -> tuple[Floats, Floats]:
    """R (…, 3, 3) and t (…, 3) with Σ w |y − t − R x|² least, from any starting rotation. x, y (…, n, 3) m.

    `weights` (…, n), none: equal. With `reflect` the best of rotations and reflections.
    """
    w = np.ones(x.shape[:-1]) if weights is None else weights
    w = w / w.sum(axis=-1, keepdims=True)
    middle_x, middle_y = np.einsum("...n,...nk->...k", w, x), np.einsum("...n,...nk->...k", w, y)
    both = np.einsum("...n,...ni,...nj->...ij", w, y - middle_y[..., None, :], x - middle_x[..., None, :])
    U, _, Vt = np.linalg.svd(both)
    if not reflect:
        sign = np.sign(np.linalg.det(U @ Vt))
        U = U.copy()
        U[..., :, 2] *= np.where(sign == 0.0, 1.0, sign)[..., None]
    R: Floats = U @ Vt
    return R, middle_y - np.einsum("...ij,...j->...i", R, middle_x)


def cross_matrix(v: Floats) -> Floats:
    """[v]× of vectors (…, 3): [v]× w = v × w."""
    out = np.zeros((*v.shape[:-1], 3, 3))
    out[..., 0, 1], out[..., 0, 2], out[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    return out - np.swapaxes(out, -1, -2)


def rotation(omega: Floats) -> Floats:
    """The rotation exp([ω]×) of a rotation vector (3,), rad, by Rodrigues' formula (from memory)."""
    angle = float(np.linalg.norm(omega))
    K = cross_matrix(omega)
    if angle < 1e-8:
        return np.asarray(np.eye(3) + K + 0.5 * K @ K)
    return np.asarray(np.eye(3) + np.sin(angle) / angle * K + (1.0 - np.cos(angle)) / angle**2 * K @ K)


def quaternion(R: Floats) -> Floats:
    """Unit quaternion (w, x, y, z) with w ≥ 0 of a rotation (3, 3), by its largest component (Shepperd 1978; from memory)."""
    trace = float(np.trace(R))
    squares = np.array([trace, *np.diagonal(R)])
    k = int(np.argmax(squares))
    q = np.empty(4)
    if k == 0:
        q[:] = 1.0 + trace, R[2, 1] - R[1, 2], R[0, 2] - R[2, 0], R[1, 0] - R[0, 1]
    else:
        i, j, m = k - 1, k % 3, (k + 1) % 3
        q[0], q[k] = R[m, j] - R[j, m], 1.0 + 2.0 * R[i, i] - trace
        q[j + 1], q[m + 1] = R[j, i] + R[i, j], R[m, i] + R[i, m]
    q /= np.linalg.norm(q)
    return np.asarray(q if q[0] >= 0.0 else -q)


def motion_jacobian(points: Floats, origin: Floats, scale: bool = False) -> Floats:
    """∂y/∂(t, ω[, m]) at site points (m, 3): [I | −[p − p₀]× | p − p₀], (m, 3, 6 or 7).

    t (3,) is the shift of the origin p₀ (m), ω (3,) the small rotation about east, north, up through it (rad), m a scale.
    """
    arm = points - origin
    parts = [np.broadcast_to(np.eye(3), (len(points), 3, 3)), -cross_matrix(arm)]
    if scale:
        parts.append(arm[:, :, None])
    return np.concatenate(parts, axis=2)


def principal(points: Floats) -> tuple[Floats, Floats]:
    """R.m.s. extents (3,) of points about their middle, largest first, and their axes as rows (3, 3)."""
    _, extents, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=True)
    full = np.zeros(3)
    full[: len(extents)] = extents
    return full / np.sqrt(len(points)), axes


def plan_hull(points: Floats) -> Ints:
    """Rows of the corners of the convex hull of points in plan, counter-clockwise (Andrew's chain; from memory)."""
    order = np.lexsort((points[:, 1], points[:, 0])).tolist()

    def half(rows: list[int]) -> list[int]:
        chain: list[int] = []
        for i in rows:
            while len(chain) > 1 and _turn(points[chain[-2]], points[chain[-1]], points[i]) <= 0.0:
                chain.pop()
            chain.append(i)
        return chain

    lower, upper = half(order), half(order[::-1])
    return np.array(lower[:-1] + upper[:-1] or order[:1], dtype=np.int64)


def beyond(points: Floats, targets: Floats) -> Floats:
    """How far points (m, 3) lie outside the targets (n, 3), m: in plan from their hull, in height from their range; 0 inside."""
    corners = targets[plan_hull(targets), :2]
    start, end = corners, np.roll(corners, -1, axis=0)
    edge = end - start
    arm = points[:, None, :2] - start
    length2 = np.maximum(np.sum(edge**2, axis=1), 1e-30)
    share = np.clip(np.einsum("mkj,kj->mk", arm, edge) / length2, 0.0, 1.0)
    away = np.linalg.norm(arm - share[:, :, None] * edge, axis=2).min(axis=1)
    inside = (
        np.all(edge[:, 0] * arm[:, :, 1] - edge[:, 1] * arm[:, :, 0] >= 0.0, axis=1)
        if len(corners) > 2
        else False
    )
    above = np.maximum(points[:, 2] - targets[:, 2].max(), targets[:, 2].min() - points[:, 2])
    return np.asarray(np.hypot(np.where(inside, 0.0, away), np.maximum(above, 0.0)))


def _turn(a: Floats, b: Floats, c: Floats) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))

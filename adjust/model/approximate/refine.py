"""All readings in the plane at once: Gauss-Newton with weights that let go of what does not fit.

Weights go from Huber (min(1, 1/|u|)) to Cauchy (1/(1 + u²)), so that a wrong reading first loses its lever
and then its voice. u is the misfit over a nominal one, not over sigma: coordinates to start from are wanted,
not estimates. Small networks use a dense normal matrix; larger ones conjugate gradients, whose cost grows
with the readings only.
"""

from __future__ import annotations

import numpy as np

from ...ground.table import Floats, Ints
from .consensus import Frame
from .readings import COMPASS, Readings

DENSE = 700  # unknowns up to which a dense normal matrix is the quicker way
NOMINAL_RAY, NOMINAL_LENGTH, NOMINAL_NEAR = 5e-4, 5e-4, 0.01
STRONG = ("huber",) * 5 + ("cauchy",) * 4  # for coordinates that a wrong reading may have led astray
GENTLE = ("cauchy",) * 4  # for coordinates on which most readings agree already


def refine(readings: Readings, frame: Frame, rounds: tuple[str, ...] = GENTLE, tied: bool = True) -> None:
    """Improve points and orientations of the frame in place, robustly; `tied` False leaves the compass
    free.
    """
    rays, lengths = readings.rays, readings.lengths
    known = np.array([p is not None for p in frame.points])
    turned = np.array([o is not None for o in frame.orientations])
    p = np.array([(0.0, 0.0) if q is None else q for q in frame.points]).reshape(-1, 2)
    middle = p[known].mean(axis=0) if known.any() else np.zeros(2)
    p = p - middle
    turn: Floats = np.array([0.0 if o is None else o for o in frame.orientations])
    i, j, g = (np.array(c, dtype=np.int64) for c in (rays.start, rays.end, rays.group))
    ray = known[i] & known[j] & turned[g]
    ray[list(frame.without_rays)] = False
    i, j, g = i[ray], j[ray], g[ray]
    r = np.array(rays.value)[ray]
    loose = np.array(rays.tolerance)[ray] / 8
    a, b = np.array(lengths.a, dtype=np.int64), np.array(lengths.b, dtype=np.int64)
    span = known[a] & known[b] if frame.scaled else np.zeros(len(a), dtype=bool)
    span[list(frame.without_lengths)] = False
    a, b, s = a[span], b[span], np.array(lengths.value)[span]
    slack = np.array(lengths.tolerance)[span] / 8

    free = known & ~np.array(frame.fixed)
    column = np.full(len(p), -1)
    column[free] = 2 * np.arange(free.sum())
    turning = turned.copy()
    turning[COMPASS] = turned[COMPASS] and not tied
    turn_column = np.full(len(turn), -1)
    turn_column[turning] = 2 * free.sum() + np.arange(turning.sum())
    n = int(2 * free.sum() + turning.sum())
    if n == 0 or len(r) + len(s) == 0:
        return
    columns = _columns(column, turn_column, i, j, g, a, b)
    before = np.inf
    for kind in rounds:
        e, nn = (p[j] - p[i]).T
        d = np.hypot(e, nn) + 1e-9
        off = (np.arctan2(e, nn) - r - turn[g] + np.pi) % (2 * np.pi) - np.pi
        fe, fn = (p[b] - p[a]).T
        f = np.hypot(fe, fn) + 1e-9
        nominal_ray = d * (NOMINAL_RAY + loose) + NOMINAL_NEAR
        nominal_length = f * NOMINAL_LENGTH + slack + NOMINAL_NEAR
        u = np.concatenate([off * d / nominal_ray, (f - s) / nominal_length])
        w = 1.0 / np.maximum(np.abs(u), 1.0) if kind == "huber" else 1.0 / (1.0 + u * u)
        across_e, across_n, minus_d = nn / d / nominal_ray, -e / d / nominal_ray, -d / nominal_ray
        zero = np.zeros(len(f))
        along_e, along_n = fe / f / nominal_length, fn / f / nominal_length
        rows = np.concatenate(
            [
                np.stack([-across_e, -across_n, across_e, across_n, minus_d], axis=1),
                np.stack([-along_e, -along_n, along_e, along_n, zero], axis=1),
            ]
        )
        rows[columns < 0] = 0.0
        step = least_squares(np.where(columns < 0, 0, columns), rows, w, -u, n)
        p[free] += step[: 2 * free.sum()].reshape(-1, 2)
        turn[turning] += step[2 * free.sum() :]
        largest = float(np.abs(step).max())
        if kind == "cauchy" and largest < 1e-3 and before < 1e-2:
            break
        before = largest
    p = p + middle
    for mark in np.flatnonzero(free).tolist():
        frame.points[mark] = (float(p[mark, 0]), float(p[mark, 1]))
    for group in np.flatnonzero(turning).tolist():
        frame.orientations[group] = float(turn[group])


def _columns(column: Ints, turn_column: Ints, i: Ints, j: Ints, g: Ints, a: Ints, b: Ints) -> Ints:
    """Which unknowns each reading leans on: from (east, north), to (east, north), orientation; −1 for
    none.
    """

    def two(mark: Ints) -> Ints:
        first = column[mark]
        return np.stack([first, np.where(first < 0, -1, first + 1)], axis=1)

    rays = np.concatenate([two(i), two(j), turn_column[g][:, None]], axis=1)
    lengths = np.concatenate([two(a), two(b), np.full((len(a), 1), -1)], axis=1)
    return np.concatenate([rays, lengths])


def least_squares(columns: Ints, rows: Floats, w: Floats, u: Floats, n: int) -> Floats:
    """The step of weighted least squares, with a faint hold on everything so that a free datum does no
    harm.
    """
    weighted = rows * w[:, None]
    flat = columns.ravel()
    right = _sums(flat, weighted * u[:, None], n)
    diagonal = _sums(flat, weighted * rows, n)
    hold = 1e-7 * diagonal + 1e-9 * diagonal.max(initial=1e-3)
    if n <= DENSE:
        where = (columns[:, :, None] * n + columns[:, None, :]).ravel()
        products = (weighted[:, :, None] * rows[:, None, :]).ravel()
        normal = np.bincount(where, weights=products, minlength=n * n).reshape(n, n)
        return np.linalg.solve(normal + np.diag(hold), right).astype(np.float64)
    scale: Floats = 1.0 / (diagonal + hold)
    x: Floats = np.zeros(n)
    rest: Floats = right.copy()
    z: Floats = scale * rest
    along: Floats = z.copy()
    size = first = float(rest @ z)
    for _ in range(150):
        image = hold * along + _sums(flat, weighted * np.einsum("ij,ij->i", rows, along[columns])[:, None], n)
        t = size / float(along @ image)
        x = x + t * along
        rest = rest - t * image
        z = scale * rest
        new = float(rest @ z)
        if new < 1e-8 * first or new == 0.0:
            break
        along = z + (new / size) * along
        size = new
    return x


def _sums(where: Ints, values: Floats, n: int) -> Floats:
    """Sums of values that belong to the same unknown."""
    return np.bincount(where, weights=values.ravel(), minlength=n).astype(np.float64)

"""Normal equations AᵀA x = Aᵀl: multifrontal Cholesky and the selected inverse on its pattern.

The selected inverse (Takahashi, Fagan and Chin 1973; from memory) gives every entry of (AᵀA)⁻¹ on the pattern of the
factor, so the covariance of all unknowns that stand in one equation comes without a dense inverse.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np

from ..ground.table import Floats, Ints
from .pattern import Inverse, Numbers, Pattern
from .rows import Rows, diagonal

PIVOT_LIMIT = (
    1e-11  # a pivot this small against its diagonal: the unknown is not determined (rounding is 1e-16)
)


class Defect(Exception):  # noqa: N818
    """The normal matrix is singular. `vectors` (n, k): how the unknowns can move without any equation noticing."""

    def __init__(self, vectors: Floats) -> None:
        self.vectors = vectors
        super().__init__(f"{vectors.shape[1]} combinations of unknowns are not determined")


class Factor:
    """AᵀA = LLᵀ, with solves and entries of the inverse. Columns are scaled to a unit diagonal first."""

    def __init__(self, pattern: Pattern, rows: list[Rows], ridge: float = 0.0) -> None:
        self.pattern = pattern
        self.rows = rows
        scale = diagonal(rows, pattern.n)
        empty = scale <= 0.0
        self.scale = 1.0 / np.sqrt(np.where(empty, 1.0, scale))
        try:
            self.numbers: Numbers = pattern.factored(rows, self.scale, ridge)
            singular = self.numbers.smallest_pivot < PIVOT_LIMIT
        except np.linalg.LinAlgError:
            if ridge:
                raise
            singular = True
        if (singular or empty.any()) and not ridge:
            raise Defect(_null_space(pattern, rows))

    def solve(self, right: Floats) -> Floats:
        """x with AᵀA x = right; right (n,) or (n, k)."""
        x = self._permuted(right[:, None] if right.ndim == 1 else right)
        self.numbers.forward(x)
        self.numbers.backward(x)
        out = x[self.pattern.permutation] * self.scale[:, None]
        return out[:, 0] if right.ndim == 1 else out

    def half(self, right: Floats, places: Ints | None = None) -> Floats:
        """y with yᵀy = rightᵀ(AᵀA)⁻¹right, (·, k): half the work of `solve`, and only where it is not zero.

        right (n, k), or (len(places), k) for some distinct unknowns, the others being 0: what touches a few unknowns then costs
        their way to the root alone.
        """
        if places is None:
            x = self._permuted(right)
            self.numbers.forward(x)
            return x[:-1]
        return self.numbers.half(places, right * self.scale[places, None])

    def _permuted(self, right: Floats) -> Floats:
        """Scaled and in the order of elimination, (n + 1, k): a zero behind."""
        x = np.zeros((self.pattern.n + 1, right.shape[1]))
        x[self.pattern.permutation] = right * self.scale[:, None]
        return x

    def release(self) -> None:
        """Gives the storage of the fronts back to the pattern, for the next factor; nothing more can be asked for."""
        if "inverse" not in self.__dict__:
            self.numbers.release()

    @cached_property
    def inverse(self) -> Inverse:
        """The selected inverse, made when first asked for."""
        return self._selected()

    def _selected(self) -> Inverse:
        return self.numbers.selected()

    def entries(self, i: Ints, j: Ints) -> Floats:
        """(AᵀA)⁻¹ at (i, j), of one shape; NaN where it does not lie on the pattern."""
        at, found = self.pattern.located(i, j)
        values = self.inverse.flat[at] * self.scale[i] * self.scale[j]
        return np.where(found, values, np.nan)

    def block(self, columns: Ints) -> Floats:
        """(AᵀA)⁻¹ among the unknowns of every row of columns, (m, w, w), 0 where padded; rows as those of the pattern."""
        there = columns >= 0
        both = there[:, :, None] & there[:, None, :]
        i = np.broadcast_to(columns[:, :, None], both.shape)[both]
        j = np.broadcast_to(columns[:, None, :], both.shape)[both]
        out = np.zeros(both.shape)
        out[both] = self.entries(i, j)
        return out

    def query(self, k: int, columns: Ints, rows: slice = slice(None)) -> Floats:
        """As `block`, of the k-th query of the pattern (or of some of its rows), whose columns these are."""
        s = np.append(self.scale, 0.0)[columns]
        return np.asarray(self.inverse.queries[k][rows] * s[:, :, None] * s[:, None, :])


def _null_space(pattern: Pattern, rows: list[Rows]) -> Floats:
    """Combinations of unknowns that no equation sees, (n, k), by subspace iteration on the ridged matrix."""
    try:
        factor = Factor(pattern, rows, ridge=1e-9)
    except np.linalg.LinAlgError:  # not even ridged: give up on directions, name nothing
        return np.zeros((pattern.n, 0))
    width = min(pattern.n, 12)
    x = np.random.default_rng(1).standard_normal((pattern.n, width))
    for _ in range(6):
        x = factor.solve(x / factor.scale[:, None]) / factor.scale[:, None]
        x, _r = np.linalg.qr(x)
    # Rayleigh quotients in the scaled metric
    gram = np.zeros((width, width))
    for r in rows:
        ax = r.times(x * factor.scale[:, None])
        gram += ax.T @ ax
    values, vectors = np.linalg.eigh(gram)
    chosen = values < 1e-8
    return np.asarray((x @ vectors[:, chosen]) * factor.scale[:, None])

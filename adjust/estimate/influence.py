"""What a few sparse right sides do to the unknowns, wherever that may matter, without a whole column of the inverse.

For x = (AᵀA)⁻¹r with r near one place, x fades with distance. The forward solution runs up the fronts above r alone. On the
way back a front with boundary B is entered only if something behind it may matter: x there depends on x_B alone, so by
Cauchy and Schwarz no unknown behind it moves by more than

    √(x_Bᵀ Q_BB⁻¹ x_B)

of its standard deviations. So what is left out is known to be small, and the work grows with what is reached.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .batches import Batch
from .normals import Factor

AT_ONCE = 32  # right sides that are solved together


@dataclass(frozen=True)
class Reached:
    """right (k,) which right sides; unknown (v,) what was reached; moved (v, k): |x| in standard deviations."""

    right: Ints
    unknown: Ints
    moved: Floats


class Influence:
    """Solves for where right sides matter; the tree of a factor's fronts, found once."""

    def __init__(self, factor: Factor) -> None:
        self.factor = factor
        pattern = factor.pattern
        n = pattern.n
        self._unknown = np.empty(n, dtype=np.int64)
        self._unknown[pattern.permutation] = np.arange(n)
        self._front = np.full(n + 1, -1)
        for b in pattern.batches:
            self._front[b.scalars[:, : b.pivots]] = (b.first + np.arange(b.count))[:, None]
        self._front[n] = -1

    @cached_property
    def _parent(self) -> Ints:
        """The front that takes up the boundary of each; −1 for a root."""
        batches = self.factor.pattern.batches
        parent = np.full(sum(b.count for b in batches), -1)
        for b in batches:
            if (
                b.size > b.pivots
            ):  # of its boundary the unknown that is eliminated first; padded ones come last
                parent[b.first : b.first + b.count] = self._front[b.scalars[:, b.pivots :].min(axis=1)]
        return parent

    def of(self, columns: Ints, values: Floats, limit: Floats) -> Iterator[Reached]:
        """Right sides Σ values·e_columns, (k, w), −1 padded: every unknown that one moves by more than its `limit` (k,).

        Others may be among them; `moved` is exact for all that are.
        """
        n = self.factor.pattern.n
        place = np.append(self.factor.pattern.permutation, n)[columns]
        order = np.argsort(place.min(axis=1, initial=n), kind="stable")  # neighbours share their way up
        for at in range(0, len(order), AT_ONCE):
            part = order[at : at + AT_ONCE]
            yield self._reached(part, columns[part], values[part], limit[part])

    def _forward(self, unknown: Ints, column: Ints, value: Floats, k: int) -> tuple[Floats, Flags]:
        """L⁻¹ of k sparse right sides in the order of elimination, (n + 1, k), and the fronts above them."""
        factor, pattern = self.factor, self.factor.pattern
        n, place = pattern.n, pattern.permutation[unknown]
        x = np.zeros((n + 1, k))  # mostly never touched, so mostly no memory
        np.add.at(x, (place, column), value * factor.scale[unknown])
        parent = self._parent
        above = np.zeros(len(parent) + 1, dtype=bool)  # the last one stands for no front
        above[self._front[place]] = True
        above[-1] = False
        for b, (inverse, W) in zip(pattern.batches, factor._solved, strict=True):
            f = np.flatnonzero(above[b.first : b.first + b.count])
            if not len(f):
                continue
            own, outer = b.scalars[f, : b.pivots], b.scalars[f, b.pivots :]
            y = inverse[f] @ x[own]
            x[own] = y
            if b.size > b.pivots:
                np.subtract.at(x, outer, W[f].transpose(0, 2, 1) @ y)
                above[parent[b.first + f]] = True
                above[-1] = False
            x[n] = 0.0
        return x, above

    def _reached(self, right: Ints, columns: Ints, values: Floats, limit: Floats) -> Reached:
        factor, pattern = self.factor, self.factor.pattern
        n, parent = pattern.n, self._parent
        i, j = np.nonzero(columns >= 0)
        x, above = self._forward(columns[i, j], i, values[i, j], len(right))
        entered = above.copy()
        found: list[Ints] = []
        for b, (inverse, W) in zip(reversed(pattern.batches), reversed(factor._solved), strict=True):
            here = slice(b.first, b.first + b.count)
            below = np.flatnonzero(entered[parent[here]] & ~above[here])
            if len(below):
                entered[b.first + below[self._matters(b, below, x, limit)]] = True
            f = np.flatnonzero(entered[here])
            if not len(f):
                continue
            own, outer = b.scalars[f, : b.pivots], b.scalars[f, b.pivots :]
            y = x[own]
            if b.size > b.pivots:
                y = y - W[f] @ x[outer]
            x[own] = inverse[f].transpose(0, 2, 1) @ y
            x[n] = 0.0
            found.append(own[own < n])
        places = np.concatenate([*found, np.zeros(0, dtype=np.int64)])
        unknown = self._unknown[places]
        moved = np.abs(x[places]) / np.sqrt(factor.inverse.diagonal[unknown])[:, None]
        return Reached(right, unknown, moved)

    def _matters(self, b: Batch, fronts: Ints, x: Floats, limit: Floats) -> Flags:
        """Which fronts of a batch may hold an unknown that is moved by more than the limit."""
        outer = b.scalars[fronts, b.pivots :]
        at_boundary = x[outer]
        size = np.sqrt(np.einsum("fbk,fbk->fk", at_boundary, at_boundary))
        some = np.flatnonzero((size > 0.0).any(axis=1))
        out = np.zeros(len(fronts), dtype=bool)
        if not len(some):
            return out
        at_boundary, gone = at_boundary[some], outer[some] == self.factor.pattern.n
        f = fronts[some]
        inside = b.to_parent[f]
        low = np.minimum(inside[:, :, None], inside[:, None, :])
        high = np.maximum(inside[:, :, None], inside[:, None, :])
        places = b.target[f][:, None, None] + low * b.stride[f][:, None, None] + high
        Q = self.factor.inverse.flat[places]
        Q[gone[:, :, None] | gone[:, None, :]] = 0.0
        diagonal = np.einsum("fbb->fb", Q)
        diagonal[gone] = 1.0
        try:
            solved = np.linalg.solve(Q, at_boundary)
        except np.linalg.LinAlgError:
            return np.ones(len(fronts), dtype=bool)
        bound = np.einsum("fbk,fbk->fk", at_boundary, solved)
        out[some] = np.any(~(bound <= limit**2), axis=1) | np.any(bound < 0.0, axis=1)
        return out

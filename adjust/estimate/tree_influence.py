"""`influence` on a tree of fronts, by compiled loops."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .influence import AT_ONCE, Reached
from .loops.reach import children, reached
from .normals import Factor
from .tree import Tree
from .tree_numbers import TreeNumbers


class TreeInfluence:
    """See `influence.Influence`."""

    def __init__(self, factor: Factor, wanted: Flags | None = None) -> None:
        assert isinstance(factor.pattern, Tree)
        assert isinstance(factor.numbers, TreeNumbers)
        self.factor, self.tree, self.U = factor, factor.pattern, factor.numbers.U
        t = self.tree.fronts
        self._unknown = np.empty(self.tree.n, dtype=np.int64)
        self._unknown[self.tree.permutation] = np.arange(self.tree.n)
        self._largest = int((t.pivots + np.diff(t.start)).max(initial=1))
        asked = np.ones(len(t.first), dtype=bool)
        if wanted is not None:
            asked = np.bincount(self.tree.front[self.tree.permutation[wanted]], minlength=len(asked)) > 0
        self._child, self._sibling = children(t.parent, asked)

    def harmless(self, columns: Ints, values: Floats, limit: Floats) -> Flags:
        """As `Influence.harmless`; nothing is proved, since a way to the root costs less than the proof."""
        return np.zeros(len(columns), dtype=bool)

    def of(self, columns: Ints, values: Floats, limit: Floats) -> Iterator[Reached]:
        """As `Influence.of`."""
        n = self.tree.n
        place = np.append(self.tree.permutation, n)[columns]
        order = np.argsort(place.min(axis=1, initial=n), kind="stable")  # neighbours share their way up
        for at in range(0, len(order), AT_ONCE):
            part = order[at : at + AT_ONCE]
            yield self._reached(part, columns[part], values[part], limit[part])

    def _reached(self, right: Ints, columns: Ints, values: Floats, limit: Floats) -> Reached:
        t = self.tree.fronts
        i, j = np.nonzero(columns >= 0)
        unknown = columns[i, j]
        place = self.tree.permutation[unknown]
        x = np.zeros((self.tree.n + 1, len(right)))  # mostly never touched, so mostly no memory
        np.add.at(x, (place, i), values[i, j] * self.factor.scale[unknown])
        inverse = self.factor.inverse
        fronts = reached(
            x,
            place,
            limit,
            t,
            self.tree.front,
            self._child,
            self._sibling,
            self.U,
            inverse.flat,
            self._largest,
        )
        count = t.pivots[fronts].astype(np.int64)
        ends = np.cumsum(count)
        places = np.arange(int(ends[-1]) if len(ends) else 0) + np.repeat(
            t.first[fronts] - ends + count, count
        )
        unknown = self._unknown[places]
        return Reached(right, unknown, np.abs(x[places]) / np.sqrt(inverse.diagonal[unknown])[:, None])

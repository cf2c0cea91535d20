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
from typing import TYPE_CHECKING

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .batched import Batched
from .batches import Batch
from .normals import Factor
from .rounds import Rounds

if TYPE_CHECKING:
    from .tree_influence import TreeInfluence

AT_ONCE = 32  # right sides that are solved together
LEVELS = 8  # fronts above its own from which a right side is tried to be proved harmless
SPARE = 0.9  # of the limit: what rounding in a covariance of near marks may not cost


@dataclass(frozen=True)
class Reached:
    """right (k,) which right sides; unknown (v,) what was reached; moved (v, k): |x| in standard deviations."""

    right: Ints
    unknown: Ints
    moved: Floats


def influence_of(factor: Factor, wanted: Flags | None = None) -> Influence | TreeInfluence:
    """Solves for where right sides matter, in the way of the factor's pattern; wanted (n,) as of Influence."""
    if isinstance(factor.pattern, Rounds):
        return Influence(factor, wanted)
    from .tree_influence import TreeInfluence

    return TreeInfluence(factor, wanted)


class Influence:
    """Solves for where right sides matter; the tree of a factor's fronts, found once.

    `wanted` (n,): unknowns that are asked for; fronts behind which there are none are passed by. None: all.
    """

    def __init__(self, factor: Factor, wanted: Flags | None = None) -> None:
        assert isinstance(factor.pattern, Rounds)
        assert isinstance(factor.numbers, Batched)
        self.factor, self.pattern, self.solved = factor, factor.pattern, factor.numbers.solved
        self._wanted = wanted
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
        batches = self.pattern.batches
        parent = np.full(sum(b.count for b in batches), -1)
        for b in batches:
            if (
                b.size > b.pivots
            ):  # of its boundary the unknown that is eliminated first; padded ones come last
                parent[b.first : b.first + b.count] = self._front[b.scalars[:, b.pivots :].min(axis=1)]
        return parent

    @cached_property
    def _asked(self) -> Flags:
        """Fronts with a wanted unknown among their pivots or in what lies behind them."""
        front, parent = self._front, self._parent
        out = np.zeros(len(parent) + 1, dtype=bool)  # the last one stands for no front
        if self._wanted is None:
            out[:-1] = True
            return out
        out[front[self.pattern.permutation[np.flatnonzero(self._wanted)]]] = True
        for b in self.pattern.batches:  # those behind come first
            here = slice(b.first, b.first + b.count)
            out[parent[here][out[here]]] = True
        out[-1] = False
        return out

    @cached_property
    def _children(self) -> tuple[Ints, Ints]:
        """Fronts behind others that are asked for, in the order of these, and where those of each begin."""
        asked = np.flatnonzero(self._asked[:-1])
        order = asked[np.argsort(self._parent[asked], kind="stable")]
        return order, np.searchsorted(self._parent[order], np.arange(len(self._parent) + 1))

    def harmless(self, columns: Ints, values: Floats, limit: Floats) -> Flags:
        """Right sides as in `of`, each within one equation, that move no wanted unknown by more than `limit`, (k,).

        Proved from their own front and a few above it, without a way to the root: x in the front of an equation is at hand in
        the selected inverse, in its parent x = Q_·B Q_BB⁻¹ x_B, and what lies beyond a boundary is bounded as above. False where
        the proof is not found, or found with less than a tenth to spare.
        """
        walk = _Walk(self, (SPARE * limit) ** 2)
        walk.begin(columns, values)
        for _ in range(LEVELS):
            if not walk.fronts:
                break
            walk.up()
        walk.safe[list(walk.fronts)] = False
        return walk.safe

    def of(self, columns: Ints, values: Floats, limit: Floats) -> Iterator[Reached]:
        """Right sides Σ values·e_columns, (k, w), −1 padded: every unknown that one moves by more than its `limit` (k,).

        Others may be among them; `moved` is exact for all that are.
        """
        n = self.pattern.n
        place = np.append(self.pattern.permutation, n)[columns]
        order = np.argsort(place.min(axis=1, initial=n), kind="stable")  # neighbours share their way up
        for at in range(0, len(order), AT_ONCE):
            part = order[at : at + AT_ONCE]
            yield self._reached(part, columns[part], values[part], limit[part])

    def _forward(self, unknown: Ints, column: Ints, value: Floats, k: int) -> tuple[Floats, Flags]:
        """L⁻¹ of k sparse right sides in the order of elimination, (n + 1, k), and the fronts above them."""
        factor, pattern = self.factor, self.pattern
        n, place = pattern.n, pattern.permutation[unknown]
        x = np.zeros((n + 1, k))  # mostly never touched, so mostly no memory
        np.add.at(x, (place, column), value * factor.scale[unknown])
        parent = self._parent
        above = np.zeros(len(parent) + 1, dtype=bool)  # the last one stands for no front
        above[self._front[place]] = True
        above[-1] = False
        for b, (inverse, W) in zip(pattern.batches, self.solved, strict=True):
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
        factor, pattern = self.factor, self.pattern
        n, parent = pattern.n, self._parent
        i, j = np.nonzero(columns >= 0)
        x, above = self._forward(columns[i, j], i, values[i, j], len(right))
        entered, asked = above.copy(), self._asked
        found: list[Ints] = []
        for b, (inverse, W) in zip(reversed(pattern.batches), reversed(self.solved), strict=True):
            here = slice(b.first, b.first + b.count)
            below = np.flatnonzero(entered[parent[here]] & ~above[here] & asked[here])
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
        at_boundary = x[b.scalars[fronts, b.pivots :]]
        size = np.sqrt(np.einsum("fbk,fbk->fk", at_boundary, at_boundary))
        some = np.flatnonzero((size > 0.0).any(axis=1))
        out = np.zeros(len(fronts), dtype=bool)
        if not len(some):
            return out
        at_boundary = at_boundary[some]
        try:
            solved = np.linalg.solve(self._outer(b, fronts[some]), at_boundary)
        except np.linalg.LinAlgError:
            return np.ones(len(fronts), dtype=bool)
        bound = np.einsum("fbk,fbk->fk", at_boundary, solved)
        out[some] = np.any(~(bound <= limit**2), axis=1) | np.any(bound < 0.0, axis=1)
        return out

    def _outer(self, b: Batch, fronts: Ints) -> Floats:
        """Q_BB of some fronts of a batch (numbered within it), (f, b, b); 1 on the diagonal where padded."""
        gone = b.scalars[fronts, b.pivots :] == self.pattern.n
        inside = b.to_parent[fronts]
        low = np.minimum(inside[:, :, None], inside[:, None, :])
        high = np.maximum(inside[:, :, None], inside[:, None, :])
        places = b.target[fronts][:, None, None] + low * b.stride[fronts][:, None, None] + high
        Q: Floats = self.factor.inverse.flat[places]
        Q[gone[:, :, None] | gone[:, None, :]] = 0.0
        np.einsum("fbb->fb", Q)[gone] = 1.0
        return Q

    def _rows(self, b: Batch, fronts: Ints, at: Ints) -> Floats:
        """Rows `at` (f, r) of whole fronts of the inverse, (f, r, size)."""
        p, s = b.pivots, b.size
        there = np.arange(s)
        if not b.leaf:
            low = np.minimum(at[:, :, None], there)
            high = np.maximum(at[:, :, None], there)
            start = b.start + fronts[:, None, None] * s * s
            return np.asarray(self.factor.inverse.flat[start + low * s + high])
        whole = np.empty((len(fronts), s, s))
        kept = self.factor.inverse.flat[b.start : b.start + b.count * p * s].reshape(b.count, p, s)[fronts]
        whole[:, :p], whole[:, p:, :p] = kept, kept[:, :, p:].transpose(0, 2, 1)
        whole[:, p:, p:] = self._outer(b, fronts)
        return np.take_along_axis(whole, at[:, :, None], axis=1)


class _Walk:
    """Right sides on their way up, each at one front, until nothing beyond it can matter. `bound` (k,): squares."""

    def __init__(self, influence: Influence, bound: Floats) -> None:
        self._of, self._bound = influence, bound
        self.safe = np.ones(len(bound), dtype=bool)
        self.fronts: dict[int, int] = {}  # of each that is not done: where it stands
        self._x: dict[int, Floats] = {}
        pattern = influence.pattern
        self._first = np.array([b.first for b in pattern.batches])
        diagonal, wanted = influence.factor.inverse.diagonal, influence._wanted
        if wanted is not None:  # what is not asked for may move as it likes
            diagonal = np.where(wanted, diagonal, np.inf)
        self._variance = np.full(pattern.n + 1, np.inf)
        self._variance[pattern.permutation] = diagonal

    def _grouped(self, fronts: Ints) -> Iterator[tuple[Batch, Ints, Ints]]:
        """Batch, which of the fronts belong to it, and their numbers within it."""
        number = np.searchsorted(self._first, fronts, side="right") - 1
        for i in np.unique(number).tolist():
            mine = np.flatnonzero(number == i)
            batch = self._of.pattern.batches[i]
            yield batch, mine, fronts[mine] - batch.first

    def begin(self, columns: Ints, values: Floats) -> None:
        """Each at the front of its equation, with x of all that stand there."""
        factor, n = self._of.factor, self._of.pattern.n
        place = np.append(self._of.pattern.permutation, n)[columns]
        weight = values * np.append(factor.scale, 0.0)[columns]
        home = self._of._front[place.min(axis=1, initial=n)]
        for batch, mine, f in self._grouped(home):
            here = batch.scalars[f]
            at = np.argmax(here[:, None, :] == place[mine][:, :, None], axis=2)
            x = np.einsum("kw,kws->ks", weight[mine], self._of._rows(batch, f, at))
            x[here == n] = 0.0
            self._arrive(batch, mine, f, x, np.full(len(mine), -1))

    def up(self) -> None:
        """One level: what is not done goes to its parents, unless nothing behind their boundary can matter."""
        which = np.array(list(self.fronts), dtype=np.int64)
        fronts = np.array(list(self.fronts.values()), dtype=np.int64)
        parents: list[tuple[int, int, Ints, Floats]] = []
        for batch, mine, f in self._grouped(fronts):
            p = batch.pivots
            x = np.stack([self._x[k][p:] for k in which[mine].tolist()])
            solved, bound = self._bounded(self._of._outer(batch, f), x)
            beyond = ~(bound <= self._bound[which[mine]]) & (self._of._parent[fronts[mine]] >= 0)
            for k in which[mine[~beyond]].tolist():
                del self.fronts[k]
            for j in np.flatnonzero(beyond).tolist():
                k = int(which[mine[j]])
                there = batch.scalars[f[j], p:] < self._of.pattern.n
                parents.append((k, self.fronts[k], batch.to_parent[f[j]][there], solved[j][there]))
        target = self._of._parent[np.array([front for _, front, _, _ in parents], dtype=np.int64)]
        for batch, mine, f in self._grouped(target):
            width = max(len(parents[j][2]) for j in mine.tolist())
            at, y = np.zeros((len(mine), width), dtype=np.int64), np.zeros((len(mine), width))
            for i, j in enumerate(mine.tolist()):
                at[i, : len(parents[j][2])], y[i, : len(parents[j][2])] = parents[j][2:]
            x = np.einsum("kw,kws->ks", y, self._of._rows(batch, f, at))
            x[batch.scalars[f] == self._of.pattern.n] = 0.0
            which = np.array([parents[j][0] for j in mine.tolist()])
            self._arrive(batch, which, f, x, np.array([parents[j][1] for j in mine.tolist()]))

    def _arrive(self, batch: Batch, which: Ints, f: Ints, x: Floats, came_from: Ints) -> None:
        good = self._looked(batch, which, f, x, came_from)
        self.safe[which[~good]] = False
        for j, k in enumerate(which.tolist()):
            if good[j]:
                self.fronts[k], self._x[k] = int(f[j] + batch.first), x[j]
            else:
                self.fronts.pop(k, None)

    def _looked(self, batch: Batch, which: Ints, f: Ints, x: Floats, came_from: Ints) -> Flags:
        """Whether nothing moves too far among the pivots of fronts, and in what lies behind them but where one came from."""
        p, n = batch.pivots, self._of.pattern.n
        largest = np.max(x[:, :p] ** 2 / self._variance[batch.scalars[f, :p]], axis=1, initial=0.0)
        good: Flags = largest <= self._bound[which]
        order, begins = self._of._children
        pairs = [
            (j, c)
            for j, front in enumerate((f + batch.first).tolist())
            for c in order[begins[front] : begins[front + 1]].tolist()
            if c != came_from[j] and good[j]
        ]
        if not pairs:
            return good
        owner, child = np.array(pairs).T
        for b, mine, at in self._grouped(child):
            there = b.scalars[at, b.pivots :] < n
            behind = np.where(there, np.take_along_axis(x[owner[mine]], b.to_parent[at], axis=1), 0.0)
            solved, bound = self._bounded(self._of._outer(b, at), behind)
            good[owner[mine[~np.isfinite(bound)]]] = False
            deeper = np.flatnonzero(~(bound <= self._bound[which[owner[mine]]]) & good[owner[mine]])
            if not len(deeper):
                continue
            mine, at, y = mine[deeper], at[deeper], solved[deeper]
            outer = np.broadcast_to(np.arange(b.pivots, b.size), y.shape)
            inside = np.einsum("kw,kws->ks", y, self._of._rows(b, at, outer))
            inside[b.scalars[at] == n] = 0.0
            fine = self._looked(b, which[owner[mine]], at, inside, np.full(len(mine), -1))
            good[owner[mine[~fine]]] = False
        return good

    @staticmethod
    def _bounded(Q: Floats, x: Floats) -> tuple[Floats, Floats]:
        """Q⁻¹x (k, b) and xᵀQ⁻¹x (k,), which is infinite where it can't be told."""
        try:
            solved = np.asarray(np.linalg.solve(Q, x[:, :, None])[:, :, 0], dtype=np.float64)
        except np.linalg.LinAlgError:
            return np.zeros(x.shape), np.full(len(x), np.inf)
        bound: Floats = np.einsum("kb,kb->k", x, solved)
        bound[~(bound >= 0.0)] = np.inf
        return solved, bound

"""The numbers on a tree of fronts: factor, solutions and selected inverse by compiled loops."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .loops import factor as down
from .loops import inverse as up
from .loops.arrays import BEHIND, Room, padded
from .pattern import Inverse
from .rows import Rows
from .shared import Run, at_once

if TYPE_CHECKING:
    from .tree import Tree

MANY = 20_000  # rows that are worth a second thread
LARGE = 192  # size of fronts above which BLAS beats compiled loops


@dataclass(frozen=True)
class Desk:
    """What each thread has to itself: the stack of frames, scratch."""

    stack: Floats
    room: Room


@dataclass(frozen=True)
class Buffers:
    """Room that one factor after the other uses: coefficients, rows of U, two desks."""

    vals: Floats
    U: Floats
    desks: tuple[Desk, Desk]

    @classmethod
    def of(cls, tree: Tree) -> Buffers:
        widest = int(np.diff(tree.lines.at).max(initial=1))
        coefficients, kept = int(tree.lines.begin[-1]), int(tree.fronts.kept[-1])
        one = Desk(np.zeros(tree.deep + BEHIND), Room.of(tree.n, widest, LARGE))
        both = bool(tree.shares.subtrees)
        other = Desk(np.zeros(tree.deep + BEHIND), Room.of(tree.n, widest, LARGE)) if both else one
        return cls(np.zeros(coefficients + BEHIND), np.empty(kept), (one, other))


class TreeNumbers:
    """See `pattern.Numbers`."""

    def __init__(self, tree: Tree, rows: list[Rows], scale: Floats, ridge: float) -> None:
        self.tree, self.rows, self.scale = tree, rows, scale
        self.buffers = tree.spare.pop() if tree.spare else Buffers.of(tree)
        self.U = self.buffers.U
        self.buffers.vals[:] = 0.0
        lone = np.zeros(tree.n)
        for r, place in zip(rows, tree.place, strict=True):
            if place is None and r.columns.shape[1]:
                down.alone(lone, r.values, r.columns, scale, tree.permutation)
            elif place is not None:
                self._gather(r, place, scale)
        self.smallest_pivot = np.inf
        self._factor(lone, ridge)

    def _gather(self, r: Rows, place: Ints, scale: Floats) -> None:
        """Scaled coefficients put into their lines."""

        def half(which: int) -> None:
            middle = len(place) // 2
            part = slice(0, middle) if which == 0 else slice(middle, None)
            down.gathered(self.buffers.vals, r.values[part], r.columns[part], scale, place[part])

        at_once(half, len(place) > MANY)

    def _factor(self, lone: Floats, ridge: float) -> None:
        t, b, shares = self.tree, self.buffers, self.tree.shares
        begun = np.zeros(len(t.every), dtype=bool)
        left: dict[int, Floats] = {}  # what the root of each subtree leaves
        smallest = [np.inf, np.inf]

        def down_(run: Run, desk: Desk, apart: bool) -> float:
            low, high, large = run
            least = down.factored(
                low, high, not large, apart, t.fronts, begun, t.lines, b.vals, lone, ridge, b.U, desk.stack, desk.room
            )  # fmt: skip
            if least < 0.0:
                raise np.linalg.LinAlgError("not positive definite")
            return self._large(low, begun, desk, apart) if large else float(least)

        def half(which: int) -> None:
            desk = b.desks[which]
            for k in shares.halves[which]:
                for run in shares.subtrees[k]:
                    at_root = run[1] - 1 == shares.root[k]
                    smallest[which] = min(smallest[which], down_(run, desk, at_root))
                f, p, s = self._shape(shares.root[k])
                left[k] = self._frame(f, desk)[p:s, p:s].copy()

        if shares.subtrees:
            at_once(half)
        for step in shares.above:
            for k in step.under:
                self._hand_up(shares.root[k], left[k], begun, b.desks[0])
            smallest[0] = min(smallest[0], down_(step.run, b.desks[0], False))
        self.smallest_pivot = min(smallest)

    def _hand_up(self, f: int, rest: Floats, begun: Flags, desk: Desk) -> None:
        """What front f leaves, (b, b), added to the one above it."""
        t = self.tree.fronts
        g = int(t.parent[f])
        above = self._frame(g, desk)
        if not begun[g]:
            above[:] = 0.0
            begun[g] = True
        down.handed_up(rest, 0, len(rest), above, t.up[t.start[f] : t.start[f + 1]])

    def _large(self, f: int, begun: Flags, desk: Desk, apart: bool) -> float:
        """One front that is worth calls of BLAS, as it lies on the stack; its smallest pivot."""
        F = self._frame(f, desk)
        _, p, s = self._shape(f)
        L = np.linalg.cholesky(F[:p, :p].T)  # reads the upper triangle of F
        F[:p, :p] = L.T
        if s > p:
            F[:p, p:s] = W = np.linalg.solve(L, F[:p, p:s])
            F[p:s, p:s] -= W.T @ W
            if not apart:
                self._hand_up(f, np.ascontiguousarray(F[p:s, p:s]), begun, desk)
        down.put_away(F, p, s, self.U, self.tree.fronts.kept[f])
        return float(np.diagonal(L).min()) ** 2

    def _shape(self, f: int) -> tuple[int, int, int]:
        """A front, its pivots, its size."""
        t = self.tree.fronts
        p = int(t.pivots[f])
        return f, p, p + int(t.start[f + 1] - t.start[f])

    def _frame(self, f: int, desk: Desk) -> Floats:
        """A front where it lies on the stack, (padded, padded)."""
        w = padded(self._shape(f)[2])
        at = self.tree.fronts.frame[f]
        return desk.stack[at : at + w * w].reshape(w, w)

    def forward(self, x: Floats) -> None:
        down.forward(x, self.tree.every, self.tree.fronts, self.U)

    def backward(self, x: Floats) -> None:
        t, shares = self.tree.fronts, self.tree.shares
        for step in reversed(shares.above):
            down.backward(x, step.run[0], step.run[1], t, self.U)

        def half(which: int) -> None:
            for k in shares.halves[which]:
                down.backward(x, shares.subtrees[k][0][0], shares.root[k] + 1, t, self.U)

        if shares.subtrees:
            at_once(half)

    def half(self, unknowns: Ints, right: Floats) -> Floats:
        tree, t = self.tree, self.tree.fronts
        at = tree.permutation[unknowns]
        fronts = up.upward(at, tree.front, t.parent)
        x = np.zeros((tree.n + 1, right.shape[1]))  # mostly never touched, so mostly no memory
        x[at] = right
        down.forward(x, fronts, t, self.U)
        p = t.pivots[fronts].astype(np.int64)
        ends = np.cumsum(p)
        out: Floats = x[
            np.arange(int(ends[-1]) if len(ends) else 0) + np.repeat(t.first[fronts] - ends + p, p)
        ]
        return out

    def selected(self) -> Inverse:
        t, b, shares = self.tree, self.buffers, self.tree.shares
        Z, diagonal = np.empty(len(self.U)), np.empty(t.n)
        count = [len(r.columns) for r in self.rows]
        leverage = np.zeros(sum(count))
        answers = np.zeros(sum(m * w * w for m, w in t.asked))
        outer: dict[int, Floats] = {}  # Z_BB of the root of each subtree

        def up_(run: Run, desk: Desk, lowered: bool) -> None:
            low, high, large = run
            if large:
                self._large_inverse(low, desk, lowered)
            up.selected(
                low, high, large, lowered, t.fronts, t.lines, b.vals, t.questions, b.U, Z, diagonal, leverage, answers,
                desk.stack, desk.room,
            )  # fmt: skip

        def half(which: int) -> None:
            desk = b.desks[which]
            for k in shares.halves[which]:
                f, p, s = self._shape(shares.root[k])
                if s > p:
                    self._frame(f, desk)[p:s, p:s] = outer[k]
                for run in reversed(shares.subtrees[k]):
                    up_(run, desk, run[1] - 1 == f)

        for step in reversed(shares.above):
            up_(step.run, b.desks[0], False)
            for k in step.under:
                f = shares.root[k]
                places = t.fronts.up[t.fronts.start[f] : t.fronts.start[f + 1]]
                outer[k] = self._frame(step.run[0], b.desks[0])[places[:, None], places]
        if shares.subtrees:
            at_once(half)
        out = diagonal[t.permutation]
        parts = np.split(leverage, np.cumsum(count)[:-1])
        for r, h in zip(self.rows, parts, strict=True):
            if r.columns.shape[1] == 1:
                s = np.append(self.scale**2 * out, 0.0)
                h[:] = r.values[:, 0] ** 2 * s[r.columns[:, 0]]
        # what only the factor and its inverse need has done its part
        self.buffers = Buffers(np.empty(0), b.U, (Desk(np.empty(0), b.desks[0].room),) * 2)
        edges = np.cumsum([0, *(m * w * w for m, w in t.asked)])
        squares = [
            answers[a:z].reshape(m, w, w) for a, z, (m, w) in zip(edges, edges[1:], t.asked, strict=False)
        ]
        return Inverse(out, list(parts), squares, Z)

    def _large_inverse(self, f: int, desk: Desk, lowered: bool) -> None:
        """One front of the inverse that is worth calls of BLAS, whole, on its place on the stack."""
        t = self.tree.fronts
        A = self._frame(f, desk)
        _, p, s = self._shape(f)
        U = np.triu(
            self.U[t.kept[f] : t.kept[f] + p * s].reshape(p, s)
        )  # below the diagonal anything may stand
        X = np.linalg.inv(U[:, :p])
        A[:p, :p] = X @ X.T
        if s > p:
            at = t.up[t.start[f] : t.start[f + 1]]
            if not lowered:
                A[p:s, p:s] = self._frame(int(t.parent[f]), desk)[at[:, None], at]
            outer = A[p:s, p:s]
            Y = X @ U[:, p:]
            cross = -(Y @ outer)
            A[:p, p:s] = cross
            A[p:s, :p] = cross.T
            A[:p, :p] -= cross @ Y.T

    def release(self) -> None:
        self.tree.spare.append(self.buffers)

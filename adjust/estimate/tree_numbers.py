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

if TYPE_CHECKING:
    from .tree import Tree

LARGE = 192  # size of fronts above which BLAS beats compiled loops


@dataclass(frozen=True)
class Buffers:
    """Room that one factor after the other uses: coefficients, rows of U, the stack of frames, scratch."""

    vals: Floats
    U: Floats
    stack: Floats
    room: Room

    @classmethod
    def of(cls, tree: Tree) -> Buffers:
        widest = int(np.diff(tree.lines.at).max(initial=1))
        coefficients, kept = int(tree.lines.begin[-1]), int(tree.fronts.kept[-1])
        room = Room.of(tree.n, widest, LARGE)
        return cls(np.zeros(coefficients + BEHIND), np.empty(kept), np.zeros(tree.deep + BEHIND), room)


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
                down.gathered(self.buffers.vals, r.values, r.columns, scale, place)
        self.smallest_pivot = np.inf
        self._factor(lone, ridge)

    def _factor(self, lone: Floats, ridge: float) -> None:
        t, b = self.tree, self.buffers
        begun = np.zeros(len(t.every), dtype=bool)
        for low, high, large in t.segments:
            least = down.factored(
                low, high, not large, t.fronts, begun, t.lines, b.vals, lone, ridge, b.U, b.stack, b.room
            )
            if least < 0.0:
                raise np.linalg.LinAlgError("not positive definite")
            if large:
                least = self._large(low, begun)
            self.smallest_pivot = min(self.smallest_pivot, least)

    def _large(self, f: int, begun: Flags) -> float:
        """One front that is worth calls of BLAS, as it lies on the stack; its smallest pivot."""
        t = self.tree.fronts
        F, p = self._frame(f), int(t.pivots[f])
        s = p + int(t.start[f + 1] - t.start[f])
        L = np.linalg.cholesky(F[:p, :p].T)  # reads the upper triangle of F
        F[:p, :p] = L.T
        if s > p:
            F[:p, p:s] = W = np.linalg.solve(L, F[:p, p:s])
            F[p:s, p:s] -= W.T @ W
            g = int(t.parent[f])
            above = self._frame(g)
            if not begun[g]:
                above[:] = 0.0
                begun[g] = True
            down.handed_up(F, p, s, above, t.up[t.start[f] : t.start[f + 1]])
        down.put_away(F, p, s, self.U, t.kept[f])
        return float(np.diagonal(L).min()) ** 2

    def _frame(self, f: int) -> Floats:
        """A front where it lies on the stack, (padded, padded)."""
        t = self.tree.fronts
        s = int(t.pivots[f] + t.start[f + 1] - t.start[f])
        w = padded(s)
        return self.buffers.stack[t.frame[f] : t.frame[f] + w * w].reshape(w, w)

    def forward(self, x: Floats) -> None:
        down.forward(x, self.tree.every, self.tree.fronts, self.U)

    def backward(self, x: Floats) -> None:
        down.backward(x, self.tree.fronts, self.U)

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
        t, b = self.tree, self.buffers
        Z, diagonal = np.empty(len(self.U)), np.empty(t.n)
        count = [len(r.columns) for r in self.rows]
        leverage = np.zeros(sum(count))
        answers = np.zeros(sum(m * w * w for m, w in t.asked))
        for low, high, large in reversed(t.segments):
            if large:
                self._large_inverse(low)
            up.selected(
                low, high, large, t.fronts, t.lines, b.vals, t.questions, b.U, Z, diagonal, leverage, answers, b.stack, b.room
            )  # fmt: skip
        out = diagonal[t.permutation]
        parts = np.split(leverage, np.cumsum(count)[:-1])
        for r, h in zip(self.rows, parts, strict=True):
            if r.columns.shape[1] == 1:
                s = np.append(self.scale**2 * out, 0.0)
                h[:] = r.values[:, 0] ** 2 * s[r.columns[:, 0]]
        edges = np.cumsum([0, *(m * w * w for m, w in t.asked)])
        squares = [
            answers[a:z].reshape(m, w, w) for a, z, (m, w) in zip(edges, edges[1:], t.asked, strict=False)
        ]
        return Inverse(out, list(parts), squares, Z)

    def _large_inverse(self, f: int) -> None:
        """One front of the inverse that is worth calls of BLAS, whole, on its place on the stack."""
        t = self.tree.fronts
        A, p = self._frame(f), int(t.pivots[f])
        s = p + int(t.start[f + 1] - t.start[f])
        U = np.triu(
            self.U[t.kept[f] : t.kept[f] + p * s].reshape(p, s)
        )  # below the diagonal anything may stand
        X = np.linalg.inv(U[:, :p])
        A[:p, :p] = X @ X.T
        if s > p:
            at = t.up[t.start[f] : t.start[f + 1]]
            outer = self._frame(int(t.parent[f]))[at[:, None], at]
            Y = X @ U[:, p:]
            cross = -(Y @ outer)
            A[p:s, p:s] = outer
            A[:p, p:s] = cross
            A[p:s, :p] = cross.T
            A[:p, :p] -= cross @ Y.T

    def release(self) -> None:
        self.tree.spare.append(self.buffers)

"""The symbolic part of a factorisation: in which order unknowns go, and where every coefficient and entry of the inverse is.

It depends on which unknowns stand together, not on any value: one is made for all iterations. There are two: `rounds`, whose
fronts are worked on in batches by numpy, and `tree`, whose fronts compiled loops take one by one.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .kernels import chosen
from .rows import Rows


@dataclass(frozen=True)
class Inverse:
    """What is kept of the inverse of the scaled matrix: its diagonal, a Q aᵀ of all rows, the queries, pivots' rows."""

    diagonal: Floats  # (n,)
    leverage: list[Floats]  # (m,) a Rows
    queries: list[Floats]  # (m, w, w) a query
    flat: Floats


class Numbers(Protocol):
    """AᵀA = LLᵀ of one set of values, scaled. Vectors are in the order of elimination, with a zero behind: (n + 1, k)."""

    smallest_pivot: float

    def forward(self, x: Floats) -> None:
        """L⁻¹x, in place."""

    def backward(self, x: Floats) -> None:
        """L⁻ᵀx, in place."""

    def half(self, unknowns: Ints, right: Floats) -> Floats:
        """L⁻¹ of a right side that is zero but for some unknowns: (·, k), where it is not zero."""

    def selected(self) -> Inverse:
        """The selected inverse."""

    def release(self) -> None:
        """Gives the storage back to the pattern, for the next values."""


@dataclass(frozen=True)
class Pattern(ABC):
    """n unknowns; `permutation` (n,) is the place of every unknown in the order of elimination."""

    n: int
    permutation: Ints
    asked: tuple[tuple[int, int], ...]  # shapes of the queries

    @abstractmethod
    def factored(self, rows: list[Rows], scale: Floats, ridge: float) -> Numbers:
        """The factor of equations of this pattern. Raises LinAlgError where a pivot is not positive."""

    @abstractmethod
    def located(self, i: Ints, j: Ints) -> tuple[Ints, Ints]:
        """Places of entries (i, j) of the inverse among what is kept of it, and which of them are."""

    @property
    @abstractmethod
    def sizes(self) -> tuple[Ints, Ints]:
        """Pivots and boundary unknowns of every front: what the work is made of."""

    @staticmethod
    def build(
        n: int, columns: list[Ints], node: Ints, late: Flags, queries: tuple[Ints, ...] = ()
    ) -> Pattern:
        """Order, fronts and index maps for equations whose unknowns are `columns` (list of (m, w), −1 padded).

        node (n,): the node of each unknown; late (n_nodes,): nodes that are eliminated last. `queries` are further
        sets of unknowns among which the inverse will be asked for; each is kept together as an equation's are.
        """
        sizes = np.bincount(node, minlength=len(late)).astype(np.int64)
        if chosen(n):
            from .tree import Tree

            return Tree.of(n, columns, node, sizes, late, queries)
        from .rounds import Rounds

        return Rounds.of(n, columns, node, sizes, late, queries)

"""What the loops work on, as tuples of arrays with names."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from .compiler import loop

Array = Any
SMALL = 32  # fronts of this size: their lines are written out over all their unknowns
BEHIND = 4  # numbers behind an array that loops over four at a time may read, and don't use


@loop
def padded(length: int) -> int:
    """Up to the next multiple of four: rows of frames and groups have that length."""
    return (length + 3) // 4 * 4


class Fronts(NamedTuple):
    """Fronts in postorder. Of each: its first pivot, its pivots, its boundary unknowns from start[f] to start[f + 1].

    unknown: those, ascending, in the order of elimination; up: their places in the front above, which is parent[f] (−1: none);
    kept: where the rows of its pivots are, (p, s); frame: where the whole lies on a stack that holds all above it too.
    """

    first: Array
    pivots: Array
    start: Array
    unknown: Array
    up: Array
    parent: Array
    kept: Array
    frame: Array


class Lines(NamedTuple):
    """Rows in the order of their fronts, as lines of coefficients; lines with the same unknowns are a group.

    of_front (fronts + 1,): where the groups of each front begin; groups: the lines of each; at: its `columns`, ascending.
    begin (lines + 1,): the coefficients of each line; source (lines,): number of its row.
    """

    of_front: Array
    groups: Array
    at: Array
    columns: Array
    begin: Array
    source: Array


class Asked(NamedTuple):
    """Queries in the order of their fronts: of_front, begin as of Lines; columns as asked, −1 for none.

    answer: where the square of each goes among all answers.
    """

    of_front: Array
    begin: Array
    columns: Array
    answer: Array


class Room(NamedTuple):
    """Scratch: a place for every unknown; the products and the places of a group; lines written out; room for inverses."""

    at: Array
    G: Array
    place: Array
    R: Array
    Y: Array
    T: Array
    X: Array

    @classmethod
    def of(cls, n: int, widest: int, largest: int) -> Room:
        """For n unknowns, groups of `widest` unknowns, fronts of `largest`."""
        return cls(
            np.empty(n + 1, dtype=np.int32), np.empty((widest, padded(widest))), np.empty(widest, dtype=np.int32),
            np.zeros(SMALL * SMALL + BEHIND),
            np.empty(largest * padded(largest)), np.empty(largest * padded(largest)), np.empty(largest * largest),
        )  # fmt: skip

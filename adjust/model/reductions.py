"""Raw readings to observations: slant heights, faces, rounds, prism constants.

Readings of one pair of setups in one round become one observation a kind: the mean of its readings, face 2 turned to
face 1 first. Sigmas follow ISO 17123-3 (a stated sigma of an angle means one pointing in both faces), so the mean of n
face readings has σ·√(2/n), and the mean of n distances (a + b·S)/√n.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.table import Flags, Floats, Ints, Names, Table, column


@dataclass(frozen=True, eq=False, kw_only=True)
class Observations(Table):
    """Reduced observations. Rows of one kind stand together, in the order of KINDS."""

    id: Names = column("name", "id: of the first row; a sight's has its kind behind a point")
    kind: Names = column("text", "name of the kind: direction, zenith, distance, level, rise, horizontal, …")
    start_mark: Ints = column("index", "row of the mark it runs from (angle: the backsight)")
    at_mark: Ints = column("index", "row of the mark at which an angle stands, −1 otherwise")
    end_mark: Ints = column("index", "row of the mark it runs to (angle: the foresight)")
    start_setup: Ints = column("index", "row of the setup it runs from, −1 for none")
    end_setup: Ints = column("index", "row of the setup it runs to, −1 for none")
    round: Ints = column("count", "round, 0 where there is none")
    orientation: Ints = column("index", "which orientation it leans on, −1 for none")
    value: Floats = column("number", "observed value, m or rad")
    sigma: Floats = column("number", "a priori sigma of the reading itself, m or rad")
    balance: Floats = column("number", "(readings on face 1 − on face 2) / readings: the share of the collimation left", default=0.0)
    count: Ints = column("count", "how many readings it is the mean of", default=1)
    block: Ints = column("index", "row of `vectors` it is a component of, −1 for none", default=-1)
    used: Flags = column("flag", "False where a decision left it out", default=True)
    rows: Names = column("names", "ids of the rows it was made from")

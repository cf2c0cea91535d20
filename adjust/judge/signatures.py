"""A hypothesis is a signature: how the observations would shift per unit of its size.

A signature is sparse: a few entries over the whitened rows of a solution, in q columns. `Book` collects them: rows are
counted through all `Rows` of the solution, columns through all hypotheses. Nothing here has words or units.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .point import Point


@dataclass(slots=True)
class Hypothesis:
    """Something that can have gone wrong.

    what     setup, sight, mark, control or instrument
    name     of the setup, the sight (its first row), the mark, the instrument or target device
    cause    a code of `causes.CAUSES`
    subject  row of the setup, observation, mark, … that it is about
    q        number of columns, 1 to 3
    column   place of the first of them
    shared   made once and felt by several readings; goes before single readings
    fixed    the size that the cause must have, where it has one (a swap has 1)
    detail   rows or names that its sentence needs
    """

    what: str
    name: str
    cause: str
    subject: int
    q: int = 1
    column: int = -1
    shared: bool = True
    fixed: float | None = None
    detail: tuple[object, ...] = ()


@dataclass
class Book:
    """All hypotheses of one judgement with the entries of their signatures."""

    point: Point
    hypotheses: list[Hypothesis] = field(default_factory=list)
    columns: int = 0
    busy: Flags | None = None  # setups worth a look, where there are too many to look at all
    skipped: int = 0  # hypotheses passed over for that, which were tried all the same
    _row: list[Ints] = field(default_factory=list)
    _column: list[Ints] = field(default_factory=list)
    _value: list[Floats] = field(default_factory=list)
    _known: list[tuple[Ints, Floats]] = field(default_factory=list)
    _part: list[int] = field(default_factory=list)  # column → which of these arrays it stands in

    def passes(self, setup: int, number: int = 1) -> bool:
        """Whether hypotheses about a setup are passed over because nothing there is out of the ordinary."""
        if self.busy is None or self.busy[setup]:
            return False
        self.skipped += number
        return True

    def add(self, hypothesis: Hypothesis, row: Ints, value: Floats, column: Ints | None = None) -> None:
        """One hypothesis with whitened entries; `column` counts within the hypothesis."""
        hypothesis.column = self.columns
        self.hypotheses.append(hypothesis)
        self._row.append(row)
        self._value.append(value)
        self._column.append(np.full(len(row), self.columns) if column is None else column + self.columns)
        self.columns += hypothesis.q
        self._part += [len(self._row) - 1] * hypothesis.q

    def add_shift(self, hypothesis: Hypothesis, observation: Ints, shift: Floats) -> None:
        """One hypothesis of one column from shifts of observations in m or rad."""
        row, entry, value = self.point.whiten(observation)
        self.add(hypothesis, row, value * shift[entry])

    def add_shifts(self, made: Sequence[Hypothesis], observation: Ints, shift: Floats) -> None:
        """Hypotheses of one column each from shifts (number, observations) in m or rad; what is 0 is no entry."""
        row, entry, value = self.point.whiten(observation)
        values = shift[:, entry] * value
        which, at = np.nonzero(np.abs(shift[:, entry]) > 1e-12)
        self._together(made, 1, row[at], values[which, at], which)

    def add_apart(self, made: Sequence[Hypothesis], observation: Ints, which: Ints) -> None:
        """Hypotheses of one column each that shift observations of their own by 1 m or rad; `which` says whose each is."""
        row, entry, value = self.point.whiten(observation)
        self._together(made, 1, row, value, which[entry])

    def add_pairs(self, made: Sequence[Hypothesis], row: Ints, value: Floats, normal: Floats) -> None:
        """Hypotheses of two columns with one entry each, whose CᵀMC (number, 2, 2) is known; row, value (number, 2)."""
        at = self.columns
        self._together(made, 2, row.ravel(), value.ravel(), np.arange(row.size))
        self._known.append((at + 2 * np.arange(len(made)), normal))

    def add_single(self, made: Sequence[Hypothesis], row: Ints, value: Floats, strength: Floats) -> None:
        """Hypotheses of one entry each, whose cᵀMc = strength² is known already: no solve."""
        at = self.columns
        self._together(made, 1, row, value, np.arange(len(made)))
        self._known.append((at + np.arange(len(made)), (strength**2)[:, None, None]))

    def _together(self, made: Sequence[Hypothesis], q: int, row: Ints, value: Floats, column: Ints) -> None:
        """Hypotheses of q columns each in one part; `column` counts from the first of them."""
        for k, hypothesis in enumerate(made):
            hypothesis.column = self.columns + q * k
        self._row.append(row)
        self._value.append(value)
        self._column.append(self.columns + column)
        self.hypotheses.extend(made)
        self.columns += q * len(made)
        self._part += [len(self._row) - 1] * (q * len(made))

    def know(self, first: Ints, normal: Floats) -> None:
        """CᵀMC (number, q, q) of the hypotheses whose first columns these are: they need no solve."""
        self._known.append((first, normal))

    def exchange(self, hypothesis: Hypothesis, row: Ints, value: Floats, column: Ints) -> None:
        """Another signature for a hypothesis, in as many columns."""
        low, high = hypothesis.column, hypothesis.column + hypothesis.q
        k = self._part[low]
        c = self._column[k]
        keep = (c < low) | (c >= high)
        self._row[k], self._column[k], self._value[k] = self._row[k][keep], c[keep], self._value[k][keep]
        self._row.append(row)
        self._value.append(value)
        self._column.append(column + low)
        self._part[low:high] = [len(self._row) - 1] * hypothesis.q
        self._known = [(c[c != low], N[c != low]) for c, N in self._known]

    def entries(self) -> tuple[Ints, Ints, Floats]:
        """Rows, columns and values of all entries."""
        if not self._row:
            return np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0)
        return np.concatenate(self._row), np.concatenate(self._column), np.concatenate(self._value)

    def known(self) -> list[tuple[Ints, Floats]]:
        """First columns and CᵀMC of what is known without a solve, for hypotheses of as many columns."""
        return self._known

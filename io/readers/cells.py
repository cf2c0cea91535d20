"""Columns of text to arrays: one fault a cell; blank is NaN or −1; what is told once is not told again."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats, Ints, Names
from hubtack.io.faults import FaultList, Nearest, listed
from hubtack.io.readers import bulk
from hubtack.io.readers.tables import TextTable
from hubtack.io.units import Units, Unreadable, parse_number, quoted


class Cells:
    """The cells of one table in the units of one job."""

    def __init__(self, table: TextTable, units: Units | None, faults: FaultList) -> None:
        self.table = table
        self.units = units  # None: not known because job.toml is faulty; then no length and no angle is read
        self.faults = faults

    def __len__(self) -> int:
        return len(self.table)

    def text(self, name: str) -> list[str]:
        """The cells of a column as they stand."""
        return self.table.get(name)

    def names(self, name: str) -> Names:
        """The cells of a column as an array of text."""
        array = np.empty(len(self), dtype=object)
        array[:] = self.table.get(name)
        return array

    def given(self, name: str) -> Flags:
        """Where a column has something in it, readable or not."""
        return np.array([bool(c) for c in self.table.get(name)], dtype=bool)

    def fault(self, row: int, column: str, code: str, found: str, wanted: str = "") -> None:
        """Note a fault at a row of the table, unless the row or the column is told as a whole."""
        if row in self.table.broken or column in self.table.told:
            return
        self.faults.at(self.table.spot(row, column), code, found, wanted)

    def mistake(self, row: int, column: str, code: str, found: str, wanted: str = "") -> None:
        """Note a fault of a reading; what a decision left out may hold what it likes."""
        if (row, "") not in self.table.excused and (row, column) not in self.table.excused:
            self.fault(row, column, code, found, wanted)

    def place(self, row: int) -> str:
        """`setups.csv:14`."""
        return str(self.table.spot(row, ""))

    def lengths(self, name: str) -> Floats:
        """A column of lengths, m, NaN where blank."""
        if self.units is None:
            return np.full(len(self), math.nan)
        known = bulk.lengths(self.table.get(name), self.units)
        return self._numbers(name, self.units.parse_length, "TAB204") if known is None else known

    def angles(self, name: str) -> Floats:
        """A column of angles, rad, NaN where blank."""
        if self.units is None:
            return np.full(len(self), math.nan)
        known = bulk.angles(self.table.get(name), self.units)
        return self._numbers(name, self.units.parse_angle, "TAB205") if known is None else known

    def quantities(self, name: str, parse: Callable[[str], float]) -> Floats:
        """A column of quantities that carry their unit, NaN where blank."""
        return self._numbers(name, parse, "TAB224")

    def numbers(self, name: str) -> Floats:
        """A column of plain numbers, NaN where blank."""
        return self._numbers(name, parse_number, "TAB206")

    def _numbers(self, name: str, parse: Callable[[str], float], code: str) -> Floats:
        values = []
        nan = math.nan
        for row, cell in enumerate(self.table.get(name)):
            if not cell:
                values.append(nan)
                continue
            try:
                values.append(parse(cell))
            except Unreadable as error:
                self.mistake(row, name, code, error.found, error.wanted)
                values.append(nan)
        return np.array(values, dtype=float)

    def counts(self, name: str, blank: int, choices: Sequence[int] = (), what: str = "") -> Ints:
        """A column of whole numbers from 1 up, or of the choices; `blank` where nothing stands."""
        known = {str(c): c for c in choices} | {f"{c}.0": c for c in choices} | {"": blank}
        values = []
        for row, cell in enumerate(self.table.get(name)):
            value = known.get(cell)
            if value is None and not choices and cell.isascii() and cell.isdigit() and 1 <= len(cell) <= 9:
                value = known[cell] = int(cell)
            if value is None or (value < 1 and cell):
                wanted = (
                    f"Write {' or '.join(map(str, choices))}."
                    if choices
                    else "Write a whole number from 1 up."
                )
                self.mistake(row, name, "TAB214", f"{quoted(cell)} is not a {what or name}", wanted)
                value = blank
            values.append(value)
        return np.array(values, dtype=np.int64)

    def choices(self, name: str, choices: Sequence[str]) -> Names:
        """A column of words out of a list; what isn't one is blank after its fault."""
        nearest = Nearest(choices)
        array = self.names(name)
        for row, cell in enumerate(array):
            if cell in choices:
                continue
            near = nearest.find(cell) if cell else None
            wanted = f"Write {', '.join(choices[:-1])} or {choices[-1]}" + (
                f'; is "{near}" meant?' if near else "."
            )
            if cell:
                self.fault(row, name, "TAB214", f"{quoted(cell)} is not a {name}", wanted)
            else:
                self.fault(row, name, "TAB208", f"There is no {name}", wanted)
            array[row] = ""
        return array

    def indices(
        self, name: str, rows: dict[str, int] | None, code: str, what: str, source: str, required: bool = True
    ) -> Ints:
        """Rows of another table by name, −1 where blank or unknown; `what`, `source` serve the text.

        Without `rows` (their table could not be read) nothing is held against the cells.
        """
        if rows is None:
            return np.full(len(self), -1, dtype=np.int64)
        found = [rows.get(cell, -1) for cell in self.table.get(name)]
        if -1 in found:
            nearest = Nearest(rows)
            for row, cell in enumerate(self.table.get(name)):
                if found[row] >= 0 or (not cell and not required):
                    continue
                if not cell:
                    self.fault(row, name, "TAB208", f"There is no {name}", f"Name a {what} of {source}.")
                    continue
                wanted = nearest.advice(cell, f"Known in {source}: {listed(rows)}.")
                self.fault(row, name, code, f"There is no {what} {quoted(cell)}", wanted)
        return np.array(found, dtype=np.int64)

    def identities(self, name: str) -> dict[str, int]:
        """Row of each name of a column that must be filled and without repetition."""
        rows: dict[str, int] = {}
        for row, cell in enumerate(self.table.get(name)):
            if not cell:
                self.fault(row, name, "TAB208", f"There is no {name}", "Every row needs one of its own.")
            elif cell in rows:
                found = f"{quoted(cell)} is there twice; the first is {self.place(rows[cell])}"
                self.fault(row, name, "TAB209", found, f"Every row needs a {name} of its own.")
            else:
                rows[cell] = row
        return rows

    def groups(self, name: str) -> Ints:
        """Groups of equal names, numbered as they come; −1 where blank."""
        numbers: dict[str, int] = {}
        return np.array(
            [numbers.setdefault(cell, len(numbers)) if cell else -1 for cell in self.table.get(name)],
            dtype=np.int64,
        )


def rows_where(mask: Flags) -> Iterable[int]:
    """The rows at which a mask is set."""
    return (int(i) for i in np.flatnonzero(mask))

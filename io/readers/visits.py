"""Setups told from a book that does not name them.

An instrument setup lasts while the rows say the same mark, support, device and height of instrument; blank rows or any
change start a new one. A target setup is the same mark, support, device and height of target within one visit: it ends
when the instrument moves on, unless the book's `same_target` says that it lasts until height or support changes; the
instrument on its mark ends it in any case. A blank cell means "as above", not another height.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

ATTRIBUTES = ("mark", "support", "device", "height", "base", "height_base", "prism_constant")
_MOVABLE = ("support", "device", "height")  # what a change of which starts a new setup


@dataclass
class Draft:
    """One setup as it grows. `row` is where it first stood, `rows` where each attribute was first said."""

    name: str
    instrument: bool
    row: int
    cells: dict[str, str]
    named: bool = False
    rows: dict[str, int] = field(default_factory=dict)
    started: str = ""

    def differs(self, cells: dict[str, str], names: tuple[str, ...]) -> str:
        """The first attribute that both say, and say differently; "" where none."""
        for name in names:
            mine, other = self.cells.get(name, ""), cells.get(name, "")
            if mine != other and mine and other and not _same_number(mine, other):
                return name
        return ""

    def learn(self, cells: dict[str, str], row: int) -> None:
        """Take over what was not said before."""
        for name, cell in cells.items():
            if cell and not self.cells.get(name):
                self.cells[name] = cell
                self.rows[name] = row


def _same_number(a: str, b: str) -> bool:
    try:
        return float(a) == float(b)
    except ValueError:
        return False


@dataclass
class Visits:
    """The setups of a book in the order in which they appear, and for each row its two."""

    fault: Callable[[int, bool, str, Draft], None]  # row, instrument?, attribute, the setup it contradicts
    beyond_visit: bool = False  # same_target = "until height or support changes"
    setups: list[Draft] = field(default_factory=list)
    inferred: int = 0
    named: dict[str, Draft] = field(default_factory=dict)
    _instrument: Draft | None = None
    _targets: dict[str, Draft] = field(default_factory=dict)
    _numbers: dict[bool, int] = field(default_factory=lambda: {True: 0, False: 0})

    def gap(self) -> None:
        """Blank rows: what comes is another visit."""
        self._instrument = None

    def instrument(self, row: int, name: str, cells: dict[str, str]) -> Draft:
        """The instrument setup of a row."""
        now = self._instrument
        if name:
            draft = self._by_name(row, name, True, cells)
        elif (
            now
            and not now.named
            and cells["mark"] in ("", now.cells["mark"])
            and not now.differs(cells, _MOVABLE)
        ):
            draft = now
            draft.learn(cells, row)
        else:
            draft = self._new(row, True, cells)
        if draft is not now:
            if not self.beyond_visit:
                self._targets.clear()
            self._targets.pop(draft.cells.get("mark", ""), None)
            self._instrument = draft
        return draft

    def target(self, row: int, name: str, cells: dict[str, str]) -> Draft:
        """The target setup of a row."""
        if name:
            draft = self._by_name(row, name, False, cells)
        else:
            mark = cells["mark"]
            found = self._targets.get(mark)
            if found and not found.differs(cells, _MOVABLE):
                draft = found
                draft.learn(cells, row)
            else:
                draft = self._targets[mark] = self._new(row, False, cells)
        return draft

    def stands(self, target: Draft) -> bool:
        """Whether an inferred target is still the last one on its mark, so that the same words mean the same setup."""
        return self._targets.get(target.cells["mark"]) is target

    def _by_name(self, row: int, name: str, instrument: bool, cells: dict[str, str]) -> Draft:
        draft = self.named.get(name)
        if draft is None:
            draft = self.named[name] = Draft(name, instrument, row, dict(cells), True)
            draft.rows = {k: row for k, cell in cells.items() if cell}
            self.setups.append(draft)
            return draft
        wrong = "role" if draft.instrument != instrument else draft.differs(cells, ATTRIBUTES)
        if wrong:
            self.fault(row, instrument, wrong, draft)
        draft.learn(cells, row)
        return draft

    def _new(self, row: int, instrument: bool, cells: dict[str, str]) -> Draft:
        self.inferred += 1
        while True:
            self._numbers[instrument] += 1
            name = f"{'I' if instrument else 'T'}{self._numbers[instrument]}@{cells['mark']}"
            if name not in self.named:
                break
        draft = Draft(name, instrument, row, dict(cells))
        draft.rows = {k: row for k, cell in cells.items() if cell}
        self.setups.append(draft)
        return draft


def left_open(setups: list[Draft], sights: Iterable[tuple[str, str]]) -> list[str]:
    """The marks on which the book can't tell one target setup from two.

    The same support, device and height were sighted there from several instrument setups, and the instrument was not on
    the mark in between: the target may have stayed, or have been set up anew. `sights` are (instrument, target) names.
    """
    seen_from: dict[str, set[str]] = {}
    for start, end in sights:
        seen_from.setdefault(end, set()).add(start)
    marks: dict[str, None] = {}
    last: dict[
        str, Draft
    ] = {}  # by mark: the setup before, as long as none of the instrument's came after it
    for draft in setups:
        mark, before = draft.cells["mark"], last.get(draft.cells["mark"])
        if draft.instrument:
            last.pop(mark, None)
            continue
        last[mark] = draft
        if draft.named:
            continue
        again = before is not None and not before.named and not before.differs(draft.cells, _MOVABLE)
        if again or len(seen_from.get(draft.name, ())) > 1:
            marks[mark] = None
    return list(marks)

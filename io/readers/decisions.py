"""`[[decision]]` entries: what people left out or corrected, applied to the tables and kept for the record.

Corrections are made on the text of the tables before it is read, so that they cure what could not be read.
Leaving out is done on the finished network: rows stay, their `used` says no; they may hold any reading.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from hubtack.adjust.ground.network import Network
from hubtack.io.faults import FaultList, Nearest, listed, one_line
from hubtack.io.readers.columns import GEOCENTRIC, LOCAL
from hubtack.io.readers.jobfile import FILE, JobFile
from hubtack.io.readers.jobkeys import DecisionKeys
from hubtack.io.readers.tables import TextTable
from hubtack.io.readers.tomlplaces import Path
from hubtack.io.units import Unreadable, parse_length_quantity, quoted

READINGS = {"direction": "circle", "zenith": "zenith", "distance": "slope", "horizontal": "horizontal"}
CORRECTIONS = {"setup": ("height", "mark", "prism_constant"), "sight": ("face",)}
_LEAVE = 'Write "sight N", "observation N.kind", "setup S" or "control M".'
_CORRECT = 'Write "setup S height", "setup S mark", "setup S prism_constant" or "sight N face".'


@dataclass(frozen=True)
class Decision:
    """One `[[decision]]` of job.toml, as applied."""

    action: str  # "leave_out" | "correct"
    what: str  # as written: "setup T014 height"
    value: str  # as written, "" for leave_out
    before: str  # what stood there: "1.500 m", "" for leave_out
    reason: str
    by: str
    place: str  # job.toml:42


class Decisions:
    """The decisions of one job, checked against its tables."""

    def __init__(self, job: JobFile, tables: dict[str, TextTable], faults: FaultList) -> None:
        self._job, self._tables, self._faults = job, tables, faults
        self._rows = {
            "setup": _rows(tables.get("setups"), "setup"),
            "sight": _rows(tables.get("sights"), "id"),
            "control": _rows(tables.get("marks"), "mark"),
            "reduced": _rows(tables.get("reduced"), "id"),
            "vector": _rows(tables.get("vectors"), "id"),
        }
        self._nearest: dict[str, Nearest] = {}
        self.applied: list[Decision] = []
        self._left_out: list[tuple[int, str, str]] = []  # number of the decision, kind, name
        seen: set[str] = set()
        for number, keys in enumerate(job.decisions):
            if keys is None:
                continue
            if bool(keys.leave_out) == bool(keys.correct):
                found = "A decision leaves out or corrects, one of the two"
                self._fault(number, "", "JOB110", found, "Give leave_out, or correct and value.")
                continue
            what = (keys.leave_out or keys.correct).strip()
            same = " ".join(what.split())
            if same in seen:
                key = "leave_out" if keys.leave_out else "correct"
                self._fault(number, key, "JOB115", f"{quoted(what)} is decided twice", "Keep one decision.")
            seen.add(same)
            if keys.leave_out:
                self._check_leave_out(number, keys, what)
            else:
                self._correct(number, keys, what)

    # -- corrections: on the text --

    def _correct(self, number: int, keys: DecisionKeys, what: str) -> None:
        kind, _, rest = what.partition(" ")
        name, _, column = rest.strip().rpartition(" ")
        name = name.strip()
        if kind not in CORRECTIONS or column not in CORRECTIONS[kind] or not name:
            self._fault(number, "correct", "JOB110", f"{quoted(what)} can't be corrected", _CORRECT)
            return
        row = self._row(number, "correct", kind, name)
        value = self._value(number, keys, column)
        if row is None or value is None:
            return
        table = self._tables["setups" if kind == "setup" else "sights"]
        cells = table.columns.setdefault(column, ["1" if column == "face" else ""] * len(table))
        before = cells[row] or "blank"
        if column in ("height", "prism_constant") and before[-1].isdigit():
            before += f" {self._job.units.length_name}"
        cells[row] = value
        self._record(number, "correct", what, value, before)

    def _value(self, number: int, keys: DecisionKeys, column: str) -> str | None:
        """The new cell as text, None where it can't be one."""
        value = str(keys.value)
        if not value:
            self._fault(number, "", "JOB113", "A correction needs the right value", 'Add value = "...".')
            return None
        if column == "face" and value not in ("1", "2"):
            self._fault(number, "value", "JOB113", f"{quoted(value)} is not a face", "Write 1 or 2.")
            return None
        if column in ("height", "prism_constant"):
            try:
                parse_length_quantity(value)
            except Unreadable as error:
                self._fault(number, "value", "JOB106", f"value: {error.found}", error.wanted)
                return None
        if column == "mark" and value not in self._rows["control"] and self._complete("control"):
            self._fault(
                number, "value", "JOB111", f"There is no mark {quoted(value)}", self._advice("control", value)
            )
            return None
        return value

    # -- leaving out: checked on the text, done on the network --

    def _check_leave_out(self, number: int, keys: DecisionKeys, what: str) -> None:
        kind, _, name = what.partition(" ")
        name = name.strip()
        if keys.value:
            self._fault(
                number, "value", "JOB113", "What is left out has no value", "Remove it, or write correct."
            )
        if kind == "observation" and name:
            self._check_observation(number, what, name)
            return
        if kind not in ("sight", "setup", "control") or not name:
            self._fault(number, "leave_out", "JOB110", f"{quoted(what)} can't be left out", _LEAVE)
            return
        row = self._row(number, "leave_out", kind, name)
        if row is None:
            return
        sights = self._tables.get("sights")
        if kind == "control" and not self._tables["marks"].get("control")[row]:
            self._fault(
                number, "leave_out", "JOB112", f"{name} is no control", "See the column control of marks.csv."
            )
            return
        if kind == "sight":
            self._tables["sights"].excused.add((row, ""))
        elif kind == "setup" and sights:
            for column in ("from", "to"):
                sights.excused |= {(i, "") for i, cell in enumerate(sights.get(column)) if cell == name}
        self._leave(number, kind, name, what)

    def _check_observation(self, number: int, what: str, name: str) -> None:
        row, dot, kind = name.rpartition(".")
        if name not in self._rows["reduced"] and row in self._rows["reduced"]:
            at = self._rows["reduced"][row]
            if self._tables["reduced"].get("kind")[at] == kind:  # R1.rise says no more than R1
                name = row
        whole = [k for k in ("reduced", "vector") if name in self._rows[k]]
        part = bool(dot) and kind in READINGS and row in self._rows["sight"]
        if len(whole) + part > 1:
            found = f"{quoted(name)} names several observations"
            self._fault(number, "leave_out", "JOB112", found, "Give one of them another id.")
        elif whole:
            table = self._tables["reduced" if whole[0] == "reduced" else "vectors"]
            table.excused.add((self._rows[whole[0]][name], ""))
            self._leave(number, whole[0], name, what)
        elif part:
            sights = self._tables["sights"]
            at = self._rows["sight"][row]
            pair = [(c, sights.get(c)[at]) for c in ("from", "to", "round")]
            for i in range(len(sights)):
                if all(sights.get(c)[i] == cell for c, cell in pair):
                    sights.excused.add((i, READINGS[kind]))
            self._leave(number, "observation", name, what)
        elif row in self._rows["vector"] and kind in (*LOCAL, *GEOCENTRIC):
            found = "A vector is left out as a whole, for its components are correlated"
            self._fault(number, "leave_out", "JOB112", found, f'Write "observation {row}".')
        elif name in self._rows["sight"]:
            wanted = (
                f"Write sight {name} for the whole row, or {name}.zenith, {name}.distance, {name}.direction."
            )
            self._fault(number, "leave_out", "JOB112", f"{quoted(name)} does not say which reading", wanted)
        else:
            found = f"There is no observation {quoted(name)}"
            known = Nearest([*self._rows["reduced"], *self._rows["vector"]])
            near = known.find(name) or self._nearest_reading(row, kind)
            wanted = (
                f'Is "{near}" meant?'
                if near
                else "Write the id of a row, for a sight with .zenith behind it."
            )
            self._fault(number, "leave_out", "JOB111", found, wanted)

    def _nearest_reading(self, row: str, kind: str) -> str | None:
        sight = row if row in self._rows["sight"] else Nearest(self._rows["sight"]).find(row)
        reading = kind if kind in READINGS else Nearest(READINGS).find(kind)
        return f"{sight}.{reading}" if sight and reading else None

    def _leave(self, number: int, kind: str, name: str, what: str) -> None:
        self._left_out.append((number, kind, name))
        self._record(number, "leave_out", what, "", "")

    def leave_out(self, network: Network) -> Network:
        """The network with what was left out marked as not used, and freed control without prior sigmas."""
        marks = network.marks
        sights, reduced, vectors = (t.used.copy() for t in (network.sights, network.reduced, network.vectors))
        for _, kind, name in self._left_out:
            if kind == "sight":
                sights[self._rows["sight"][name]] = False
            elif kind == "setup":
                row = self._rows["setup"][name]
                sights &= (network.sights.start != row) & (network.sights.end != row)
                vectors &= (network.vectors.start_setup != row) & (network.vectors.end_setup != row)
            elif kind == "reduced":
                reduced[self._rows["reduced"][name]] = False
            elif kind == "vector":
                vectors[self._rows["vector"][name]] = False
            elif kind == "control":
                free = {
                    f"sigma_{c}": getattr(marks, f"sigma_{c}").copy() for c in ("east", "north", "height")
                }
                for sigma in free.values():
                    sigma[self._rows["control"][name]] = math.inf
                marks = marks.replace(**free)
        network = dataclasses.replace(
            network,
            marks=marks,
            sights=network.sights.replace(used=sights),
            reduced=network.reduced.replace(used=reduced),
            vectors=network.vectors.replace(used=vectors),
        )
        ids = [
            self._observation(number, name, network)
            for number, k, name in self._left_out
            if k == "observation"
        ]
        return dataclasses.replace(network, left_out=frozenset(i for i in ids if i))

    def _observation(self, number: int, name: str, network: Network) -> str | None:
        """The id of an observation as the engine names it: by the first row in use of its pair and round."""
        row, _, kind = name.rpartition(".")
        s, at = network.sights, self._rows["sight"][row]
        group = (
            (s.start == s.start[at])
            & (s.end == s.end[at])
            & (s.round == s.round[at])
            & (s.used == s.used[at])
        )
        first = str(s.id[int(np.flatnonzero(group)[0])])
        readings = [kind]
        if kind == "distance":
            readings.append("horizontal")  # a book without zeniths has its distances there
        for reading in readings:
            if not np.isnan(getattr(s, READINGS[reading])[group]).all():
                if first == row:
                    return f"{first}.{reading}"
                found = f"Row {row} is averaged with others; their observation is {first}.{reading}"
                wanted = f'Write "observation {first}.{reading}", or "sight {row}" for the row alone.'
                self._fault(number, "leave_out", "JOB112", found, wanted)
                return None
        has = [k for k, c in READINGS.items() if not np.isnan(getattr(s, c)[group]).all()]
        self._fault(number, "leave_out", "JOB112", f"Sight {row} has no {kind}", f"It has {listed(has)}.")
        return None

    # -- names and places --

    def _row(self, number: int, key: str, kind: str, name: str) -> int | None:
        row = self._rows[kind].get(name)
        if row is None and self._complete(kind):
            what = "mark" if kind == "control" else kind
            wanted = self._advice(kind, name)
            if kind == "sight" and (name in self._rows["reduced"] or name in self._rows["vector"]):
                wanted = f'Write "observation {name}".'
            self._fault(number, key, "JOB111", f"There is no {what} {quoted(name)}", wanted)
        return row

    def _complete(self, kind: str) -> bool:
        """Whether the table was read: a name of a table that is missing is not told again."""
        table = self._tables.get({"setup": "setups", "sight": "sights", "control": "marks"}[kind])
        return table is not None and table.whole

    def _advice(self, kind: str, name: str) -> str:
        nearest = self._nearest.setdefault(kind, Nearest(self._rows[kind]))
        return nearest.advice(name, f"Known: {listed(self._rows[kind])}.")

    def _fault(self, number: int, key: str, code: str, found: str, wanted: str) -> None:
        path: Path = ("decision", number, key) if key else ("decision", number)
        line, column = self._job.places.value(path) if key else self._job.places.table(path)
        self._faults.add(FILE, line, column, code, found, wanted)

    def _record(self, number: int, action: str, what: str, value: str, before: str) -> None:
        keys = self._job.decisions[number]
        assert keys is not None  # only called for those
        line, _ = self._job.places.table(("decision", number))
        reason, by = one_line(keys.reason), one_line(keys.by)
        place = self._job.decision_places.get(number) or str(self._faults.spot(FILE, line))
        self.applied.append(Decision(action, what, value, before, reason, by, place))


def _rows(table: TextTable | None, column: str) -> dict[str, int]:
    """First row of each name, blank ones apart."""
    cells = table.get(column) if table else []
    rows: dict[str, int] = {}
    for i, cell in enumerate(cells):
        if cell:
            rows.setdefault(cell, i)
    return rows

"""Faults as values: where, what was found, what would be right. All come at once, each with a stable code.

    setups.csv:14:height: TAB204 "1,532" is not a length. Write 1.532: the decimal mark is a point.

Rows count as a text editor's lines; the column is a header's name in a table and a number in job.toml.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from hubtack.adjust.trouble import Trouble

    from .job import Job

FILES = ("", "job.toml", "marks.csv", "setups.csv", "sights.csv", "reduced.csv", "vectors.csv")


class Spot(NamedTuple):
    """A place in what the user wrote: `book.csv`, 14, `HT [ft]`; of a workbook also the cell, `F14`."""

    file: str
    row: int
    column: str | int
    cell: str = ""

    def __str__(self) -> str:
        if self.cell:
            return f"{self.file}!{self.cell}" + (f" ({self.column})" if self.column else "")
        parts = [self.file] if self.file else []
        if self.row:
            parts.append(str(self.row))
            if self.column:
                parts.append(str(self.column))
        return ":".join(parts)


@dataclass(frozen=True)
class Fault:
    """One thing wrong with the input. `row` 0 means the file as a whole, `column` "" or 0 the whole row."""

    file: str
    row: int
    column: str | int
    code: str
    found: str
    wanted: str = ""
    cell: str = ""  # in a workbook: F14

    def __post_init__(self) -> None:
        stop = "" if self.found.endswith((".", "?", "!")) else "."
        object.__setattr__(self, "found", visible(self.found) + stop)
        object.__setattr__(self, "wanted", visible(self.wanted))
        if isinstance(self.column, str):
            object.__setattr__(self, "column", visible(self.column[:40]))

    @property
    def place(self) -> str:
        """`setups.csv:14:height` or `day.xlsx:sights!F14 (slope)`, as far as it is known."""
        return str(Spot(self.file, self.row, self.column, self.cell))

    def __str__(self) -> str:
        place = f"{self.place}: " if self.place else ""
        return f"{place}{self.code} {self.found} {self.wanted}".rstrip()


class Faults(Exception):  # noqa: N818  (a list of faults, raised)
    """All faults of a job, sorted by file, row and column. `str()` is one fault a line."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = sorted(faults, key=_order)
        super().__init__("\n".join(str(f) for f in self.faults))


class FaultList:
    """Collects faults while reading goes on; falsy while nothing is wrong."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []
        # where a file of the job really stands if it is no file: a sheet, say
        self.elsewhere: dict[str, Callable[[int, str | int], Spot]] = {}

    def __len__(self) -> int:
        return len(self.faults)

    def add(self, file: str, row: int, column: str | int, code: str, found: str, wanted: str = "") -> None:
        """Note one fault."""
        self.at(self.spot(file, row, column), code, found, wanted)

    def spot(self, file: str, row: int, column: str | int = "") -> Spot:
        """Where a place in a file of the job really is."""
        move = self.elsewhere.get(file)
        return move(row, column) if move else Spot(file, row, column)

    def at(self, spot: Spot, code: str, found: str, wanted: str = "") -> None:
        """Note one fault at a spot that is told as it stands."""
        self.faults.append(Fault(*spot[:3], code, found, wanted, spot.cell))

    def raise_if_any(self) -> None:
        """Raise Faults with all that was noted, if anything was."""
        if self.faults:
            raise Faults(self.faults)


class Nearest:
    """Names the nearest right name of a list; asks difflib a bounded number of times."""

    def __init__(self, names: Iterable[str], limit: int = 50) -> None:
        self.names = list(names)
        self._seen: dict[str, str | None] = {}
        self._limit = limit

    def find(self, word: str) -> str | None:
        """The nearest name, None where none is near."""
        if word not in self._seen:
            if len(self._seen) >= self._limit or len(word) > 100:
                return None
            self._seen[word] = nearest_name(word, self.names)
        return self._seen[word]

    def advice(self, word: str, otherwise: str) -> str:
        """`Is "T014" meant?`, or the other sentence where no name is near."""
        near = self.find(word)
        return f'Is "{near}" meant?' if near else otherwise


def visible(text: str) -> str:
    """Text for one line: names from files may hold line breaks, and worse things for a terminal."""
    return text if text.isprintable() else "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def one_line(text: str) -> str:
    """A text of job.toml for a line of the summary: without line breaks and without what a terminal would obey."""
    return visible(" ".join(text.split()))


def nearest_name(word: str, names: Iterable[str], likeness: float = 0.6) -> str | None:
    """The name most like a word, None where none is like enough; upper and lower case count as alike."""
    import difflib

    names = list(names)
    lowered = {n.casefold(): n for n in reversed(names)}
    if word.casefold() in lowered:
        return lowered[word.casefold()]
    letters = sorted(word.casefold())
    exchanged = [n for n in names if sorted(n.casefold()) == letters and len(word) > 2]
    found = exchanged or difflib.get_close_matches(word, names, 1, likeness)
    return found[0] if found else None


def listed(names: Iterable[str], most: int = 8) -> str:
    """`a, b, c` for a sentence, cut short where there are many."""
    names = list(names)
    if not names:
        return "none"
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


@lru_cache(maxsize=1)
def codes() -> dict[str, dict[str, str]]:
    """All codes: `title`, `means`, `cause`, `cure` and where it helps an `example`. From codes.toml."""
    import tomllib

    with (Path(__file__).parent / "codes.toml").open("rb") as file:
        found: dict[str, dict[str, str]] = tomllib.load(file)
    return found


def explain(code: str) -> str | None:
    """What a code means, its usual cause, the cure and an example; of a file name its format; else None."""
    entry = codes().get(code.strip().upper())
    if entry is None:
        from hubtack.io.readers.formatpage import describe

        return describe(code)
    import textwrap

    lines = [f"{code.strip().upper()}  {entry['title']}", ""]
    for words in (entry["means"], f"Usual cause: {entry['cause']}", f"Cure: {entry['cure']}"):
        lines += textwrap.wrap(words, 90, break_on_hyphens=False)
    if "example" in entry:
        lines += ["", *("    " + line for line in entry["example"].strip("\n").splitlines())]
    return "\n".join(lines)


def nearest_code(code: str) -> str | None:
    """The code that was probably meant."""
    return nearest_name(code.strip().upper(), codes())


def locate(troubles: Iterable[Trouble], job: Job) -> list[Fault]:
    """Troubles of the engine as faults, placed at the first mark, setup or observation that they name."""
    places = _Places(job)
    return sorted((places.fault(t) for t in troubles), key=_order)


class _Places:
    """Finds the rows of names in a job's tables; the look-up tables are built when first wanted."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._rows: dict[str, dict[str, int]] = {}

    def fault(self, trouble: Trouble) -> Fault:
        spot = self._place(trouble)
        return Fault(*spot[:3], trouble.code, trouble.text, trouble.wanted, spot.cell)

    def _place(self, trouble: Trouble) -> Spot:
        network = self._job.network
        names: dict[str, Callable[[], Any]] = {
            "marks": lambda: network.marks.mark,
            "setups": lambda: network.setups.setup,
            "sights": lambda: network.sights.id,
            "reduced": lambda: network.reduced.id,
            "vectors": lambda: network.vectors.id,
        }
        wanted = [("marks", m, "mark") for m in trouble.marks] + [
            ("setups", s, "setup") for s in trouble.setups
        ]
        for name in trouble.observations:
            wanted += [("reduced", name, "id")]
            wanted += [(t, n, "id") for n in (name, name.rpartition(".")[0]) for t in ("sights", "vectors")]
        for table, name, column in wanted:
            if table not in self._rows:
                self._rows[table] = {n: i for i, n in reversed(list(enumerate(names[table]())))}
            row = self._rows[table].get(name)
            lines = self._job.places.get(table, ())
            if row is not None and row < len(lines):
                return self._job.spot(table, row, column)
        return Spot("job.toml", 0, "")


def _order(fault: Fault) -> tuple[int, str, int, int]:
    rank = FILES.index(fault.file) if fault.file in FILES else len(FILES)
    return rank, fault.file, fault.row, fault.column if isinstance(fault.column, int) else 0

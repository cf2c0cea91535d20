"""A job: the network, the settings and all that is needed to speak of them in the user's own words and units."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from hubtack.adjust.ground.network import Network
from hubtack.adjust.settings import Settings
from hubtack.adjust.trouble import Trouble

from .units import Units


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


@dataclass(frozen=True)
class Job:
    """What `read_job` returns. `places[table][row]` is the editor's line of a row: places["setups"][11] → 14."""

    name: str
    folder: Path
    network: Network
    settings: Settings
    units: Units
    decisions: tuple[Decision, ...] = ()
    places: dict[str, tuple[int, ...]] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)  # file name → sha256 of its bytes
    remarks: tuple[Trouble, ...] = ()  # defaults taken, columns not used, …

    def place(self, table: str, row: int) -> str:
        """`setups.csv:14` for a row of a table."""
        lines = self.places.get(table, ())
        return f"{table}.csv:{lines[row]}" if 0 <= row < len(lines) else f"{table}.csv"

"""What a judgement hands over: findings with their rivals, in SI and names; `io` makes the sentences."""

from __future__ import annotations

from dataclasses import dataclass

from .causes import CAUSES, Unit


@dataclass(frozen=True)
class Explanation:
    """One cause with its size: the first of a finding, or a rival."""

    what: str  # setup, sight, mark, control or instrument
    name: str
    cause: str
    size: float  # m, rad or a ratio; of a displacement its length; NaN where the cause has none
    statistic: float  # T, the drop of vᵀPv
    subject: int = -1  # row of the setup, observation, mark, instrument or device
    sigma: float = float("nan")  # of the size; of a displacement along it
    freedoms: int = 1  # degrees of freedom of T
    vector: tuple[float, ...] = ()  # components of a displacement: east, north, height
    value: float = float("nan")  # what a discrete cause makes of the size
    detail: tuple[object, ...] = ()
    correlation: float = 1.0  # of its statistic with that of the first

    @property
    def unit(self) -> Unit:
        return CAUSES[self.cause].unit

    @property
    def group(self) -> str:
        """Class of the cause: height, prism, reading, …"""
        return CAUSES[self.cause].group


@dataclass(frozen=True)
class Apart:
    """The cheapest observation that would tell the first from its strongest rival.

    kind: level (rise between two marks), tape (distance between two marks), sight (the mark again, from a new setup),
    known (tie one of the marks to a further known mark) or repeat (measure the thing itself again).
    """

    kind: str
    marks: tuple[str, ...] = ()
    setups: tuple[str, ...] = ()
    difference: float = float("nan")  # by how much the two causes disagree about it, m
    ratio: float = float("nan")  # that over its sigma


@dataclass(frozen=True)
class Remedy:
    """What a `[[decision]]` could say, if somebody decides so: action leave_out or correct, target as in job.toml."""

    action: str
    target: str
    value: float | str | None = None  # m for lengths, text for marks and faces


@dataclass(frozen=True)
class Finding:
    """A cause that would explain what does not fit."""

    rank: int
    first: Explanation
    told: bool  # False: the geometry can't tell the first from a rival, so no name is put forward
    critical: float  # of T, after correction for the number of hypotheses
    probability: float  # of so large a T by chance in any of them
    rivals: tuple[Explanation, ...] = ()
    rivals_not_shown: int = 0
    exhausted: bool = False  # more is wrong than the search takes apart; then nothing is told
    apart: Apart | None = None
    remedies: tuple[Remedy, ...] = ()
    moved: tuple[
        tuple[str, float, float, float], ...
    ] = ()  # marks that a correction moves most: east, north, height
    tried: int = 0

"""Trouble as a value: what is wrong with a network, in names, never in units; and remarks worth a line.

A sentence here names marks, setups and observations. `io` adds the place in the files.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Trouble:
    """One thing that keeps a network from being adjusted, or (as a remark) that a reader should know."""

    code: str  # stable, explained by `hubtack explain`
    text: str  # what was found
    wanted: str = ""  # what would be right
    marks: tuple[str, ...] = ()
    setups: tuple[str, ...] = ()
    observations: tuple[str, ...] = ()


class Undetermined(Exception):  # noqa: N818  (named by what it says, not by what it is)
    """The network can't be adjusted as it stands; `troubles` says what is missing and where."""

    def __init__(self, troubles: tuple[Trouble, ...]) -> None:
        self.troubles = troubles
        super().__init__("\n".join(f"{t.text} {t.wanted}".rstrip() for t in troubles))


class NotConverged(Exception):  # noqa: N818
    """Gauss-Newton did not settle; `troubles` names the observations that fit worst.

    `evidence` is what `judged.unsettled` needs to name a cause.
    """

    def __init__(self, troubles: tuple[Trouble, ...], evidence: tuple[Any, Any] | None = None) -> None:
        self.troubles = troubles
        self.evidence = evidence
        super().__init__("\n".join(f"{t.text} {t.wanted}".rstrip() for t in troubles))

"""One plan with each support under each role: what the choice of equipment does to the marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ..estimate.pattern import Pattern
from ..plan import Planned
from ..results import Adjustment
from ..settings import Settings
from .budget import Budget, budget
from .changes import predicted
from .goals import Figures, Tolerance, figures, meets
from .variants import Choice, Role, of_role, stand_on


@dataclass(frozen=True)
class Equipment:
    """The plan with one support under one role. `budget` is that of the mark that is worst in the plan as it stands."""

    name: str  # blank: as planned
    role: Role | None
    words: str
    figures: Figures
    meets: bool
    budget: Budget


def compare_equipment(
    planned: Planned,
    settings: Settings,
    tolerance: Tolerance,
    choices: Sequence[Choice],
    base: Adjustment | None = None,
) -> list[Equipment]:
    """The plan as it stands first, then every choice in every role it can serve and the plan has."""
    patterns: dict[bytes, Pattern] = {}
    base = base or predicted(planned, settings, patterns)
    worst = figures(base, tolerance)
    mark = worst.position_mark if worst.position_mark >= 0 else worst.height_mark
    out = [_of(base, "", None, "as planned", tolerance, mark)]
    for choice in choices:
        for role in choice.roles:
            if not of_role(planned.network, role).any():
                continue
            network = stand_on(planned.network, choice, role)
            a = predicted(replace(planned, network=network, remarks=()), settings, patterns)
            out.append(_of(a, choice.name, role, choice.words, tolerance, mark))
    return out


def _of(
    a: Adjustment, name: str, role: Role | None, words: str, tolerance: Tolerance, mark: int
) -> Equipment:
    assert a.solved is not None
    return Equipment(
        name,
        role,
        words,
        figures(a, tolerance),
        bool(tolerance) and meets(a, tolerance),
        budget(a.solved, mark),
    )

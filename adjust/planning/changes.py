"""Which one change to a plan helps most, and what it costs in minutes.

Each change is carried out on the plan by itself and the plan is predicted anew; nothing is guessed from formulas that hold
only nearly. Minutes come from stated times (common practice, no source, unless the user gives their own).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from ..adjustment import tables
from ..estimate.pattern import Pattern
from ..ground.network import Network
from ..ground.table import Flags, Floats, Ints
from ..plan import Planned, predict
from ..results import Adjustment
from ..settings import Settings
from .goals import Figures, Tolerance, figures, meets, new_marks
from .sight import Candidate, candidates, gains, with_sight
from .variants import Choice, Role, better_bubbles, levelled, more_rounds, stand_on, surer_heights

FIXED_HEIGHT = 0.2e-3  # m: a height that is known by construction; common practice, no source
GAUGED_HEIGHT = 0.5e-3  # m: an instrument height read on a gauge that locks; common practice, no source
LEVELLED = 0.3e-3  # m: a rise levelled over a few instrument stations; common practice, no source
MARGIN = 0.005  # a worst figure that shrinks by less than half a per cent is as it was


@dataclass(frozen=True)
class Times:
    """Minutes that things take; common practice, no source."""

    pointing: float = 0.4  # one face, with reading
    instrument_setup: float = 8.0
    stand: float = 1.0
    pole: float = 1.5
    tribrach: float = 5.0
    bolt: float = 1.0
    adhesive: float = 1.0
    exchange: float = 1.0  # one device for another on a standing base
    bubble_care: float = 0.5  # to centre a bubble with care, each setup
    bubble_adjust: float = 5.0  # to adjust a bubble, each support
    height_care: float = 1.0  # to take a height with a gauge, each setup
    levelling: float = 15.0  # one rise between neighbours, there and back

    def setting_up(self, kind: str, common_base: bool = False) -> float:
        """Minutes for one target setup on a kind of support."""
        return self.exchange if common_base else float(getattr(self, kind, self.tribrach))


@dataclass(frozen=True)
class Change:
    """One change, what it gives and what it costs. `about` names what it is about: a support, a sight, two marks."""

    kind: str  # rounds, support, bubble, heights, bases, sight, levelling
    role: str
    about: tuple[str, ...]
    minutes: float
    figures: Figures
    meets: bool


def changes(
    planned: Planned,
    settings: Settings,
    tolerance: Tolerance,
    choices: Sequence[Choice] = (),
    times: Times | None = None,
) -> tuple[Adjustment, list[Change]]:
    """The plan as it stands, and single changes to it, best first.

    Order: the fewest unchecked marks; then what meets the tolerance, quickest first; then the worst position, and the
    worst height, against the plan's. Changes that make nothing better are left away.
    """
    times = times or Times()
    patterns: dict[bytes, Pattern] = {}
    base = predicted(planned, settings, patterns)
    before = figures(base, tolerance)
    found: list[Change] = []
    for kind, role, about, minutes, change in _proposals(planned, settings, base, before, choices, times):
        a = predicted(Planned(change(), planned.coordinates, ()), settings, patterns)
        after = figures(a, tolerance)
        if gain(before, after, tolerance) > MARGIN or after.unchecked < before.unchecked:
            found.append(Change(kind, role, about, minutes, after, bool(tolerance) and meets(a, tolerance)))
    found.sort(
        key=lambda c: (
            c.figures.unchecked,
            not c.meets,
            c.minutes if c.meets else 0.0,
            -gain(before, c.figures, tolerance),
        )
    )
    return base, found


def predicted(
    planned: Planned, settings: Settings, patterns: dict[bytes, Pattern] | None = None
) -> Adjustment:
    """The tables of a filled plan; `patterns` as in `plan.predict`."""
    solved, datum = predict(planned, settings, patterns)
    return tables(solved, datum, planned.remarks)


def gain(before: Figures, after: Figures, tolerance: Tolerance) -> float:
    """How much better the figure that asks most is: its share that is gone, 0 to 1.

    With a tolerance, the figure that exceeds its own by most; else the mean of position and height.
    """
    pairs = [
        (before.position, after.position, tolerance.position),
        (before.height, after.height, tolerance.height),
    ]
    if tolerance.relative is not None:
        pairs.append((before.relative, after.relative, 1.0))
    asked = [(b / t, a / t) for b, a, t in pairs if t is not None and np.isfinite(b) and t > 0.0]
    if asked:
        worst_before, worst_after = max(b for b, _ in asked), max(a for _, a in asked)
        return 1.0 - worst_after / worst_before if worst_before > 0.0 else 0.0
    shares = [1.0 - a / b for b, a, _ in pairs if np.isfinite(b) and b > 0.0]
    return float(np.mean(shares)) if shares else 0.0


def _given(network: Network) -> Callable[[], Network]:
    return lambda: network


_Proposal = tuple[str, str, tuple[str, ...], float, Callable[[], Network]]


def _proposals(
    planned: Planned,
    settings: Settings,
    base: Adjustment,
    before: Figures,
    choices: Sequence[Choice],
    times: Times,
) -> Iterator[_Proposal]:
    network = planned.network
    setups = network.setups
    if len(network.sights):
        again, pointings = more_rounds(network)
        yield "rounds", "", (), pointings * times.pointing, _given(again)
    supports = network.supports
    if len(setups):
        cared, rows = better_bubbles(network)
        if len(rows):
            names = tuple(str(supports.support[r]) for r in rows)
            many = int(np.isin(setups.support, rows).sum())
            minutes = len(rows) * times.bubble_adjust + many * times.bubble_care
            yield "bubble", "", names, minutes, _given(cared)
        roles: tuple[tuple[Role, float], ...] = (("target", FIXED_HEIGHT), ("instrument", GAUGED_HEIGHT))
        for role, sigma in roles:
            surer, gaining = surer_heights(network, role, sigma)
            if len(gaining):
                yield "heights", role, (), len(gaining) * times.height_care, _given(surer)
        yield from _supports(network, choices, times)
        shared = (setups.base >= 0) | (setups.height_base >= 0)
        if shared.any():
            anew = replace(
                network,
                setups=setups.replace(base=np.full(len(setups), -1), height_base=np.full(len(setups), -1)),
            )
            exchanges = int(shared.sum()) - len(np.unique(setups.base[setups.base >= 0]))
            yield "bases", "", (), max(0, exchanges) * times.tribrach, _given(anew)
    yield from _sights(planned, base, times)
    yield from _levelling(network, base, before, times)


def _supports(network: Network, choices: Sequence[Choice], times: Times) -> Iterator[_Proposal]:
    setups, supports = network.setups, network.supports
    for choice in choices:
        for role in choice.roles:
            mine = ~setups.instrument if role == "target" else setups.instrument
            if role == "both":
                mine = np.ones(len(setups), dtype=bool)
            if not mine.any() or (supports.support[setups.support[mine]] == choice.name).all():
                continue
            kind = str(choice.support.kind[0])
            was = sum(
                times.setting_up(str(supports.kind[s])) for s in setups.support[mine & ~setups.instrument]
            )
            now = times.setting_up(kind, choice.common_base) * int((mine & ~setups.instrument).sum())
            yield (
                "support",
                role,
                (choice.name,),
                max(0.0, now - was),
                partial(stand_on, network, choice, role),
            )


def _sights(planned: Planned, base: Adjustment, times: Times, most: int = 2) -> Iterator[_Proposal]:
    """The few best sights from the instrument setups as they are: for the worst position, height, unchecked marks."""
    network, solved = planned.network, base.solved
    starts = np.flatnonzero(network.setups.instrument)
    if solved is None or not len(starts):
        return
    found = best_sights(planned, base, starts, most)
    sights, setups = network.sights, network.setups
    there = set(
        zip(sights.start[sights.used].tolist(), setups.mark[sights.end[sights.used]].tolist(), strict=True)
    )
    for c in found:
        names = str(network.setups.setup[c.start]), str(network.marks.mark[c.mark])
        minutes = times.setting_up(str(network.supports.kind[c.support])) + 2 * times.pointing
        role = "again" if (c.start, c.mark) in there else "new"
        yield "sight", role, names, minutes, partial(with_sight, network, [c])


def best_sights(planned: Planned, base: Adjustment, starts: Ints, most: int) -> list[Candidate]:
    """A short list: the best for position, for height, and for each of the first unchecked marks."""
    solved = base.solved
    assert solved is not None
    new = np.flatnonzero(new_marks(base))
    loose = np.flatnonzero(base.marks.unchecked)
    reach = longest(base)
    offered = candidates(planned.network, planned.coordinates, starts, reach)
    if len(loose):
        offered = list(
            dict.fromkeys([*offered, *candidates(planned.network, planned.coordinates, starts, reach, loose)])
        )
    found = gains(solved, offered, new)
    if not found:
        return []
    short: list[Candidate] = []
    for key in (lambda g: (g.position, -g.nats), lambda g: (g.height, -g.nats)):
        short += [g.candidate for g in sorted(found, key=key)[:most]]
    # the mark that would gain most, of those that nothing checks
    freed = sorted((g for g in found if base.marks.unchecked[g.candidate.mark]), key=lambda g: -g.own)
    best_of = {g.candidate.mark: g.candidate for g in reversed(freed)}
    short += [best_of[m] for m in dict.fromkeys(g.candidate.mark for g in freed)][:4]
    return list(dict.fromkeys(short))


def longest(base: Adjustment) -> float:
    """The longest sight of a plan, m: nothing longer is proposed."""
    d = base.relative.distance
    return float(np.nanmax(d)) if np.isfinite(d).any() else 0.0


def _levelling(network: Network, base: Adjustment, before: Figures, times: Times) -> Iterator[_Proposal]:
    """A rise from the worst height to the nearest mark whose height is control, and to its nearest neighbour."""
    m = before.height_mark
    if m < 0 or not np.isfinite(base.marks.sigma_height[m]):
        return
    away = np.hypot(base.marks.east - base.marks.east[m], base.marks.north - base.marks.north[m])
    away[m] = np.inf
    away[~np.isfinite(base.marks.sigma_height)] = np.inf
    control = np.isfinite(network.marks.sigma_height)
    for other in dict.fromkeys((_nearest(away, control), _nearest(away, ~control))):
        if other >= 0:
            names = str(network.marks.mark[other]), str(network.marks.mark[m])
            yield "levelling", "", names, times.levelling, partial(levelled, network, other, m, LEVELLED)


def _nearest(away: Floats, among: Flags) -> int:
    distance = np.where(among, away, np.inf)
    distance = np.nan_to_num(distance, nan=np.inf)
    i = int(np.argmin(distance)) if len(distance) else -1
    return i if i >= 0 and np.isfinite(distance[i]) else -1

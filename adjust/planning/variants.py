"""The same plan with something else: another support under a role, one more round, better bubbles, fixed heights, levelling.

A variant is a function of a filled plan; `plan.predict` does the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal, TypeVar

import numpy as np

from ..ground.network import Network, Reduced, Supports
from ..ground.table import Flags, Ints, Table

Role = Literal["instrument", "target", "both"]
T = TypeVar("T", bound=Table)


@dataclass(frozen=True)
class Choice:
    """One support that could be taken: its row, the height of a device on it (NaN keeps the plan's), whether one base
    stays on a mark while devices are exchanged, the roles it can serve."""

    support: Supports
    height: float = float("nan")
    common_base: bool = False
    roles: tuple[Role, ...] = ("target",)
    words: str = ""

    @property
    def name(self) -> str:
        return str(self.support.support[0])


def stand_on(network: Network, choice: Choice, role: Role) -> Network:
    """All setups of a role on one support. Bases are dissolved, or with `common_base` made one a mark."""
    setups = network.setups
    mine = of_role(network, role)
    row = len(network.supports)
    height = np.full(len(setups), choice.height)
    # an instrument keeps its height: its trunnion axis stands where it stands, whatever carries it
    height = np.where(np.isnan(height) | setups.instrument, setups.height, height)
    base = setups.mark if choice.common_base else np.full(len(setups), -1)
    fresh = _numbers_after(setups.base, base)
    return replace(
        network,
        supports=joined(network.supports, choice.support),
        setups=setups.replace(
            support=np.where(mine, row, setups.support),
            height=np.where(mine, height, setups.height),
            base=np.where(mine, fresh, setups.base),
            height_base=np.where(mine, -1, setups.height_base),
        ),
    )


def of_role(network: Network, role: Role) -> Flags:
    """Which setups are of a role. (n_setups,)"""
    setups = network.setups
    if role == "both":
        return np.ones(len(setups), dtype=bool)
    return setups.instrument if role == "instrument" else ~setups.instrument


def more_rounds(network: Network) -> tuple[Network, int]:
    """Every sight of the last round of its instrument setup once more, in a round of its own; and how many pointings."""
    s = network.sights
    if not len(s):
        return network, 0
    last = np.zeros(len(network.setups), dtype=np.int64)
    used = np.flatnonzero(s.used)
    np.maximum.at(last, s.start[used], s.round[used])
    again = used[s.round[used] == last[s.start[used]]]
    extra = s.take(again)
    ids = [f"{i}+" for i in extra.id]
    extra = extra.replace(id=ids, round=extra.round + 1)
    return replace(network, sights=joined(s, extra)), len(again)


def better_bubbles(network: Network, off_centre: float = 0.2e-3) -> tuple[Network, Ints]:
    """Bubbles in adjustment and centred to `off_centre` m of run; and the rows of the supports that gain."""
    p = network.supports
    gains = np.isnan(p.centring_sigma) & (
        ((p.bubble > 0.0) & (p.bubble_off_centre > off_centre)) | (p.bubble_error > 0.0)
    )
    supports = p.replace(
        bubble_error=np.where(gains, 0.0, p.bubble_error),
        bubble_off_centre=np.where(gains, np.minimum(p.bubble_off_centre, off_centre), p.bubble_off_centre),
    )
    return replace(network, supports=supports), np.flatnonzero(gains)


def surer_heights(network: Network, role: Role, sigma: float) -> tuple[Network, Ints]:
    """The same network with the heights of a role known to `sigma` m; and the rows of the setups that gain."""
    setups, supports = network.setups, network.supports
    gains = of_role(network, role) & (supports.height_sigma[setups.support] > sigma)
    touched = np.unique(setups.support[gains])
    surer = supports.take(touched)
    surer = surer.replace(
        support=[f"{n} ({role})" for n in surer.support], height_sigma=np.full(len(touched), sigma)
    )
    row = np.full(len(supports), -1)
    row[touched] = len(supports) + np.arange(len(touched))
    changed = replace(
        network,
        supports=joined(supports, surer),
        setups=setups.replace(
            support=np.where(gains, row[setups.support], setups.support),
            height_base=np.where(gains, -1, setups.height_base),
        ),
    )
    return changed, np.flatnonzero(gains)


def levelled(network: Network, start: int, end: int, sigma: float) -> Network:
    """The network with the rise between two marks observed to `sigma` m."""
    row: dict[str, Any] = {"id": ["levelled"], "kind": ["rise"], "start": [start], "end": [end]}
    rise = Reduced(**row | {"value": [0.0], "sigma": [sigma]})
    return replace(network, reduced=joined(network.reduced, rise))


def joined(first: T, second: T) -> T:
    """Two tables of one type, one below the other."""
    return type(first)(
        **{c.name: np.concatenate([getattr(first, c.name), getattr(second, c.name)]) for c in first.columns()}
    )


def _numbers_after(taken: Ints, wanted: Ints) -> Ints:
    """Group numbers that don't meet those that are taken; −1 stays."""
    first = int(taken.max(initial=-1)) + 1
    return np.where(wanted >= 0, wanted + first, -1)

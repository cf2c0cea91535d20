"""One line measured twice: distances and rises between two marks, from either end or on different setups.

What they may differ by comes from the readings and from the setups' own errors, each counted once: where both lines share a
base, its error cancels. New setups at both ends:  2σ_S² + Σ of four centrings along the line.
"""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np

from ..ground.network import Network
from ..ground.table import Floats
from ..settings import Settings
from .check import Check, Effects, Form, critical_of, normal_check
from .legs import Leg


def two_way_checks(network: Network, settings: Settings, legs: list[Leg]) -> list[Check]:
    """Every further line between two marks against the first one."""
    pairs: dict[tuple[int, int], list[Leg]] = defaultdict(list)
    for leg in legs:
        pairs[min(leg.start_mark, leg.end_mark), max(leg.start_mark, leg.end_mark)].append(leg)
    several = [group for group in pairs.values() if len(group) > 1]
    limit = critical_of(settings, 2 * sum(len(g) - 1 for g in several))
    effects = Effects.of(network)
    found: list[Check] = []
    for group in several:
        with_distance = [leg for leg in group if not np.isnan(leg.D)]
        with_rise = [leg for leg in group if not np.isnan(leg.up) and known_heights(effects, leg)]
        for first, again in ((with_distance[0], leg) for leg in with_distance[1:]):
            found.append(_distance(network, effects, first, again, limit))
        for first, again in ((with_rise[0], leg) for leg in with_rise[1:]):
            found.append(_rise(network, settings, effects, first, again, limit))
    return found


def known_heights(effects: Effects, leg: Leg) -> bool:
    """Whether both devices have heights."""
    return leg.start < 0 or not (
        math.isnan(effects.heights[leg.start]) or math.isnan(effects.heights[leg.end])
    )


def rise_of_marks(effects: Effects, leg: Leg) -> float:
    """From the mark under the instrument to that under the target, m."""
    if leg.start < 0:
        return leg.up
    return float(leg.up + effects.heights[leg.start] - effects.heights[leg.end])


def add_rise(form: Form, settings: Settings, effects: Effects, leg: Leg, sign: Floats | float) -> None:
    """What makes a rise wrong: its readings, two heights, and refraction, which is common to all."""
    form.add(("up", leg.number, 0), leg.sigma_up, sign)
    if leg.start >= 0:
        effects.rise(form, leg.start, sign)
        effects.rise(form, leg.end, -sign)
    form.add(("refraction", 0, 0), settings.refraction_sigma, sign * leg.refraction)


def _distance(network: Network, effects: Effects, first: Leg, again: Leg, limit: float) -> Check:
    form = Form(1)
    for leg, sign in ((again, 1.0), (first, -1.0)):
        form.add(("distance", leg.number, 0), leg.sigma_flat, sign)
        # along the line, counted from the first one's start: the other direction turns the signs
        along = sign if leg.start_mark == first.start_mark else -sign
        for setup, end in ((leg.start, -along), (leg.end, along)):
            effects.shift(form, setup, 0.0, end)
    sigma = float(np.sqrt(form.covariance()[0, 0]))
    return normal_check(
        "distance both ways" if again.start_mark != first.start_mark else "distance again",
        _names(network, first, again), again.D - first.D, sigma, limit, "length", length=first.D,
        first=_words(network, first), again=_words(network, again),
    )  # fmt: skip


def _rise(
    network: Network, settings: Settings, effects: Effects, first: Leg, again: Leg, limit: float
) -> Check:
    form = Form(1)
    turned = again.start_mark != first.start_mark
    add_rise(form, settings, effects, again, 1.0)
    add_rise(form, settings, effects, first, 1.0 if turned else -1.0)
    sigma = float(np.sqrt(form.covariance()[0, 0]))
    a, b = rise_of_marks(effects, first), rise_of_marks(effects, again)
    return normal_check(
        "rise both ways" if turned else "rise again",
        _names(network, first, again), b + a if turned else b - a, sigma, limit, "length", length=first.D,
        first=_words(network, first), again=_words(network, again),
    )  # fmt: skip


def _names(network: Network, first: Leg, again: Leg) -> tuple[str, ...]:
    """Both marks, then the setups that took part."""
    marks, setups = network.marks.mark, network.setups.setup
    took_part = [s for leg in (first, again) for s in (leg.start, leg.end) if s >= 0]
    return (str(marks[first.start_mark]), str(marks[first.end_mark]), *(str(setups[s]) for s in took_part))


def _words(network: Network, leg: Leg) -> str:
    """`I02 → T09`, or `row 12`."""
    if leg.start < 0:
        return f"row {leg.row}"
    return f"{network.setups.setup[leg.start]} → {network.setups.setup[leg.end]}"

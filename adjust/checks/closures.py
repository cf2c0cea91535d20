"""Closures of loops against what they may be: the errors of the readings, and of every setup once.

A closed loop of n marks turns by (n ∓ 2)·180° in all, comes back to its first mark, and rises by nothing. The covariance of the
three closures is propagated from readings and setup effects, so a base that stands through an exchange cancels, as it does
in truth: such a loop says nothing about the centring over its marks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..ground.cycles import cycle_basis
from ..ground.network import Network
from ..ground.table import Floats
from ..ground.topology import Loop, loops
from ..model.reductions import reduce_readings, wrap
from ..settings import Settings
from .check import Check, Effects, Form, alpha_of, chi2_check, critical_of, normal_check
from .legs import Index, Leg, angle
from .legs import legs as all_legs
from .traverses import traverse_checks
from .twoway import add_rise, known_heights, rise_of_marks


@dataclass(frozen=True)
class Closure:
    """Closures of one loop: angle (rad), east, north (m, the first leg runs north); their covariance (3, 3); perimeter."""

    values: Floats
    covariance: Floats
    perimeter: float


def closures(
    network: Network, settings: Settings, most: int = 300, coordinates: Floats | None = None
) -> tuple[tuple[Check, ...], int]:
    """All closures of a day's readings without adjusting, and how many loops were passed over beyond the `most` shortest.

    Coordinates (n_marks, 3) bring legs at different heights to one level: any that are near enough.
    """
    obs = reduce_readings(network)
    found = loops(network, obs)
    checks = closure_checks(network, settings, all_legs(network, settings, obs, coordinates), found[:most])
    return tuple(checks), max(0, len(found) - most)


def closure_checks(
    network: Network, settings: Settings, legs: list[Leg], closed: tuple[Loop, ...]
) -> list[Check]:
    """The closures of all loops that have them (angle, position, height), then of lines between control marks."""
    effects, index = Effects.of(network), Index(legs)
    limit = critical_of(settings, 3 * len(closed))
    row = {str(m): i for i, m in enumerate(network.marks.mark)}
    found: list[Check] = []
    for loop in closed:
        marks = [row[m] for m in loop.marks]
        plan = plane_closure(marks, index, effects)
        names = tuple(loop.marks)
        if plan is not None:
            sigma = float(np.sqrt(plan.covariance[0, 0]))
            found.append(
                normal_check(
                    "closure of angles", names, float(plan.values[0]), sigma, limit, "angle", len(marks)
                )
            )
            found.append(_position(plan, names, alpha_of(settings, 3 * len(closed))))
        found += _height(settings, effects, marks, index, names, limit)
    found += traverse_checks(network, settings, index, limit)
    return found + control_lines(network, settings, effects, legs, limit)


def control_lines(
    network: Network, settings: Settings, effects: Effects, legs: list[Leg], limit: float
) -> list[Check]:
    """Lines of rises from one mark of known height to another, against the two heights."""
    marks = network.marks
    known = np.flatnonzero(np.isfinite(marks.sigma_height) & ~np.isnan(marks.height)).tolist()
    usable = {(leg.start_mark, leg.end_mark): leg for leg in reversed(legs) if _usable(effects, leg)}
    if len(known) < 2 or not usable:
        return []
    met = {m for pair in usable for m in pair}
    held = [(-1, m) for m in known if m in met]  # the datum joins all that it holds
    found: list[Check] = []
    for cycle in cycle_basis([*usable, *held], -1):
        if -1 not in cycle:
            continue
        at = cycle.index(-1)
        path = cycle[at + 1 :] + cycle[:at]
        first, last = path[0], path[-1]
        form, total = Form(1), float(marks.height[first] - marks.height[last])
        for a, b in pairwise(path):
            leg, sign = (usable[a, b], 1.0) if (a, b) in usable else (usable[b, a], -1.0)
            total += sign * rise_of_marks(effects, leg)
            add_rise(form, settings, effects, leg, sign)
        for m in (first, last):
            form.add(("control", m, 2), float(marks.sigma_height[m]), 1.0)
        sigma = float(np.sqrt(form.covariance()[0, 0]))
        names = tuple(str(marks.mark[m]) for m in path)
        found.append(normal_check("line between heights", names, total, sigma, limit, "length", len(path)))
    return found


def _position(plan: Closure, names: tuple[str, ...], alpha: float) -> Check:
    Q, d = plan.covariance[1:, 1:], plan.values[1:]
    length, T = float(np.hypot(*d)), float(d @ np.linalg.solve(Q, d))
    ratio = plan.perimeter / length if length > 0.0 else float("inf")
    sigma = float(np.sqrt(np.trace(Q)))
    kind = "closure of position"
    return chi2_check(kind, names, T, 2, length, sigma, alpha, "length", len(names), ratio_to_perimeter=ratio)


def plane_closure(marks: list[int], legs: Index, effects: Effects) -> Closure | None:
    """The loop over `marks` (rows, in order) as a traverse; None where an angle or a distance is missing."""
    n = len(marks)
    chosen: list[tuple[Leg, Leg]] = []
    for i in range(n):
        pair = legs.angle_at(marks[i], marks[i - 1], marks[(i + 1) % n])
        if pair is None:
            return None
        chosen.append(pair)
    angles = [angle(*pair) for pair in chosen]
    azimuth = np.zeros(n)
    for i in range(1, n):
        azimuth[i] = azimuth[i - 1] + angles[i][0] - np.pi
    D = np.array([fore.D for _, fore in chosen])
    if np.isnan(D).any():
        return None
    unit = np.column_stack([np.sin(azimuth), np.cos(azimuth)])
    right = np.column_stack([np.cos(azimuth), -np.sin(azimuth)])
    position = (D[:, None] * unit).sum(axis=0)
    turned = float(wrap(np.array(sum(a for a, _ in angles) - n * np.pi)))
    form = Form(3)
    for i, (back, fore) in enumerate(chosen):
        # an angle turns all that follows it; the first turns nothing but the sum
        swing = (D[i:, None] * right[i:]).sum(axis=0) if i else np.zeros(2)
        by_angle = np.array([1.0, *swing])
        form.add(("angle", back.number, fore.number), angles[i][1], by_angle)
        form.add(("distance", fore.number, 0), fore.sigma_flat, np.array([0.0, *unit[i]]))
        before = (i - 1) % n
        for leg, sign, length, across in (
            (fore, 1.0, D[i], right[i]),
            (back, -1.0, D[before], -right[before]),
        ):
            for setup, end in ((leg.end, 1.0), (leg.start, -1.0)):
                push = sign * end * across / length
                effects.shift(form, setup, by_angle * push[0], by_angle * push[1])
        for setup, end in ((fore.end, 1.0), (fore.start, -1.0)):
            along = np.array([0.0, *unit[i]])
            effects.shift(form, setup, end * along * unit[i, 0], end * along * unit[i, 1])
    return Closure(np.array([turned, *position]), form.covariance(), float(D.sum()))


def _height(
    settings: Settings,
    effects: Effects,
    marks: list[int],
    legs: Index,
    names: tuple[str, ...],
    limit: float,
) -> list[Check]:
    form, total, perimeter = Form(1), 0.0, 0.0
    for i, a in enumerate(marks):
        b = marks[(i + 1) % len(marks)]
        forward = [leg for leg in legs.of(a, b) if _usable(effects, leg)]
        backward = [leg for leg in legs.of(b, a) if _usable(effects, leg)]
        if not forward and not backward:
            return []
        leg, sign = (forward[0], 1.0) if forward else (backward[0], -1.0)
        total += sign * rise_of_marks(effects, leg)
        perimeter += leg.D if not np.isnan(leg.D) else 0.0
        add_rise(form, settings, effects, leg, sign)
    sigma = float(np.sqrt(form.covariance()[0, 0]))
    return [
        normal_check("closure of heights", names, total, sigma, limit, "length", len(marks), length=perimeter)
    ]


def _usable(effects: Effects, leg: Leg) -> bool:
    return not math.isnan(leg.up) and known_heights(effects, leg)

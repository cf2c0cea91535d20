"""Heights of setups: the hypotheses, and the slips that make a height wrong by a certain amount.

Size: entered − true, m. A free station's height of instrument cancels from all targets, so nothing tells it, and no
hypothesis is made of it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from ..ground.network import Network
from ..ground.table import Ints, distinct
from .signatures import Book, Hypothesis
from .written import Written, length_swaps

FOOT = 0.3048  # international foot, exactly
SAME = 2e-4  # m: two entered heights are the same number
STEPS = (0.1, FOOT, 0.1 * FOOT)  # notches of graduated poles; common practice, no source
MOST_STEPS = 5
SLANT_RADIUS = (0.08, 0.20)  # m: from the plumb line to where a slant is taped; common practice, no source


def add_heights(book: Book) -> None:
    """One hypothesis for every setup (or height base) whose height the observations feel."""
    point = book.point
    network, p = point.solved.network, point.unknowns.priors
    rows = np.flatnonzero((p.source == "effect") & (p.axis == 2))
    if len(rows):
        reliability = point.reliability[-1]
        made = [
            Hypothesis("setup", str(network.setups.setup[s]), "height_wrong", int(s)) for s in p.setup[rows]
        ]
        strength = reliability.strength[rows] / p.sigma[rows]
        book.add_single(made, point.prior_offset + rows, 1.0 / p.sigma[rows], strength)
    for k, e in enumerate(point.extras):
        if e.kind == "effect" and e.axis == 2:
            row, value = point.extra(k)
            book.add(
                Hypothesis("setup", str(network.setups.setup[e.row]), "height_wrong", e.row), row, -value
            )


def slips(network: Network, setup: int, written: Written) -> Iterator[tuple[str, float, tuple[object, ...]]]:
    """Causes of a wrong height with the size (m) that each would have, and what its sentence needs.

    NaN: any size fits, since only what was entered gives it away.
    """
    setups, supports = network.setups, network.supports
    entered = float(setups.height[setup])
    if math.isnan(entered):
        return
    kind = str(supports.height_kind[setups.support[setup]])
    if kind != "fixed":
        for swapped in length_swaps(entered, written):
            yield "height_digits_swapped", entered - swapped, (entered, swapped)
    if kind in ("graduated", "taped", "undeclared"):
        for step in STEPS:
            for k in range(1, MOST_STEPS + 1):
                yield "graduation_step", k * step, (k, step)
                yield "graduation_step", -k * step, (k, step)
    yield "feet_as_metres", entered * (1.0 - FOOT), (entered, entered * FOOT)
    yield "metres_as_feet", entered * (1.0 - 1.0 / FOOT), (entered, entered / FOOT)
    for name, height in _usual_heights(network, setup):
        if abs(height - entered) > SAME:
            yield "other_support_height", entered - height, (entered, height, name)
        elif name != str(supports.support[setups.support[setup]]):
            yield "support_height_taken", math.nan, (entered, name)
    yield from _slants(network, setup, entered, kind)
    before = _previous(network, setup)
    if kind != "fixed" and before >= 0 and abs(float(setups.height[before]) - entered) < SAME:
        cause = "hi_not_updated" if setups.instrument[setup] else "height_left_over"
        yield cause, math.nan, (entered, before)


def _slants(
    network: Network, setup: int, entered: float, kind: str
) -> Iterator[tuple[str, float, tuple[object, ...]]]:
    """The slant taken for the vertical: too high by h − √(h² − r²), with the support's radius where it has one."""
    if kind not in ("taped", "slant", "undeclared"):
        return
    supports, support = network.supports, int(network.setups.support[setup])
    radius, offset = float(supports.slant_radius[support]), float(supports.slant_offset[support])
    if radius > 0.0 and entered > radius:
        size = entered - math.sqrt(entered**2 - radius**2) - offset
        yield "slant_as_vertical", -size if kind == "slant" else size, (entered,)
    elif kind != "slant":
        for r in np.arange(SLANT_RADIUS[0], SLANT_RADIUS[1] + 1e-9, 0.02):
            if entered > r:
                yield "slant_as_vertical", entered - math.sqrt(entered**2 - float(r) ** 2), (entered,)


def _usual_heights(network: Network, setup: int) -> list[tuple[str, float]]:
    """Heights that supports of fixed height stand at in this job, this setup's own entry apart."""
    setups, supports = network.setups, network.supports
    out: list[tuple[str, float]] = []
    for k in distinct(setups.support).tolist():
        if supports.height_kind[k] != "fixed" or supports.kind[k] not in ("stand", "pole"):
            continue
        heights = setups.height[(setups.support == k) & (np.arange(len(setups)) != setup)]
        values, count = np.unique(np.round(heights[~np.isnan(heights)], 4), return_counts=True)
        if not len(values):
            continue
        usual = float(values[np.argmax(count)])
        out.append((str(supports.support[k]), usual))
    return out


def _previous(network: Network, setup: int) -> int:
    """The setup before this one with the same role and support, −1 where there is none."""
    s = network.setups
    same: Ints = np.flatnonzero(
        (s.instrument[:setup] == s.instrument[setup]) & (s.support[:setup] == s.support[setup])
    )
    return int(same[-1]) if len(same) else -1

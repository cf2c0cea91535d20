"""From a size to the slip behind it: causes of a discrete size that fit what was estimated.

A slip fits if its size lies within three standard deviations of the free one. Of several that fit the likeliest goes
first: z² plus twice the logarithm of how many sizes its kind could have had; the others are its rivals. Digits exchanged
can explain nearly any small error, so where one would fit by chance the free size stays in front.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from ..ground.table import Floats
from .distances import device_prisms, prisms
from .finding import Explanation
from .heights import SAME, slips
from .point import Point
from .readings import digits
from .signatures import Hypothesis
from .written import Written, length_swaps

FITS = 3.0  # standard deviations
LIKELY = 0.1  # chance of a fit from which a swap of digits says nothing
BY_CHANCE = 100.0  # score of what may fit by chance: it comes after the free size
ROUNDING = 5e-5  # m: heights and constants are written to a tenth of a millimetre

Slip = tuple[str, float, tuple[object, ...]]


def explanations(
    point: Point, h: Hypothesis, size: Floats, covariance: Floats, T: float, freedoms: int, written: Written
) -> list[Explanation]:
    """All that fits, likeliest first; the free size itself, where nothing discrete does."""
    detail = h.detail
    length = float(size[0]) if h.q == 1 else float(np.linalg.norm(size))
    sigma = _sigma(size, covariance)

    def made(cause: str, statistic: float, value: float, detail: tuple[object, ...]) -> Explanation:
        free = math.nan if h.fixed is not None else length
        vector = tuple(size.tolist()) if h.q > 1 else ()
        return Explanation(
            h.what, h.name, cause, free, statistic, h.subject, sigma, freedoms, vector, value, detail
        )

    if h.fixed is not None:
        return [made(h.cause, T, h.fixed, detail)]
    if h.q > 1:
        fitting = list(_vector_slips(point, h, size, covariance, written))
    else:
        slips_of = list(_slips(point, h, written))
        fitting = []
        for cause in dict.fromkeys(c for c, _, _ in slips_of):
            mine = [s for s in slips_of if s[0] == cause]
            fitting += _fitting(point, h, mine, length, sigma)
    fitting.sort(key=lambda f: f[0])
    best: dict[str, Explanation] = {}
    for score, z2, (cause, value, told) in fitting:
        if score >= BY_CHANCE and not best:
            best[h.cause] = made(h.cause, T, math.nan, detail)
        best.setdefault(cause, made(cause, T - z2, value, told))
    return list(best.values()) or [made(h.cause, T, math.nan, detail)]


def _fitting(
    point: Point, h: Hypothesis, slips_of: list[Slip], size: float, sigma: float
) -> list[tuple[float, float, Slip]]:
    """Of the sizes of one cause those that fit, with their score and z²."""
    out = []
    number = len(slips_of)
    for slip in slips_of:
        if math.isnan(slip[1]):
            out.append((_habit(point, h), 0.0, slip))
            continue
        z2 = (size - slip[1]) ** 2 / (sigma**2 + ROUNDING**2)
        if z2 < FITS**2:
            late = BY_CHANCE if slip[0].endswith("digits_swapped") and _chance(slips_of, size, sigma) else 0.0
            out.append((late + z2 + 2.0 * math.log(number), z2, slip))
    return out


def _chance(slips_of: list[Slip], size: float, sigma: float) -> bool:
    """Is it likely that some exchange of digits fits an error of any such size?"""
    near = sum(abs(s[1]) < 2.0 * abs(size) for s in slips_of)
    return near * 2.0 * FITS * sigma > LIKELY * 4.0 * abs(size)


def _habit(point: Point, h: Hypothesis) -> float:
    """Score of "left over": equal heights in a row say little where they are the habit."""
    s = point.solved.network.setups
    mine = np.flatnonzero((s.support == s.support[h.subject]) & (s.instrument == s.instrument[h.subject]))
    heights = s.height[mine]
    if len(heights) < 3:
        return 6.0
    return 2.0 + 20.0 * float(np.mean(np.abs(np.diff(heights)) < SAME))


def _slips(point: Point, h: Hypothesis, written: Written) -> Iterator[Slip]:
    network = point.solved.network
    if h.cause == "height_wrong":
        yield from slips(network, h.subject, written)
    elif h.cause == "prism_constant":
        for difference in prisms(point, h.subject):
            yield "other_prism", difference, ()
    elif h.cause == "device_constant":
        for difference in device_prisms(network, h.subject):
            yield "other_device", difference, ()
    elif h.cause == "distance_scale":
        ratio = point.solved.equations.frame.grid_over_ground(point.solved.state.coordinates) - 1.0
        if abs(ratio) > 1e-9:
            yield "scale_twice", ratio, ()
            yield "scale_missing", -ratio, ()
    elif h.what == "sight":
        yield from digits(point, h.subject, written)
    elif h.cause == "control_height":
        given = float(network.marks.height[h.subject])
        for right in length_swaps(given, written, least=0):
            yield "control_digits_swapped", given - right, ("height", given, right)


def _vector_slips(
    point: Point, h: Hypothesis, size: Floats, covariance: Floats, written: Written
) -> Iterator[tuple[float, float, Slip]]:
    """Control mistyped: digits of one coordinate, or east and north exchanged."""
    if h.cause != "control_moved" or h.q != 2 or not np.isfinite(covariance).all():
        return
    marks = point.solved.network.marks
    given = np.array([marks.east[h.subject], marks.north[h.subject]])
    N = np.linalg.inv(covariance + ROUNDING**2 * np.eye(2))
    candidates: list[tuple[Slip, Floats]] = [(("control_axes_swapped", math.nan, ()), given[::-1] - given)]
    for axis, name in enumerate(("east", "north")):
        for right in length_swaps(float(given[axis]), written, least=0):
            move = np.zeros(2)
            move[axis] = right - given[axis]
            told = (name, float(given[axis]), right)
            candidates.append((("control_digits_swapped", -float(move[axis]), told), move))
    for slip, move in candidates:
        d = size - move
        # a mark moved far bends the network: a hundredth of the way is left to that
        slack = 9.0 + float(N.max()) * (1e-3 * float(np.linalg.norm(move))) ** 2
        z2 = float(d @ N @ d)
        if z2 < slack:
            yield z2 + 2.0 * math.log(len(candidates)), min(z2, 9.0), slip


def _sigma(size: Floats, covariance: Floats) -> float:
    """Standard deviation of a size; of a displacement, along it."""
    if len(size) == 1:
        return float(np.sqrt(covariance[0, 0]))
    length = float(np.linalg.norm(size))
    if length == 0.0 or not np.isfinite(covariance).all():
        return math.inf
    u = size / length
    return float(np.sqrt(u @ covariance @ u))

"""The network as general-purpose libraries want it: one factor a pair of setups, with the model written once more.

Variables are marks (3), setup effects (3, prior 0) and orientations (1). A factor holds all rounds of one pair of setups:
direction, zenith angle and slope distance of each, whitened, so 3R residuals over the two marks, the two setups' effects
and R orientations. The peers are given our reduced observations and our start coordinates; neither is timed for them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hubtack.adjust.ground.network import Network
from hubtack.adjust.ground.table import Flags, Floats, Ints
from hubtack.adjust.model.approximate import approximate
from hubtack.adjust.model.frames import reference_height
from hubtack.adjust.model.reductions import reduce_readings, rows_of_kind
from hubtack.adjust.model.unknowns import place_unknowns
from hubtack.adjust.settings import Settings


@dataclass(frozen=True)
class Pair:
    """One factor. value and weight (R, 3): direction rad, zenith rad, distance m; one over sigma."""

    start: int
    end: int
    start_mark: int
    end_mark: int
    turns: tuple[int, ...]
    value: tuple[tuple[float, float, float], ...]
    weight: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class Problem:
    """Start values, priors and factors. Lengths m, angles rad."""

    marks: Floats  # (n, 3) start coordinates; held ones are given
    held: Flags  # (n,)
    heights: Floats  # (n_setups,) of devices over their marks
    effects: Floats  # (n_setups, 3) prior sigmas
    turns: Floats  # (n_turns,) start orientations
    stand: Ints  # (n_turns,) the instrument setup of each
    pairs: list[Pair]
    radius: float
    reference: float
    refraction: float

    @property
    def seen(self) -> Ints:
        """Rows of the marks that a factor touches."""
        return np.unique([m for p in self.pairs for m in (p.start_mark, p.end_mark)])


def problem_of(network: Network, settings: Settings) -> Problem:
    """Of a network in which every sight has all three readings and every mark is held or free."""
    obs = reduce_readings(network)
    unknowns = place_unknowns(network, obs, settings)
    start = approximate(network, obs, settings, unknowns.heights)
    d, z, s = (rows_of_kind(obs)[k] for k in ("direction", "zenith", "distance"))
    assert len(d) == len(z) == len(s)
    value = np.column_stack([obs.value[d], obs.value[z], obs.value[s]])
    weight = 1.0 / np.column_stack([obs.sigma[d], obs.sigma[z], obs.sigma[s]])
    together: dict[tuple[int, int], list[int]] = {}
    for i, key in enumerate(zip(obs.start_setup[d].tolist(), obs.end_setup[d].tolist(), strict=True)):
        together.setdefault(key, []).append(i)
    on = network.setups.mark.tolist()
    pairs = [
        Pair(
            a, b, on[a], on[b], tuple(obs.orientation[d[rows]].tolist()),
            tuple(map(tuple, value[rows].tolist())), tuple(map(tuple, weight[rows].tolist())),
        )
        for (a, b), rows in together.items()
    ]  # fmt: skip
    stand = np.zeros(len(start.orientations), dtype=np.int64)
    stand[obs.orientation[d]] = obs.start_setup[d]
    return Problem(
        start.coordinates,
        network.marks.sigma_east == 0.0,
        unknowns.heights,
        np.column_stack([unknowns.centring_sigma, unknowns.centring_sigma, unknowns.height_sigma]),
        start.orientations,
        stand,
        pairs,
        settings.radius,
        reference_height(network, settings),
        settings.refraction,
    )


Point = tuple[float, float, float]


def sight(p: Problem, a: Point, b: Point, pair: Pair, turns: list[float]) -> tuple[Floats, Floats, Floats]:
    """Whitened residuals (3R,) of a factor with device centres a and b, and their Jacobians (3R, 3) to a and to b.

    The plane frame: θ = D/(R + h0), x = (R + h_b)·sin θ, u = h_b − h_a − 2(R + h_b)·sin²(θ/2). In plain Python, because a
    factor is too small for numpy to pay.
    """
    de, dn = b[0] - a[0], b[1] - a[1]
    grid = math.hypot(de, dn)
    ue, un = de / grid, dn / grid
    rate = 1.0 / (p.radius + p.reference)
    theta, far = grid * rate, p.radius + b[2]
    sin, cos, half = math.sin(theta), math.cos(theta), math.sin(0.5 * theta)
    x, u = far * sin, b[2] - a[2] - 2.0 * far * half * half
    slope = math.hypot(x, u)
    azimuth, zenith = math.atan2(de, dn), math.atan2(x, u) - 0.5 * p.refraction * theta
    x_grid, u_grid = far * cos * rate, -far * sin * rate  # ∂x and ∂u to the grid length
    z_x, z_u = u / slope**2, -x / slope**2
    s_x, s_u = x / slope, u / slope
    z_grid = z_x * x_grid + z_u * u_grid - 0.5 * p.refraction * rate
    s_grid = s_x * x_grid + s_u * u_grid
    z_end, s_end = z_x * sin + z_u * cos, s_x * sin + s_u * cos  # ∂ to h_b; to h_a only u moves, by −1
    residuals, to_a, to_b = [], [], []
    for (direction, angle, length), (w1, w2, w3), turn in zip(pair.value, pair.weight, turns, strict=True):
        off = (azimuth - turn - direction + math.pi) % (2.0 * math.pi) - math.pi
        residuals += [w1 * off, w2 * (zenith - angle), w3 * (slope - length)]
        ae, an = w1 * un / grid, -w1 * ue / grid
        ze, zn = w2 * z_grid * ue, w2 * z_grid * un
        se, sn = w3 * s_grid * ue, w3 * s_grid * un
        to_a += [(-ae, -an, 0.0), (-ze, -zn, -w2 * z_u), (-se, -sn, -w3 * s_u)]
        to_b += [(ae, an, 0.0), (ze, zn, w2 * z_end), (se, sn, w3 * s_end)]
    return np.array(residuals), np.array(to_a), np.array(to_b)

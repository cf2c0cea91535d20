"""Legs: what the sights of one pair of setups say together, all rounds pooled, with the error of the readings alone."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from ..ground.network import Network
from ..ground.table import Floats, Ints
from ..model.frames import frame_of
from ..model.reductions import Observations, numbered, packed, reduce_readings, wrap
from ..settings import Settings
from .plumb import plumbed

_KINDS = ("direction", "zenith", "distance", "level")


@dataclass(frozen=True)
class Leg:
    """From an instrument setup to a target setup, or (setups −1) a levelled rise between marks, named by its row.

    D horizontal distance and `up` from trunnion axis to target (from mark to mark), m; NaN unknown.
    """

    number: int
    start: int
    end: int
    start_mark: int
    end_mark: int
    D: float
    sigma_flat: float
    up: float
    sigma_up: float
    refraction: float  # ∂up/∂k, m
    directions: dict[int, tuple[float, float]] = field(default_factory=dict)  # round → value, sigma
    row: str = ""
    on_grid: bool = False  # D is a length on the grid; otherwise one at the level of the instrument


def legs(
    network: Network,
    settings: Settings,
    obs: Observations | None = None,
    coordinates: Floats | None = None,
) -> list[Leg]:
    """All legs, in the order of the first sight of each; then levelled rises.

    Curvature and refraction, at the level of the instrument:  D = S sin z − (1 − k/2)·S² sin z cos z / R,
    up = S cos z + (1 − k)(S sin z)²/(2R)  (all textbooks, from memory).

    With coordinates (n_marks, 3), approximate ones, D is brought to the grid, so that legs at different heights can be
    compared; and in the earth frame zenith angles to one vertical.
    """
    obs = obs if obs is not None else reduce_readings(network)
    scales = np.ones(len(network.marks))
    if coordinates is not None:
        obs = plumbed(network, settings, obs, coordinates)
        known = frame_of(network, settings).grid_scales(coordinates)
        usual = float(np.nanmean(known)) if np.isfinite(known).any() else 1.0
        scales = np.where(np.isfinite(known), known, usual)
    R, k = settings.radius, settings.refraction
    rows = np.flatnonzero(
        obs.used & (obs.start_setup >= 0) & (obs.end_setup >= 0) & np.isin(obs.kind, _KINDS)
    )
    first, number = numbered(packed(obs.start_setup[rows], obs.end_setup[rows]))
    order = np.argsort(first)  # of their first sights
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    leg_of, start, end = rank[number], obs.start_setup[rows[first[order]]], obs.end_setup[rows[first[order]]]
    z, sz = _means(obs, rows, leg_of, len(order), "zenith")
    S, sS = _means(obs, rows, leg_of, len(order), "distance")
    level, s_level = _means(obs, rows, leg_of, len(order), "level")
    sin, cos = np.sin(z), np.cos(z)
    D = S * sin - (1.0 - 0.5 * k) * S**2 * sin * cos / R
    bend = settings.refraction_sigma * S**2 * sin * cos / (2.0 * R)  # σ_k·∂D/∂k: matters on long steep sights
    s_D = np.sqrt((sin * sS) ** 2 + (S * cos * sz) ** 2 + bend**2)
    D, s_D = np.where(np.isnan(D), level, D), np.where(np.isnan(D), s_level, s_D)
    sloped = ~np.isnan(S)
    far = np.where(sloped, S * sin, level)
    with np.errstate(divide="ignore", invalid="ignore"):  # a vertical sight has no horizontal distance
        flat = np.where(sloped, S * cos, level / np.tan(z))
        up_of_level = np.hypot(s_level / np.tan(z), level * sz / sin**2)
    s_up = np.where(sloped, np.hypot(cos * sS, S * sin * sz), up_of_level)
    directions: list[dict[int, tuple[float, float]]] = [{} for _ in order]
    seen = obs.kind[rows] == "direction"
    columns = (obs.round[rows[seen]], obs.value[rows[seen]], obs.sigma[rows[seen]])
    for i, r, value, sigma in zip(leg_of[seen].tolist(), *(c.tolist() for c in columns), strict=True):
        directions[i][r] = (value, sigma)
    here, there = network.setups.mark[start], network.setups.mark[end]
    numbers = (D * scales[here], s_D, flat + (1.0 - k) * far**2 / (2.0 * R), s_up, -(far**2) / (2.0 * R))
    parts = [*(c.tolist() for c in (start, end, here, there, *numbers)), directions]
    parts += [[""] * len(order), [coordinates is not None] * len(order)]
    out = [Leg(n, *part) for n, part in enumerate(zip(*parts, strict=True))]
    for i in np.flatnonzero(obs.used & (obs.kind == "rise")).tolist():
        nan, rise, sigma = float("nan"), float(obs.value[i]), float(obs.sigma[i])
        ends = int(obs.start_mark[i]), int(obs.end_mark[i])
        out.append(Leg(len(out), -1, -1, *ends, nan, nan, rise, sigma, 0.0, {}, str(obs.id[i])))
    return out


class Index:
    """Legs by the marks at their ends: a loop or a traverse asks for few of many."""

    def __init__(self, legs: list[Leg]) -> None:
        self._of: dict[tuple[int, int], list[Leg]] = {}
        self._beside: dict[int, dict[int, None]] = {}
        for leg in legs:
            a, b = leg.start_mark, leg.end_mark
            self._of.setdefault((a, b), []).append(leg)
            if not math.isnan(leg.D) and a != b:
                self._beside.setdefault(a, {})[b] = None
                self._beside.setdefault(b, {})[a] = None

    def of(self, start: int, end: int) -> list[Leg]:
        """All legs from one mark to another, as they were sighted."""
        return self._of.get((start, end), [])

    def beside(self, mark: int) -> tuple[int, ...]:
        """Marks that a distance joins to this one."""
        return tuple(self._beside.get(mark, ()))

    def distance(self, start: int, end: int) -> Leg:
        """A leg with a distance between two marks that are `beside` each other: sighted forwards where there is one."""
        both = (*self.of(start, end), *self.of(end, start))
        return next(leg for leg in both if not math.isnan(leg.D))

    def angle_at(self, at: int, back: int, fore: int) -> tuple[Leg, Leg] | None:
        """Legs of one instrument setup on `at` to both neighbours, with a common round."""
        for b in self.of(at, back):
            for f in self.of(at, fore) if b.directions else ():
                if f.start == b.start and set(b.directions) & set(f.directions):
                    return b, f
        return None


def angle(back: Leg, fore: Leg) -> tuple[float, float]:
    """Clockwise angle from one leg to another of the same instrument setup over their common rounds, and its sigma; rad.

    NaN where no round has both.
    """
    common = sorted(set(back.directions) & set(fore.directions))
    if not common:
        return float("nan"), float("nan")
    values = np.array([fore.directions[r][0] - back.directions[r][0] for r in common])
    variances = np.array([fore.directions[r][1] ** 2 + back.directions[r][1] ** 2 for r in common])
    weight = 1.0 / variances
    near: Floats = values[0] + wrap(values - values[0])
    return float(np.mod(np.sum(weight * near) / weight.sum(), 2.0 * np.pi)), float(weight.sum() ** -0.5)


def _means(obs: Observations, rows: Ints, leg: Ints, n: int, kind: str) -> tuple[Floats, Floats]:
    """Weighted mean and its sigma of what each of n legs has of a kind, NaN where there is none."""
    mine = obs.kind[rows] == kind
    weight = 1.0 / obs.sigma[rows[mine]] ** 2
    total: Floats = np.bincount(leg[mine], weight, n).astype(np.float64)
    total[total == 0.0] = np.nan
    return np.bincount(leg[mine], weight * obs.value[rows[mine]], n) / total, total**-0.5

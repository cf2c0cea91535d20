"""Face pairs: collimation, index, their trend through the day, and single pairs that disagree with the rest.

With F1, F2 the circle readings and V1, V2 the zenith angles of one target on both faces (surveying texts, from memory):

    c/sin z = (F1 − F2 ± 180°)/2        j = (V1 + V2 − 360°)/2

One pair determines each with the sigma that is stated for the mean of both faces (ISO 17123-3). Centring is not in them.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from ..ground.network import Network
from ..ground.table import Floats, Ints, rows_by
from ..model.reductions import numbered, packed, wrap
from ..settings import Settings
from .check import Check, critical_of, normal_check


def pairs(network: Network) -> tuple[Ints, Ints]:
    """Rows on face 1 and face 2 of the same setups and round, first with first; (p,) each."""
    s = network.sights
    rows = np.flatnonzero(s.used)
    first, number = numbered(packed(s.start[rows], s.end[rows], s.round[rows]))
    rank = np.argsort(np.argsort(first))[number]  # of the first sight of each
    key, row = [], []
    for face in (s.face[rows] == 1, s.face[rows] != 1):
        mine = np.flatnonzero(face)
        mine = mine[np.argsort(rank[mine], kind="stable")]
        group = rank[mine]
        key.append(group * len(rows) + np.arange(len(mine)) - np.searchsorted(group, group))
        row.append(rows[mine])
    one, two = (np.isin(k, other, assume_unique=True) for k, other in (key, key[::-1]))
    return row[0][one], row[1][two]


def half_differences(network: Network, one: Ints, two: Ints) -> tuple[Floats, Floats]:
    """c/sin z and index j of every pair, rad; NaN where a reading is missing."""
    s = network.sights
    return 0.5 * wrap(s.circle[one] - s.circle[two] + np.pi), 0.5 * (
        s.zenith[one] + s.zenith[two] - 2.0 * np.pi
    )


def face_checks(network: Network, settings: Settings) -> list[Check]:
    """Collimation and index of every instrument setup, pairs that stand out, and the trend of each instrument."""
    one, two = pairs(network)
    if not len(one):
        return []
    s, setups = network.sights, network.setups
    half, index = half_differences(network, one, two)
    zenith = np.where(np.isnan(s.zenith[one]), 0.5 * np.pi, s.zenith[one])
    collimation = half * np.sin(zenith)
    limit = critical_of(settings, 2 * len(one))
    checks: list[Check] = []
    for kind, values, scale, sigma_of in (
        ("collimation", collimation, np.sin(zenith), network.instruments.direction),
        ("index", index, np.ones(len(one)), network.instruments.zenith),
    ):
        means: dict[int, list[tuple[int, float, float]]] = defaultdict(list)
        for setup, pairs_of in rows_by(s.start[one]).items():
            mine = pairs_of[~np.isnan(values[pairs_of])]
            if not len(mine):
                continue
            sigma = float(sigma_of[setups.device[setup]])
            weight = 1.0 / scale[mine] ** 2
            mean = float(np.sum(weight * values[mine]) / weight.sum())
            of_mean = sigma / float(np.sqrt(weight.sum()))
            means[int(setups.device[setup])].append((setup, mean, of_mean))
            name = str(setups.setup[setup])
            checks.append(Check(kind, (name,), mean, of_mean, 0.0, np.inf, "angle", False, len(mine)))
            checks += _outliers(network, kind, one[mine], values[mine], scale[mine], mean, sigma, limit)
        for device, of_setups in means.items():
            checks += _trend(network, kind, device, of_setups, limit)
    return checks


def _outliers(
    network: Network,
    kind: str,
    rows: Ints,
    values: Floats,
    scale: Floats,
    mean: float,
    sigma: float,
    limit: float,
) -> list[Check]:
    """Pairs beyond the limit, and the worst one in any case."""
    n = len(rows)
    if n < 2:
        return []
    s, setups = network.sights, network.setups
    weight = 1.0 / scale**2
    of_rest = np.sqrt(np.maximum(scale**2 - 1.0 / weight.sum(), 1e-30)) * sigma
    off = values - mean
    order = np.argsort(-np.abs(off) / of_rest)
    found = []
    for k, i in enumerate(order.tolist()):
        names = (str(s.id[rows[i]]), str(setups.setup[s.start[rows[i]]]), str(setups.setup[s.end[rows[i]]]))
        check = normal_check(f"{kind} of a pair", names, float(off[i]), float(of_rest[i]), limit, "angle")
        if k == 0 or check.flagged:
            found.append(check)
    return found


def _trend(
    network: Network, kind: str, device: int, of_setups: list[tuple[int, float, float]], limit: float
) -> list[Check]:
    """A straight line through the means in the order of the day: its change from the first setup to the last."""
    if len(of_setups) < 3:
        return []
    values = np.array([v for _, v, _ in of_setups])
    weight = 1.0 / np.array([s for *_, s in of_setups]) ** 2
    t = np.linspace(-0.5, 0.5, len(values))
    t = t - np.sum(weight * t) / weight.sum()
    curvature = float(np.sum(weight * t**2))
    slope = float(np.sum(weight * t * values) / curvature)
    names = (str(network.instruments.instrument[device]),)
    return [
        normal_check(f"{kind} through the day", names, slope, curvature**-0.5, limit, "angle", len(values))
    ]

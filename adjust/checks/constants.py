"""Constants of devices over several days: what each day says of them, put together with their joint covariance.

Day d, adjusted by itself with prior (p, P), gives (x_d, C_d); what its readings alone say is the information

    N_d = C_d⁻¹ − P_d⁻¹,   b_d = C_d⁻¹x_d − P_d⁻¹p_d

and all days together  C = (P⁻¹ + ΣN_d)⁻¹,  x = C(P⁻¹p + Σb_d). That is the joint adjustment of all days, as long as they
share nothing but these constants (control is held, new marks are each day's own). So a later day that takes (x, C) for its
prior ends where an adjustment of all days would.

Drift: day d against the others, x_d − x_o with covariance C_d + C_o − C_dP⁻¹C_o − C_oP⁻¹C_d, since both lean on one prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..estimate.quantiles import normal_probability
from ..ground.network import Network
from ..ground.table import Flags, Floats
from ..model.constants import OWNERS
from ..model.constants import Constant as Unknown
from ..outcome.control import constant_covariance
from ..results import Adjustment

MM, PPM, ARCSEC = 1e-3, 1e-6, np.pi / 648_000.0
WIDE = {
    "distance_zero": 3 * MM, "distance_scale": 10 * PPM, "collimation": 20 * ARCSEC, "index": 20 * ARCSEC,
    "constant": 3 * MM, "height_offset": 3 * MM,
}  # fmt: skip
"""Prior sigmas of devices of which nothing is stated: more than a device in use is ever wrong by. Common practice, no source."""
TOLD = 0.5  # a constant whose sigma is not below this share of its prior's is not told
SEEN = 0.001  # probability below which a constant is not as stated, or days differ
KEYS = {
    "zero": "distance_zero",
    "scale": "distance_scale",
}  # name of a constant → column of its table, where it differs


@dataclass(frozen=True)
class Known:
    """Constants known together. `names` (section, owner, key): ("instruments", "ts-a", "distance_zero"); arrays (k,), (k, k)."""

    names: tuple[tuple[str, str, str], ...]
    quantity: tuple[str, ...]
    stated: Floats
    stated_sigma: Floats
    value: Floats
    covariance: Floats
    days: tuple[int, ...]
    drift: (
        Floats  # probability that days differ as much by chance, corrected for their number; NaN for one day
    )
    by_day: tuple[tuple[tuple[int, float, float], ...], ...]  # of each constant: day, its own value and sigma

    @property
    def sigma(self) -> Floats:
        s: Floats = np.sqrt(np.diagonal(self.covariance))
        return s

    @property
    def correlation(self) -> Floats:
        r: Floats = self.covariance / np.outer(self.sigma, self.sigma)
        return r

    @property
    def told(self) -> Flags:
        t: Flags = self.sigma < TOLD * self.stated_sigma
        return t

    def verdict(self, i: int) -> str:
        """as stated, not as stated, drifts, cannot tell."""
        if self.drift[i] < SEEN:
            return "drifts"
        if not self.told[i]:
            return "cannot tell"
        w = abs(self.value[i] - self.stated[i]) / self.sigma[i]
        return "not as stated" if 2.0 * normal_probability(-w) < SEEN else "as stated"


def freed(network: Network) -> Network:
    """The network with a wide prior for every constant of a device that states none: to learn them, not to deliver."""
    made = {}
    for section, keys in (
        ("instruments", ("distance_zero", "distance_scale", "collimation", "index")),
        ("targets", ("constant",)),
        ("supports", ("height_offset",)),
    ):
        table = getattr(network, section)
        columns = {f"{k}_sigma": getattr(table, f"{k}_sigma") for k in keys}
        made[section] = table.replace(**{k: np.where(v > 0.0, v, WIDE[k[:-6]]) for k, v in columns.items()})
    return replace(network, **made)


def known(days: Sequence[Adjustment]) -> Known:
    """What the days say together of the constants that are unknowns in them; refraction belongs to its day and is left out.

    Raises ValueError for an adjustment that came without its solution.
    """
    names: dict[tuple[str, str, str], int] = {}
    about: list[tuple[str, float, float]] = []
    for a in days:
        for c in _constants(a):
            key = _name(a, c)
            if key not in names:
                names[key] = len(names)
                about.append((c.quantity, c.value - _base(a, c), c.sigma))
    k = len(names)
    stated, sigma = np.array([v for _, v, _ in about]), np.array([s for *_, s in about])
    P, first = np.eye(k), np.full(k, -1)
    parts: list[tuple[Floats, Floats, np.ndarray, Floats, Floats]] = []
    for d, a in enumerate(days):
        assert a.solved is not None  # or `_constants` had refused it
        own = [(i, c) for i, c in enumerate(a.solved.unknowns.constants) if _of_device(c)]
        at = np.array([names[_name(a, c)] for _, c in own], dtype=np.int64)
        if not len(at):
            continue
        u, rows = a.solved.unknowns.constants, [i for i, _ in own]
        base, unit = np.array([_base(a, c) for _, c in own]), sigma[at]
        prior_x = np.array([c.value for _, c in own]) - base
        spread = u.mixing @ np.diag(u.sigma_alone**2) @ u.mixing.T
        prior_C = spread[np.ix_(rows, rows)] / np.outer(unit, unit)
        x = u.values(a.solved.solution.x)[rows] - base
        C = constant_covariance(a.solved)[np.ix_(rows, rows)] / np.outer(unit, unit)
        fresh = first[at] < 0
        first[at[fresh]] = d
        P[np.ix_(at[fresh], at[fresh])] = prior_C[np.ix_(fresh, fresh)]
        Ci, Pi = np.linalg.inv(C), np.linalg.inv(prior_C)
        N, b = np.zeros((k, k)), np.zeros(k)
        N[np.ix_(at, at)] = _semidefinite(Ci - Pi)
        b[at] = Ci @ ((x - stated[at]) / unit) - Pi @ ((prior_x - stated[at]) / unit)
        own_sigma = np.full(k, np.nan)
        own_value = np.full(k, np.nan)
        own_value[at], own_sigma[at] = x, np.sqrt(np.diagonal(C)) * unit
        parts.append((N, b, at, own_value, own_sigma))
    before: Floats = np.linalg.inv(P).astype(float)
    total, right = (
        before + sum((p[0] for p in parts), np.zeros((k, k))),
        sum((p[1] for p in parts), np.zeros(k)),
    )
    together: Floats = np.linalg.inv(total).astype(float)
    counts = tuple(int(sum(i in p[2] for p in parts)) for i in range(k))
    return Known(
        names=tuple(names),
        quantity=tuple(q for q, *_ in about),
        stated=stated,
        stated_sigma=sigma,
        value=stated + sigma * (together @ right),
        covariance=together * np.outer(sigma, sigma),
        days=counts,
        drift=_drift(before, [(p[0], p[1], p[2]) for p in parts], counts),
        by_day=tuple(
            tuple((d, float(p[3][i]), float(p[4][i])) for d, p in enumerate(parts) if i in p[2])
            for i in range(k)
        ),
    )


def _constants(a: Adjustment) -> list[Unknown]:
    if a.solved is None:
        raise ValueError("this adjustment carries no solution to take constants from")
    return [c for c in a.solved.unknowns.constants if _of_device(c)]


def _of_device(c: Unknown) -> bool:
    """Refraction and what a satellite session is off by belong to their day."""
    return OWNERS[c.name] in ("instruments", "targets", "supports")


def _name(a: Adjustment, c: Unknown) -> tuple[str, str, str]:
    section = OWNERS[c.name]
    table = getattr(a.network, section)
    return section, str(getattr(table, section[:-1])[c.owner]), KEYS.get(c.name, c.name)


def _base(a: Adjustment, c: Unknown) -> float:
    """What is subtracted so that the value is the one to be stated: a target's unknown is beyond its constant."""
    return -float(a.network.targets.constant[c.owner]) if c.name == "constant" else 0.0


def _semidefinite(N: Floats) -> Floats:
    """Without the negative eigenvalues that rounding leaves where a day says nothing."""
    values, vectors = np.linalg.eigh(0.5 * (N + N.T))
    out: Floats = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return out


def _drift(Pi: Floats, parts: list[tuple[Floats, Floats, np.ndarray]], counts: tuple[int, ...]) -> Floats:
    """Of each constant, the smallest probability of a day against the others, times their number."""
    k = len(Pi)
    out = np.full(k, np.nan)
    N, b = sum((p[0] for p in parts), np.zeros((k, k))), sum((p[1] for p in parts), np.zeros(k))
    for N_d, b_d, at in parts:
        C_d, C_o = np.linalg.inv(Pi + N_d), np.linalg.inv(Pi + N - N_d)
        shared = C_d @ Pi @ C_o
        spread = np.diagonal(C_d + C_o - shared - shared.T)
        apart = C_d @ b_d - C_o @ (b - b_d)
        for i in at.tolist():
            if counts[i] < 2 or spread[i] < 1e-9:  # a constant of which one side says nothing can't differ
                continue
            p = min(
                1.0, counts[i] * 2.0 * normal_probability(-abs(float(apart[i])) / float(spread[i]) ** 0.5)
            )
            out[i] = p if np.isnan(out[i]) else min(out[i], p)
    return out

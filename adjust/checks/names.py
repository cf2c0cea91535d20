"""Names: one name at two places, two names at one place, two names exchanged. Judged by where each sight points.

Coordinates come from all readings together, robustly (`model.approximate`); a sight is then asked which mark it hits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.network import Network
from ..ground.table import Floats
from ..model.reductions import Observations
from ..settings import Settings
from .check import Check, Effects
from .legs import Leg

APART = 5.0  # sigmas beyond which a sight does not mean the mark that it names
CLOSE = 3.0  # sigmas within which two marks may be one
SLACK = 0.01  # m: what start coordinates may be wrong by


@dataclass(frozen=True)
class Hit:
    """Where one leg of a setup points: place (2,) m, rise of the target mark, sigma of the place, m."""

    leg: Leg
    place: Floats
    sigma: float


def hits(
    legs: list[Leg], obs: Observations, coordinates: Floats, orientations: Floats, effects: Effects
) -> list[Hit]:
    """The places that legs with a direction and a distance point at, from their instruments' coordinates."""
    turn = {
        (int(obs.start_setup[i]), int(obs.round[i])): float(orientations[obs.orientation[i]])
        for i in np.flatnonzero(obs.used & (obs.orientation >= 0)).tolist()
    }
    found: list[Hit] = []
    for leg in legs:
        at = coordinates[leg.start_mark, :2]
        if np.isnan(leg.D) or not leg.directions or np.isnan(at).any():
            continue
        az = [v + turn.get((leg.start, r), np.nan) for r, (v, _) in leg.directions.items()]
        az = [a for a in az if not np.isnan(a)]
        if not az:
            continue
        azimuth = float(np.arctan2(np.mean(np.sin(az)), np.mean(np.cos(az))))
        place = at + leg.D * np.array([np.sin(azimuth), np.cos(azimuth)])
        across = leg.D * min(s for _, s in leg.directions.values())
        centring = np.hypot(effects.centring[leg.start], effects.centring[leg.end])
        found.append(Hit(leg, place, float(np.sqrt(leg.sigma_flat**2 + across**2 + 2.0 * centring**2))))
    return found


def name_checks(network: Network, settings: Settings, found: list[Hit], coordinates: Floats) -> list[Check]:
    """Sights that miss the mark that they name, and marks that lie on one another."""
    names = network.marks.mark
    checks: list[Check] = []
    missed: dict[tuple[int, int], list[Hit]] = {}
    strays: dict[int, list[Hit]] = {}
    for hit in found:
        own = hit.leg.end_mark
        limit = APART * hit.sigma + SLACK
        if np.isnan(coordinates[own, :2]).any():
            continue
        off = float(np.hypot(*(hit.place - coordinates[own, :2])))
        if off <= limit:
            continue
        away = np.hypot(*(coordinates[:, :2] - hit.place).T)
        away[own] = np.inf
        other = int(np.argmin(np.nan_to_num(away, nan=np.inf)))
        if away[other] <= limit:
            missed.setdefault((own, other), []).append(hit)
        else:
            strays.setdefault(own, []).append(hit)
    done: set[tuple[int, int]] = set()
    for (own, other), of_pair in missed.items():
        if (own, other) in done:
            continue
        back = missed.get((other, own), [])
        done |= {(own, other), (other, own)}
        setups = tuple(dict.fromkeys(str(network.setups.setup[h.leg.end]) for h in (*of_pair, *back)))
        kind = "names exchanged" if back else "name of another mark"
        checks.append(
            _found(kind, (str(names[own]), str(names[other]), *setups), of_pair[0], coordinates[own, :2])
        )
    for own, stray in strays.items():
        setups = tuple(dict.fromkeys(str(network.setups.setup[h.leg.end]) for h in stray))
        checks.append(
            _found("one name, two places", (str(names[own]), *setups), stray[0], coordinates[own, :2])
        )
    return checks + _close(network, found, coordinates)


def _found(kind: str, names: tuple[str, ...], hit: Hit, place: Floats) -> Check:
    off = float(np.hypot(*(hit.place - place)))
    return Check(kind, names, off, hit.sigma, off / hit.sigma, APART, "length", True, len(names))


def _close(network: Network, found: list[Hit], coordinates: Floats) -> list[Check]:
    """Pairs of marks nearer to each other than they are known."""
    sigma = np.full(len(coordinates), np.nan)
    for hit in found:
        m = hit.leg.end_mark
        sigma[m] = hit.sigma if np.isnan(sigma[m]) else min(sigma[m], hit.sigma)
    sighted = np.flatnonzero(~np.isnan(sigma) & ~np.isnan(coordinates[:, :2]).any(axis=1))
    order = sighted[np.argsort(coordinates[sighted, 0])]
    checks = []
    for k, i in enumerate(order.tolist()):
        for j in order[k + 1 :].tolist():
            both = float(np.hypot(sigma[i], sigma[j]))
            east = coordinates[j, 0] - coordinates[i, 0]
            if east > CLOSE * both + SLACK + 1.0:
                break
            apart = float(np.hypot(*(coordinates[j, :2] - coordinates[i, :2])))
            high = abs(float(np.nan_to_num(coordinates[j, 2] - coordinates[i, 2])))
            if apart < CLOSE * both + SLACK and high < 0.05:
                names = (str(network.marks.mark[i]), str(network.marks.mark[j]))
                checks.append(
                    Check("two names, one place", names, apart, both, apart / both, CLOSE, "length", True, 2)
                )
    return checks

"""Where a total station stood, from all that it sighted: the pose on which most of its targets agree.

Direction, zenith angle and distance make a picture of the targets round the station. Laid on their coordinates by a turn
and a shift, with no scale, it fits where the names are right; two names exchanged, or a free station placed by them, show
as a picture that fits only in part. Poses are tried from every pair of targets; most agreement wins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..ground.table import Floats, Ints
from ..model.equations import Equations

FITS = 0.02, 2e-4  # m, and share of the distance: how well a target must lie where it should
FAR = 0.1  # m: a target this far off in the present pose makes one look for another
MOST = 12  # targets beyond which exchanges are not tried


@dataclass(frozen=True)
class Picture:
    """What one instrument setup saw in one round: target setups (k,), east and north before turning (k,), rise (k,)."""

    station: int
    orientation: int
    targets: Ints
    plan: NDArray[np.complex128]  # east + i·north in the frame of the circle
    rise: Floats


def pictures(equations: Equations) -> list[Picture]:
    """Of every instrument setup and round, with the targets whose direction and distance were read."""
    obs, network = equations.obs, equations.network
    seen: dict[int, dict[int, dict[str, int]]] = {}
    wanted = obs.used & np.isin(obs.kind.astype(str), ("direction", "zenith", "distance", "level"))
    own: dict[tuple[int, int], int] = {}
    for i in np.flatnonzero(wanted & (obs.kind == "direction")).tolist():
        own[int(obs.start_setup[i]), int(obs.round[i])] = int(obs.orientation[i])
    for i in np.flatnonzero(wanted).tolist():
        o = own.get((int(obs.start_setup[i]), int(obs.round[i])))
        if o is not None:
            seen.setdefault(o, {}).setdefault(int(obs.end_setup[i]), {})[str(obs.kind[i])] = i
    heights = np.nan_to_num(equations.unknowns.heights)
    scale = equations.frame.grid_over_ground(equations.start)
    out = []
    for o, ends in seen.items():
        targets, plan, rise = [], [], []
        station = -1
        for end, kinds in ends.items():
            if "direction" not in kinds or not ({"distance", "level"} & set(kinds)):
                continue
            station = int(obs.start_setup[kinds["direction"]])
            up = math.nan
            if "level" in kinds:
                level = float(obs.value[kinds["level"]])
            else:
                slope = float(obs.value[kinds["distance"]])
                zenith = float(obs.value[kinds["zenith"]]) if "zenith" in kinds else math.pi / 2.0
                level = slope * math.sin(zenith)
                if "zenith" in kinds:
                    up = slope * math.cos(zenith)
            circle = float(obs.value[kinds["direction"]])
            targets.append(end)
            plan.append(level * scale * complex(math.sin(circle), math.cos(circle)))
            rise.append(heights[station] + up - heights[end])
        if targets:
            out.append(Picture(station, o, np.array(targets), np.array(plan), np.array(rise)))
    assert all(p.station < len(network.setups) for p in out)
    return out


def lie(p: Picture, place: Floats, orientation: float, setup_mark: Ints) -> Floats:
    """Where the targets lie relative to their marks in the present pose: (k, 3) m, NaN in height where untold."""
    here = place[setup_mark[p.station]]
    turned = p.plan * np.exp(-1j * orientation)
    there = place[setup_mark[p.targets]]
    out = np.column_stack([here[0] + turned.real, here[1] + turned.imag, here[2] + p.rise])
    return np.asarray(out - there)


def replaced(equations: Equations, orientations: Floats, place: Floats) -> tuple[Floats, Floats, bool]:
    """Coordinates and orientations with every ill-fitting station laid where most of its targets agree.

    Exchanges of two targets are tried too. The last says whether anything changed.
    """
    network, u = equations.network, equations.unknowns
    mark = network.setups.mark
    place, orientations = place.copy(), orientations.copy()
    changed = False
    sighted = set(equations.obs.end_mark[equations.obs.used].tolist())
    for p in pictures(equations):
        at = int(mark[p.station])
        if len(p.targets) < 3:
            continue
        off = np.hypot(*lie(p, place, float(orientations[p.orientation]), mark)[:, :2].T)
        if np.nansum(off > FAR) * 2 < len(off):
            continue
        found = _best(p, place[mark[p.targets]])
        if found is None:
            continue
        turn, shift, order = found
        orientations[p.orientation] = -turn
        changed = True
        if at in sighted or (u.marks[at, :2] < 0).any():
            continue  # others say where this mark is; the station may stand elsewhere
        place[at, :2] = shift.real, shift.imag
        rise = place[mark[p.targets[order]], 2] - p.rise
        if np.isfinite(rise).any() and u.marks[at, 2] >= 0:
            place[at, 2] = float(np.nanmedian(rise))
    return place, orientations, changed


def stations(equations: Equations, place: Floats, seen: list[Picture]) -> dict[int, Floats]:
    """Instrument setups whose targets put them further than FAR off their mark: how far, (3,) m."""
    mark = equations.network.setups.mark
    found: dict[int, Floats] = {}
    for p in seen:
        if len(p.targets) < 3 or p.station in found or not np.isfinite(place[mark[p.station], :2]).all():
            continue
        here = place[mark[p.station]]
        length = np.abs(p.plan)
        now = np.hypot(*(place[mark[p.targets], :2] - here[:2]).T)
        if np.nansum(np.abs(now - length) > FAR) * 2 < len(length):  # most distances are as they should be
            continue
        best = _best(p, place[mark[p.targets]])
        if best is None:
            continue
        _, shift, order = best
        if not np.array_equal(order, np.arange(len(order))):
            continue
        rise = place[mark[p.targets], 2] - p.rise - here[2]
        up = float(np.nanmedian(rise)) if np.isfinite(rise).any() else 0.0
        moved = np.array([shift.real - here[0], shift.imag - here[1], up])
        if np.hypot(*moved[:2]) > FAR:
            found[p.station] = moved
    return found


def _best(p: Picture, there: Floats) -> tuple[float, complex, Ints] | None:
    """Turn, station and order of targets with the most agreement; None where not even three agree."""
    k = len(p.targets)
    best: tuple[int, float, float, complex, Ints] | None = None
    for order in _orders(k):
        goal = there[order, 0] + 1j * there[order, 1]
        for i in range(k):
            for j in range(i + 1, k):
                w, z = p.plan[j] - p.plan[i], goal[j] - goal[i]
                if (
                    not abs(w) > FAR
                    or not np.isfinite(z)
                    or abs(abs(z) - abs(w)) > FITS[0] + FITS[1] * abs(w)
                ):
                    continue
                turn = float(np.angle(z / w))
                shift = complex(0.5 * (goal[i] + goal[j] - np.exp(1j * turn) * (p.plan[i] + p.plan[j])))
                miss = np.abs(shift + np.exp(1j * turn) * p.plan - goal)
                inside = miss < FITS[0] + FITS[1] * np.abs(p.plan)
                score = int(inside.sum()), -float(miss[inside].sum())
                if best is None or score > best[:2]:
                    best = (*score, turn, shift, order)
        if best is not None and best[0] == k:
            break
    return best[2:] if best is not None and best[0] >= 3 else None


def _orders(k: int) -> list[Ints]:
    """As noted, then with every two exchanged."""
    orders = [np.arange(k)]
    if k <= MOST:
        for i in range(k):
            for j in range(i + 1, k):
                order = np.arange(k)
                order[[i, j]] = order[[j, i]]
                orders.append(order)
    return orders

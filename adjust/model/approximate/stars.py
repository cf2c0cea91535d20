"""The ordinary network at once: what each instrument setup saw is a star of polar points, and stars that share marks join.

A star has its targets at their horizontal lengths and turned directions, z = D·(sin t + i·cos t) (east + i·north). Two
stars with two marks in common differ by a turn and a shift, z_a = κ·z_b + τ, |κ| = 1; what control is given is one more
star, the world. The best joins of every part are taken at once (Borůvka 1926, from memory), the turns and shifts composed
along them by doubling, so the work grows with the readings and no Python loop runs over them. Heights join likewise.

Nothing here is robust. `misses` says which readings the coordinates leave unexplained, with the tolerances that growth
uses; where there are such, or marks that no star reaches, growth (`plane`, `spreading`) is asked instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...ground.network import Network
from ...ground.table import Flags, Floats, Ints
from ...settings import Settings
from ..reductions import Observations, numbered, rows_of_kind, wrap
from . import heights as of_heights
from .closing import Joins, closed
from .readings import LENGTH_TOLERANCE, NEAR, RAY_TOLERANCE, SIGMAS

Plane = NDArray[np.complex128]
ROUNDS = 64  # each at least halves the number of parts
NEIGHBOURS = 24  # of the stars that share a mark, each is compared with so many next to it
STEEP = 0.05  # sine of a zenith angle below which it says nothing of a height difference


@dataclass(frozen=True)
class Sights:
    """Used rows of directions, zenith angles and lengths; of each length its zenith angle, horizontal part and rise."""

    directions: Ints
    zeniths: Ints
    lengths: Ints
    across: Floats  # (n_lengths,) m, NaN for a slope without a zenith angle
    rise: Floats  # (n_lengths,) m from mark to mark, NaN without a zenith angle


def from_stars(
    network: Network, obs: Observations, settings: Settings, device: Floats, spread: bool = False
) -> Floats | None:
    """Coordinates (n_marks, 3) of the marks that stars tie to control, NaN for others; None where they tie nothing.

    device (n_setups,): heights of devices over their marks, m. `spread` distributes misclosures over the whole network.
    """
    marks = network.marks
    sights = _sights(obs, device, settings)
    control = np.flatnonzero(
        np.isfinite(marks.east + marks.north) & np.isfinite(marks.sigma_east + marks.sigma_north)
    )
    if sights is None or len(control) < 2:
        return None
    middle = complex(marks.east[control].mean(), marks.north[control].mean())
    known = marks.east[control] + 1j * marks.north[control] - middle
    star, mark, z = _stars(obs, sights, len(marks))
    world = int(star.max(initial=-1)) + 1
    star = np.concatenate([star, np.full(len(control), world)])
    mark, z = np.concatenate([mark, control]), np.concatenate([z, known])
    joins = _joins(star, mark, z)
    placed, kappa, tau = joined(world + 1, world, joins.a, joins.b, joins.badness, joins.kappa, joins.tau)
    if spread:
        kappa, tau = closed(joins, placed, world, kappa, tau)
    there = placed[star]
    out = np.full((len(marks), 3), np.nan)
    at = kappa[star[there]] * z[there] + tau[star[there]] + middle
    out[:, 0], out[:, 1] = (_medians(mark[there], values, len(marks)) for values in (at.real, at.imag))
    out[:, 2] = _heights(network, obs, sights)
    given = np.column_stack([marks.east, marks.north, marks.height])
    prior = np.column_stack([marks.sigma_east, marks.sigma_north, marks.sigma_height])
    return np.where(np.isfinite(prior) & np.isfinite(given), given, out)


def _sights(obs: Observations, device: Floats, settings: Settings) -> Sights | None:
    of = rows_of_kind(obs)
    none = np.zeros(0, dtype=np.int64)
    d, z, slopes, levels = (of.get(k, none) for k in ("direction", "zenith", "distance", "level"))
    lengths = np.concatenate([slopes, levels])
    d, z, lengths = (r[obs.used[r] & (obs.start_mark[r] != obs.end_mark[r])] for r in (d, z, lengths))
    if not len(d) or not len(lengths):
        return None
    if np.isnan(device[obs.start_setup[lengths]] + device[obs.end_setup[lengths]]).any():
        return None
    pair = obs.start_setup * len(device) + obs.end_setup
    rounds = obs.round - obs.round.min()
    both = pair * (int(rounds.max()) + 1) + rounds
    zenith = _partner(both[lengths], both[z], z)
    missing = np.flatnonzero(zenith < 0)
    zenith[missing] = _partner(pair[lengths[missing]], pair[z], z)
    value = obs.value[lengths]
    angle = np.where(zenith >= 0, obs.value[zenith], np.nan)
    slope = lengths < (levels[0] if len(levels) else len(obs))
    with np.errstate(divide="ignore", invalid="ignore"):
        across = np.where(slope, value * np.abs(np.sin(angle)), value)
        up = np.where(slope, value * np.cos(angle), value / np.tan(angle))
    if np.isnan(across).all():
        return None
    bend = (1.0 - settings.refraction) / (2.0 * settings.radius)
    rise = up + bend * across**2 + device[obs.start_setup[lengths]] - device[obs.end_setup[lengths]]
    return Sights(d, z, lengths, across, rise)


def _partner(wanted: Ints, keys: Ints, rows: Ints) -> Ints:
    """Of each wanted key the first row that has it, −1 where none does."""
    if not len(rows):
        return np.full(len(wanted), -1)
    order = np.argsort(keys, kind="stable")
    place = np.minimum(np.searchsorted(keys[order], wanted), len(keys) - 1)
    found = order[place]
    return np.where(keys[found] == wanted, rows[found], -1)


def _stars(obs: Observations, sights: Sights, n_marks: int) -> tuple[Ints, Ints, Plane]:
    """Star, mark and place in the star of everything sighted with a length, and of the instrument at 0."""
    d = sights.directions
    setup, target, value = obs.start_setup[d], obs.end_mark[d], obs.value[d]
    rounds, turn = numbered(obs.orientation[d])
    n_turns = len(rounds)
    stand = np.zeros(n_turns, dtype=np.int64)
    stand[turn] = setup
    base = np.full(int(setup.max()) + 1, n_turns)
    base[setup[::-1]] = turn[::-1]  # the first stays: the round that the others are turned onto
    seen = setup * n_marks + target
    leads = np.flatnonzero(base[setup] == turn)
    partner = _partner(seen, seen[leads], leads)
    shift, shared = _circular(
        turn[partner >= 0], wrap(value[partner] - value)[partner >= 0], n_turns
    )  # 0 for the base
    own = ~shared
    own[base[stand]] = True
    star_of_turn = np.where(own, np.arange(n_turns), base[stand])
    _, number = numbered(star_of_turn)  # stars, by their leading round
    star = number[turn]
    _, ray = numbered(star * n_marks + target)
    direction, _ = _circular(ray, value + np.where(shared, shift, 0.0)[turn], int(ray.max()) + 1)
    first = np.empty(len(direction), dtype=np.int64)
    first[ray] = np.arange(len(d))

    there = np.flatnonzero(np.isfinite(sights.across))
    rows = sights.lengths[there]  # one at least, see `_sights`
    key = obs.start_setup[rows] * n_marks + obs.end_mark[rows]
    lead, length = numbered(key)
    across = np.bincount(length, sights.across[there]) / np.maximum(np.bincount(length), 1)
    at = _partner(seen[first], key[lead], np.arange(len(lead)))
    polar = across[at] * (np.sin(direction) + 1j * np.cos(direction))
    good = at >= 0
    star, mark = star[first][good], target[first][good]
    leads = np.unique(number, return_index=True)[1]
    standing = np.full(int(setup.max()) + 1, -1)
    standing[setup] = obs.start_mark[d]
    own_mark = standing[stand[leads]]
    return (
        np.concatenate([star, np.arange(len(leads))]),
        np.concatenate([mark, own_mark]),
        np.concatenate([polar[good], np.zeros(len(leads), dtype=complex)]),
    )


def _circular(group: Ints, angle: Floats, n: int) -> tuple[Floats, Flags]:
    """The mean of the angles of each of n groups, about the first of them; and which groups have any."""
    first = np.zeros(n)
    first[group[::-1]] = angle[::-1]
    count = np.bincount(group, minlength=n)
    off = np.bincount(group, wrap(angle - first[group]), minlength=n)
    return first + off / np.maximum(count, 1), count > 0


def _joins(star: Ints, mark: Ints, z: Plane) -> Joins:
    """Pairs of stars with two marks in common."""
    order = np.argsort(mark, kind="stable")
    star, mark, z = star[order], mark[order], z[order]
    most = min(NEIGHBOURS, int(np.bincount(mark).max()) - 1)
    first, second = [], []
    for offset in range(1, most + 1):
        same = np.flatnonzero(mark[offset:] == mark[:-offset])
        first.append(same)
        second.append(same + offset)
    i, j = (np.concatenate([*x, np.zeros(0, dtype=np.int64)]) for x in (first, second))
    swap = star[i] > star[j]
    i, j = np.where(swap, j, i), np.where(swap, i, j)
    lead, pair = numbered(star[i] * (int(star.max(initial=0)) + 1) + star[j])
    n = len(lead)
    count = np.maximum(np.bincount(pair, minlength=n), 1)

    def total(values: Plane) -> Plane:
        return np.bincount(pair, values.real, minlength=n) + 1j * np.bincount(pair, values.imag, minlength=n)

    za, zb = z[i], z[j]
    middle_a, middle_b = total(za) / count, total(zb) / count
    za, zb = za - middle_a[pair], zb - middle_b[pair]
    product = total(za * zb.conj())
    size_a, size_b = (np.bincount(pair, np.abs(x) ** 2, minlength=n) for x in (za, zb))
    misfit = np.maximum(size_a + size_b - 2.0 * np.abs(product), 0.0)
    extent = np.abs(product)
    good = np.flatnonzero((count > 1) & (extent > 1e-6))
    kappa = product[good] / extent[good]
    tau = middle_a[good] - kappa * middle_b[good]
    limit = (NEAR + LENGTH_TOLERANCE * np.sqrt(extent[good])) ** 2
    extent = extent[good] / (1.0 + misfit[good] / limit)  # what does not fit counts for less
    first_a, first_b = star[i[lead[good]]], star[j[lead[good]]]
    return Joins(first_a, first_b, kappa, tau, middle_b[good], count[good], extent, misfit[good] <= limit)


def joined(
    n: int, root: int, a: Ints, b: Ints, badness: Floats, kappa: Plane, tau: Plane
) -> tuple[Flags, Plane, Plane]:
    """The n frames in the one of `root`, along the least bad joins x_a = κ·x_b + τ: which are tied to it, κ and τ."""
    order = np.argsort(
        badness, kind="stable"
    )  # from here on an edge's place is its rank, and no two are equal
    a, b, kappa, tau = a[order], b[order], kappa[order], tau[order]
    part = np.arange(n)
    K, T = np.ones(n, dtype=complex), np.zeros(n, dtype=complex)  # from every frame to that of its part
    for _ in range(ROUNDS):
        pa, pb = part[a], part[b]
        alive = np.flatnonzero(pa != pb)
        if not len(alive):
            break
        a, b, pa, pb = (x[alive] for x in (a, b, pa, pb))
        kappa, tau = kappa[alive], tau[alive]
        k, m = np.arange(len(a)), len(a)
        from_a, from_b = np.full(n, m), np.full(n, m)
        from_a[pa[::-1]] = from_b[pb[::-1]] = k[::-1]  # of several the last written stays: the least bad
        best = np.minimum(from_a, from_b)
        P = K[a] * kappa / K[b]  # from b's part to a's
        Q = K[a] * tau + T[a] - P * T[b]
        hooked = np.flatnonzero(best < m)
        edge = best[hooked]
        at_a = pa[edge] == hooked
        up = np.arange(n)
        up[hooked] = np.where(at_a, pb[edge], pa[edge])
        mutual = hooked[(up[up[hooked]] == hooked) & (hooked < up[hooked])]
        KP, TP = np.ones(n, dtype=complex), np.zeros(n, dtype=complex)
        KP[hooked] = np.where(at_a, 1.0 / P[edge], P[edge])
        TP[hooked] = np.where(at_a, -Q[edge] / P[edge], Q[edge])
        up[mutual], KP[mutual], TP[mutual] = mutual, 1.0, 0.0
        while np.any(up[up] != up):
            TP = KP[up] * TP + TP[up]
            KP = KP[up] * KP
            up = up[up]
        T = KP[part] * T + TP[part]
        K = KP[part] * K
        part = up[part]
    tied = part == part[root]
    return tied, np.where(tied, K / K[root], 1.0), np.where(tied, (T - T[root]) / K[root], 0.0)


def _heights(network: Network, obs: Observations, sights: Sights) -> Floats:
    """Heights of the marks that rises tie to known ones, (n_marks,) m, NaN for others."""
    marks = network.marks
    n = len(marks)
    known = np.flatnonzero(np.isfinite(marks.height) & np.isfinite(marks.sigma_height))
    good = np.isfinite(sights.rise)
    rows, rise, across = sights.lengths[good], sights.rise[good], sights.across[good]
    levelled = rows_of_kind(obs).get("rise", rows[:0])
    levelled = levelled[obs.used[levelled] & (obs.start_mark[levelled] != obs.end_mark[levelled])]
    start = np.concatenate([obs.start_mark[rows], obs.start_mark[levelled], np.full(len(known), n)])
    end = np.concatenate([obs.end_mark[rows], obs.end_mark[levelled], known])
    value = np.concatenate([rise, obs.value[levelled], marks.height[known]])
    badness = np.concatenate([across, np.full(len(levelled), 1.0), np.zeros(len(known))])
    # the frame of a mark has its height at 0: x_start = x_end + rise
    tied, _, h = joined(n + 1, n, start, end, badness, np.ones(len(value), dtype=complex), value + 0j)
    return np.where(tied, h.real, np.nan)[:n]


def _medians(group: Ints, values: Floats, n: int) -> Floats:
    """The median of each of n groups, NaN for an empty one."""
    order = np.lexsort((values, group))
    count = np.bincount(group, minlength=n)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    ordered = np.append(values[order], np.nan)
    low, high = first + np.maximum(count - 1, 0) // 2, first + count // 2
    return np.where(count > 0, 0.5 * (ordered[low] + ordered[np.minimum(high, len(order))]), np.nan)


def misses(obs: Observations, coordinates: Floats, device: Floats, settings: Settings) -> tuple[Ints, Floats]:
    """Rows of used readings that miss by more than a clean one may while coordinates are rough, and the orientations.

    A reading that can't be computed counts as missing.
    """
    n_turns = int(obs.orientation.max(initial=-1)) + 1
    turns = np.full(n_turns, np.nan)
    found: list[Ints] = []
    bend = (1.0 - settings.refraction) / (2.0 * settings.radius)
    over = np.append(device, 0.0)  # a mark by itself has nothing over it
    for name, rows in rows_of_kind(obs).items():
        used = rows[obs.used[rows] & (obs.start_mark[rows] != obs.end_mark[rows])]
        value, loose = obs.value[used], SIGMAS * obs.sigma[used]
        d = coordinates[obs.end_mark[used]] - coordinates[obs.start_mark[used]]
        flat = np.hypot(d[:, 0], d[:, 1])
        centres = d[:, 2] + over[obs.end_setup[used]] - over[obs.start_setup[used]]
        up = centres - bend * flat**2
        if name in ("direction", "azimuth", "angle"):
            off = np.arctan2(d[:, 0], d[:, 1]) - value
            if name == "direction":
                turn, _ = _circular(obs.orientation[used], wrap(off), n_turns)
                turned = np.bincount(obs.orientation[used], minlength=n_turns) > 0
                turns[turned] = turn[turned]
                off = off - turn[obs.orientation[used]]
            elif name == "angle":
                back = coordinates[obs.end_mark[used]] - coordinates[obs.at_mark[used]]
                fore = coordinates[obs.start_mark[used]] - coordinates[obs.at_mark[used]]
                flat = np.minimum(np.hypot(back[:, 0], back[:, 1]), np.hypot(fore[:, 0], fore[:, 1]))
                off = np.arctan2(back[:, 0], back[:, 1]) - np.arctan2(fore[:, 0], fore[:, 1]) - value
            fits = np.abs(wrap(off)) <= RAY_TOLERANCE + loose + NEAR / (flat + 1e-9)
        elif name in ("distance", "level", "horizontal"):
            length = np.hypot(flat, up) if name == "distance" else flat
            fits = np.abs(length - value) <= NEAR + LENGTH_TOLERANCE * value + loose
        elif name == "zenith":
            with np.errstate(divide="ignore", invalid="ignore"):
                straight = flat / np.tan(value)
            share = of_heights.SHARE + loose
            limit = of_heights.NEAR + share * np.maximum(flat, np.abs(straight))
            fits = (np.abs(up - straight) <= limit) | (np.abs(np.sin(value)) < STEEP)
        else:
            plain = {"vector.east": d[:, 0], "vector.north": d[:, 1]}.get(name, centres)
            fits = np.abs(plain - value) <= of_heights.NEAR + LENGTH_TOLERANCE * np.abs(value) + loose
        found.append(used[~fits])
    return np.sort(np.concatenate([*found, np.zeros(0, dtype=np.int64)])), turns

"""Raw readings to observations: slant heights, faces, rounds, prism constants.

Readings of one pair of setups in one round become one observation a kind: the mean of its readings, face 2 turned to
face 1 first. Sigmas follow ISO 17123-3 (a stated sigma of an angle means one pointing in both faces), so the mean of n
face readings has σ·√(2/n), and the mean of n distances (a + b·S)/√n.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from ..ground.atmosphere import velocity_factors
from ..ground.instruments import angle_sigmas, sighted_distance_sigmas
from ..ground.network import REDUCED_KINDS, Network
from ..ground.table import Flags, Floats, Ints, Names, Table, column, constant, deferred, frozen
from .observations import KINDS, VECTOR
from .parts import Part, PartNames, joined, ranges, spared

HELD_LENGTH = 1e-7  # m: what a stated sigma of zero is taken as, so that an observation can be held
HELD_ANGLE = 1e-9  # rad


class Observations(Table):
    """Reduced observations. Rows of one kind stand together, in the order of KINDS."""

    id: Names = column("name", "id: of the first row; a sight's has its kind behind a point")
    kind: Names = column("text", "name of the kind: direction, zenith, distance, level, rise, horizontal, …")
    start_mark: Ints = column("index", "row of the mark it runs from (angle: the backsight)")
    at_mark: Ints = column("index", "row of the mark at which an angle stands, −1 otherwise")
    end_mark: Ints = column("index", "row of the mark it runs to (angle: the foresight)")
    start_setup: Ints = column("index", "row of the setup it runs from, −1 for none")
    end_setup: Ints = column("index", "row of the setup it runs to, −1 for none")
    round: Ints = column("count", "round, 0 where there is none")
    orientation: Ints = column("index", "which orientation it leans on, −1 for none")
    value: Floats = column("number", "observed value, m or rad")
    sigma: Floats = column("number", "a priori sigma of the reading itself, m or rad")
    balance: Floats = column(
        "number",
        "(readings on face 1 − on face 2) / readings: the share of the collimation left",
        default=0.0,
    )
    count: Ints = column("count", "how many readings it is the mean of", default=1)
    block: Ints = column("index", "row of `vectors` it is a component of, −1 for none", default=-1)
    used: Flags = column("flag", "False where a decision left it out", default=True)
    rows: Names = column("names", "ids of the rows it was made from")


_ROWS_OF_KIND: WeakKeyDictionary[Observations, dict[str, Ints]] = WeakKeyDictionary()


def rows_of_kind(obs: Observations) -> dict[str, Ints]:
    """All rows of every kind that occurs, left-out ones too, ascending. Found once for each table."""
    known = _ROWS_OF_KIND.get(obs)
    if known is None:
        kind = obs.kind
        ends = [*(np.flatnonzero(kind[1:] != kind[:-1]) + 1).tolist(), len(kind)]
        if len(ends) == len(
            {kind[e - 1] for e in ends if e}
        ):  # as `reduce_readings` leaves them: a kind a run
            known = {kind[a]: np.arange(a, b) for a, b in zip([0, *ends], ends, strict=False)}
        else:
            known = {name: np.flatnonzero(kind == name) for name in dict.fromkeys(kind.tolist())}
        _ROWS_OF_KIND[obs] = known
    return known


_OF_NETWORK: WeakKeyDictionary[Network, Observations] = WeakKeyDictionary()


def reduce_readings(network: Network) -> Observations:
    """All observations of a network, in the order of KINDS and, within a kind, of their first rows. Made once for each network.

    Rows that a decision left out become observations of their own with `used` False.
    """
    known = _OF_NETWORK.get(network)
    if known is None:
        known = _OF_NETWORK[network] = _reduced(network)
    return known


def _reduced(network: Network) -> Observations:
    pairs = _Pairs(network)
    found = [_sight_part(network, pairs, name) for name in ("direction", "zenith", "distance", "level")]
    found += [_reduced_part(network, name) for name in REDUCED_KINDS] if len(network.reduced) else []
    found += [_vector_part(network)] if len(network.vectors) else []
    parts = [p for p in found if p is not None] or [_vector_part(network)]
    columns = {name: joined([p.columns[name] for p in parts]) for name in parts[0].columns}
    ends = np.cumsum([0, *(len(p.columns["value"]) for p in parts)])
    runs = dict(zip((p.kind for p in parts), ranges(ends.tolist()), strict=True))
    if len(network.vectors) or parts[0].kind == VECTOR[0]:
        first = runs.pop(VECTOR[0])
        runs |= {name: first[k::3] for k, name in enumerate(VECTOR)}
    names = PartNames(parts, ends, columns.pop("lead"), columns.pop("group"))
    if network.left_out:
        columns["used"] = columns["used"] & ~np.isin(
            names.ids(slice(None)).astype(str), sorted(network.left_out)
        )
    zero = np.flatnonzero(~(columns["sigma"] > 0.0))
    if len(zero):
        of_kind = names.kinds(zero).tolist()
        sigma = columns["sigma"].copy()
        sigma[zero] = [HELD_ANGLE if KINDS[k].quantity == "angle" else HELD_LENGTH for k in of_kind]
        columns["sigma"] = sigma
    n = int(ends[-1])
    obs = Observations(
        **{name: frozen(values) for name, values in columns.items()},
        id=deferred(n, names.ids),
        kind=deferred(n, names.kinds),
        rows=deferred(n, names.rows),
    )
    _ROWS_OF_KIND[obs] = {name: rows for name, rows in runs.items() if len(rows)}
    return obs


class _Pairs:
    """Rows of sights by pair of setups and round, left-out rows apart: what every kind is averaged over."""

    def __init__(self, network: Network) -> None:
        s = network.sights
        key = packed(s.used.astype(np.int64), s.start, s.end, s.round)
        self.first, self.of = numbered(
            key
        )  # first row of every pair, (n_pairs,); pair of every row, (n_rows,)
        self._id = s.id
        self._known: list[tuple[Ints, Callable[[Ints], list[Any]]]] = []

    def members(self, rows: Ints, inverse: Ints, n: int) -> Callable[[Ints], list[Any]]:
        """What gives the ids of the rows of groups, in their order; kinds that were read together share it."""
        for known, made in self._known:
            if np.array_equal(known, rows):
                return made
        order = np.argsort(inverse, kind="stable")
        edges = np.concatenate([[0], np.cumsum(np.bincount(inverse, minlength=n))])
        ids, members, ends = self._id, rows[order].astype(np.int32), edges.astype(np.int32)

        def of(groups: Ints) -> list[Any]:
            a, b = ends[groups].tolist(), ends[groups + 1].tolist()
            return [tuple(map(str, ids[members[i:j]].tolist())) for i, j in zip(a, b, strict=True)]

        self._known.append((rows, of))
        return of


def _sight_part(network: Network, pairs: _Pairs, name: str) -> Part | None:
    """Observations of one kind from the readings of sights: one for each pair of setups and round; None without any."""
    kind = KINDS[name]
    sights, setups = network.sights, network.setups
    raw = getattr(sights, kind.reading)
    rows = np.flatnonzero(~np.isnan(raw))
    if not len(rows):
        return None
    pair = pairs.of[rows]
    present = np.bincount(pair, minlength=len(pairs.first)) > 0
    number = np.flatnonzero(present)
    inverse = (np.cumsum(present) - 1)[pair]
    count = np.bincount(inverse, minlength=len(number))
    first = np.empty(len(number), dtype=np.int64)
    first[inverse[::-1]] = rows[::-1]  # of several the last written stays: the first row
    lead = pairs.first[number]  # the row that gives its id
    start, end = sights.start[first], sights.end[first]
    value, second = raw[rows], sights.face[rows] == 2
    if name == "direction":
        turned = value - np.where(second, np.pi, 0.0)
        reference = turned[np.searchsorted(rows, first)]
        mean = reference + _mean(wrap(turned - reference[inverse]), inverse, count)
        observed = np.mod(mean, 2.0 * np.pi)
        sigma = angle_sigmas(network.instruments.direction[setups.device[start]], count)
    elif name == "zenith":
        observed = _mean(np.where(second, 2.0 * np.pi - value, value), inverse, count)
        sigma = angle_sigmas(network.instruments.zenith[setups.device[start]], count)
    else:
        observed = _mean(value, inverse, count) * velocity_factors(network, start, end)
        observed = observed + prism_constants(network)[end]
        sigma = sighted_distance_sigmas(network, start, end, observed, count)
    n = len(number)
    columns: dict[str, NDArray[Any]] = {
        "start_mark": setups.mark[start],
        "end_mark": setups.mark[end],
        "start_setup": start,
        "end_setup": end,
        "round": sights.round[first],
        "value": observed,
        "sigma": sigma,
        "balance": spared(_mean(np.where(second, -1.0, 1.0), inverse, count)),
        "count": spared(count),
        "used": spared(sights.used[first]),
        "lead": lead.astype(np.int32),
        "group": np.arange(n, dtype=np.int32),
    }
    if np.any(lead[1:] < lead[:-1]):
        order = np.argsort(lead, kind="stable")
        columns = {k: v if v.strides == (0,) else v[order] for k, v in columns.items()}
    none, ids = constant(-1, n), sights.id
    columns |= {"at_mark": none, "block": none, "orientation": none}
    if name == "direction":
        columns["orientation"] = _orientation_index(columns["start_setup"], columns["round"], columns["used"])
    return Part(
        name,
        columns,
        lambda lead: [str(i) for i in ids[lead].tolist()],
        (f".{kind.says}",),
        pairs.members(rows, inverse, n),
    )


def _reduced_part(network: Network, name: str) -> Part | None:
    table = network.reduced
    rows = np.flatnonzero(table.kind == name)
    n = len(rows)
    if not n:
        return None
    none, ids = constant(-1, n), table.id
    columns = {
        "start_mark": table.start[rows],
        "at_mark": table.at[rows],
        "end_mark": table.end[rows],
        "start_setup": none,
        "end_setup": none,
        "round": constant(0, n),
        "orientation": none,
        "value": table.value[rows],
        "sigma": table.sigma[rows],
        "balance": constant(0.0, n, float),
        "count": constant(1, n),
        "block": none,
        "used": table.used[rows],
        "lead": rows.astype(np.int32),
        "group": rows.astype(np.int32),
    }
    return Part(
        name,
        columns,
        lambda lead: list(ids[lead].tolist()),
        ("",),
        lambda group: [(str(i),) for i in ids[group].tolist()],
    )


def _vector_part(network: Network) -> Part:
    """Three rows a vector, east, north, up (or X, Y, Z), one after the other."""
    table = network.vectors
    n, ids = len(table), table.id
    none, which = constant(-1, 3 * n), np.repeat(np.arange(n), 3)
    columns = {
        "start_mark": np.repeat(table.start_mark, 3),
        "at_mark": none,
        "end_mark": np.repeat(table.end_mark, 3),
        "start_setup": np.repeat(table.start_setup, 3),
        "end_setup": np.repeat(table.end_setup, 3),
        "round": constant(0, 3 * n),
        "orientation": none,
        "value": table.difference.reshape(-1),
        "sigma": np.sqrt(np.diagonal(table.covariance, axis1=1, axis2=2)).reshape(-1),
        "balance": constant(0.0, 3 * n, float),
        "count": constant(1, 3 * n),
        "block": which,
        "used": np.repeat(table.used, 3),
        "lead": which.astype(np.int32),
        "group": which.astype(np.int32),
    }
    tails = (".dx", ".dy", ".dz") if table.geocentric.any() else (".de", ".dn", ".du")
    return Part(
        VECTOR[0],
        columns,
        lambda lead: [str(i) for i in ids[lead].tolist()],
        tails,
        lambda group: [(str(i),) for i in ids[group].tolist()],
    )


def vector_covariances(network: Network, rows: Ints) -> Floats:
    """Covariances of the vectors in `rows`, (m, 3, 3) m²; held components get the sigma of a held length."""
    covariance: Floats = network.vectors.covariance[rows].copy()
    if len(rows):
        values = np.linalg.eigvalsh(covariance)
        flat = values[:, 0] <= 1e-13 * values[:, 2]
        covariance[flat] += HELD_LENGTH**2 * np.eye(3)
    return covariance


def prism_constants(network: Network) -> Floats:
    """What is to be added to distances recorded to each setup: its own constant, else its target's. (n_setups,) m."""
    setups = network.setups
    own = setups.prism_constant
    if not len(network.targets):
        return np.nan_to_num(own, nan=0.0)
    device = np.where(setups.instrument, 0, setups.device)
    return np.where(np.isnan(own), np.where(setups.instrument, 0.0, network.targets.constant[device]), own)


def wrap(angle: Floats) -> Floats:
    """The same angle within (−π, π]."""
    return np.pi - np.mod(np.pi - angle, 2.0 * np.pi)


def as_objects(values: list[Any]) -> Names:
    """A list as an object array of one dimension, tuples and all."""
    return np.fromiter(values, dtype=object, count=len(values))


def packed(*columns: Ints) -> Ints:
    """One number a row that orders and tells apart as the columns do together."""
    key = np.zeros(len(columns[0]), dtype=np.int64)
    for c in columns:
        if not len(c):
            return key
        low = int(c.min())
        span = int(c.max()) - low + 1
        if span > len(c) * 16 + 1024:  # numbers far apart, such as rounds named by dates
            c = np.unique(c, return_inverse=True)[1].reshape(-1)
            low, span = 0, int(c.max()) + 1
        key = key * span + (c - low)
    return key


def numbered(key: Ints) -> tuple[Ints, Ints]:
    """Distinct keys numbered in ascending order: the first row of each, and the number of every row."""
    if not len(key):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    order = np.argsort(key, kind="stable")
    new = np.empty(len(key), dtype=bool)
    new[0] = True
    np.not_equal(key[order[1:]], key[order[:-1]], out=new[1:])
    number = np.empty(len(key), dtype=np.int64)
    number[order] = np.cumsum(new) - 1
    return order[new], number


def _orientation_index(start: Ints, rounds: Ints, used: Flags) -> Ints:
    """One number for every instrument setup and round, by first use; left-out directions share those that exist."""
    first, number = numbered(packed(start, rounds))
    row = np.where(used, np.arange(len(start)), len(start))
    earliest = np.full(len(first), len(start))
    earliest[number[::-1]] = row[::-1]  # right where all are used: the first row stays
    if not used.all():
        np.minimum.at(earliest, number, row)
    rank = np.full(len(first), -1)
    alive = np.flatnonzero(earliest < len(start))
    rank[alive[np.argsort(earliest[alive])]] = np.arange(len(alive))
    return np.asarray(rank[number], dtype=np.int64)


def _mean(values: Floats, group: Ints, count: Ints) -> Floats:
    return np.bincount(group, values, minlength=len(count)) / count

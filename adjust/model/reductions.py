"""Raw readings to observations: slant heights, faces, rounds, prism constants.

Readings of one pair of setups in one round become one observation a kind: the mean of its readings, face 2 turned to
face 1 first. Sigmas follow ISO 17123-3 (a stated sigma of an angle means one pointing in both faces), so the mean of n
face readings has σ·√(2/n), and the mean of n distances (a + b·S)/√n.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..ground.instruments import angle_sigmas, distance_sigmas
from ..ground.network import Network
from ..ground.table import Flags, Floats, Ints, Names, Table, column
from .observations import KINDS, VECTOR

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


def reduce_readings(network: Network) -> Observations:
    """All observations of a network, in the order of KINDS and, within a kind, of their first rows.

    Rows that a decision left out become observations of their own with `used` False.
    """
    parts = [_sight_part(network, name) for name in ("direction", "zenith", "distance", "level")]
    parts += [_reduced_part(network, name) for name in ("rise", "horizontal", "azimuth", "angle")]
    parts.append(_vector_part(network))
    joined = {
        c.name: np.concatenate([p[c.name] for p in parts])
        for c in Observations.columns()
        if c.name in parts[0]
    }
    used = joined["used"].copy()
    if network.left_out:
        used &= ~np.isin(joined["id"].astype(str), sorted(network.left_out))
    joined["used"] = used
    angles = np.array([KINDS[k].quantity == "angle" for k in joined["kind"]], dtype=bool)
    joined["sigma"] = np.where(
        joined["sigma"] > 0.0, joined["sigma"], np.where(angles, HELD_ANGLE, HELD_LENGTH)
    )
    return Observations(**joined)


Part = dict[str, NDArray[Any]]


def _sight_part(network: Network, name: str) -> Part:
    """Observations of one kind from the readings of sights: one for each pair of setups and round."""
    kind = KINDS[name]
    sights, setups = network.sights, network.setups
    raw = getattr(sights, kind.reading)
    rows = np.flatnonzero(~np.isnan(raw))
    groups = _groups(network)
    number, inverse = np.unique(groups[rows], return_inverse=True)
    count = np.bincount(inverse, minlength=len(number))
    first = rows[np.unique(inverse, return_index=True)[1]] if len(rows) else rows
    lead = _first_rows(groups)[number] if len(rows) else rows  # the row that gives its id
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
        observed = _mean(value, inverse, count) + prism_constants(network)[end]
        reflectorless = network.targets.reflectorless[setups.device[end]]
        sigma = distance_sigmas(network.instruments, setups.device[start], observed, reflectorless, count)
    ids = sights.id
    names: list[tuple[str, ...]] = [()] * len(number)
    for row, g in zip(rows.tolist(), inverse.tolist(), strict=True):
        names[g] += (str(ids[row]),)
    order = np.argsort(lead, kind="stable")
    part = _take(
        {
            "id": as_objects([f"{ids[r]}.{kind.says}" for r in lead]),
            "kind": as_objects([name] * len(number)),
            "start_mark": setups.mark[start],
            "at_mark": np.full(len(number), -1),
            "end_mark": setups.mark[end],
            "start_setup": start,
            "end_setup": end,
            "round": sights.round[first],
            "orientation": np.full(len(number), -1),
            "value": observed,
            "sigma": sigma,
            "balance": _mean(np.where(second, -1.0, 1.0), inverse, count),
            "count": count,
            "block": np.full(len(number), -1),
            "used": sights.used[first],
            "rows": as_objects(names),
        },
        order,
    )
    if name == "direction":
        part["orientation"] = _orientation_index(part["start_setup"], part["round"], part["used"])
    return part


def _reduced_part(network: Network, name: str) -> Part:
    table = network.reduced
    rows = np.flatnonzero(table.kind == name)
    n = len(rows)
    return {
        "id": table.id[rows],
        "kind": as_objects([name] * n),
        "start_mark": table.start[rows],
        "at_mark": table.at[rows],
        "end_mark": table.end[rows],
        "start_setup": np.full(n, -1),
        "end_setup": np.full(n, -1),
        "round": np.zeros(n, dtype=np.int64),
        "orientation": np.full(n, -1),
        "value": table.value[rows],
        "sigma": table.sigma[rows],
        "balance": np.zeros(n),
        "count": np.ones(n, dtype=np.int64),
        "block": np.full(n, -1),
        "used": table.used[rows],
        "rows": as_objects([(str(i),) for i in table.id[rows]]),
    }


def _vector_part(network: Network) -> Part:
    """Three rows a vector, east, north, up, one after the other."""
    table = network.vectors
    n = len(table)
    ids = [(str(i), c) for i in table.id for c in ("de", "dn", "du")]
    return {
        "id": as_objects([f"{i}.{c}" for i, c in ids]),
        "kind": as_objects(list(VECTOR) * n),
        "start_mark": np.repeat(table.start_mark, 3),
        "at_mark": np.full(3 * n, -1),
        "end_mark": np.repeat(table.end_mark, 3),
        "start_setup": np.repeat(table.start_setup, 3),
        "end_setup": np.repeat(table.end_setup, 3),
        "round": np.zeros(3 * n, dtype=np.int64),
        "orientation": np.full(3 * n, -1),
        "value": table.difference.reshape(-1),
        "sigma": np.sqrt(np.diagonal(table.covariance, axis1=1, axis2=2)).reshape(-1),
        "balance": np.zeros(3 * n),
        "count": np.ones(3 * n, dtype=np.int64),
        "block": np.repeat(np.arange(n), 3),
        "used": np.repeat(table.used, 3),
        "rows": as_objects([(i,) for i, _ in ids]),
    }


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
    array = np.empty(len(values), dtype=object)
    array[:] = values if not values or not isinstance(values[0], tuple) else None
    if values and isinstance(values[0], tuple):
        for i, v in enumerate(values):
            array[i] = v
    return array


def _groups(network: Network) -> Ints:
    """Number of the pair of setups and round of every row of sights; left-out rows apart. (n_sights,)"""
    s = network.sights
    if not len(s):
        return np.zeros(0, dtype=np.int64)
    key = np.stack([s.used.astype(np.int64), s.start, s.end, s.round], axis=1)
    return np.asarray(np.unique(key, axis=0, return_inverse=True)[1]).reshape(-1)


def _first_rows(groups: Ints) -> Ints:
    return np.asarray(np.unique(groups, return_index=True)[1])


def _orientation_index(start: Ints, rounds: Ints, used: Flags) -> Ints:
    """One number for every instrument setup and round, by first use; left-out directions share those that exist."""
    keys: dict[tuple[int, int], int] = {}
    for s, r, u in zip(start.tolist(), rounds.tolist(), used.tolist(), strict=True):
        if u:
            keys.setdefault((s, r), len(keys))
    return np.array(
        [keys.get(k, -1) for k in zip(start.tolist(), rounds.tolist(), strict=True)], dtype=np.int64
    )


def _mean(values: Floats, group: Ints, count: Ints) -> Floats:
    return np.bincount(group, values, minlength=len(count)) / count


def _take(part: Part, order: Ints) -> Part:
    return {name: column[order] for name, column in part.items()}

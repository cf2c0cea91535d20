"""Readings that are wrong: one, all to a prism or to a device, all of an instrument."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..ground.network import Network
from ..ground.table import Floats, Ints, distinct
from ..judge.written import angle_swaps
from .ground import Ground
from .planted import Amount, Planted, pick, sign, with_column

ARCSEC = np.pi / 648_000
TURNED_LEAST = 5  # targets of a round for a step in it to be more than one wrong reading


def distance(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """One distance."""
    slope = "slope" if not np.isnan(ground.network.sights.slope).all() else "horizontal"
    return _one(ground, amount, rng, slope, "distance" if slope == "slope" else "horizontal")


def direction(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """One reading of the circle."""
    return _one(ground, amount, rng, "circle", "direction")


def zenith(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """One zenith angle."""
    return _one(ground, amount, rng, "zenith", "zenith")


def direction_digits(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """Two neighbouring digits of a circle reading exchanged."""
    day = ground.day(rng)
    row = pick(rng, _with(day, "circle"))
    if row < 0:
        return None
    value = float(day.sights.circle[row])
    swaps = [v for v in angle_swaps(value, ground.written) if v < 2 * np.pi and abs(v - value) > 30 * ARCSEC]
    return _planted(day, "circle", row, float(rng.choice(swaps)) - value) if swaps else None


def face(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """The face of one reading noted wrongly."""
    day = ground.day(rng)
    row = pick(rng, _with(day, "circle"))
    if row < 0:
        return None
    noted = day.sights.face.copy()
    noted[row] = 3 - noted[row]
    name = str(day.sights.id[_mean_of(day, row)[0]])
    return Planted(replace(day, sights=day.sights.replace(face=noted)), "face", (name,), np.pi)


def turned(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """The instrument turned between two sights of one round, and stayed so. Sights are in the order in which they stand.

    In the first half of a round, two targets from either end of it: a step between two rounds, or between two faces, is
    taken by the orientation, and one next to an end of the round is one wrong reading.
    """
    day = ground.day(rng)
    s = day.sights
    rounds: list[Ints] = []
    for start, r in distinct(np.stack([s.start, s.round], axis=1)[_with(day, "circle")]).tolist():
        rows = np.flatnonzero((s.start == start) & (s.round == r) & s.used & ~np.isnan(s.circle))
        if len(rows) // 2 >= TURNED_LEAST:
            rounds.append(rows)
    if not rounds:
        return None
    rows = rounds[int(rng.integers(len(rounds)))]
    first = int(rows[int(rng.integers(2, len(rows) // 2 - 1))])
    at = int(s.start[first])
    add = sign(rng) * amount.value
    after = np.flatnonzero((s.start == at) & (np.arange(len(s)) >= first))
    return Planted(with_column(day, "circle", after, add), "orientation", (str(day.setups.setup[at]),), add)


def prism(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """Another prism on one setup: all its distances."""
    day = ground.day(rng)
    seen = _slopes(day)
    counted = np.bincount(seen[:, 1], minlength=len(day.setups)) if len(seen) else np.zeros(0, np.int64)
    s = pick(rng, np.flatnonzero(counted > 1))  # a lone distance is a reading
    if s < 0:
        return None
    add = sign(rng) * amount.value
    rows = np.flatnonzero(day.sights.end == s)
    return Planted(with_column(day, "slope", rows, add), "prism", (str(day.setups.setup[s]),), add)


def device(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """The constant of a target device, wherever it stood."""
    day = ground.day(rng)
    seen = _slopes(day)
    if not len(seen):
        return None
    at = day.setups.device[day.sights.end]
    ends = distinct(seen[:, 1])
    able = [d for d in distinct(day.setups.device[ends]).tolist() if np.sum(day.setups.device[ends] == d) > 1]
    d = pick(rng, np.array(able, dtype=np.int64))
    if d < 0:
        return None
    add = sign(rng) * amount.value
    name = str(day.targets.target[d])
    return Planted(with_column(day, "slope", np.flatnonzero(at == d), add), "prism", (name,), add)


def scale(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """All distances of an instrument in proportion."""
    day = ground.day(rng)
    seen = _slopes(day)
    if not len(seen):
        return None
    d = pick(rng, distinct(day.setups.device[seen[:, 0]]))
    add = sign(rng) * amount.value
    rows = np.flatnonzero(day.setups.device[day.sights.start] == d)
    name = str(day.instruments.instrument[d])
    return Planted(with_column(day, "slope", rows, 0.0, 1.0 + add), "scale", (name,), add)


def rise(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """One levelled rise."""
    return _between(ground, amount, rng, ("rise",))


def between(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """One distance, azimuth or angle between marks."""
    return _between(ground, amount, rng, ("horizontal", "azimuth", "angle"))


def vector(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """One vector, in any direction."""
    day = ground.day(rng)
    k = pick(rng, np.flatnonzero(day.vectors.used))
    if k < 0:
        return None
    move = rng.standard_normal(3)
    difference = day.vectors.difference.copy()
    difference[k] += amount.value * move / np.linalg.norm(move)
    wrong = replace(day, vectors=day.vectors.replace(difference=difference))
    return Planted(wrong, "reading", (str(day.vectors.id[k]),), amount.value)


def _between(
    ground: Ground, amount: Amount, rng: np.random.Generator, kinds: tuple[str, ...]
) -> Planted | None:
    day = ground.day(rng)
    reduced = day.reduced
    rows = np.flatnonzero(np.isin(reduced.kind.astype(str), kinds) & reduced.used)
    sizes = amount.of(
        np.array([ground.least.get(str(i), np.inf) for i in reduced.id[rows]], dtype=np.float64)
    )
    k = pick(rng, rows, sizes)
    if k < 0:
        return None
    add = sign(rng) * float(sizes[rows == k][0])
    value = reduced.value.copy()
    value[k] += add
    wrong = replace(day, reduced=reduced.replace(value=value))
    return Planted(wrong, "reading", (str(reduced.id[k]),), add)


def _one(ground: Ground, amount: Amount, rng: np.random.Generator, column: str, kind: str) -> Planted | None:
    """One row; for a multiple of the minimal detectable bias so far off that the mean of its rows is off by that."""
    day = ground.day(rng)
    rows = _with(day, column)
    if amount.unit == "least":
        first = [str(day.sights.id[_mean_of(day, row)[0]]) for row in rows.tolist()]
        many = np.array([len(_mean_of(day, row)) for row in rows.tolist()], dtype=np.float64)
        least = np.array([ground.least.get(f"{i}.{kind}", np.inf) for i in first], dtype=np.float64)
        sizes: Floats = amount.of(least) * many
    else:
        sizes = amount.of(np.zeros(len(rows)))
    row = pick(rng, rows, sizes)
    return None if row < 0 else _planted(day, column, row, sign(rng) * float(sizes[rows == row][0]))


def _planted(day: Network, column: str, row: int, add: float) -> Planted:
    mine = _mean_of(day, row)
    name = str(day.sights.id[mine[0]])
    back = column == "zenith" and day.sights.face[row] == 2  # counts down on that face
    size = (-add if back else add) / len(mine)
    return Planted(with_column(day, column, row, add), "reading", (name,), size)


def _with(day: Network, column: str) -> Ints:
    return np.flatnonzero(day.sights.used & ~np.isnan(getattr(day.sights, column)))


def _mean_of(day: Network, row: int) -> Ints:
    """The rows that are averaged with this one, itself among them."""
    s = day.sights
    return np.flatnonzero(
        (s.start == s.start[row]) & (s.end == s.end[row]) & (s.round == s.round[row]) & s.used
    )


def _slopes(day: Network) -> Ints:
    """(k, 3) distinct instrument setup, target setup and round with a slope distance."""
    rows = _with(day, "slope")
    s = day.sights
    return distinct(np.stack([s.start[rows], s.end[rows], s.round[rows]], axis=1))

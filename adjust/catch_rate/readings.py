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
SEEN_ELSEWHERE = 2  # instrument setups that must see a target for it to be known without the one that errs
GROSS = 0.05  # m or rad: beyond it an equation is no longer linear


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
    wrong = replace(day, sights=day.sights.replace(face=noted))
    return Planted(wrong, "face", (name,), np.pi, ((name, "direction_wrong"),), (np.pi / 2,), True)


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
    name = str(day.setups.setup[at])
    base = ((name, f"orientation_step:{s.id[first]}"),)
    return Planted(with_column(day, "circle", after, add), "orientation", (name,), add, base, (add,))


def twisted(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """The instrument twists slowly by `amount` while the first face of its first round is read, then stands still."""
    day = ground.day(rng)
    s = day.sights
    able: list[Ints] = []
    for start in distinct(s.start[_with(day, "circle")]).tolist():
        rows = np.flatnonzero((s.start == start) & (s.round == 1) & s.used & ~np.isnan(s.circle))
        if len(rows) >= 2 * TURNED_LEAST:
            able.append(rows)
    if not able:
        return None
    rows = able[int(rng.integers(len(able)))]
    at, add = int(s.start[rows[0]]), sign(rng) * amount.value
    circle = s.circle.copy()
    circle[rows] += add * np.minimum(np.arange(len(rows)) / (len(rows) // 2 - 1), 1.0)
    circle[(s.start == at) & (s.round > 1)] += add
    name = str(day.setups.setup[at])
    wrong = replace(day, sights=s.replace(circle=circle))
    return Planted(wrong, "orientation", (name,), add, ((name, "orientation_ramp"),), (add,))


def another_target(ground: Ground, amount: Amount, rng: np.random.Generator) -> Planted | None:
    """One target sighted for another: the readings to it are those to its neighbour. Both are seen by others too."""
    day = ground.day(rng)
    s = day.sights
    pairs = distinct(np.stack([s.start, s.end], axis=1)[_with(day, "circle")])
    seen = np.bincount(pairs[:, 1], minlength=len(day.setups)) if len(pairs) else np.zeros(0, np.int64)
    choice = [
        (at, ends)
        for at in distinct(pairs[:, 0]).tolist()
        if len(ends := pairs[(pairs[:, 0] == at) & (seen[pairs[:, 1]] > SEEN_ELSEWHERE), 1]) > 1
    ]
    if not choice:
        return None
    at, ends = choice[int(rng.integers(len(choice)))]
    one, two = (np.flatnonzero((s.start == at) & (s.end == e)) for e in rng.choice(ends, 2, replace=False))
    if day.setups.mark[s.end[one[0]]] == day.setups.mark[s.end[two[0]]]:
        return None
    n = min(len(one), len(two))
    columns = {c: getattr(s, c).copy() for c in ("circle", "zenith", "slope", "horizontal")}
    for values in columns.values():
        values[one[:n]] = values[two[:n]]
    name = str(s.id[one[0]])
    a, b = (int(day.setups.mark[s.end[rows[0]]]) for rows in (one, two))
    apart = float(np.hypot(*(ground.truth[a] - ground.truth[b])[:2]))
    base = ((name, "distance_wrong"), (name, "direction_wrong"))
    return Planted(replace(day, sights=s.replace(**columns)), "mark", (name,), apart, base, (apart,), True)


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
    name = str(day.setups.setup[s])
    return Planted(
        with_column(day, "slope", rows, add), "prism", (name,), add, ((name, "prism_constant"),), (add,)
    )


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
    wrong = with_column(day, "slope", np.flatnonzero(at == d), add)
    return Planted(wrong, "prism", (name,), add, ((name, "device_constant"),), (add,))


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
    wrong = with_column(day, "slope", rows, 0.0, 1.0 + add)
    return Planted(wrong, "scale", (name,), add, ((name, "distance_scale"),), (add,))


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
    name = str(day.vectors.id[k])
    step = tuple((difference - day.vectors.difference)[k].tolist())
    return Planted(wrong, "reading", (name,), amount.value, ((name, "vector_wrong"),), step)


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
    name = str(reduced.id[k])
    cause = "angle_wrong" if str(reduced.kind[k]) in ("azimuth", "angle") else "reading_wrong"
    return Planted(wrong, "reading", (name,), add, ((name, cause),), (add,))


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
    cause = {"circle": "direction_wrong", "zenith": "zenith_wrong"}.get(column, "distance_wrong")
    wrong = with_column(day, column, row, add)
    return Planted(wrong, "reading", (name,), size, ((name, cause),), (size,), abs(add) > GROSS)


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

"""Single readings wrong: one hypothesis for every observation in use. Size: read − true, m or rad."""

from __future__ import annotations

import numpy as np

from ..model.observations import KINDS
from .point import Point
from .signatures import Book, Hypothesis
from .written import Written, angle_swaps, length_swaps

_CAUSE = {
    "direction": "direction_wrong", "zenith": "zenith_wrong", "distance": "distance_wrong", "level": "distance_wrong",
    "azimuth": "angle_wrong", "angle": "angle_wrong",
    "azimuth.astronomic": "angle_wrong", "azimuth.geodetic": "angle_wrong",
}  # fmt: skip
_SWAPPED = {
    "direction_wrong": "direction_digits_swapped", "zenith_wrong": "zenith_digits_swapped",
    "distance_wrong": "distance_digits_swapped",
}  # fmt: skip


def add_readings(book: Book) -> None:
    """Every observation; a vector as one of three columns."""
    point = book.point
    obs = point.solved.obs
    for k, group in enumerate(point.solved.equations.groups):
        if len(group.kinds) > 1:
            for rows in group.rows.reshape(-1, 3):
                row, entry, value = point.whiten(rows)
                name = str(obs.rows[rows[0]][0])
                book.add(
                    Hypothesis("sight", name, "vector_wrong", int(rows[0]), q=3, shared=False),
                    row,
                    value,
                    entry,
                )
            continue
        cause = _CAUSE.get(group.kinds[0].name, "reading_wrong")
        made = [
            Hypothesis("sight", str(obs.rows[i][0]), cause, int(i), shared=False) for i in group.rows.tolist()
        ]
        sigma = point.sigma[group.rows]
        row = point.offsets[k] + np.arange(len(made))
        book.add_single(made, row, 1.0 / sigma, point.reliability[k].strength / sigma)


def digits(point: Point, observation: int, written: Written) -> list[tuple[str, float, tuple[object, ...]]]:
    """Exchanged digits in one row of an observation: cause, the size it would have, and the row."""
    obs, sights = point.solved.obs, point.solved.network.sights
    kind = KINDS[str(obs.kind[observation])]
    cause = _SWAPPED.get(_CAUSE.get(kind.name, ""))
    if cause is None:
        return []
    raw = getattr(sights, kind.reading)
    names = set(obs.rows[observation])
    count = int(obs.count[observation])
    out: list[tuple[str, float, tuple[object, ...]]] = []
    for row in [i for i, name in enumerate(sights.id) if str(name) in names]:
        value = float(raw[row])
        swapped = length_swaps(value, written) if kind.quantity == "length" else angle_swaps(value, written)
        sign = -1.0 if kind.name == "zenith" and sights.face[row] == 2 else 1.0
        out += [
            (cause, sign * (value - right) / count, (str(sights.id[row]), value, right)) for right in swapped
        ]
    return out

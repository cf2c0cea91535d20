"""Changes of a network after which an adjustment must say the same, or something else that is known beforehand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from hubtack.adjust.ground.network import Network

TURN = 2.0 * np.pi
TABLES = ("marks", "setups", "sights", "reduced", "vectors", "supports", "instruments", "targets", "sessions")
POINTERS = {  # column → the table whose rows it names
    "setups": {"mark": "marks", "support": "supports"},
    "sights": {"start": "setups", "end": "setups"},
    "reduced": {"start": "marks", "at": "marks", "end": "marks"},
    "vectors": {
        "start_mark": "marks",
        "end_mark": "marks",
        "start_setup": "setups",
        "end_setup": "setups",
        "session": "sessions",
    },
}
Rng = np.random.Generator


def shuffled(network: Network, rng: Rng, *, sights: bool = True) -> Network:
    """Every table's rows in another order, with all that points at them; groups of setups get other numbers.

    The order of `sights` is kept where it is what time is told from: a circle that twists slowly twists from row to row.
    """
    order = {name: rng.permutation(len(getattr(network, name))) for name in TABLES}
    if not sights:
        order["sights"] = np.arange(len(network.sights))
    place = {name: np.append(np.argsort(rows), -1) for name, rows in order.items()}  # −1 stays −1
    tables: dict[str, Any] = {}
    for name in TABLES:
        table = getattr(network, name)
        columns = {c: place[to][getattr(table, c)] for c, to in POINTERS.get(name, {}).items()}
        if name == "setups":
            station = table.instrument
            columns["device"] = np.where(
                station, place["instruments"][np.where(station, table.device, -1)],
                place["targets"][np.where(station, -1, table.device)],
            )  # fmt: skip
            for group in ("base", "height_base"):
                numbers = rng.permutation(1000)
                of = getattr(table, group)
                columns[group] = np.where(of < 0, -1, numbers[of])
        tables[name] = table.replace(**columns).take(order[name])
    return replace(network, **tables)


def renamed(network: Network, rng: Rng) -> tuple[Network, dict[str, str]]:
    """Other names for everything, in another alphabetical order; and which was which (new → old)."""
    alphabet, old = list("zyxÄß9 =<&é水-.#"), {}
    tables: dict[str, Any] = {}
    for name, column in (("marks", "mark"), ("setups", "setup"), ("supports", "support"), ("targets", "target"),
                         ("instruments", "instrument"), ("sessions", "session")):  # fmt: skip
        table = getattr(network, name)
        new = []
        for i, was in enumerate(getattr(table, column)):
            now = f"{''.join(rng.choice(alphabet, 3))}{len(table) - i}{name[0]}"
            old[now] = str(was)
            new.append(now)
        tables[name] = table.replace(**{column: new})
    return replace(network, **tables), old


def moved(network: Network, angle: float, shift: np.ndarray) -> Network:
    """The whole world turned clockwise by `angle` (rad) about the origin, then shifted (east, north, up, m).

    Weighted control must have one sigma for east and north, since only those two have no covariance when turned.
    """
    marks, reduced, vectors = network.marks, network.reduced, network.vectors
    known = np.isfinite(marks.sigma_east) & (marks.sigma_east > 0.0)
    assert np.array_equal(marks.sigma_east[known], marks.sigma_north[known])
    turn = turning(angle)
    place = np.stack([marks.east, marks.north, marks.height], axis=1)
    flat = place[:, :2] @ turn[:2, :2].T + shift[:2]
    azimuth = reduced.kind == "azimuth"
    return replace(
        network,
        marks=marks.replace(east=flat[:, 0], north=flat[:, 1], height=place[:, 2] + shift[2]),
        reduced=reduced.replace(
            value=np.where(azimuth, np.mod(reduced.value + angle, TURN), reduced.value)
        ),
        vectors=vectors.replace(
            difference=vectors.difference @ turn.T, covariance=turn @ vectors.covariance @ turn.T
        ),
    )  # fmt: skip


def turning(angle: float) -> np.ndarray:
    """(3, 3): east, north, up turned clockwise by `angle`."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


MIRROR = np.diag([-1.0, 1.0, 1.0])


def mirrored(network: Network) -> Network:
    """East and west exchanged: every circle runs the other way round, and so do azimuths and angles.

    A circle that reads 2π − c on face 1 reads on face 2 what is half a turn from that, as before.
    """
    marks, sights, reduced, vectors = network.marks, network.sights, network.reduced, network.vectors
    angles = np.isin(reduced.kind.astype(str), ("azimuth", "angle"))
    return replace(
        network,
        marks=marks.replace(east=-marks.east),
        sights=sights.replace(circle=np.mod(-sights.circle, TURN)),
        reduced=reduced.replace(value=np.where(angles, np.mod(-reduced.value, TURN), reduced.value)),
        vectors=vectors.replace(
            difference=vectors.difference @ MIRROR, covariance=MIRROR @ vectors.covariance @ MIRROR
        ),
    )  # fmt: skip


def split_by_face(network: Network) -> Network:
    """Every round as two: its readings of face 1, and those of face 2 with an orientation of their own."""
    return replace(
        network, sights=network.sights.replace(round=2 * network.sights.round + (network.sights.face == 2))
    )


def doubled(network: Network, rounds: bool) -> Network:
    """Every observation twice, with √2 times the sigma: sights again in the same round or in one of their own."""
    root = np.sqrt(2.0)
    sights, reduced, vectors, tools = network.sights, network.reduced, network.vectors, network.instruments
    again = np.concatenate([np.arange(len(sights))] * 2)
    second = np.arange(len(again)) >= len(sights)
    late = np.where(second & rounds, sights.round[again] + sights.round.max(initial=0), sights.round[again])
    names = [f"{i}{'+' * int(s)}" for i, s in zip(sights.id[again], second, strict=True)]

    def twice(table: Any, **columns: Any) -> Any:
        rows = np.concatenate([np.arange(len(table))] * 2)
        ids = [f"{i}{'+' * (k >= len(table))}" for k, i in enumerate(table.id[rows])]
        return table.replace(**columns).take(rows).replace(id=ids)

    return replace(
        network,
        sights=sights.take(again).replace(id=names, round=late),
        reduced=twice(reduced, sigma=reduced.sigma * root),
        vectors=twice(vectors, covariance=vectors.covariance * 2.0),
        instruments=tools.replace(
            **{
                c: getattr(tools, c) * root
                for c in ("direction", "zenith", "distance", "distance_ppm", "reflectorless", "reflectorless_ppm")
            }
        ),
    )  # fmt: skip


def with_a_free_mark(network: Network, rng: Rng) -> Network:
    """One more mark, seen once: a polar sight of one round from a setup that is there, to a target of its own."""
    sights, setups, marks = network.sights, network.setups, network.marks
    row = int(rng.integers(len(sights)))
    new = {"id": "new", "end": len(setups), "circle": rng.uniform(0.0, TURN), "face": 1}
    new |= {"zenith": rng.uniform(1.4, 1.7), "slope": rng.uniform(8.0, 60.0), "horizontal": np.nan}
    one = sights.take([row]).replace(**{k: [v] for k, v in new.items()})
    target = setups.take([int(sights.end[row])])
    target = target.replace(setup=["new"], mark=[len(marks)], base=[-1], height_base=[-1])
    nowhere = {c: [np.nan] for c in ("east", "north", "height")}
    free = {f"sigma_{c}": [np.inf] for c in ("east", "north", "height")}
    mark = marks.take([0]).replace(mark=["new"], **nowhere, **free)
    return replace(
        network,
        marks=_joined(marks, mark),
        setups=_joined(setups, target),
        sights=_joined(sights, one),
    )


def _joined(a: Any, b: Any) -> Any:
    columns = {c.name: np.concatenate([getattr(a, c.name), getattr(b, c.name)]) for c in a.columns()}
    return type(a)(**columns)

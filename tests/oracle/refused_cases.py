"""Networks that have no answer: the engine must say so, and name what lacks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from tests.adjust.networks import INF
from tests.oracle.odd_cases import Case, base, everyone, start

from hubtack.adjust import Settings

REFUSED: dict[str, tuple[Callable[[], Case], str]] = {}  # and what the refusal must name


def refused(names: str) -> Callable[[Callable[[], Case]], Callable[[], Case]]:
    def keep(make: Callable[[], Case]) -> Callable[[], Case]:
        REFUSED[make.__name__] = (make, names)
        return make

    return keep


@refused("C")
def one_direction_only() -> Case:
    p = base()
    s = p.station(0)
    p.sight(s, p.prism(1))
    p.sight(s, p.prism(2), readings="c")
    return p, Settings()


@refused("C")
def slope_distances_only() -> Case:
    p = base()
    p.held("D", 40, 60, 0)
    p.sight(p.station(0), p.prism(1))
    for i in (0, 1):
        p.sight(p.station(i), p.prism(2), readings="s")
    return p, Settings()


@refused("C")
def one_distance_only() -> Case:
    p = base()
    p.reduce("horizontal", 0, 2, 0.001)
    return p, Settings()


@refused("D")
def two_islands() -> Case:
    p = base()
    p.mark("D", 100, 100, 0)
    p.mark("E", 150, 100, 0)
    everyone(p, (0, 1, 2), (0, 1, 2))
    everyone(p, (3, 4), (3, 4))
    return p, Settings()


@refused("D")
def two_islands_of_levels() -> Case:
    p = base()
    p.mark("D", 100, 100, 0)
    p.mark("E", 150, 100, 0)
    p.reduce("rise", 0, 2, 0.001)
    p.reduce("rise", 3, 4, 0.001)
    return p, Settings()


@refused("A")
def datum_on_one_mark() -> Case:
    p = start()
    for k, name in enumerate("ABCD"):
        p.mark(name, 40.0 * (k % 2), 35.0 * (k // 2), 0, known=True)
    everyone(p, range(4), range(4))
    return p, Settings(datum_marks=("A",))


@refused("P")
def on_the_danger_circle() -> Case:
    p = start()
    for name, t in zip("ABCP", (0.0, 1.0, 2.2, 4.0), strict=True):
        sigma = (INF,) * 3 if name == "P" else (0.0,) * 3
        p.mark(name, 50 * np.cos(t), 50 * np.sin(t), 0, sigma=sigma)
    s = p.station(3)
    for j in range(3):
        p.sight(s, p.prism(j), readings="c")
    return p, Settings()


@refused("P")
def resection_of_two() -> Case:
    p = base()
    p.mark("P", 20, -30, 0)
    s = p.station(3)
    p.sight(s, p.prism(0), readings="c")
    p.sight(s, p.prism(1), readings="c")
    everyone(p, (0,), (1, 2))
    return p, Settings()


@refused("D")
def branch_without_orientation() -> Case:
    p = base()
    p.mark("D", 70, 50, 1)
    everyone(p, (0, 1), range(3))
    p.sight(p.station(2), p.prism(3))
    return p, Settings()


@refused("C")
def height_by_nothing() -> Case:
    p = base()
    everyone(p, (0,), (1,))
    for i in (0, 1):
        s = p.station(i)
        p.sight(s, p.prism(1 - i), readings="czs")
        p.sight(s, p.prism(2), readings="cs")
    return p, Settings()


@refused("C")
def no_reading_in_use() -> Case:
    p = base()
    p.held("E", 3, 3, 3)
    p.sight(p.station(2), p.prism(2, 2.0))
    return p, Settings()

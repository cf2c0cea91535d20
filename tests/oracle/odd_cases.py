"""Networks that no one would plan and someone will bring, and that have an answer."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
from tests.adjust.networks import INF, Plan

from hubtack.adjust import Settings

Case = tuple[Plan, Settings]
SOLVED: dict[str, Callable[[], Case]] = {}


def solved(make: Callable[[], Case]) -> Callable[[], Case]:
    SOLVED[make.__name__] = make
    return make


def start(centring: float = 4e-4, height: float = 2e-4, **instrument: float) -> Plan:
    p = Plan()
    p.support("stand", centring, height)
    p.instrument(**instrument)
    p.target()
    return p


def everyone(p: Plan, stations: Iterable[int], targets: Iterable[int], rounds: int = 1, **more: Any) -> None:
    wanted = list(targets)
    for i in stations:
        s = p.station(i)
        for j in wanted:
            if i != j:
                p.sight(s, p.prism(j), rounds, **more)


def base(**more: Any) -> Plan:
    """A and B held 50 m apart, C free."""
    p = start(**more)
    p.held("A", 0, 0, 0)
    p.held("B", 50, 0, 0)
    p.mark("C", 30, 20, 1)
    return p


@solved
def marks_a_millimetre_apart() -> Case:
    p = base()
    p.mark("D", 30.001, 20, 1)
    everyone(p, (0, 1), range(4), 2)
    everyone(p, (2,), (0, 1))
    return p, Settings()


@solved
def a_millimetre_sighted() -> Case:
    p = base()
    p.mark("D", 30.001, 20, 1)
    everyone(p, (0, 1), range(4), 2)
    everyone(p, (2,), (0, 1, 3))
    return p, Settings()


@solved
def twenty_kilometres_and_one_metre() -> Case:
    p = start()
    p.held("A", 0, 0, 0)
    p.held("B", 20000, 0, 30)
    p.mark("C", 1, 0.5, 0)
    p.mark("D", 12000, 9000, 100)
    everyone(p, range(4), range(4), 2)
    return p, Settings()


@solved
def sigmas_over_six_decades() -> Case:
    p = base()
    p.mark("D", 60, 30, 1)
    everyone(p, (0, 1, 2), range(4))
    p.reduce("horizontal", 0, 3, 1e-6)
    p.reduce("horizontal", 1, 3, 1.0)
    p.reduce("rise", 0, 3, 1e-6)
    p.reduce("rise", 2, 3, 1.0)
    return p, Settings()


@solved
def all_in_line() -> Case:
    p = start()
    for i, name in enumerate("ABCDE"):
        p.mark(name, 50.0 * i, 0, 0.1 * i, sigma=(0.0, 0.0, 0.0) if i < 2 else (INF,) * 3)
    everyone(p, range(5), range(5))
    return p, Settings()


@solved
def all_in_line_and_free() -> Case:
    p = start()
    for i, name in enumerate("ABCDE"):
        p.mark(name, 50.0 * i, 0, 0.1 * i, known=True)
    everyone(p, range(5), range(5))
    return p, Settings()


@solved
def one_rise() -> Case:
    p = start()
    p.held("A", 0, 0, 0)
    p.mark("B", 1, 1, 1)
    p.reduce("rise", 0, 1, 0.001)
    return p, Settings()


@solved
def one_vector() -> Case:
    p = start()
    p.held("A", 0, 0, 0)
    p.mark("B", 1, 1, 1)
    p.vector(0, 1, 1e-6 * np.array([[2, 1, 0], [1, 3, 1], [0, 1, 4.0]]))
    return p, Settings()


@solved
def vectors_between_held_marks_alone() -> Case:
    """Their rows have no unknown at all; a mark beside them is found by a rise."""
    p = start()
    p.held("A", 0, 0, 0)
    p.held("B", 40, 30, 1)
    p.mark("C", 1, 1, 1)
    for _ in range(2):
        p.vector(0, 1, 1e-6 * np.array([[2, 1, 0], [1, 3, 1], [0, 1, 4.0]]))
    p.reduce("rise", 0, 2, 0.001)
    return p, Settings()


@solved
def one_polar_shot() -> Case:
    p = base()
    s = p.station(0)
    p.sight(s, p.prism(1))
    p.sight(s, p.prism(2))
    return p, Settings()


@solved
def traverse_without_redundancy() -> Case:
    p = start()
    p.mark("A", 0, 0, 0, sigma=(0.0, 0.0, INF))
    p.held("B", 50, 0, 0)
    p.mark("C", 70, 30, 1)
    p.mark("D", 120, 30, 1)
    s = p.station(1)
    p.sight(s, p.prism(0), readings="c")
    p.sight(s, p.prism(2))
    s = p.station(2)
    p.sight(s, p.prism(1), readings="c")
    p.sight(s, p.prism(3))
    return p, Settings()


@solved
def all_held_and_reduced() -> Case:
    p = start(0.0, 0.0)
    p.held("A", 0, 0, 0)
    p.held("B", 40, 0, 0)
    p.reduce("rise", 0, 1, 0.001)
    p.reduce("horizontal", 0, 1, 0.002)
    return p, Settings()


@solved
def all_held_and_sighted() -> Case:
    p = start(0.0, 0.0)
    p.held("A", 0, 0, 0)
    p.held("B", 40, 0, 0)
    p.held("C", 40, 30, 0)
    everyone(p, range(3), range(3), 2)
    return p, Settings()


@solved
def control_weighted_by_a_micrometre() -> Case:
    p = start()
    p.mark("A", 0, 0, 0, sigma=(1e-6,) * 3)
    p.mark("B", 50, 0, 0, sigma=(1e-6,) * 3)
    p.mark("C", 30, 20, 1)
    p.mark("D", 60, 30, 1)
    everyone(p, range(4), range(4))
    return p, Settings()


def grid(control: bool) -> Plan:
    p = start()
    for k, (e, n, h) in enumerate(((3.0, 7.0, 0), (50.3, 0.0, 0), (30.0, 20.0, 1), (60.0, 30.0, 1))):
        sigma = (0.0,) * 3 if control and k < 2 else (INF,) * 3
        p.mark("ABCD"[k], 5e5 + e, 5e6 + n, h, sigma=sigma, known=not control)
    everyone(p, range(4), range(4), 2)
    return p


@solved
def grid_coordinates_of_five_million() -> Case:
    return grid(True), Settings()


@solved
def grid_coordinates_free() -> Case:
    return grid(False), Settings()


def mountain() -> Plan:
    p = start()
    p.held("A", 0, 0, 4000)
    p.held("B", 50, 0, 4010)
    p.mark("C", 30, 20, 4001)
    p.mark("D", 60, 30, 3990)
    everyone(p, range(4), range(4), 2)
    return p


@solved
def four_thousand_metres_up() -> Case:
    return mountain(), Settings()


@solved
def four_thousand_metres_over_the_reference() -> Case:
    return mountain(), Settings(reference_height=0.0)


@solved
def fifty_rounds() -> Case:
    p = base()
    everyone(p, range(3), range(3), 50)
    return p, Settings()


@solved
def one_setup_with_sixty_sights() -> Case:
    p = base()
    rng = np.random.default_rng(1)
    s, second = p.station(0), p.station(1)
    p.sight(s, p.prism(1))
    p.sight(second, p.prism(0))
    p.sight(s, p.prism(2))
    for k in range(58):
        t = p.prism(p.mark(f"M{k}", *rng.uniform(5, 100, 2), rng.uniform(0, 3)))
        p.sight(s, t)
        if k < 5:
            p.sight(second, t)
    return p, Settings()


@solved
def marks_nobody_sights_and_setups_nobody_uses() -> Case:
    p = base()
    p.mark("X", 5, 5, 5)
    p.mark("Y", 5, 5, 5, known=True)
    p.held("Z", 9, 9, 9)
    p.mark("V", 8, 8, 8, sigma=(0.01, 0.01, 0.02))
    everyone(p, range(3), range(3), 2)
    for m in (3, 4, 5, 6, 0):
        p.prism(m)
        p.station(m)
    return p, Settings(reference_height=0.0)


@solved
def almost_vertical() -> Case:
    p = start()
    p.held("A", 0, 0, 0)
    p.held("B", 50, 0, 0)
    p.mark("C", 0.02, 0.01, 30)
    p.mark("D", 0.5, 0.2, 30)
    everyone(p, (0, 1), range(4), 2)
    return p, Settings()


@solved
def directions_with_two_distances() -> Case:
    p = base()
    p.mark("D", 60, 30, 1)
    everyone(p, range(4), range(4), readings="c")
    p.reduce("horizontal", 0, 2, 0.002)
    p.reduce("horizontal", 2, 3, 0.002)
    return p, Settings()


@solved
def chain_of_sixty_marks() -> Case:
    p = start()
    for i in range(60):
        p.mark(
            f"K{i}", 40.0 * i, 10.0 * np.sin(i), 0.3 * np.cos(i), sigma=(0.0,) * 3 if i < 2 else (INF,) * 3
        )
    for i in range(1, 59):
        s = p.station(i)
        p.sight(s, p.prism(i - 1), readings="czs")
        p.sight(s, p.prism(i + 1), readings="czs")
    return p, Settings()


@solved
def short_sights_with_refraction_unknown() -> Case:
    """Refraction is hardly felt over 20 m: its step is rounding, far beyond 1e-10, and no sign of trouble."""
    p = start()
    where = ((0, 0, 0), (39, 31, 8), (12, 48, 4), (41, 30, -2), (17, 17, -2), (-2, 25, -2))
    for k, (e, n, h) in enumerate(where):
        p.mark(f"E{k}", 499_980 + e, 249_972 + n, 98 + h, known=True)
    everyone(p, (1, 4, 5), range(6), 2)
    return p, Settings(refraction_sigma=0.3, scale_factor=0.9996)

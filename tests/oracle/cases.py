"""Small networks of every kind the engine knows, each with its settings."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from tests.adjust.networks import ARCSEC, INF, Plan

from hubtack.adjust import Settings

Case = tuple[Plan, Settings]
CASES: dict[str, Callable[[], Case]] = {}


def case(make: Callable[[], Case]) -> Callable[[], Case]:
    CASES[make.__name__] = make
    return make


H = (0.0, 0.0, 0.0)
POINTS = [(0.0, 0.0, 12.0), (61.0, 8.0, 13.5), (118.0, -14.0, 12.2), (171.0, 22.0, 15.0), (64.0, 70.0, 14.1)]


def ring(sigmas: list[tuple[float, float, float]], known: bool = False, **instrument: float) -> Plan:
    """Five marks; a total station on each of the first four, two rounds, targets set anew for every station."""
    p = Plan()
    p.support("stand", centring=0.0004, height=0.0002)
    p.support("pole", centring=0.0012, height=0.0009)
    p.instrument(**{"direction": 1.0, "zenith": 1.5, "distance": 0.001, "distance_ppm": 1.5e-6} | instrument)
    p.target()
    p.target(constant=0.0175)
    for i, ((e, n, h), s) in enumerate(zip(POINTS, sigmas, strict=True)):
        p.mark(f"W{i}", 5000 + e, 2000 + n, h, sigma=s, known=known)
    return p


def observe(p: Plan, pairs: str = "01 04 10 14 12 21 24 23 32 34", rounds: int = 2, **more: object) -> None:
    stations: dict[int, int] = {}
    for pair in pairs.split():
        i, j = int(pair[0]), int(pair[1])
        if i not in stations:
            stations[i] = p.station(i, 1.5 + 0.02 * i)
        p.sight(stations[i], p.prism(j, 1.2 + 0.1 * j, support=(i + j) % 2, device=j % 2), rounds, **more)  # type: ignore[arg-type]


FREE3 = (INF, INF, INF)


@case
def traverse_between_held_marks() -> Case:
    p = ring([H, H, FREE3, FREE3, FREE3])
    observe(p)
    return p, Settings()


@case
def weighted_control() -> Case:
    p = ring([(0.002, 0.003, 0.004), (0.001, 0.001, 0.002), FREE3, (0.005, 0.004, INF), FREE3])
    observe(p)
    return p, Settings()


@case
def control_mixed_by_dimension() -> Case:
    p = ring([(0.0, 0.0, 0.003), (INF, INF, 0.0), FREE3, (0.0, 0.0, INF), (0.01, INF, INF)])
    observe(p)
    return p, Settings(confidence=0.99)


@case
def free_network() -> Case:
    p = ring([FREE3] * 5, known=True)
    observe(p)
    return p, Settings()


@case
def free_on_chosen_marks() -> Case:
    p = ring([FREE3] * 5, known=True)
    observe(p)
    return p, Settings(datum_marks=("W0", "W2", "W4"))


@case
def free_heights_only() -> Case:
    p = ring([(0.0, 0.0, INF), (0.0, 0.0, INF), FREE3, FREE3, FREE3], known=True)
    observe(p)
    return p, Settings()


@case
def free_to_turn_about_one_mark() -> Case:
    p = ring([H, FREE3, FREE3, FREE3, FREE3], known=True)
    observe(p)
    return p, Settings()


@case
def plane_network_with_horizontal_distances() -> Case:
    p = ring([(0.0, 0.0, INF), (0.0, 0.0, INF), FREE3, FREE3, FREE3])
    observe(p, readings="ch")
    return p, Settings(reference_height=300.0, scale_factor=0.9996)


@case
def plane_network_with_known_heights() -> Case:
    p = ring([H, H, (INF, INF, 0.0), (INF, INF, 0.0), (INF, INF, 0.0)])
    observe(p, readings="ch")
    return p, Settings(reference_height=0.0)


@case
def plane_network_free() -> Case:
    p = ring([FREE3] * 5, known=True)
    observe(p, readings="ch")
    return p, Settings()


@case
def directions_only_between_three_held() -> Case:
    p = ring([(0.0, 0.0, INF), (0.0, 0.0, INF), FREE3, (0.0, 0.0, INF), FREE3])
    observe(p, readings="c")
    return p, Settings()


@case
def levelling() -> Case:
    p = ring([(INF, INF, 0.0), FREE3, FREE3, (INF, INF, 0.001), FREE3])
    for i, j, s in ((0, 1, 4e-4), (1, 2, 5e-4), (2, 3, 3e-4), (3, 4, 6e-4), (4, 0, 4e-4), (1, 4, 7e-4)):
        p.reduce("rise", i, j, s)
    return p, Settings()


@case
def levelling_free() -> Case:
    p = ring([FREE3] * 5, known=True)
    for i, j, s in ((0, 1, 4e-4), (1, 2, 5e-4), (2, 3, 3e-4), (3, 4, 6e-4), (4, 0, 4e-4), (1, 4, 7e-4)):
        p.reduce("rise", i, j, s)
    return p, Settings(datum_marks=("W1", "W3"))


@case
def reduced_kinds_beside_sights() -> Case:
    p = ring([H, FREE3, FREE3, FREE3, FREE3])
    observe(p)
    p.reduce("azimuth", 0, 1, 3 * ARCSEC)
    p.reduce("angle", 1, 3, 4 * ARCSEC, at=2)
    p.reduce("angle", 3, 0, 4 * ARCSEC, at=4)
    p.reduce("horizontal", 0, 3, 0.003)
    p.reduce("rise", 2, 4, 0.0005)
    return p, Settings(scale_factor=1.0003)


@case
def angles_and_distances_alone() -> Case:
    p = ring([(0.0, 0.0, INF), FREE3, FREE3, FREE3, FREE3], known=True)
    for i, j, at in ((0, 2, 1), (1, 3, 2), (0, 3, 4), (4, 1, 0), (2, 4, 3)):
        p.reduce("angle", i, j, 2 * ARCSEC, at=at)
    for i, j in ((0, 1), (1, 2), (2, 3), (3, 4), (4, 0), (1, 4)):
        p.reduce("horizontal", i, j, 0.002)
    return p, Settings()


def _cov(seed: int, size: float = 0.003) -> np.ndarray:
    L = np.tril(np.random.default_rng(seed).normal(size=(3, 3))) + 1.5 * np.eye(3)
    return size**2 * L @ L.T


@case
def vectors_between_marks() -> Case:
    p = ring([(0.002, 0.002, 0.004), FREE3, FREE3, H, FREE3])
    for k, (i, j) in enumerate(((0, 1), (1, 2), (2, 3), (3, 4), (4, 0), (1, 4), (2, 4))):
        p.vector(i, j, _cov(k))
    return p, Settings(scale_factor=1.0002)


@case
def vectors_that_hide_a_blunder() -> Case:
    """Correlated by 0.99: a north component whose test strength looks fair may still carry its mark off by 23 sigmas."""
    p = ring([H, FREE3, FREE3, FREE3, FREE3])
    first = 1e-6 * np.array([[1.0, 0.99, 0.0], [0.99, 1.0, 0.0], [0.0, 0.0, 1.0]])
    for j in (1, 2, 3, 4):
        p.vector(0, j, first)
        p.vector(0, j, 1e-6 * np.diag([1.0, 16.0, 1.0]))
    return p, Settings()


@case
def vectors_free() -> Case:
    p = ring([FREE3] * 5, known=True)
    for k, (i, j) in enumerate(((0, 1), (1, 2), (2, 3), (3, 4), (4, 0), (1, 4))):
        p.vector(i, j, _cov(k))
    return p, Settings()


@case
def vectors_between_setups_beside_sights() -> Case:
    p = ring([H, FREE3, FREE3, FREE3, FREE3])
    observe(p)
    a, b, c = p.prism(0, 2.0, 1), p.prism(3, 1.8, 0), p.prism(4, 1.9, 1)
    p.vector(a, b, _cov(1), setups=True)
    p.vector(a, c, _cov(2), setups=True)
    p.vector(0, 4, _cov(3))
    return p, Settings()


@case
def vectors_of_sessions_beside_sights() -> Case:
    """Two sessions, each with a scale, a turn and tilts of its own; antennas on poles; a total station judges them."""
    p = ring([H, FREE3, FREE3, H, FREE3])
    observe(p)
    am = p.session("am", scale_sigma=4e-6, turn_sigma=3 * ARCSEC, tilt_sigma=2 * ARCSEC)
    pm = p.session("pm", turn_sigma=5 * ARCSEC)
    antennas = [p.prism(k, 2.0, 1) for k in range(5)]
    for k, (i, j) in enumerate(((0, 1), (0, 2), (0, 4), (3, 1))):
        p.vector(antennas[i], antennas[j], _cov(k), setups=True, session=am)
    for k, (i, j) in enumerate(((1, 2), (2, 4), (4, 0))):
        p.vector(i, j, _cov(k + 7), session=pm)
    p.vector(3, 4, _cov(13))
    return p, Settings()


@case
def forced_centring() -> Case:
    p = ring([H, H, FREE3, FREE3, FREE3])
    stations = [p.station(i, 1.55, base=i, height_base=i) for i in range(4)]
    prisms = [p.prism(i, 1.5, base=i, height_base=i) for i in range(5)]
    for i in range(4):
        for j in range(5):
            if i != j:
                p.sight(stations[i], prisms[j], 2)
    return p, Settings()


@case
def single_face_with_collimation_and_index() -> Case:
    p = ring([H, H, FREE3, FREE3, FREE3], collimation_sigma=5 * ARCSEC, index_sigma=8 * ARCSEC)
    observe(p, faces=(1,))
    p.sight(0, 1, 1, faces=(1, 2), first_round=5)  # row 0 is a station, row 1 a prism: one pair in both faces
    return p, Settings()


@case
def steep_with_collimation() -> Case:
    p = Plan()
    p.support("stand", 0.0003, 0.0002)
    p.instrument(2.0, 2.0, collimation_sigma=10 * ARCSEC, index_sigma=10 * ARCSEC)
    p.target()
    marks = [p.held("F0", 0, 0, 0), p.held("F1", 20, 0, 1), p.mark("F2", 6, 8, 14), p.mark("F3", 14, 7, -9)]
    for i in (0, 1):
        s = p.station(marks[i])
        for m in marks:
            if m != marks[i]:
                p.sight(s, p.prism(m, 0.2), 2, faces=(1,) if m % 2 else (1, 2))
    return p, Settings()


@case
def refraction_unknown() -> Case:
    p = ring([H, H, FREE3, FREE3, FREE3], distance_zero_sigma=0.002, distance_scale_sigma=5e-6)
    observe(p)
    return p, Settings(refraction_sigma=0.4)


@case
def long_sights_and_refraction() -> Case:
    p = Plan()
    p.support("pillar", 0.0002, 0.0003)
    p.instrument(0.5, 0.5, 0.0006, distance_ppm=1e-6)
    p.target()
    where = [(0, 0, 210), (950, 130, 260), (520, 880, 235), (1400, 900, 390)]
    for i, (e, n, h) in enumerate(where):
        p.mark(f"L{i}", 31000 + e, 7000 + n, h, sigma=H if i < 2 else FREE3)
    for i in range(3):
        s = p.station(i)
        for j in range(4):
            if i != j:
                p.sight(s, p.prism(j), 3)
    return p, Settings(refraction_sigma=0.3, scale_factor=0.99987, reference_height=100.0)


@case
def reflectorless_and_slant_heights() -> Case:
    p = ring([H, H, FREE3, FREE3, FREE3], reflectorless=0.002, reflectorless_ppm=2e-6)
    wall = p.target(reflectorless=True)
    slant = p.support("tribrach", 0.001, 0.0015, height_kind="slant", slant_radius=0.12, slant_offset=0.03)
    bubble = p.support(
        "leaning pole", np.nan, 0.001, bubble=480 * ARCSEC, bubble_off_centre=0.0005, bubble_error=120 * ARCSEC,
        plummet=0.0005, mark=0.0003,
    )  # fmt: skip
    observe(p)
    s = p.station(2, 1.61, support=slant)
    for j in (0, 1, 3, 4):
        p.sight(
            s,
            p.prism(
                j, 1.4, support=bubble, device=wall if j > 2 else 0, prism_constant=0.034 if j else np.nan
            ),
        )
    return p, Settings()


@case
def textbook_rule() -> Case:
    p = ring([H, (0.001, 0.001, INF), FREE3, FREE3, FREE3])
    observe(p)
    a, b = p.prism(0, 2.0, 1), p.prism(3, 1.8, 0)
    p.vector(a, b, _cov(1), setups=True)
    return p, Settings(correlation="independent")


@case
def free_station_without_height_of_instrument() -> Case:
    p = Plan()
    p.support("free", 0.0, 0.0)
    p.support("stand", 0.0003, 0.0002)
    p.instrument()
    p.target()
    marks = [p.held(f"G{i}", *c) for i, c in enumerate(((0, 0, 0), (30, 2, 1), (4, 25, 0.5)))]
    new = p.mark("N", 28, 30, 2)
    for k, c in enumerate(((12, 11, 0.3), (18, 16, 0.1))):
        s = p.station(p.mark(f"P{k}", *c), 0.0)
        for m in (*marks, new):
            p.sight(s, p.prism(m, 0.2, 1), 2)
    return p, Settings()


@case
def two_instruments_on_one_target() -> Case:
    p = ring([H, H, FREE3, FREE3, FREE3])
    p.instrument(3.0, 3.0, 0.002)
    shared = {j: p.prism(j, 1.4, support=1) for j in range(5)}
    for i in range(4):
        s = p.station(i, 1.6, device=i % 2)
        for j in range(5):
            if i != j:
                p.sight(s, shared[j], 1 + i % 2)
    return p, Settings()


@case
def nothing_free_but_readings() -> Case:
    p = ring([H] * 5)
    observe(p)
    return p, Settings()


@case
def one_face_on_marks_without_height() -> Case:
    """Collimation is an unknown; zenith angles reach some marks only, and a direction has no steepness without one."""
    p = ring([(0.0, 0.0, 0.0), (0.0, 0.0, 0.0), FREE3, FREE3, FREE3], collimation_sigma=10 * ARCSEC)
    for i in range(3):
        s = p.station(i, 1.6)
        for j in range(5):
            if i != j:
                p.sight(s, p.prism(j, 1.3), 2, faces=(1,), readings="czs" if j < 3 else "c")
    return p, Settings(reference_height=-400.0)


@case
def pairs_that_no_equation_joins() -> Case:
    """Azimuths and distances to marks whose plan is held and whose height is not: only the new mark is unknown there."""
    p = ring([H, (0.0, 0.0, INF), FREE3, (0.0, 0.0, INF), FREE3])
    observe(p, "01 02 10 12 21 23")
    for other in (1, 3):
        p.reduce("azimuth", 4, other, 3 * ARCSEC)
        p.reduce("horizontal", 4, other, 2e-3)
    return p, Settings(pairs=(("W1", "W3"), ("W2", "W0"), ("W4", "W2")))


@case
def half_the_readings_missing() -> Case:
    p = ring([H, H, FREE3, FREE3, FREE3])
    observe(p, "01 04 10 12 21 23 32 34", readings="cz")
    for i, j in ((0, 4), (1, 2), (2, 3)):
        p.sight(p.station(i, 1.5), p.prism(j, 1.3), readings="s")
    for i, j in ((3, 4), (1, 4)):
        p.sight(p.station(i, 1.5), p.prism(j, 1.3), readings="h", faces=(1, 1, 1))
    return p, Settings()

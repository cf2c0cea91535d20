"""What every kind of observation must keep to. A new kind is found through KINDS; it needs one line in `NETWORKS`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, INF, Plan, adjusted

from hubtack.adjust import Settings
from hubtack.adjust.earth.charts import TransverseMercator
from hubtack.adjust.earth.ellipsoid import GRS80
from hubtack.adjust.earth.gravity import Uniform
from hubtack.adjust.estimate.rows import Rows
from hubtack.adjust.ground.network import REDUCED_KINDS, Network, Sights
from hubtack.adjust.model.earth import Earth
from hubtack.adjust.model.equations import Equations
from hubtack.adjust.model.frames import Ends, Frame, Line, Plane, Ray, frame_of
from hubtack.adjust.model.observations import KINDS, VECTOR
from hubtack.adjust.model.reductions import reduce_readings
from hubtack.adjust.model.unknowns import place_unknowns
from hubtack.adjust.results import AdjustedObservations

FRAME = Plane(6_371_000.0, 40.0, 0.9997)
# a grid of an invented site, with a meridian of its own, some 300 m of it from the marks; the frame leans by deflections
CHART = TransverseMercator(GRS80, np.radians(46.8), np.radians(8.3), 0.9997, 5000.0, 9000.0)
GRAVITY = Uniform(47.0, 6 * ARCSEC, -9 * ARCSEC)
EARTH = Earth(CHART, GRAVITY, True, 40.0, np.full((400, 3), np.nan), np.array(["M"] * 400, dtype=object))
ON_EARTH = Settings(frame="earth", chart=CHART, gravity=GRAVITY, heights="orthometric")
BOTH = [(name, frame) for name, k in KINDS.items() for frame in ("plane", "earth")[k.earth_only :]]
ANGLES = {k.name for k in KINDS.values() if k.quantity == "angle"}
TINY = 1e-6  # of ordinary sigmas: noise below the last digit that matters


def rays(frame: Frame, line: Line, start: np.ndarray, end: np.ndarray) -> Ray:
    n = len(start)
    first, last = (Ends(np.arange(k, k + n), at, np.zeros_like(at)) for k, at in ((0, start), (n, end)))
    return frame.ray(line, first, last, frame.places(np.concatenate([start, end])))


def ends(n: int = 200) -> tuple[np.ndarray, np.ndarray]:
    """Device centres 1 m to 2 km apart, in all azimuths, up to 60° steep."""
    rng = np.random.default_rng(11)
    start = rng.uniform(-500, 500, (n, 3)) + np.array([5000, 9000, 60])
    length, azimuth = 10 ** rng.uniform(0, 3.3, n), rng.uniform(0, 2 * np.pi, n)
    rise = length * np.tan(rng.uniform(-1.05, 1.05, n))
    return start, start + np.stack([length * np.sin(azimuth), length * np.cos(azimuth), rise], axis=1)


@pytest.mark.parametrize("name", list(KINDS))
def test_described(name: str) -> None:
    kind = KINDS[name]
    assert kind.name == name
    assert kind.label.strip() == kind.label != ""
    assert kind.quantity in ("angle", "length")
    assert kind.between in ("setups", "marks", "either")
    assert kind.plan or kind.height
    assert not (kind.whole_circle and kind.quantity == "length")
    assert kind.reading == "value" or kind.reading in {c.name for c in Sights.columns()}
    words = next(c.words for c in AdjustedObservations.columns() if c.name == "kind")
    assert kind.says in words.split(", ")
    assert name in REDUCED_KINDS or name in VECTOR or kind.reading != "value"


@pytest.mark.parametrize(("name", "frame"), BOTH)
def test_gradient_is_that_of_the_value(name: str, frame: str) -> None:
    """Through the frame, since a value may lean on the arc as well as on d; central differences of 1 mm."""
    kind, (start, end) = KINDS[name], ends()
    at: Frame = FRAME if frame == "plane" else EARTH
    ray = rays(at, kind.line, start, end)
    g = kind.gradient(ray)
    assert kind.value(ray).shape == (len(start),)
    assert g.shape == (len(start), 3)
    length = np.linalg.norm(end - start, axis=1)
    # geocentric coordinates and a differentiated grid round to 1e-9 m or more: on the earth longer steps on long lines
    h = np.full(len(start), 1e-3) if frame == "plane" else np.clip(1e-4 * length, 1e-3, 0.1)
    # deflections lean by 5e-5, which heights feel in what is plane otherwise; geocentric components feel everything
    lean = 0.0 if frame == "plane" else 6e-5
    everywhere = frame == "earth" and name in VECTOR
    for jacobian, at_start in ((ray.to_start, True), (ray.to_end, False)):
        told = np.einsum("ni,nij->nj", g, jacobian)
        for axis in range(3):
            step = np.zeros((len(start), 3))
            step[:, axis] = h
            up = rays(at, kind.line, start + step * at_start, end + step * (not at_start))
            down = rays(at, kind.line, start - step * at_start, end - step * (not at_start))
            change = kind.value(up) - kind.value(down)
            if kind.quantity == "angle":
                change = np.remainder(change + np.pi, 2 * np.pi) - np.pi
            found = change / (2 * h)
            size = 1.0 if kind.quantity == "length" else 1.0 / length
            if everywhere or (kind.plan if axis < 2 else kind.height):
                # central differences: h²/6 of the third derivative; at 1 m, 60° steep and 1 mm that is 2e-6. Rounding:
                # coordinates of 1e4 m carry 2e-12 m, over 2 mm 1e-9. Neglected: θ², 1e-7 at 2 km.
                assert np.all(np.abs(told[:, axis] - found) <= 1e-5 * size + 2e-8), axis
            else:  # not claimed: it must not matter, S/R being the largest that curvature does
                allowed = (length / 6.371e6 + 2.0 * lean + 2e-9) * size + 1e-9
                assert np.all(np.abs(found) <= allowed), axis
                assert np.all(np.abs(told[:, axis]) <= allowed), axis


def everything(earth: bool = False) -> tuple[Plan, Settings]:
    """One network with every kind of a frame and every unknown."""
    p = Plan()
    p.support("stand", 4e-4, 3e-4)
    p.instrument(
        1.0, 1.0, 1e-3, distance_ppm=1e-6, collimation_sigma=4 * ARCSEC, index_sigma=4 * ARCSEC,
        distance_zero_sigma=1e-3, distance_scale_sigma=3e-6,
    )  # fmt: skip
    p.target()
    where = ((0, 0, 40), (70, 10, 44), (130, -20, 39), (65, 80, 52))
    for k, (e, n, h) in enumerate(where):
        sigma = (0.0, 0.0, 0.002) if k == 0 else (0.003, INF, INF) if k == 1 else (INF,) * 3
        p.mark(f"Q{k}", 500 + e, 300 + n, h, sigma=sigma)
    for i in range(3):
        s = p.station(i, 1.4 + 0.1 * i)
        for j in range(4):
            if i != j:
                t = p.prism(j, 1.2 + 0.1 * j)
                p.sight(s, t, 2, faces=(1, 2) if j % 2 else (1,), readings="czs")
                if i == 2:
                    p.sight(s, t, 1, readings="h", first_round=9)
    p.reduce("rise", 0, 3, 5e-4)
    p.reduce("horizontal", 1, 2, 2e-3)
    p.reduce("azimuth", 0, 2, 3 * ARCSEC)
    p.reduce("angle", 0, 2, 4 * ARCSEC, at=1)
    p.reduce("horizontal.grid", 3, 2, 2e-3)
    if earth:
        p.reduce("horizontal.ellipsoid", 0, 3, 2e-3)
        p.reduce("azimuth.astronomic", 1, 3, 3 * ARCSEC)
        p.reduce("azimuth.geodetic", 2, 0, 3 * ARCSEC)
    cov = 1e-6 * np.array([[4.0, 1.0, 0.5], [1.0, 3.0, -0.7], [0.5, -0.7, 9.0]])
    session = p.session("am", scale_sigma=8e-6, turn_sigma=20 * ARCSEC, tilt_sigma=15 * ARCSEC)
    p.vector(0, 3, cov, session=session)
    p.vector(p.prism(1, 1.9), p.prism(2, 1.8), 2 * cov, setups=True, session=session)
    if earth:
        return p, replace(ON_EARTH, refraction_sigma=0.3)
    return p, Settings(refraction_sigma=0.3, scale_factor=0.9998)


def equations_of(network: Network, truth: np.ndarray, settings: Settings) -> tuple[Equations, np.ndarray]:
    obs = reduce_readings(network)
    unknowns = place_unknowns(network, obs, settings)
    frame = frame_of(network, replace(settings, reference_height=40.0))
    equations = Equations(network, obs, unknowns, settings, frame, truth)
    x = equations.first_guess(np.linspace(0.3, 5.0, len(unknowns.orientations)))
    return equations, x


def test_equations_hold_every_kind() -> None:
    for earth in (False, True):
        obs = reduce_readings(everything(earth)[0].network())
        assert set(obs.kind) == {name for name, k in KINDS.items() if earth or not k.earth_only}


@pytest.mark.parametrize("earth", [False, True])
def test_jacobian_is_that_of_the_residuals(earth: bool) -> None:
    """Every coefficient of every row, central differences, with effects and constants away from zero."""
    plan, settings = everything(earth)
    equations, x = equations_of(plan.simulated(3, settings), np.array(plan.truth, float), settings)
    rng = np.random.default_rng(2)
    u = equations.unknowns
    effects = np.unique(u.effects[u.effects >= 0])
    x[effects] += rng.normal(0, 1e-3, len(effects))
    for c in u.constants:
        x[c.place] += c.sigma * rng.normal()

    def misclosures(at: np.ndarray) -> np.ndarray:
        return np.concatenate([r.misclosure for r in equations.evaluate(at)])

    rows = equations.evaluate(x)
    dense = np.zeros((sum(len(r.misclosure) for r in rows), u.n + 1))
    first = 0
    for r in rows:
        for k in range(r.columns.shape[1]):
            np.add.at(dense, (first + np.arange(len(r.columns)), r.columns[:, k]), r.values[:, k])
        first += len(r.columns)
    dense = dense[:, : u.n]
    turns = np.concatenate(
        [2 * np.pi / s if k in ANGLES else np.full(len(s), np.inf) for k, s in _sigmas(equations, rows)]
    )
    # a level distance takes no height as unknown: S/R, with 150 m the longest
    level = np.concatenate(
        [150 / 6.371e6 / s if k == "level" else 0.0 * s for k, s in _sigmas(equations, rows)]
    )
    if (
        earth
    ):  # nor do directions take heights, which they feel through deflections of 5e-5, the shortest line 60 m
        lean = [8e-5 / (60.0 if k in ANGLES else 1.0) / s for k, s in _sigmas(equations, rows)]
        level = np.maximum(level, np.concatenate(lean))
    constants = {c.place: c.sigma for c in u.constants}  # these enter linearly
    lengths = set(u.marks.ravel().tolist()) | set(effects.tolist())
    for j in range(u.n):
        h = constants.get(j, 1e-4 if j in lengths else 1e-6)
        up, down = x.copy(), x.copy()
        up[j] += h
        down[j] -= h
        change = misclosures(up) - misclosures(down)
        change -= np.where(np.isfinite(turns), turns, 0.0) * np.round(
            change / turns
        )  # a direction may cross north
        found = -change / (2 * h)
        # neglected by intent: collimation's own gradient (1e-5), EDM scale (3e-6), the arc's k/2R (1e-8 S)
        scale = np.abs(dense[:, j]).max()
        allowed = 3e-5 * np.maximum(np.abs(dense[:, j]), 0.05 * scale) + level
        assert np.all(np.abs(found - dense[:, j]) <= allowed), j


def _sigmas(equations: Equations, rows: list[Rows]) -> list[tuple[str, np.ndarray]]:
    """Kind and sigmas of every Rows."""
    out = [(g.kinds[0].name, equations.obs.sigma[g.rows]) for g in equations.groups]
    return out + [("prior", np.ones(len(r.misclosure))) for r in rows[len(out) :]]


# -- a network for every kind, from which nothing can be had without it ----------------------------------------------

NETWORKS: dict[str, Callable[[Plan, float], None]] = {}  # sigmas are to be multiplied by the second argument


def network_for(*names: str) -> Callable[[Callable[[Plan, float], None]], Callable[[Plan, float], None]]:
    def keep(make: Callable[[Plan, float], None]) -> Callable[[Plan, float], None]:
        for name in names:
            NETWORKS[name] = make
        return make

    return keep


def _sights(p: Plan, readings: str) -> None:
    for i in range(4):
        s = p.station(i, 1.5 + 0.03 * i)
        for j in range(5):
            if i != j:
                p.sight(s, p.prism(j, 0.3 * j), readings=readings)


@network_for("direction", "zenith", "distance")
def _polar(p: Plan, scale: float) -> None:
    _sights(p, "czs")


@network_for("level")
def _level(p: Plan, scale: float) -> None:
    _sights(p, "ch")


@network_for("rise")
def _rise(p: Plan, scale: float) -> None:
    for i, j in ((0, 1), (1, 2), (2, 3), (3, 4), (4, 0), (2, 4)):
        p.reduce("rise", i, j, scale * 1e-3)


def _reduced(p: Plan, scale: float, horizontal: str = "horizontal", azimuth: str = "azimuth") -> None:
    for i, j in ((0, 2), (1, 2), (2, 3), (3, 4), (4, 0), (1, 4)):
        p.reduce(horizontal, i, j, scale * 1e-3)
        p.reduce(azimuth, j, i, scale * 3 * ARCSEC)
    for i, j, at in ((0, 2, 1), (4, 2, 3), (3, 0, 4)):
        p.reduce("angle", i, j, scale * 3 * ARCSEC, at=at)


@network_for("horizontal", "azimuth", "angle")
def _plain(p: Plan, scale: float) -> None:
    _reduced(p, scale)


@network_for("horizontal.grid")
def _on_the_grid(p: Plan, scale: float) -> None:
    _reduced(p, scale, "horizontal.grid")


@network_for("azimuth.geodetic")
def _corrected_for_deflections(p: Plan, scale: float) -> None:
    _reduced(p, scale, azimuth="azimuth.geodetic")


@network_for("horizontal.ellipsoid", "azimuth.astronomic")
def _on_the_ellipsoid(p: Plan, scale: float) -> None:
    _reduced(p, scale, "horizontal.ellipsoid", "azimuth.astronomic")


@network_for(*VECTOR)
def _vectors(p: Plan, scale: float) -> None:
    for i, j in ((0, 1), (0, 2), (2, 3), (3, 4), (4, 1), (2, 4)):
        p.vector(i, j, (scale * 1e-3) ** 2 * np.array([[2.0, 1.0, 0.0], [1.0, 2.0, 0.5], [0.0, 0.5, 3.0]]))


def random_network(name: str, seed: int, scale: float) -> Plan:
    rng = np.random.default_rng([seed, len(name)])
    p = Plan()
    p.support("bolt")
    p.instrument(scale, scale, scale * 1e-3)
    p.target(constant=0.0175)
    height = INF if KINDS[name].height else 0.0  # a level distance wants to know how high it was measured
    for k in range(5):
        angle = 2 * np.pi * k / 5
        e, n = 80 * np.sin(angle) + rng.uniform(-20, 20), 80 * np.cos(angle) + rng.uniform(-20, 20)
        sigma = (0.0, 0.0, 0.0) if k < 2 else (INF, INF, height)
        p.mark(f"K{k}", 3000 + e, 1000 + n, 200 + rng.uniform(-12, 12), sigma=sigma)
    NETWORKS[name](p, scale)
    return p


def test_every_kind_has_a_network() -> None:
    assert set(NETWORKS) == set(KINDS)


@pytest.mark.parametrize(("name", "frame"), BOTH)
@pytest.mark.parametrize("seed", range(3))
def test_truth_comes_back(name: str, frame: str, seed: int) -> None:
    """Readings without noise from random marks: the marks again, to 1e-8 m, and nothing left over."""
    settings = Settings(scale_factor=1.0002) if frame == "plane" else ON_EARTH
    plan = random_network(name, seed, 1.0)
    network, quiet = plan.network(), random_network(name, seed, TINY).simulated(seed, settings)
    network = replace(
        quiet,
        instruments=network.instruments,
        reduced=quiet.reduced.replace(sigma=network.reduced.sigma),
        vectors=quiet.vectors.replace(covariance=network.vectors.covariance),
    )
    a = adjusted(network, settings)
    kind = KINDS[name]
    mine = a.observations.kind == kind.says
    assert mine.any()
    assert a.observations.redundancy[mine].max() > 0.05  # it is not just along for the ride
    truth = np.array(plan.truth)
    near = 1e-8 if frame == "plane" else 3e-8  # geocentric coordinates of 6e6 m round to 1e-9 m
    if kind.plan:
        assert np.abs(np.column_stack([a.marks.east, a.marks.north]) - truth[:, :2]).max() < near
    if kind.height:
        assert np.abs(a.marks.height - truth[:, 2]).max() < near
    assert set(a.observations.quantity[mine]) == {kind.quantity}

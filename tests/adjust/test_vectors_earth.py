"""Geocentric vectors in the earth frame: published networks, long vectors from nothing, and antennas beside a total station."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, MM, Plan, adjusted

from hubtack.adjust import Adjustment, Settings, adjust
from hubtack.adjust.earth.charts import TransverseMercator
from hubtack.adjust.earth.ellipsoid import GRS80
from hubtack.adjust.ground.network import Network
from hubtack.adjust.ground.table import Floats
from hubtack.adjust.model.earth import EarthPlaces
from hubtack.adjust.model.equations import Equations
from hubtack.adjust.model.frames import frame_of
from hubtack.adjust.model.reductions import reduce_readings
from hubtack.adjust.model.unknowns import place_unknowns
from hubtack.adjust.simulate import simulate
from hubtack.io.job import read_job

PUBLISHED = Path(__file__).parents[1] / "published"
CASES = ["gnss-ogundare-12-7-triangle", "gnss-exercise-5-vectors", "gnss-uitm-6-vectors"]


def chart_at(xyz: Floats) -> TransverseMercator:
    """A transverse Mercator grid whose central meridian is a degree west of a place, so that it converges there."""
    _, longitude, _ = GRS80.geodetic(xyz[None])
    return TransverseMercator(GRS80, 0.0, float(longitude[0]) - np.radians(1.0), 0.9996, 500_000.0, 0.0)


def on_earth(network: Network, chart: TransverseMercator) -> Network:
    """A network whose marks bear X, Y, Z with the same marks as east, north and ellipsoidal height."""
    m = network.marks
    xyz = np.column_stack([m.east, m.north, m.height])
    there = np.isfinite(xyz).all(axis=1)
    grid = np.full((len(m), 3), np.nan)
    latitude, longitude, height = GRS80.geodetic(xyz[there])
    grid[there] = np.column_stack([*chart.grid(latitude, longitude), height])
    return Network(
        marks=m.replace(east=grid[:, 0], north=grid[:, 1], height=grid[:, 2]),
        vectors=network.vectors.replace(geocentric=np.ones(len(network.vectors), bool)),
    )


def geocentric(a: Adjustment) -> tuple[Floats, Floats]:
    """X, Y, Z (n, 3) m of the adjusted marks and their covariances (n, 3, 3) m²."""
    assert a.solved is not None
    places = a.solved.state.places
    assert isinstance(places, EarthPlaces)
    return places.xyz, places.step @ a.marks.covariance @ np.swapaxes(places.step, 1, 2)


@pytest.mark.parametrize("case", CASES)
def test_published_vectors_come_out_alike_on_the_earth_and_as_plain_coordinates(case: str) -> None:
    """Vectors are linear in X, Y, Z: the grid of the unknowns must not matter, nor where their heights are counted from.

    What tests/published holds the plain solution to, this one keeps to 0.1 µm; held marks have no covariance.
    """
    job = read_job(PUBLISHED / case)
    plain = adjust(job.network, job.settings)
    xyz = np.column_stack([plain.marks.east, plain.marks.north, plain.marks.height])
    chart = chart_at(xyz[0])
    a = adjusted(on_earth(job.network, chart), Settings(frame="earth", chart=chart))
    found, covariance = geocentric(a)
    assert found == pytest.approx(xyz, abs=1e-7)
    assert covariance == pytest.approx(plain.marks.covariance, rel=1e-5, abs=1e-12)
    assert a.global_test.variance_factor == pytest.approx(plain.global_test.variance_factor, rel=1e-6)
    w = plain.observations
    assert a.observations.residual == pytest.approx(w.residual, abs=1e-7)
    assert a.observations.standardized == pytest.approx(w.standardized, abs=1e-4, nan_ok=True)


def test_the_printed_point_of_the_triangle() -> None:
    """Ogundare 2018, 12.7: X, Y, Z of C as printed, to half their last digit."""
    job = read_job(PUBLISHED / CASES[0])
    chart = chart_at(np.array([402.351, -4652995.301, 4349760.778]))
    xyz, _ = geocentric(adjust(on_earth(job.network, chart), Settings(frame="earth", chart=chart)))
    assert xyz[2] == pytest.approx([1518.802, -4648399.143, 4354116.692], abs=5.0e-4)


UTM = TransverseMercator(GRS80, 0.0, np.radians(9.0), 0.9996, 500_000.0, 0.0)
EARTH = Settings(frame="earth", chart=UTM)


def valley(turn: float = 0.0) -> Plan:
    """A base station 38 km away, three marks of a steep site seen by it and by a total station, antennas on tripods."""
    p = Plan()
    p.held("BASE", 520_000.0, 5_205_000.0, 420.0)
    for name, e, n, h in (
        ("P", 546_000, 5_232_000, 1510),
        ("Q", 546_380, 5_232_310, 1655),
        ("R", 545_850, 5_232_480, 1800),
    ):
        p.mark(name, e, n, h)
    p.support("tripod", 1.0 * MM, 1.0 * MM)
    p.instrument(1.0, 1.0, 1e-3)
    p.target()
    for k in (1, 2, 3):
        s = p.station(k, 1.6)
        for other in {1, 2, 3} - {k}:
            p.sight(s, p.prism(other, 1.5), rounds=2)
    session = p.session("am", turn_sigma=turn)
    antennas = [p.prism(k, 1.7) for k in range(4)]
    for other in antennas[1:]:
        p.vector(antennas[0], other, np.diag([6.0, 4.0, 9.0]) ** 2 * MM**2, setups=True, session=session)
    return p


def test_coordinates_from_nothing_over_long_vectors() -> None:
    """No start values, no noise: 38 km are found to a micrometre, the vector in X, Y, Z made by pyproj's geocentric points."""
    from pyproj import Transformer

    p = valley()
    network = p.network()
    to = Transformer.from_crs("EPSG:25832", "EPSG:4936", always_xy=True)  # ETRS89: UTM 32 to geocentric
    back = Transformer.from_crs("EPSG:4937", "EPSG:4936", always_xy=True)
    geo = Transformer.from_crs("EPSG:25832", "EPSG:4258", always_xy=True)
    xyz = []
    for e, n, h in p.truth:
        lon, lat = geo.transform(e, n)
        xyz.append(back.transform(lon, lat, h))
    assert to is not None
    xyz = np.array(xyz)
    up = [np.array([np.cos(la) * np.cos(lo), np.cos(la) * np.sin(lo), np.sin(la)])
          for lo, la in (np.radians(geo.transform(e, n)) for e, n, _ in p.truth)]  # fmt: skip
    d = np.array([xyz[k] + 1.7 * up[k] - xyz[0] - 1.7 * up[0] for k in (1, 2, 3)])
    quiet = Network(
        marks=network.marks, setups=network.setups, supports=network.supports, targets=network.targets,
        instruments=network.instruments, sessions=network.sessions, vectors=network.vectors.replace(difference=d),
    )  # fmt: skip
    a = adjusted(quiet, EARTH)
    found = np.column_stack([a.marks.east, a.marks.north, a.marks.height])
    assert found == pytest.approx(np.array(p.truth), abs=1e-6)


def test_beside_a_total_station_the_ellipses_hold() -> None:
    """60 days, three marks: three standard errors of 180 draws are 0.049. The session's turn is drawn, too."""
    p = valley(turn=0.05 * ARCSEC)
    network, truth = p.network(), np.array(p.truth)
    inside = 0
    for seed in range(60):
        a = adjust(simulate(network, truth, EARTH, seed), EARTH)
        m = a.marks
        for i in (1, 2, 3):
            d = np.array([m.east[i], m.north[i], m.height[i]]) - truth[i]
            inside += d @ np.linalg.solve(m.covariance[i], d) < 7.8147
    assert inside / 180 == pytest.approx(0.95, abs=0.049)


def site_of(places: Floats) -> tuple[Floats, Floats, float]:
    """By PROJ: geocentric X, Y, Z of places in UTM 32; rows grid east, grid north, up of their middle; its convergence."""
    from pyproj import Proj, Transformer

    to_geodetic = Transformer.from_crs("EPSG:25832", "EPSG:4258", always_xy=True)
    to_geocentric = Transformer.from_crs("EPSG:4937", "EPSG:4936", always_xy=True)
    points = [to_geocentric.transform(*to_geodetic.transform(e, n), h) for e, n, h in places]
    lon, lat = to_geodetic.transform(*places[:, :2].mean(axis=0))
    # a metre up, and north as what lies square to it in the plane of the axis of the earth
    up = np.subtract(*(to_geocentric.transform(lon, lat, h) for h in (1000.0, 0.0))) / 1000.0
    east = np.cross([0.0, 0.0, 1.0], up)
    east /= np.linalg.norm(east)
    north = np.cross(up, east)
    gamma = np.radians(Proj("EPSG:25832").get_factors(lon, lat).meridian_convergence)
    rows = [np.cos(gamma) * east - np.sin(gamma) * north, np.sin(gamma) * east + np.cos(gamma) * north, up]
    return np.array(points), np.array(rows), float(gamma)


@pytest.mark.parametrize("what", ["turn", "tilt_east", "tilt_north"])
def test_a_session_is_turned_about_the_horizon_of_the_site(what: str) -> None:
    """Exact vectors, by PROJ, turned by scipy 4\" about up (clockwise), grid east or grid north: that constant says so.

    Three held marks, and Q, which nothing but the session reaches, is back where it was.
    """
    from scipy.spatial.transform import Rotation

    p = Plan()
    for name, e, n, h in (("BASE", 520_000.0, 5_205_000.0, 420.0), ("P", 546_000.0, 5_232_000.0, 1510.0),
                          ("S", 524_000.0, 5_221_000.0, 900.0)):  # fmt: skip
        p.held(name, e, n, h)
    p.mark("Q", 546_380.0, 5_232_310.0, 1655.0)
    session = p.session("am", turn_sigma=10 * ARCSEC, tilt_sigma=10 * ARCSEC)
    for other in (1, 2, 3):
        p.vector(0, other, 1e-10 * np.eye(3), session=session)
    xyz, site, _ = site_of(np.array(p.truth)[:3])
    xyz = np.vstack([xyz, site_of(np.array(p.truth)[3:])[0]])
    about = {"turn": -site[2], "tilt_east": site[0], "tilt_north": site[1]}[what]
    d = Rotation.from_rotvec(4 * ARCSEC * about).apply(xyz[1:] - xyz[0])
    network = p.network()
    a = adjusted(
        Network(
            marks=network.marks,
            sessions=network.sessions,
            vectors=network.vectors.replace(difference=d, geocentric=np.ones(3, bool)),
        ),
        EARTH,
    )
    told = dict(zip(a.constants.name.astype(str), a.constants.value / ARCSEC, strict=True))
    assert told.keys() == {"am.turn", "am.tilt_east", "am.tilt_north"}
    for name, value in told.items():
        # priors of 10\" pull by (0.02\"/10\")², the square of 4\" that a linear turn leaves is 4e-10 of the vector
        assert value == pytest.approx(4.0 if name == f"am.{what}" else 0.0, abs=2e-3), name
    assert [a.marks.east[3], a.marks.north[3], a.marks.height[3]] == pytest.approx(p.truth[3], abs=1e-4)


def test_a_turn_is_in_azimuth() -> None:
    """In PROJ's topocentric axes at the one held mark, what a vector should have read with a turn of 3\": 3\" more azimuth
    and nothing else."""
    from pyproj import Transformer

    p = Plan()
    p.held("BASE", 546_000.0, 5_205_000.0, 420.0)
    p.mark("Q", 549_000.0, 5_211_000.0, 655.0)
    p.vector(0, 1, 1e-6 * np.eye(3), session=p.session("am", turn_sigma=3 * ARCSEC))
    network, truth = p.network(), np.array(p.truth)
    obs = reduce_readings(network)
    unknowns = place_unknowns(network, obs, EARTH)
    equations = Equations(network, obs, unknowns, EARTH, frame_of(network, EARTH), truth)
    x = equations.first_guess(np.zeros(0))
    (turn,) = unknowns.constants
    base = site_of(truth[:1])[0][0]
    at = Transformer.from_pipeline("+proj=topocentric +ellps=GRS80 +X_0={} +Y_0={} +Z_0={}".format(*base))
    seen = []
    for x[turn.place] in (0.0, 3 * ARCSEC):
        seen.append(at.transform(*(base + equations.computed(x, np.arange(3)))))
    (e0, n0, u0), (e1, n1, u1) = seen
    assert (np.arctan2(e1, n1) - np.arctan2(e0, n0)) / ARCSEC == pytest.approx(3.0, abs=1e-5)
    assert u1 - u0 == pytest.approx(0.0, abs=1e-8)  # tilted by so much, 6.7 km rise by 0.1 m
    assert np.hypot(e1, n1) == pytest.approx(
        np.hypot(e0, n0), abs=2e-6
    )  # length times half the square of the turn

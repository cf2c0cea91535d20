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

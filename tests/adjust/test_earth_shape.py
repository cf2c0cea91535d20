"""The ellipsoid and charts of our own against general-purpose libraries: PROJ (pyproj) and GeographicLib."""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.adjust.earth.charts import TransverseMercator, factors
from hubtack.adjust.earth.ellipsoid import GRS80, WGS84, Ellipsoid, horizons
from hubtack.adjust.earth.gravity import Lattice, Uniform

SPHERE = Ellipsoid(6_371_000.0, 0.0)
NM = 1e-9  # rounding of coordinates of 6.4e6 m


def places(n: int = 500) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(4)
    return rng.uniform(-1.5, 1.5, n), rng.uniform(-np.pi, np.pi, n), rng.uniform(-500.0, 9000.0, n)


@pytest.mark.parametrize("ellipsoid", [GRS80, WGS84, SPHERE])
def test_geocentric_and_back(ellipsoid: Ellipsoid) -> None:
    from pyproj import Transformer

    lat, lon, h = places()
    b = ellipsoid.a * (1.0 - ellipsoid.f)
    cart = Transformer.from_pipeline(f"+proj=cart +a={ellipsoid.a!r} +b={b!r}")
    judge = np.column_stack(cart.transform(np.degrees(lon), np.degrees(lat), h))
    xyz = ellipsoid.geocentric(lat, lon, h)
    assert np.abs(xyz - judge).max() < 10 * NM
    again = ellipsoid.geodetic(xyz)
    assert np.abs(again[0] - lat).max() * ellipsoid.a < 10 * NM
    assert np.abs(again[2] - h).max() < 10 * NM


def test_geodesics() -> None:
    """Length and both azimuths, lines of 1 m to 70 km everywhere, and along a meridian, the equator and nowhere."""
    from geographiclib.geodesic import Geodesic

    judge = Geodesic(GRS80.a, GRS80.f)
    lat, lon, _ = places()
    rng = np.random.default_rng(5)
    size = 10.0 ** rng.uniform(-6.8, -2.0, len(lat))
    turn = rng.uniform(0, 2 * np.pi, len(lat))
    lat2, lon2 = lat + size * np.cos(turn), lon + size * np.sin(turn)
    lat, lon = np.append(lat, [0.3, 0.0, 0.7]), np.append(lon, [1.0, 3.14, 0.2])
    lat2, lon2 = np.append(lat2, [0.301, 0.0, 0.7]), np.append(lon2, [1.0, -3.14, 0.2])
    length, first, last = GRS80.geodesic(lat, lon, lat2, lon2)
    told = [judge.Inverse(*np.degrees(row)) for row in zip(lat, lon, lat2, lon2, strict=True)]
    # Vincenty's series is cut off at 1e-11 of the length or so
    assert np.abs(length - [t["s12"] for t in told]).max() < 1e-6
    for mine, name in ((first, "azi1"), (last, "azi2")):
        apart = np.mod(mine - np.radians([t[name] for t in told]) + np.pi, 2 * np.pi) - np.pi
        assert np.abs(apart[:-1] * length[:-1]).max() < 1e-6  # m across: short lines have loose azimuths
    assert length[-1] == 0.0


def test_chart_of_our_own() -> None:
    """UTM 32 by our series against PROJ, coordinates, scale and convergence, 4° from the meridian."""
    from pyproj import Proj

    rng = np.random.default_rng(6)
    lat, lon = np.radians(rng.uniform(-80, 84, 300)), np.radians(rng.uniform(5, 13, 300))
    ours = TransverseMercator(GRS80, 0.0, np.radians(9.0), 0.9996, 500_000.0, 0.0)
    judge = Proj("+proj=utm +zone=32 +ellps=GRS80")
    e, n = ours.grid(lat, lon)
    pe, pn = judge(np.degrees(lon), np.degrees(lat))
    assert max(np.abs(e - pe).max(), np.abs(n - pn).max()) < 10 * NM
    back = ours.geodetic(e, n)
    assert max(np.abs(back[0] - lat).max(), np.abs(back[1] - lon).max()) * GRS80.a < 10 * NM
    mine, theirs = factors(ours, e, n, lat), judge.get_factors(np.degrees(lon), np.degrees(lat))
    assert np.abs(mine.scale - theirs.meridional_scale).max() < 2e-9  # PROJ's is a difference, too
    assert np.abs(np.degrees(mine.convergence) - theirs.meridian_convergence).max() < 1e-7


def test_numbers_of_a_point() -> None:
    """C4.7 (GRS80; a general-purpose library gave the same): φ 47°, λ 8°, h 500 m, and the way to a second point."""
    lat, lon, h = np.radians([47.0, 47.01]), np.radians([8.0, 8.015]), np.array([500.0, 620.0])
    xyz = GRS80.geocentric(lat, lon, h)
    assert xyz[0] == pytest.approx([4315616.67269, 606520.36943, 4642130.46556], abs=5e-6)
    d = horizons(lat, lon)[0] @ (xyz[1] - xyz[0])
    assert d == pytest.approx([1140.73777, 1111.92680, 119.80114], abs=5e-6)
    length, azimuth, _ = GRS80.geodesic(lat[:1], lon[:1], lat[1:], lon[1:])
    assert np.degrees(azimuth[0]) == pytest.approx(45.73276609, abs=5e-9)
    assert length[0] == pytest.approx(1592.84989, abs=5e-6)


def test_lattice() -> None:
    """A plane is met exactly between nodes; outside, nothing is known."""
    rows, columns = np.meshgrid(np.arange(4.0), np.arange(5.0), indexing="ij")
    values = np.stack([40 + rows + 2 * columns, 0.1 * rows, -0.2 * columns], axis=2)
    lattice = Lattice(0.8, 3.1, 0.01, 0.02, values)
    lat, lon = np.array([0.815, 0.83, 0.79, 0.8]), np.array([3.13, 3.18 - 2 * np.pi, 3.13, 3.19])
    found = lattice.at(lat, lon)
    assert found[0] == pytest.approx([44.5, 0.15, -0.3])
    assert found[1] == pytest.approx([51.0, 0.3, -0.8])
    assert np.isnan(found[2:]).all()
    assert np.isnan(Uniform(undulation=41.0).at(lat, lon)[:, 1]).all()


@pytest.mark.parametrize(
    ("a", "f"), [(6371.0, 0.0), (6_378_137.0, 298.257223563), (6_378_137.0, -0.003), (6.4e9, 0.0)]
)
def test_what_is_no_ellipsoid_of_the_earth(a: float, f: float) -> None:
    """Kilometres or millimetres for metres, 1/f for f, an egg."""
    with pytest.raises(ValueError, match="no ellipsoid of the earth"):
        Ellipsoid(a, f)

"""The earth frame: numbers of a line, plane against earth as theory says, and what the grid does to lines.

Judges: PROJ (pyproj) and GeographicLib for points, geodesics, scale and convergence. Numbers marked C are worked examples of
the project, each computed by a script of its own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, INF, NAN, Plan, adjusted

from hubtack.adjust import Adjustment, Settings, adjust
from hubtack.adjust.earth.charts import TransverseMercator
from hubtack.adjust.earth.ellipsoid import GRS80
from hubtack.adjust.earth.gravity import Lattice, Uniform
from hubtack.adjust.ground.network import Network
from hubtack.adjust.model.earth import Earth, EarthPlaces
from hubtack.adjust.model.frames import Ends, Ray
from hubtack.adjust.outcome.lines import line_table, place_table
from hubtack.adjust.outcome.scale import scale_test
from hubtack.adjust.trouble import Undetermined

UTM32 = TransverseMercator(GRS80, 0.0, np.radians(9.0), 0.9996, 500_000.0, 0.0, "UTM 32")


def line(
    latitude: list[float], longitude: list[float], height: list[float], field: list[float]
) -> tuple[Ray, Ray]:
    """The geodetic and the plumb-line ray between two marks; `field` N, ξ, η of both (m, ″)."""
    lat, lon = np.radians(latitude), np.radians(longitude)
    own = np.tile(np.array(field) * [1.0, ARCSEC, ARCSEC], (2, 1))
    frame = Earth(UTM32, None, False, 0.0, own, np.array(["A", "B"], dtype=object))
    at = np.column_stack([*UTM32.grid(lat, lon), height])
    places: EarthPlaces = frame.places(at)
    ends = [Ends(np.array([k]), at[k : k + 1], np.zeros((1, 3))) for k in (0, 1)]
    return frame.ray("geodetic", *ends, places), frame.ray("astronomic", *ends, places)


def polar(ray: Ray) -> tuple[float, float, float]:
    """Azimuth, zenith angle (rad) and slope distance."""
    e, n, u = ray.d[0]
    return float(np.arctan2(e, n)), float(np.arctan2(np.hypot(e, n), u)), float(np.linalg.norm(ray.d))


def test_numbers_of_a_line() -> None:
    """C4.7: azimuth of the normal section, zenith angle and distance."""
    azimuth, zenith, slope = polar(line([47.0, 47.01], [8.0, 8.015], [500, 620], [0, 0, 0])[0])
    assert np.degrees(azimuth) == pytest.approx(45.73275739, abs=5e-9)
    assert np.degrees(zenith) == pytest.approx(85.69919473, abs=5e-9)
    assert slope == pytest.approx(1597.50310698, abs=5e-9)


def test_deflections_turn_azimuths_and_zenith_angles() -> None:
    """C4.8, ξ 8″, η −12″: exact 11.8080″ and 3.0085″; Laplace's formulas, which neglect squares, agree to 1e-3″."""
    normal, plumb = line([47.0, 47.01], [8.0, 8.015], [500, 620], [0, 8, -12])
    (alpha, zenith, _), (astronomic, observed, _) = polar(normal), polar(plumb)
    assert (astronomic - alpha) / ARCSEC == pytest.approx(-11.8080, abs=5e-5)
    assert (zenith - observed) / ARCSEC == pytest.approx(-3.0085, abs=5e-5)
    xi, eta, phi = 8.0, -12.0, np.radians(47.0)
    laplace = eta * np.tan(phi) + (xi * np.sin(alpha) - eta * np.cos(alpha)) / np.tan(zenith)
    assert laplace == pytest.approx(-11.8077, abs=5e-5)
    assert (astronomic - alpha) / ARCSEC == pytest.approx(laplace, abs=1e-3)
    assert xi * np.cos(alpha) + eta * np.sin(alpha) == pytest.approx((zenith - observed) / ARCSEC, abs=1e-3)


def test_steep_line_under_deflections() -> None:
    """C4.8, second line (e 60, n 80, u 50): −5.6688″ and −0.7997″, the same deflections."""
    start = np.radians([47.0]), np.radians([8.0])
    from hubtack.adjust.earth.ellipsoid import horizons

    xyz = GRS80.geocentric(*start, np.array([500.0])) + np.array([60.0, 80.0, 50.0]) @ horizons(*start)[0]
    lat, lon, h = GRS80.geodetic(xyz)
    normal, plumb = line([47.0, np.degrees(lat[0])], [8.0, np.degrees(lon[0])], [500, h[0]], [0, 8, -12])
    assert normal.d[0] == pytest.approx([60.0, 80.0, 50.0], abs=1e-7)
    (alpha, zenith, _), (astronomic, observed, _) = polar(normal), polar(plumb)
    assert (astronomic - alpha) / ARCSEC == pytest.approx(-5.6688, abs=5e-5)
    assert (zenith - observed) / ARCSEC == pytest.approx(-0.7997, abs=5e-5)


# -- sites -----------------------------------------------------------------------------------------------------------


def site(
    size: float,
    rise: float,
    latitude: float = 47.0,
    longitude: float = 8.6,
    n: int = 6,
    height: float = 600.0,
) -> Plan:
    """A ring of marks, every one a station that sights the others; two opposite ones are held."""
    e0, n0 = (float(v[0]) for v in UTM32.grid(np.radians([latitude]), np.radians([longitude])))
    p = Plan()
    p.support("pillar")
    p.instrument(1.0, 1.0, 1e-3, distance_ppm=1e-6)
    p.target()
    for k in range(n):
        turn = 2.0 * np.pi * k / n
        held = (0.0,) * 3 if k in (0, n // 2) else (INF,) * 3
        up = rise * abs(k - n // 2) / (n // 2)
        p.mark(
            f"K{k}", e0 + 0.5 * size * np.sin(turn), n0 + 0.5 * size * np.cos(turn), height + up, sigma=held
        )
    for i in range(n):
        s = p.station(i, 1.5)
        for j in range(n):
            if i != j:
                p.sight(s, p.prism(j, 1.3))
    return p


def quiet(p: Plan, settings: Settings) -> Network:
    """Readings without noise, with the sigmas of readings that have some."""
    exact = {"direction": 1e-12, "zenith": 1e-12, "distance": 1e-9, "distance_ppm": 0.0}
    still = Plan(**{**p.__dict__, "instruments": [i | exact for i in p.instruments]})
    return replace(still.simulated(0, settings), instruments=p.network().instruments)


EARTH = Settings(frame="earth", chart=UTM32, heights="ellipsoidal", refraction=0.13)


def coordinates(a: Adjustment) -> np.ndarray:
    return np.column_stack([a.marks.east, a.marks.north, a.marks.height])


def test_flat_site_agrees_with_the_plane() -> None:
    """200 m across, 5 m of rise, the scale of the grid and the height declared to the plane: within 0.05 mm."""
    p = site(200.0, 5.0)
    network = quiet(p, EARTH)
    k = place_table(adjusted(network, EARTH))
    assert k is not None
    plane = Settings(
        scale_factor=float(k.combined.mean()), reference_height=float(np.mean([t[2] for t in p.truth]))
    )
    a, b = adjusted(network, EARTH), adjusted(network, plane)
    assert np.abs(coordinates(a) - np.array(p.truth)).max() < 1e-6
    assert np.abs(coordinates(b) - coordinates(a)).max() < 5e-5


def test_steep_site_differs_as_theory_says() -> None:
    """2 km across, 800 m of rise, at the rim of a zone; the plane has the one scale and height of its lowest control.

    The plane's sphere takes heights and curvature out much as the earth does. What it can't follow is the grid's scale,
    which changes by E'·ΔE/R² along the site (5 mm a kilometre and kilometre here), and the ellipsoid's R. For the line
    on the east side, by hand: what the textbook's formulas make of its slope distance on that plane, less its grid length.
    """
    p = site(2000.0, 800.0, longitude=11.85)
    network = quiet(p, EARTH)
    on_earth = adjusted(network, EARTH)
    assert np.abs(coordinates(on_earth) - np.array(p.truth)).max() < 1e-6
    places, lines = place_table(on_earth), line_table(on_earth)
    assert places is not None
    assert lines is not None
    low = int(np.argmin(places.ellipsoidal))
    h0 = float(places.ellipsoidal[low])
    plane = Settings(scale_factor=float(places.combined[low]), reference_height=h0)
    i = next(k for k in range(len(lines)) if (lines.start[k], lines.end[k]) == ("K1", "K2"))
    a, b = lines.start_mark[i], lines.end_mark[i]
    sights, mark = network.sights, network.setups.mark
    row = np.flatnonzero((mark[sights.start] == a) & (mark[sights.end] == b))[0]
    slope, zenith, R, k = sights.slope[row], sights.zenith[row], 6_371_000.0, 0.13
    level = slope * np.sin(zenith) - (1.0 - k / 2.0) * slope**2 * np.sin(zenith) * np.cos(zenith) / R
    by_hand = level * (R + h0) / (R + places.ellipsoidal[a] + 1.5) * plane.scale_factor - lines.grid[i]
    # scale in the middle of the line against that at the low mark; the ellipsoid's radius against 6 371 km
    change = lines.scale[i] / places.scale[low] - 1.0
    mean = 0.5 * (places.ellipsoidal[a] + places.ellipsoidal[b]) - h0
    theory = -lines.grid[i] * (change + mean * (1.0 / R - 1.0 / mean_radius(places.latitude[low])))
    assert by_hand == pytest.approx(theory, abs=3e-4)  # the textbook's formula stops at squares
    assert abs(by_hand) > 3e-3
    # both adjust the same readings: the plane's free marks stand off by that order, and its fit shows it
    flat = adjusted(network, plane)
    assert 2e-3 < np.abs(coordinates(flat) - coordinates(on_earth)).max() < 5e-2
    assert flat.global_test.variance_factor > 1e4 * on_earth.global_test.variance_factor


def mean_radius(latitude: float) -> float:
    """√(MN), m."""
    m, n = GRS80.radii(np.array([latitude]))
    return float(np.sqrt(m * n)[0])


def test_a_level_follows_the_geoid() -> None:
    """Rises between marks whose undulations differ: the same orthometric heights in either declaration of heights."""
    p = Plan()
    e0, n0 = (float(v[0]) for v in UTM32.grid(np.radians([47.0]), np.radians([8.6])))
    for k in range(3):
        p.mark(f"R{k}", e0 + 300 * k, n0, 500.0 + k, sigma=(0.0, 0.0, 0.0 if k == 0 else INF))
    p.reduce("rise", 0, 1, 1e-3, value=1.0)
    p.reduce("rise", 1, 2, 1e-3, value=1.0)
    network = p.network()
    undulation = np.array([47.0, 47.1, 47.3])
    marks = network.marks.replace(undulation=undulation)
    over_geoid = adjusted(replace(network, marks=marks), replace(EARTH, heights="orthometric"))
    assert over_geoid.marks.height == pytest.approx([500.0, 501.0, 502.0])
    over_ellipsoid = adjusted(replace(network, marks=marks), EARTH)
    assert over_ellipsoid.marks.height - 500.0 == pytest.approx([0.0, 1.1, 2.3])
    with pytest.raises(Undetermined, match="undulation"):
        adjusted(network, EARTH)


def test_orthometric_heights_need_undulations() -> None:
    p = site(200.0, 5.0)
    over = replace(EARTH, heights="orthometric")
    with pytest.raises(Undetermined, match="K0, K1"):
        adjusted(p.network(), over)
    narrow = Lattice(
        np.radians(46.9), np.radians(8.5), np.radians(0.05), np.radians(0.05), np.full((2, 2, 3), 47.0)
    )
    with pytest.raises(Undetermined, match="grid that covers the site"):
        adjusted(p.network(), replace(over, gravity=narrow))
    wide = Lattice(
        np.radians(46.9),
        np.radians(8.5),
        np.radians(0.2),
        np.radians(0.2),
        np.full((2, 2, 3), (47.0, 0.0, 0.0)),
    )
    a = adjusted(quiet(p, replace(over, gravity=wide)), replace(over, gravity=wide))
    assert np.abs(coordinates(a) - np.array(p.truth)).max() < 1e-6
    same = adjusted(quiet(p, replace(over, gravity=Uniform(47.0))), replace(over, gravity=Uniform(47.0)))
    assert coordinates(same) == pytest.approx(coordinates(a), abs=1e-6)


def test_forgotten_deflections_bend_the_heights() -> None:
    """10″ along 100 m are 4.8 mm of height (common rule); a wall of pillars under them, adjusted without."""
    assert pytest.approx(4.848e-3, abs=1e-6) == 100.0 * 10.0 * ARCSEC
    p = Plan()
    e0, n0 = (float(v[0]) for v in UTM32.grid(np.radians([47.0]), np.radians([8.6])))
    p.support("pillar")
    p.instrument(1.0, 1.0, 1e-3)
    p.target()
    p.held("A", e0, n0, 500.0)
    p.mark("B", e0, n0 + 100.0, 500.0, sigma=(0.0, 0.0, INF))
    s, t = p.station(0, 1.5), p.prism(1, 1.5)
    p.sight(s, t)
    leaning = replace(EARTH, gravity=Uniform(0.0, 10.0 * ARCSEC, 0.0))
    network = quiet(p, leaning)
    assert adjusted(network, leaning).marks.height[1] == pytest.approx(500.0, abs=1e-6)
    assert abs(adjusted(network, EARTH).marks.height[1] - 500.0) == pytest.approx(4.848e-3, abs=2e-5)


def test_free_network_on_the_earth() -> None:
    """Without control the inner constraints carry it as in the plane; its shape is that of the held network."""
    p = site(400.0, 30.0)
    p.sigma = [(INF,) * 3 for _ in p.sigma]
    p.known = [True] * len(p.names)
    a = adjusted(quiet(p, EARTH), EARTH)
    assert a.datum == ("east", "north", "rotation", "height")
    truth, found = np.array(p.truth), coordinates(a)
    for i, j in ((0, 3), (1, 4), (2, 3)):
        length, true = np.hypot(*(found[j] - found[i])[:2]), np.hypot(*(truth[j] - truth[i])[:2])
        assert length == pytest.approx(true, abs=1e-5)
    lost = p.network()
    blank = lost.marks.replace(east=np.full(6, NAN), north=np.full(6, NAN))
    with pytest.raises(Undetermined, match="where on the earth"):
        adjusted(replace(lost, marks=blank), EARTH)


def test_readings_made_by_another_library() -> None:
    """Directions, zenith angles and distances that PROJ's topocentric operation makes of PROJ's own geocentric points: the
    marks come back in UTM by PROJ. 3 km across, 1100 m of rise, at the rim of the zone, refraction none.
    """
    from pyproj import Transformer

    p = site(3000.0, 1100.0, latitude=46.2, longitude=11.9)
    settings = replace(EARTH, refraction=0.0)
    truth = np.array(p.truth)
    utm = Transformer.from_crs("EPSG:25832", "EPSG:4258", always_xy=True)
    lon, lat = utm.transform(truth[:, 0], truth[:, 1])
    cart = Transformer.from_pipeline("+proj=cart +ellps=GRS80")
    network = p.network()
    sights, setups = network.sights, network.setups
    columns = {c: getattr(sights, c).copy() for c in ("circle", "zenith", "slope")}
    for row in range(len(sights)):
        ends = [(setups.mark[s], setups.height[s]) for s in (sights.start[row], sights.end[row])]
        (a, above), (b, over) = ends
        here = f"+lat_0={float(lat[a])!r} +lon_0={float(lon[a])!r} +h_0={float(truth[a, 2] + above)!r}"
        local = Transformer.from_pipeline(
            f"+proj=pipeline +step +proj=cart +ellps=GRS80 +step +proj=topocentric +ellps=GRS80 {here}"
        )
        e, n, u = local.transform(lon[b], lat[b], truth[b, 2] + over)
        second = sights.face[row] == 2
        columns["circle"][row] = (np.arctan2(e, n) + 0.7 * a + np.pi * second) % (2.0 * np.pi)
        zenith = np.arctan2(np.hypot(e, n), u)
        columns["zenith"][row] = 2.0 * np.pi - zenith if second else zenith
        columns["slope"][row] = np.sqrt(e * e + n * n + u * u)
    a1 = adjusted(replace(network, sights=sights.replace(**columns)), settings)
    assert np.abs(coordinates(a1) - truth).max() < 1e-6
    assert a1.global_test.variance_factor < 1e-6
    places = place_table(a1)
    assert places is not None
    assert np.abs(places.xyz - np.column_stack(cart.transform(lon, lat, truth[:, 2]))).max() < 2e-6


@pytest.mark.parametrize("shared", [True, False])
def test_ellipses_hold_the_truth_on_the_earth(shared: bool) -> None:
    """Sixty days on a steep site with setup errors, as unknowns: 95 % ellipses and heights, χ² of the whole."""
    p = site(800.0, 250.0)
    p.supports[0] |= {"centring_sigma": 8e-4, "height_sigma": 1e-3}
    settings = replace(
        EARTH,
        gravity=Uniform(47.0, 8 * ARCSEC, -5 * ARCSEC),
        correlation="shared" if shared else "independent",
    )
    truth, inside, high, factors = np.array(p.truth), [], [], []
    for seed in range(60):
        a = adjust(p.simulated(seed, settings), settings)
        off = coordinates(a) - truth
        for i in range(len(truth)):
            Q = a.marks.covariance[i]
            if Q[0, 0] > 0.0:
                inside.append(float(off[i, :2] @ np.linalg.solve(Q[:2, :2], off[i, :2])) < 5.991)
                high.append(abs(off[i, 2]) < 1.960 * a.marks.sigma_height[i])
        factors.append(a.global_test.variance_factor)
    if shared:  # 240 marks, 4 of a day correlated: ± 3 % is two standard errors or so
        assert 0.91 < np.mean(inside) < 0.985
        assert 0.91 < np.mean(high) < 0.985
        assert abs(np.mean(factors) - 1.0) < 0.05
    else:  # the textbook rule takes each of a setup's readings for new evidence
        assert np.mean(inside) < 0.93


# -- lines -----------------------------------------------------------------------------------------------------------


def test_lines_of_a_grid() -> None:
    """C4.5, UTM 32: 47.0 N 10.8 E → 47.06 N 10.85 E, exact; the formulas of the textbook beside them."""
    p = Plan()
    lat, lon = np.radians([47.0, 47.06]), np.radians([10.8, 10.85])
    for k, (e, n) in enumerate(zip(*UTM32.grid(lat, lon), strict=True)):
        p.held(f"U{k}", float(e), float(n), 0.0)
    p.reduce("horizontal.grid", 0, 1, 1e-2, value=7600.0)
    lines = line_table(adjusted(p.network(), EARTH))
    assert lines is not None
    assert len(lines) == 1
    assert np.degrees(lines.convergence[0]) == pytest.approx(1.31664002, abs=5e-9)
    assert lines.arc_to_chord[0] / ARCSEC == pytest.approx(-2.3652, abs=5e-5)
    assert lines.scale[0] == pytest.approx(0.99983633986, abs=5e-12)
    e, n = UTM32.grid(lat, lon)
    across = -(n[1] - n[0]) * (2 * (e[0] - 5e5) + e[1] - 5e5) / (6 * 0.9996**2)
    assert across / 6_371_000.0**2 / ARCSEC == pytest.approx(-2.372, abs=2e-3)
    assert across / mean_radius(np.radians(47.03)) ** 2 / ARCSEC == pytest.approx(-2.3652, abs=5e-4)
    k = [scale_at(a, b) for a, b in ((e[0], n[0]), (e.mean(), n.mean()), (e[1], n[1]))]
    assert (k[0] + 4 * k[1] + k[2]) / 6 == pytest.approx(lines.scale[0], abs=2e-11)
    # α = t + γ − δ, at both ends, by the geodesic itself
    turned = lines.bearing[0] + lines.convergence[0] - lines.arc_to_chord[0]
    assert turned == pytest.approx(lines.azimuth[0], abs=1e-12)


def scale_at(east: float, north: float) -> float:
    from pyproj import Proj

    lat, lon = UTM32.geodetic(np.array([east]), np.array([north]))
    found = Proj("+proj=utm +zone=32 +ellps=GRS80").get_factors(np.degrees(lon[0]), np.degrees(lat[0]))
    return float(found.meridional_scale)


def test_elevation_and_combined_factor() -> None:
    """C4.4: h 300, scale 0.9996 on R 6 371 000: 0.9999529138, 0.9995529327. Our R is the ellipsoid's, so on a sphere."""
    from hubtack.adjust.earth.ellipsoid import Ellipsoid

    sphere = TransverseMercator(Ellipsoid(6_371_000.0, 0.0), 0.0, 0.0, 0.9996, 0.0, 0.0)
    p = Plan()
    p.held("A", 0.0, 5_000_000.0, 300.0)
    p.held("B", 0.0, 5_000_100.0, 300.0)
    p.reduce("horizontal.grid", 0, 1, 1e-2, value=100.0)
    lines = line_table(adjusted(p.network(), replace(EARTH, chart=sphere)))
    assert lines is not None
    assert lines.elevation[0] == pytest.approx(0.9999529138, abs=5e-11)
    assert lines.combined[0] == pytest.approx(0.9995529327, abs=5e-11)
    assert (lines.combined[0] - 1.0) * 1e6 == pytest.approx(-447.07, abs=5e-3)


@pytest.mark.parametrize("times", [0.0, 1.0, 2.0])
def test_alarm_of_the_scale(times: float) -> None:
    """How many times the declared factor the recorded distances want: 0 where it was applied before they came here."""
    p = site(600.0, 20.0)
    network = quiet(p, EARTH)
    factor = float(place_table(adjusted(network, EARTH)).combined.mean())  # type: ignore[union-attr]
    sights = network.sights.replace(slope=network.sights.slope * factor ** (1.0 - times))
    told = scale_test(adjusted(replace(network, sights=sights), EARTH))
    assert told is not None
    assert told.declared == pytest.approx(factor - 1.0, abs=1e-6)
    assert told.times == times
    assert told.alarm == (times != 1.0)
    assert told.extra == pytest.approx(factor ** (1.0 - times) - 1.0, abs=1e-6)

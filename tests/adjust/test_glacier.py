"""Markers on a glacier, intersected from two stations 4 to 10 km away: theodolite readings of a published survey.

US Geological Survey, Columbia Glacier, Alaska, 1984 (table 1 and appendix 1 of its marker survey). Coordinates are local, m;
theta is clockwise from station Easy, phi a depression (gon), h the height of the instrument. No adjusted marker is
published; what the survey itself says is that both stations give a marker one height, to some decimetres, once curvature,
refraction and h are in. The site was put on a grid of its own at 61.1° N, 147.0° W, so that the earth frame can be asked, too.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import INF, NAN, Plan

from hubtack.adjust import Adjustment, Settings, adjust
from hubtack.adjust.earth.charts import TransverseMercator
from hubtack.adjust.earth.ellipsoid import GRS80

GON = np.pi / 200.0
STATIONS = {
    "New Gilbert": (12923.2, 13643.6, 448.4),
    "New Quickie": (9441.6, 22464.6, 701.8),
    "Easy": (10543.3, 18808.9, 461.1),
}
# marker: readings from New Gilbert and New Quickie, theta and phi (gon), h (m); position by an own script in a flat plane
MARKERS = {
    "7": (((377.3347, 2.0532, 1.760), (51.0145, 7.9613, 1.560)), (7521.1, 19020.0), (208.23, 208.64)),
    "14": (((381.2745, 1.0136, 1.520), (102.1683, 7.2097, 1.466)), (5920.9, 21533.1), (289.55, 289.96)),
    "21": (((360.8120, 2.2386, 1.760), (54.8544, 5.6087, 1.560)), (6260.1, 17489.5), (183.56, 184.12)),
}
SITE = TransverseMercator(GRS80, np.radians(61.1), np.radians(-147.0), 1.0, 9000.0, 17000.0)
EARTH = Settings(frame="earth", chart=SITE)


def intersected(name: str, settings: Settings, stations: tuple[int, ...] = (0, 1)) -> Adjustment:
    """One marker from both stations; `stations` are those whose zenith angle counts."""
    readings, _, _ = MARKERS[name]
    p = Plan()
    p.support("pier")
    p.instrument(10.0, 10.0, 1e-2)
    p.target()
    for station, at in STATIONS.items():
        p.held(station, *at)
    p.mark(name, 0.0, 0.0, 0.0, sigma=(INF,) * 3)
    circle, zenith = [], []
    for k, (theta, phi, h) in enumerate(readings):
        s = p.station(k, h)
        p.sight(s, p.prism(2, 0.0), faces=(1,), readings="c")
        p.sight(s, p.prism(3, 0.0), faces=(1,), readings="cz" if k in stations else "c")
        circle += [0.0, theta * GON]
        zenith += [NAN, (100.0 + phi) * GON if k in stations else NAN]
    network = p.network()
    sights = network.sights.replace(circle=np.array(circle), zenith=np.array(zenith))
    return adjust(replace(network, sights=sights), settings)


@pytest.mark.parametrize("name", list(MARKERS))
@pytest.mark.parametrize("settings", [EARTH, Settings(reference_height=450.0)])
def test_both_stations_agree(name: str, settings: Settings) -> None:
    """Position within 0.5 m of the flat plane's, heights from either station within 0.7 m of one another (found by the script
    without a frame: 0.41, 0.41 and 0.56 m), and 0.3 m of its own.
    """
    _, where, heights = MARKERS[name]
    found = []
    for k in (0, 1):
        marks = intersected(name, settings, (k,)).marks
        assert (marks.east[3], marks.north[3]) == pytest.approx(where, abs=0.5)
        found.append(float(marks.height[3]))
    assert found == pytest.approx(heights, abs=0.3)
    assert abs(found[1] - found[0]) < 0.7


def test_the_frames_agree_on_a_glacier() -> None:
    """Over 10 km the plane's sphere and the ellipsoid differ by centimetres, far below what a theodolite tells there."""
    for name in MARKERS:
        a, b = (intersected(name, s).marks for s in (EARTH, Settings(reference_height=450.0)))
        off = np.array([a.east[3] - b.east[3], a.north[3] - b.north[3], a.height[3] - b.height[3]])
        assert np.abs(off[:2]).max() < 0.25, name
        assert abs(off[2]) < 0.1, name

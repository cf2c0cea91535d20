"""Lines between marks on the grid, on the ground and on the ellipsoid, and what leads from one to the other.

    s            geodesic on the ellipsoid                      scale of the line = grid distance / s
    ground       s·(1 + h/R), h the mean height of the ends, R the radius in the azimuth; elevation factor = s / ground
    combined     scale of the line × elevation factor = grid distance / ground distance
    α = t + γ − δ   geodetic azimuth from the grid bearing t, the convergence γ and the arc-to-chord correction δ = t − T

Source: Stem, State Plane Coordinate System of 1983, NOAA Manual NOS NGS 5 (as quoted: α = T + γ, δ = t − T).
"""

from __future__ import annotations

import numpy as np

from ..earth.charts import Chart
from ..ground.network import Network
from ..ground.table import Floats, Ints
from ..model.earth import Earth, EarthPlaces
from ..model.frames import frame_of
from ..model.reductions import wrap
from ..results import Adjustment, Lines, Places
from ..settings import Settings


def line_table(adjustment: Adjustment) -> Lines | None:
    """The pairs of marks of the table `relative` whose both ends have a position; None in a plane frame."""
    r = adjustment.relative
    return lines_between(adjustment, np.column_stack([r.start_mark, r.end_mark]))


def lines_between(adjustment: Adjustment, pairs: Ints) -> Lines | None:
    """Lines of the pairs (p, 2) of rows of marks that have a position; None in a plane frame."""
    found = _earth(adjustment)
    if found is None:
        return None
    chart, places = found
    m = adjustment.marks
    known = np.asarray(np.isfinite(m.east) & np.isfinite(m.north))
    pairs = pairs[known[pairs].all(axis=1)]
    a, b = pairs[:, 0], pairs[:, 1]
    delta = np.column_stack([m.east[b] - m.east[a], m.north[b] - m.north[a]])
    grid = np.hypot(delta[:, 0], delta[:, 1])
    length, first, last = chart.ellipsoid.geodesic(
        places.latitude[a], places.longitude[a], places.latitude[b], places.longitude[b]
    )
    radius = chart.ellipsoid.radius_along(places.latitude[a], first)
    ground = length * (1.0 + 0.5 * (places.height[a] + places.height[b]) / radius)
    f = places.factors
    bearing = np.arctan2(delta[:, 0], delta[:, 1])
    with np.errstate(invalid="ignore", divide="ignore"):
        scale, elevation = grid / length, length / ground
    return Lines(
        start=m.mark[a],
        end=m.mark[b],
        start_mark=a,
        end_mark=b,
        grid=grid,
        ground=ground,
        geodesic=length,
        azimuth=first,
        bearing=np.mod(bearing, 2.0 * np.pi),
        convergence=f.convergence[a],
        arc_to_chord=wrap(bearing + f.convergence[a] - first),
        arc_to_chord_end=wrap(bearing + f.convergence[b] - last),
        scale_start=f.scale[a],
        scale_end=f.scale[b],
        scale=scale,
        elevation=elevation,
        combined=scale * elevation,
    )


def place_table(adjustment: Adjustment) -> Places | None:
    """Where every mark lies on the earth, and what the grid does there; None in a plane frame."""
    found = _earth(adjustment)
    if found is None:
        return None
    _, p = found
    elevation = 1.0 / (1.0 + p.height / p.radius)
    return Places(
        mark=adjustment.marks.mark,
        latitude=p.latitude,
        longitude=p.longitude,
        ellipsoidal=p.height,
        undulation=p.undulation,
        deflection_north=p.deflection[:, 0],
        deflection_east=p.deflection[:, 1],
        xyz=p.xyz,
        scale=p.factors.scale,
        convergence=p.factors.convergence,
        combined=p.factors.scale * elevation,
    )


def places_of(network: Network, settings: Settings, coordinates: Floats) -> tuple[Earth, EarthPlaces]:
    """The earth frame of a network, and where its marks (n, 3) lie in it."""
    frame = frame_of(network, settings)
    assert isinstance(frame, Earth)
    return frame, frame.places(coordinates)


def _earth(adjustment: Adjustment) -> tuple[Chart, EarthPlaces] | None:
    if adjustment.settings.frame != "earth":
        return None
    m = adjustment.marks
    frame, places = places_of(
        adjustment.network, adjustment.settings, np.column_stack([m.east, m.north, m.height])
    )
    return frame.chart, places

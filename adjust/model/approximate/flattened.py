"""Observations as they would have been in a plane: what start coordinates in the grid are made from.

One scale and one convergence for the whole site, at the mean of what is known of it; a start value needs no more. Vectors,
which reach far, are turned into grid differences one by one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ...ground.network import Network
from ...ground.table import Floats, Ints
from ...settings import Settings
from ...trouble import Trouble, Undetermined
from ..frames import reference_height
from ..observations import VECTOR
from ..reductions import Observations, as_objects, rows_of_kind

if TYPE_CHECKING:
    from ..earth import Earth


def flattened(
    network: Network, obs: Observations, settings: Settings, near: Floats | None = None
) -> Observations:
    """The observations with kinds and values of a plane; rows stay where they are.

    Near coordinates (n_marks, 3) give every line a scale of its own, for whoever compares places to a centimetre.
    Raises Undetermined where nothing says where on the earth the network lies.
    """
    plain_of = {k: k if k in VECTOR else k.partition(".")[0] for k in rows_of_kind(obs)}
    if settings.frame == "plane" and all(k == plain for k, plain in plain_of.items()):
        return obs
    kinds = obs.kind.astype(str)
    plain = np.array([plain_of[k] for k in obs.kind], dtype=object)
    if settings.frame == "plane":
        return obs.replace(kind=as_objects(plain.tolist()))
    from ..earth import Earth, EarthPlaces
    from ..frames import frame_of

    frame = frame_of(network, settings)
    assert isinstance(frame, Earth)
    centre = _centre(network, frame, reference_height(network, settings))
    lone = Earth(
        frame.chart, frame.gravity, False, frame.reference_height, np.zeros((1, 3)), network.marks.mark[:1]
    )
    site: EarthPlaces = lone.places(centre[None])
    scale, turn = float(site.factors.scale[0]), float(site.factors.convergence[0])
    level = np.full(len(obs), scale / (1.0 + float(centre[2] / site.radius[0])))  # grid / ground
    if near is not None:
        known = frame.grid_scales(near)
        level = 0.5 * (known[obs.start_mark] + known[obs.end_mark])
        level = np.where(np.isfinite(level), level, np.nanmean(known))
    value = obs.value.copy()
    _shorten(obs, level, value)
    plain_lengths = np.isin(kinds, ("level", "horizontal"))
    value[plain_lengths] *= level[plain_lengths]
    value[kinds == "horizontal.ellipsoid"] *= scale
    value[np.isin(kinds, ("azimuth.astronomic", "azimuth.geodetic"))] -= turn
    vectors = np.isin(kinds, VECTOR)
    if vectors.any():
        start, end = (m[vectors].reshape(-1, 3)[:, 0] for m in (obs.start_mark, obs.end_mark))
        value[vectors] = _in_grid(network, frame, centre, start, end, value[vectors].reshape(-1, 3)).reshape(
            -1
        )
    return obs.replace(kind=as_objects(plain.tolist()), value=value)


def _in_grid(network: Network, frame: Earth, centre: Floats, start: Ints, end: Ints, d: Floats) -> Floats:
    """Geocentric vectors (k, 3) m as differences of grid east, north and height, each where its chain of vectors puts it.

    A chain starts at control, else in the middle of the site. One horizon for all would leave heights off by the curvature of
    the earth, 2 m over 5 km, and they would contradict the control. Undulations are left aside: a start value needs none.
    """
    marks, chart = network.marks, frame.chart
    given = np.column_stack([marks.east, marks.north, marks.height])
    given[np.isnan(given[:, 2]), 2] = centre[2]
    control = np.isfinite(marks.sigma_east) & np.isfinite(marks.sigma_north) & np.isfinite(given).all(axis=1)

    def geocentric(points: Floats) -> Floats:
        return chart.ellipsoid.geocentric(*chart.geodetic(points[:, 0], points[:, 1]), points[:, 2])

    xyz = np.full((len(marks), 3), np.nan)
    xyz[control] = geocentric(given[control])
    joined: dict[int, list[tuple[int, Floats]]] = {}
    for a, b, step in zip(start.tolist(), end.tolist(), d, strict=True):
        joined.setdefault(a, []).append((b, step))
        joined.setdefault(b, []).append((a, -step))
    stack = [m for m in joined if control[m]]
    for seed in (-1, *joined):
        if seed >= 0 and np.isnan(xyz[seed, 0]):
            xyz[seed] = geocentric(centre[None])[0]
            stack.append(seed)
        while stack:
            m = stack.pop()
            for other, step in joined[m]:
                if np.isnan(xyz[other, 0]):
                    xyz[other] = xyz[m] + step
                    stack.append(other)
    ends = []
    for points in (xyz[start], xyz[start] + d):
        latitude, longitude, height = chart.ellipsoid.geodetic(points)
        ends.append(np.column_stack([*chart.grid(latitude, longitude), height]))
    return np.asarray(ends[1] - ends[0])


def _shorten(obs: Observations, level: Floats, value: Floats) -> None:
    """Slopes and zenith angles whose horizontal part is scaled and whose rise is not, in place."""
    rows = rows_of_kind(obs)
    zeniths = rows.get("zenith", np.zeros(0, dtype=np.int64))
    slopes = rows.get("distance", np.zeros(0, dtype=np.int64))
    pair = obs.start_setup * (int(obs.end_setup.max(initial=0)) + 1) + obs.end_setup
    order = zeniths[np.argsort(pair[zeniths], kind="stable")]
    at = np.searchsorted(pair[order], pair[slopes])
    found = np.minimum(at, max(len(order) - 1, 0))
    z = np.full(len(slopes), 0.5 * np.pi)
    if len(order):
        same = (at < len(order)) & (pair[order[found]] == pair[slopes])
        z = np.where(same, obs.value[order[found]], z)
    value[slopes] *= np.hypot(level[slopes] * np.sin(z), np.cos(z))
    value[zeniths] = np.arctan2(level[zeniths] * np.sin(obs.value[zeniths]), np.cos(obs.value[zeniths]))


def _centre(network: Network, frame: Earth, height: float) -> Floats:
    """East, north, height of the middle of what is known: of the control, else of start values, which must lie somewhere."""
    marks = network.marks
    given = np.isfinite(marks.east) & np.isfinite(marks.north)
    control = given & np.isfinite(marks.sigma_east) & np.isfinite(marks.sigma_north)
    known = control if control.any() else given
    if not known.any():
        text = "Nothing says where on the earth this network lies: no mark has coordinates."
        wanted = "Hold or weight a mark, or give start values of one; or use the plane frame."
        raise Undetermined((Trouble("NET322", text, wanted),))
    frame.somewhere(np.where(known, marks.east, np.nan), marks.north)
    return np.array([marks.east[known].mean(), marks.north[known].mean(), height])

"""Earth frame: device centres are geocentric points, and every mark has a vertical of its own.

A mark is told by its place in a chart (east, north: the grid of the job) and its height. The chart gives φ, λ; with the
undulation N the ellipsoidal height is h = H + N, and X, Y, Z follow. Deflections turn the horizon from the ellipsoid's
normal to the plumb line: Φ = φ + ξ, Λ = λ + η sec φ. Of a line with ΔX between its ends

    sight, ground   d = A·ΔX, A the horizon of the start on its plumb line, turned about it to grid north
    astronomic      the same horizon, true north: what an azimuth from the stars refers to; Laplace's correction is in it
    geodetic        A on the normal of the ellipsoid, true north
    level           the geodesic s at the mean height of the ends: s·(1 + h/R), R the radius in its azimuth
    ellipsoid       the geodesic itself
    grid            (ΔE, ΔN, ΔH)
    rise            (0, 0, ΔH); with ellipsoidal heights Δh − ΔN: a level knows the geoid
    difference      ΔX as it is, X, Y, Z; beside it the axes of the site's horizon, about which a session may be turned

The unknowns stay east, north and height, so that priors, ellipses and all tables speak of the grid; the derivatives are
those of X, Y, Z with respect to them (Vincenty and Bomford's three-dimensional adjustment, from memory, in grid axes). The
turning of the start's horizon as the start moves is in them, to first order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..earth.charts import Chart, Factors, factors
from ..earth.ellipsoid import horizons
from ..earth.gravity import Gravity
from ..ground.network import Marks
from ..ground.table import Flags, Floats, Ints, Names
from ..trouble import Trouble, Undetermined
from .frames import Ends, Line, Places, Ray


@dataclass(frozen=True)
class EarthPlaces(Places):
    """Of n marks: where they lie on the earth, and their horizons.

    latitude, longitude (rad); height over the ellipsoid, undulation (m); deflection ξ, η (n, 2) rad; xyz (n, 3) m;
    horizon (n, 3, 3): rows along grid east, grid north and the plumb line; step (n, 3, 3): ∂xyz / ∂(E, N, H);
    lift (n, 3, 3): columns of one metre grid east, grid north and up the plumb line; radius (n,): mean curvature, m.
    """

    latitude: Floats
    longitude: Floats
    height: Floats
    undulation: Floats
    deflection: Floats
    xyz: Floats
    horizon: Floats
    step: Floats
    lift: Floats
    radius: Floats
    factors: Factors


@dataclass(frozen=True, eq=False)
class Earth:
    """The earth frame of one network.

    orthometric: heights of marks are over the geoid, not over the ellipsoid. `own` (n_marks, 3): N, ξ, η of single
    marks, NaN where the gravity field is to give them. site (3, 3): see `site_horizon`; None: that of the first mark.
    """

    chart: Chart
    gravity: Gravity | None
    orthometric: bool
    reference_height: float
    own: Floats
    names: Names
    site: Floats | None = None

    def places(self, coordinates: Floats) -> EarthPlaces:
        """Where marks (n, 3) lie.

        A point that is tried for one and lies nowhere, or off the geoid that is known, is taken in the middle of the
        others: it fits nothing there either. What is final is held by `check`.
        """
        n = len(coordinates)
        there = np.flatnonzero(np.isfinite(coordinates[:, :2]).all(axis=1))
        east, north, high = coordinates[there].T
        high = np.where(np.isnan(high), self.reference_height, high)
        lat, lon = self.chart.geodetic(east, north)
        nowhere = ~_on_earth(lat, lon)
        if nowhere.any() and not nowhere.all():
            east, north = (np.where(nowhere, v[~nowhere].mean(), v) for v in (east, north))
            lat, lon = self.chart.geodetic(east, north)
        field = self._field(there, lat, lon)
        undulation = field[:, 0]
        if self.orthometric and np.isnan(undulation).any():
            known = undulation[np.isfinite(undulation)]
            undulation = np.where(np.isnan(undulation), known.mean() if len(known) else 0.0, undulation)
        height = high + undulation if self.orthometric else high
        deflection = np.nan_to_num(field[:, 1:])
        f = factors(self.chart, east, north, lat)
        ellipsoid = self.chart.ellipsoid
        meridian, normal = ellipsoid.radii(lat)
        geodetic = horizons(lat, lon)
        plumb = horizons(lat + deflection[:, 0], lon + deflection[:, 1] / np.cos(lat))
        ground = f.ground * np.stack([1.0 + height / normal, 1.0 + height / meridian], axis=1)[:, :, None]
        step = np.empty((len(there), 3, 3))
        step[:, :, :2] = np.einsum("nji,njk->nik", geodetic[:, :2], ground)
        step[:, :, 2] = geodetic[:, 2]
        horizon = turned(plumb, f.convergence)
        lift = step.copy()
        lift[:, :, 2] = plumb[:, 2]

        def full(values: Floats) -> Floats:
            if len(there) == n:
                return values
            out = np.full((n, *values.shape[1:]), np.nan)
            out[there] = values
            return out

        return EarthPlaces(
            full(lat), full(lon), full(height), full(undulation), full(deflection),
            full(ellipsoid.geocentric(lat, lon, height)), full(horizon), full(step), full(lift),
            full(np.sqrt(meridian * normal)),
            Factors(full(f.ground), full(f.scale), full(f.convergence)),
        )  # fmt: skip

    def check(self, coordinates: Floats, levelled: Flags) -> None:
        """Raises Undetermined where marks (n, 3) lie nowhere, or an undulation is needed and not known.

        levelled (n,): marks that a rise reaches, which know the geoid whatever heights are over.
        """
        there, lat, lon = self.somewhere(coordinates[:, 0], coordinates[:, 1])
        lost = np.isnan(self._field(there, lat, lon)[:, 0])
        if not self.orthometric:
            lost &= levelled[there]
        if lost.any():
            raise Undetermined((_no_undulation(self.names[there[lost]]),))

    def somewhere(self, east: Floats, north: Floats) -> tuple[Ints, Floats, Floats]:
        """Rows of the marks that have coordinates, and where these lie. Raises Undetermined where one lies nowhere."""
        there = np.flatnonzero(np.isfinite(east) & np.isfinite(north))
        lat, lon = self.chart.geodetic(east[there], north[there])
        nowhere = ~_on_earth(lat, lon)
        if nowhere.any():
            names = tuple(str(m) for m in self.names[there[nowhere]])
            text = f"The coordinates of {listed(names)} have no place on the earth in {self.chart.name}."
            wanted = "See that east and north are in this system, in its order and unit."
            raise Undetermined((Trouble("NET321", text, wanted, marks=names),))
        return there, lat, lon

    def ray(self, line: Line, start: Ends, end: Ends, places: Places) -> Ray:
        """What lies between the ends of n lines."""
        assert isinstance(places, EarthPlaces)
        if line in ("sight", "ground"):
            return self._sight(start, end, places, places.horizon[start.mark])
        if line in ("astronomic", "geodetic"):
            if line == "astronomic":
                horizon = turned(places.horizon[start.mark], -places.factors.convergence[start.mark])
            else:
                horizon = horizons(places.latitude[start.mark], places.longitude[start.mark])
            return self._to_true_north(start, places, self._sight(start, end, places, horizon))
        if line in ("level", "ellipsoid"):
            return self._geodesic(start, end, places, line == "level")
        if line == "difference":
            delta = self._delta(start, end, places)
            axes = self.site
            if axes is None and len(delta):
                axes = places.horizon[np.isfinite(places.xyz[:, 0]).argmax()]
            return replace(_ray(delta, -places.step[start.mark], places.step[end.mark]), axes=axes)
        delta = end.centre - start.centre
        if line == "rise":
            delta[:, :2] = 0.0
            if not self.orthometric:
                delta[:, 2] -= places.undulation[end.mark] - places.undulation[start.mark]
        one = np.broadcast_to(np.eye(3), (len(delta), 3, 3))
        return _ray(delta, -one, one)

    def grid_over_ground(self, coordinates: Floats) -> float:
        """Grid length / ground length in the middle of marks (n, 3) m: point scale × elevation factor."""
        return float(np.nanmean(self.grid_scales(coordinates)))

    def grid_scales(self, coordinates: Floats) -> Floats:
        """Point scale / (1 + h/R) at each mark, (n,)."""
        places = self.places(coordinates)
        return np.asarray(places.factors.scale / (1.0 + places.height / places.radius))

    def _delta(self, start: Ends, end: Ends, places: EarthPlaces) -> Floats:
        """ΔX of device centres, m."""
        delta = places.xyz[end.mark] - places.xyz[start.mark]
        if end.offset.any():
            delta += np.einsum("nij,nj->ni", places.lift[end.mark], end.offset)
        if start.offset.any():
            delta -= np.einsum("nij,nj->ni", places.lift[start.mark], start.offset)
        return np.asarray(delta)

    def _sight(self, start: Ends, end: Ends, places: EarthPlaces, horizon: Floats) -> Ray:
        d = np.einsum("nij,nj->ni", horizon, self._delta(start, end, places))
        across = np.hypot(d[:, 0], d[:, 1])
        radius = places.radius[start.mark]
        below = radius + places.height[start.mark] + start.offset[:, 2]
        theta = np.arctan2(across, below + d[:, 2])
        to_end = horizon @ places.step[end.mark]
        to_start = -(horizon @ places.step[start.mark])
        # the horizon leans with its mark: a metre to the east lifts what lies east, and pulls what stands high to the west
        lean = to_start[:, :2, :2] / radius[:, None, None]  # ≈ −1/R, in whatever axes
        to_start[:, :2, :2] += lean * d[:, 2, None, None]
        to_start[:, 2, :2] -= np.einsum("nij,ni->nj", lean, d[:, :2])
        return Ray(d, theta, theta * below, to_start, to_end)

    def _to_true_north(self, start: Ends, places: EarthPlaces, ray: Ray) -> Ray:
        """The meridians converge: a start further east by e has its north turned by e·tan φ / N."""
        latitude = places.latitude[start.mark]
        rate = np.tan(latitude) / self.chart.ellipsoid.radii(latitude)[1]
        turn = rate[:, None] * places.factors.ground[start.mark, 0]
        ray.to_start[:, 0, :2] += ray.d[:, 1, None] * turn
        ray.to_start[:, 1, :2] -= ray.d[:, 0, None] * turn
        return ray

    def _geodesic(self, start: Ends, end: Ends, places: EarthPlaces, at_height: bool) -> Ray:
        """d = (s sin α, s cos α, 0) with the azimuth at the start."""
        a, b = start.mark, end.mark
        length, first, last = self.chart.ellipsoid.geodesic(
            places.latitude[a], places.longitude[a], places.latitude[b], places.longitude[b]
        )
        factor = np.ones(len(length))
        if at_height:
            radius = self.chart.ellipsoid.radius_along(places.latitude[a], first)
            factor += 0.5 * (places.height[a] + places.height[b]) / radius
        d = np.zeros((len(length), 3))
        d[:, 0], d[:, 1] = factor * length * np.sin(first), factor * length * np.cos(first)
        sin, cos = np.sin(last - first), np.cos(last - first)
        bend = np.array([[cos, -sin], [sin, cos]]).transpose(2, 0, 1)
        to_start, to_end = np.zeros((len(length), 3, 3)), np.zeros((len(length), 3, 3))
        to_start[:, :2, :2] = -factor[:, None, None] * places.factors.ground[a]
        to_end[:, :2, :2] = factor[:, None, None] * (bend @ places.factors.ground[b])
        return self._to_true_north(start, places, _ray(d, to_start, to_end))

    def _field(self, marks: Ints, latitude: Floats, longitude: Floats) -> Floats:
        own = self.own[marks]
        if self.gravity is None or not np.isnan(own).any():
            return np.asarray(own)
        return np.where(np.isnan(own), self.gravity.at(latitude, longitude), own)


def site_horizon(chart: Chart, marks: Marks) -> Floats | None:
    """Rows east, north, up (3, 3), geocentric, of the one horizon about which sessions of the site may be turned.

    That on the ellipsoid's normal in the middle of the control (of marks with coordinates where there is none), its north that
    of the grid. It stays where it is while the marks move. None where no mark has coordinates.
    """
    given = np.isfinite(marks.east) & np.isfinite(marks.north)
    control = given & np.isfinite(marks.sigma_east) & np.isfinite(marks.sigma_north)
    known = control if control.any() else given
    if not known.any():
        return None
    east, north = marks.east[known].mean(keepdims=True), marks.north[known].mean(keepdims=True)
    latitude, longitude = chart.geodetic(east, north)
    convergence = factors(chart, east, north, latitude).convergence
    return np.asarray(turned(horizons(latitude, longitude), convergence)[0])


def turned(horizon: Floats, angle: Floats) -> Floats:
    """Horizons (n, 3, 3) whose north is turned clockwise by an angle (n,) about their own up."""
    sin, cos = np.sin(angle)[:, None], np.cos(angle)[:, None]
    out = horizon.copy()
    out[:, 0] = cos * horizon[:, 0] - sin * horizon[:, 1]
    out[:, 1] = sin * horizon[:, 0] + cos * horizon[:, 1]
    return out


def _on_earth(latitude: Floats, longitude: Floats) -> Flags:
    return np.asarray(np.isfinite(latitude) & np.isfinite(longitude) & (np.abs(latitude) < 1.5707))


def _ray(d: Floats, to_start: Floats, to_end: Floats) -> Ray:
    return Ray(d, np.zeros(len(d)), np.hypot(d[:, 0], d[:, 1]), to_start, to_end)


def _no_undulation(marks: Names) -> Trouble:
    names = tuple(str(m) for m in marks)
    return Trouble(
        "NET320",
        f"The undulation of the geoid is not known at {listed(names)}, and heights over it need it.",
        "Give it for the whole site, in the column undulation of marks.csv, or as a grid that covers the site.",
        marks=names,
    )


def listed(names: tuple[str, ...], most: int = 8) -> str:
    """Names in a sentence, the rest counted."""
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")

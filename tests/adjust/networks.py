"""Networks in a few lines, and what must hold after every adjustment whatever the network.

The scenario, where one is needed: a weir and its fish ladder. Lengths in metres, angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from hubtack.adjust import Adjustment, Settings, adjust
from hubtack.adjust.ground.network import (
    Instruments,
    Marks,
    Network,
    Reduced,
    Sessions,
    Setups,
    Sights,
    Supports,
    Targets,
    Vectors,
)
from hubtack.adjust.simulate import simulate

ARCSEC = np.pi / 180.0 / 3600.0
INF, NAN = float("inf"), float("nan")
MM = 1e-3


@dataclass
class Plan:
    """Collects marks, setups and sights by name, then makes the Network and the truth it stands for."""

    names: list[str] = field(default_factory=list)
    truth: list[tuple[float, float, float]] = field(default_factory=list)
    sigma: list[tuple[float, float, float]] = field(default_factory=list)
    known: list[bool] = field(default_factory=list)
    supports: list[dict[str, Any]] = field(default_factory=list)
    instruments: list[dict[str, Any]] = field(default_factory=list)
    targets: list[dict[str, Any]] = field(default_factory=list)
    setups: list[dict[str, Any]] = field(default_factory=list)
    sights: list[dict[str, Any]] = field(default_factory=list)
    reduced: list[dict[str, Any]] = field(default_factory=list)
    vectors: list[dict[str, Any]] = field(default_factory=list)
    sessions: list[dict[str, Any]] = field(default_factory=list)

    def mark(
        self,
        name: str,
        east: float,
        north: float,
        height: float,
        *,
        sigma: tuple[float, float, float] = (INF,) * 3,
        known: bool = False,
    ) -> int:
        """sigma: prior of east, north, height (0 held, inf free); known: a start value is given though free."""
        self.names.append(name)
        self.truth.append((east, north, height))
        self.sigma.append(sigma)
        self.known.append(known)
        return len(self.names) - 1

    def held(self, name: str, east: float, north: float, height: float) -> int:
        return self.mark(name, east, north, height, sigma=(0.0, 0.0, 0.0))

    def support(self, name: str, centring: float = 0.0, height: float = 0.0, **more: Any) -> int:
        row = {"support": name, "kind": "stand", "height_kind": "fixed", "height_sigma": height}
        self.supports.append(row | {"centring_sigma": centring} | more)
        return len(self.supports) - 1

    def instrument(
        self, direction: float = 1.0, zenith: float = 1.0, distance: float = 1e-3, **more: Any
    ) -> int:
        """direction and zenith in arc seconds."""
        row = {"instrument": f"ts{len(self.instruments)}", "distance": distance}
        self.instruments.append(row | {"direction": direction * ARCSEC, "zenith": zenith * ARCSEC} | more)
        return len(self.instruments) - 1

    def target(self, **more: Any) -> int:
        self.targets.append({"target": f"prism{len(self.targets)}"} | more)
        return len(self.targets) - 1

    def station(self, mark: int, height: float = 1.6, support: int = 0, device: int = 0, **more: Any) -> int:
        return self._setup(True, mark, height, support, device, more)

    def prism(self, mark: int, height: float = 1.5, support: int = 0, device: int = 0, **more: Any) -> int:
        return self._setup(False, mark, height, support, device, more)

    def _setup(
        self, station: bool, mark: int, height: float, support: int, device: int, more: dict[str, Any]
    ) -> int:
        name = f"{'S' if station else 'T'}{len(self.setups)}"
        row = {"setup": name, "instrument": station, "mark": mark, "support": support, "device": device}
        self.setups.append(row | {"height": height} | more)
        return len(self.setups) - 1

    def sight(
        self,
        start: int,
        end: int,
        rounds: int = 1,
        faces: tuple[int, ...] = (1, 2),
        readings: str = "czs",
        first_round: int = 1,
    ) -> None:
        """readings: c circle, z zenith, s slope, h horizontal."""
        for r in range(first_round, first_round + rounds):
            for face in faces:
                row: dict[str, Any] = {"id": str(len(self.sights) + 1), "start": start, "end": end}
                row |= {"round": r, "face": face}
                for letter, name in zip("czsh", ("circle", "zenith", "slope", "horizontal"), strict=True):
                    row[name] = 0.0 if letter in readings else NAN
                self.sights.append(row)

    def reduce(self, kind: str, start: int, end: int, sigma: float, at: int = -1, value: float = 0.0) -> None:
        row = {"id": f"r{len(self.reduced) + 1}", "kind": kind, "start": start, "at": at, "end": end}
        self.reduced.append(row | {"value": value, "sigma": sigma})

    def session(self, name: str, **sigmas: float) -> int:
        self.sessions.append({"session": name} | sigmas)
        return len(self.sessions) - 1

    def vector(self, start: int, end: int, covariance: Any, setups: bool = False, session: int = -1) -> None:
        marks = (self.setups[start]["mark"], self.setups[end]["mark"]) if setups else (start, end)
        row = {"id": f"v{len(self.vectors) + 1}", "start_mark": marks[0], "end_mark": marks[1]}
        row |= {"start_setup": start if setups else -1, "end_setup": end if setups else -1}
        row |= {"difference": np.zeros(3), "covariance": np.asarray(covariance, float), "session": session}
        self.vectors.append(row)

    def network(self) -> Network:
        truth, sigma = np.array(self.truth, float), np.array(self.sigma, float)
        given = np.where(np.isfinite(sigma) | np.array(self.known)[:, None], truth, np.nan)
        marks = Marks(
            mark=list(self.names), east=given[:, 0], north=given[:, 1], height=given[:, 2],
            sigma_east=sigma[:, 0], sigma_north=sigma[:, 1], sigma_height=sigma[:, 2],
        )  # fmt: skip
        return Network(
            marks,
            _table(Setups, self.setups),
            _table(Sights, self.sights),
            _table(Reduced, self.reduced),
            _table(Vectors, self.vectors),
            _table(Supports, self.supports),
            _table(Instruments, self.instruments),
            _table(Targets, self.targets),
            _table(Sessions, self.sessions),
        )

    def simulated(self, seed: int = 0, settings: Settings | None = None) -> Network:
        network = self.network()
        truth = np.array(self.truth, float)
        made = simulate(network, truth, settings or Settings(), seed)
        # start values of free marks: a few centimetres off, as coordinates from a plan are
        loose = ~np.isfinite(np.array(self.sigma, float)) & np.array(self.known)[:, None]
        start = truth + np.random.default_rng(seed).uniform(-0.02, 0.02, truth.shape)
        columns = {}
        for k, axis in enumerate(("east", "north", "height")):
            columns[axis] = np.where(loose[:, k], start[:, k], getattr(made.marks, axis))
        return replace(made, marks=made.marks.replace(**columns))


def one_setup(height: float, **support: float | str) -> Plan:
    p = Plan()
    support["height_sigma"] = support.pop("sigma", 0.0)
    p.support("it", **({"centring": NAN} | support))  # type: ignore[arg-type]
    p.held("M", 0, 0, 0)
    p.instrument()
    p.target()
    p.prism(0, height)
    return p


def _table(kind: Any, rows: list[dict[str, Any]]) -> Any:
    """Rows as dictionaries to a table; a column that some rows lack gets its default there."""
    if not rows:
        return kind.empty()
    names = {k for row in rows for k in row}
    columns = {}
    for c in kind.columns():
        if c.name in names:
            columns[c.name] = [row.get(c.name, c.default) for row in rows]
    return kind(**columns)


def adjusted(network: Network, settings: Settings | None = None) -> Adjustment:
    """adjust(), and the invariants of every adjustment."""
    a = adjust(network, settings)
    hold(a)
    return a


def hold(a: Adjustment) -> None:
    """Row order kept; numbers finite or NaN as declared; redundancies sum to the degrees of freedom."""
    network, o = a.network, a.observations
    assert list(a.marks.mark) == list(network.marks.mark)
    assert list(a.setups.setup) == list(network.setups.setup)
    # each reduced redundancy is 1 − a number near 1 with double rounding; their sum over m observations
    assert abs(float(o.redundancy.sum()) - a.degrees_of_freedom) < 1e-8 * max(10, len(o))
    for column in ("observed", "adjusted", "residual", "sigma", "redundancy"):
        assert np.isfinite(getattr(o, column)).all(), column
    assert np.all(o.sigma > 0.0)
    alone = ~np.array([str(k).startswith("vector") for k in o.kind], dtype=bool)
    assert np.all((o.redundancy[alone] >= 0.0) & (o.redundancy[alone] <= 1.0))
    assert np.all(o.minimal_detectable_bias > 0.0)
    assert np.array_equal(np.isnan(o.standardized), np.isinf(o.minimal_detectable_bias))
    assert not o.flagged[np.isnan(o.standardized)].any()
    length = o.quantity == "length"
    gap = o.adjusted - o.observed - o.residual
    assert np.allclose(gap[length], 0.0, atol=1e-9 + 1e-15 * np.abs(o.observed[length]).max(initial=0.0))
    turns = gap[~length] / (2.0 * np.pi)
    assert np.allclose(turns, np.round(turns), atol=1e-12)
    if alone.all():  # vᵀPv from the table is the one that was tested
        total = float(np.sum((o.residual / o.sigma) ** 2))
        expected = a.global_test.variance_factor * a.degrees_of_freedom
        if a.degrees_of_freedom:
            assert abs(total - expected) <= 1e-6 * max(1.0, total)
    for axis, name in enumerate(("east", "north", "height")):
        value, sigma = getattr(a.marks, name), getattr(a.marks, f"sigma_{name}")
        assert np.array_equal(np.isnan(value), np.isnan(sigma)), name
        variance = a.marks.covariance[:, axis, axis]
        slack = 1e-12 * np.nanmax(variance, initial=0.0)  # a variance of nothing may round below zero
        assert np.allclose(sigma**2, variance, rtol=1e-9, atol=slack, equal_nan=True)
        held = getattr(network.marks, f"sigma_{name}") == 0.0
        given = held & ~np.isnan(getattr(network.marks, name))
        assert np.array_equal(value[given], getattr(network.marks, name)[given])
        assert np.all(sigma[given] == 0.0)

"""Networks on the ground with a known truth, and readings made from it: what tests of approximate coordinates
use.

The readings are made here from scratch (plane trigonometry, curvature and refraction), not by the engine.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from hubtack.adjust.ground.network import Marks, Network, Setups
from hubtack.adjust.model.approximate import Start, approximate
from hubtack.adjust.model.reductions import Observations
from hubtack.adjust.settings import Settings

R, K = 6_371_000.0, 0.13
ORDER = (
    "direction", "zenith", "distance", "level", "rise", "horizontal", "azimuth", "angle",
    "vector.east", "vector.north", "vector.up",
)  # fmt: skip


@dataclass
class Field:
    """A network on the ground with a known truth; readings are made from it with a little noise."""

    seed: int
    truth: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    control: dict[str, str] = field(default_factory=dict)  # mark -> which of e n h are held
    start: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    setups: list[tuple[str, bool, float]] = field(default_factory=list)
    rows: list[dict[str, object]] = field(default_factory=list)
    orientations: list[float] = field(default_factory=list)
    blocks: int = 0

    def __post_init__(self) -> None:
        self.random = np.random.default_rng(self.seed)

    def mark(self, name: str, e: float, n: float, h: float = 0.0, control: str = "") -> str:
        self.truth[name] = (e, n, h)
        if control:
            self.control[name] = control
        return name

    def setup(self, mark: str, instrument: bool = False, height: float | None = None) -> int:
        height = float(self.random.uniform(0.2, 1.8)) if height is None else height
        self.setups.append((mark, instrument, height))
        return len(self.setups) - 1

    def angles(self, a: str, b: str) -> float:
        (e, n, _), (f, m, _) = self.truth[a], self.truth[b]
        return math.atan2(f - e, m - n)

    def row(self, kind: str, value: float, sigma: float, **more: object) -> None:
        if kind in ("direction", "azimuth", "angle"):
            value %= 2 * math.pi
        self.rows.append({"kind": kind, "value": value, "sigma": sigma, **more})

    def sights(self, instrument: str, targets: list[str], kinds: str = "dzs", rounds: int = 1) -> None:
        """One instrument setup; kinds: d direction, z zenith, s slope distance, l level (horizontal)
        distance.
        """
        at = self.setup(instrument, True)
        to = [self.setup(t) for t in targets]
        for rnd in range(1, rounds + 1):
            o = len(self.orientations)
            self.orientations.append(float(self.random.uniform(0, 2 * math.pi)))
            for t, s in zip(targets, to, strict=True):
                a, b = np.array(self.truth[instrument]), np.array(self.truth[t])
                up = b[2] + self.setups[s][2] - a[2] - self.setups[at][2]
                d = math.hypot(*(b - a)[:2])
                theta = d / R
                x, u = (R + up) * math.sin(theta), up - 2 * (R + up) * math.sin(theta / 2) ** 2
                common = {"start": instrument, "end": t, "start_setup": at, "end_setup": s, "round": rnd}
                noise = self.random.normal(size=4)
                if "d" in kinds:
                    value = self.angles(instrument, t) - self.orientations[o] + 2e-5 * noise[0]
                    self.row("direction", value, 2e-5, orientation=o, **common)
                if "z" in kinds:
                    self.row("zenith", math.atan2(x, u) - K * theta / 2 + 2e-5 * noise[1], 2e-5, **common)
                if "s" in kinds:
                    self.row("distance", math.hypot(x, u) + 2e-3 * noise[2], 2e-3, **common)
                if "l" in kinds:
                    self.row("level", d + 2e-3 * noise[3], 2e-3, **common)

    def between(self, kind: str, a: str, b: str, at: str | None = None) -> None:
        """An observation between marks."""
        p, q = np.array(self.truth[a]), np.array(self.truth[b])
        noise = float(self.random.normal())
        if kind == "rise":
            self.row(kind, q[2] - p[2] + 1e-3 * noise, 1e-3, start=a, end=b)
        elif kind == "horizontal":
            self.row(kind, math.hypot(*(q - p)[:2]) + 2e-3 * noise, 2e-3, start=a, end=b)
        elif kind == "azimuth":
            self.row(kind, self.angles(a, b) + 2e-5 * noise, 2e-5, start=a, end=b)
        elif kind == "angle":
            assert at is not None
            self.row(
                kind, self.angles(at, b) - self.angles(at, a) + 2e-5 * noise, 2e-5, start=a, end=b, at=at
            )
        elif kind == "vector":
            for name, value in zip(("east", "north", "up"), q - p, strict=True):
                self.row(f"vector.{name}", float(value), 5e-3, start=a, end=b, block=self.blocks)
            self.blocks += 1

    def network(self) -> Network:
        names = list(self.truth)
        given = np.full((len(names), 3), np.nan)
        sigma = np.full((len(names), 3), np.inf)
        for i, m in enumerate(names):
            if m in self.start:
                given[i] = self.start[m]
            for c, letter in enumerate("enh"):
                if letter in self.control.get(m, ""):
                    given[i, c], sigma[i, c] = self.truth[m][c], 0.0
        marks = Marks(
            mark=names, east=given[:, 0], north=given[:, 1], height=given[:, 2],
            sigma_east=sigma[:, 0], sigma_north=sigma[:, 1], sigma_height=sigma[:, 2],
        )  # fmt: skip
        if not self.setups:
            return Network(marks)
        at = {name: i for i, name in enumerate(names)}
        k = len(self.setups)
        return Network(
            marks,
            Setups(
                setup=[f"S{i}" for i in range(k)], instrument=[s[1] for s in self.setups],
                mark=[at[s[0]] for s in self.setups], support=[0] * k, device=[0] * k,
                height=[s[2] for s in self.setups],
            ),
        )  # fmt: skip

    def observations(self) -> Observations:
        at = {name: i for i, name in enumerate(self.truth)}
        rows = sorted(
            self.rows,
            key=lambda r: ORDER.index("vector.east" if "vector" in str(r["kind"]) else str(r["kind"])),
        )
        return Observations(
            id=[f"{i + 1}.{r['kind']}" for i, r in enumerate(rows)], kind=[r["kind"] for r in rows],
            start_mark=[at[str(r["start"])] for r in rows],
            at_mark=[at[str(r["at"])] if "at" in r else -1 for r in rows],
            end_mark=[at[str(r["end"])] for r in rows],
            start_setup=[r.get("start_setup", -1) for r in rows], end_setup=[r.get("end_setup", -1) for r in rows],
            round=[r.get("round", 0) for r in rows], orientation=[r.get("orientation", -1) for r in rows],
            value=[r["value"] for r in rows], sigma=[r["sigma"] for r in rows],
            block=[r.get("block", -1) for r in rows], rows=[(str(i + 1),) for i in range(len(rows))],
        )  # fmt: skip

    def solve(self, obs: Observations | None = None) -> Start:
        return approximate(self.network(), self.observations() if obs is None else obs, Settings())

    def errors(self, start: Start) -> np.ndarray:
        """Distance in the plane and in height of every mark from the truth, (n, 2) m."""
        d = start.coordinates - np.array(list(self.truth.values()))
        return np.stack([np.hypot(d[:, 0], d[:, 1]), np.abs(d[:, 2])], axis=1)


def scatter(
    net: Field, count: int, size: float, control: int, flags: str = "enh", relief: float = 8.0
) -> np.ndarray:
    """Marks P0, P1, … spread over a square, not too near each other; the first `control` of them are held."""
    points: list[np.ndarray] = []
    while len(points) < count:
        p = net.random.uniform(0.0, size, 2)
        if all(math.hypot(*(p - q)) > 0.35 * size / math.sqrt(count) for q in points):
            points.append(p)
    for i, (e, n) in enumerate(points):
        h = 100.0 + float(net.random.uniform(-relief, relief))
        net.mark(f"P{i}", 5000.0 + float(e), 8000.0 + float(n), h, flags if i < control else "")
    return np.array(points)


def near(points: np.ndarray, of: np.ndarray, count: int, own: bool = True) -> list[str]:
    """Names of the marks nearest to a point; `own` leaves the first, the point itself, out."""
    order = np.argsort(np.hypot(*(points - of).T))
    return [f"P{j}" for j in order[own : count + own]]


def polygon(seed: int) -> Field:
    """A closed traverse of eight, two neighbours held."""
    net = Field(seed)
    for k in range(8):
        a, r = 2 * math.pi * k / 8, 200.0 + float(net.random.uniform(-25, 25))
        net.mark(
            f"P{k}",
            r * math.sin(a),
            r * math.cos(a),
            float(net.random.uniform(0, 20)),
            "enh" if k < 2 else "",
        )
    for k in range(8):
        net.sights(f"P{k}", [f"P{(k - 1) % 8}", f"P{(k + 1) % 8}"])
    return net


def traverse(seed: int) -> Field:
    """A traverse between two pairs of held marks."""
    net = Field(seed)
    for k in range(10):
        e, n = 120.0 * k + float(net.random.uniform(-20, 20)), float(net.random.uniform(-50, 50))
        net.mark(f"P{k}", e, n, float(net.random.uniform(0, 9)), "enh" if k in (0, 1, 8, 9) else "")
    for k in range(1, 9):
        net.sights(f"P{k}", [f"P{k - 1}", f"P{k + 1}"])
    return net


def closed_late(seed: int) -> Field:
    """A traverse from one held mark to another: nothing is oriented until its end is reached."""
    net = Field(seed)
    for k in range(7):
        e, n = 100.0 * k + float(net.random.uniform(-20, 20)), float(net.random.uniform(-50, 50))
        net.mark(f"P{k}", e, n, float(net.random.uniform(0, 9)), "enh" if k in (0, 6) else "")
    net.mark("T", 250.0, 200.0, 5.0)
    for k in range(7):
        net.sights(f"P{k}", [f"P{j}" for j in (k - 1, k + 1) if 0 <= j < 7] + ["T"] * (k % 2))
    return net


def braced(seed: int, count: int = 14, control: int = 3) -> Field:
    """Every mark is occupied and sights its five nearest."""
    net = Field(seed)
    points = scatter(net, count, 300.0, control)
    for i in range(count):
        net.sights(f"P{i}", near(points, points[i], 5))
    return net


def free_stations(seed: int) -> Field:
    """Instruments on marks that nobody sights, among prisms indoors."""
    net = Field(seed)
    points = scatter(net, 14, 40.0, 4, relief=2.0)
    for k in range(6):
        at = net.random.uniform(5.0, 35.0, 2)
        net.mark(f"F{k}", 5000.0 + float(at[0]), 8000.0 + float(at[1]), 100.0)
        net.sights(f"F{k}", near(points, at, 9, own=False))
    return net


def directions_only(seed: int) -> Field:
    """A triangulation: no length but that of the control."""
    net = Field(seed)
    points = scatter(net, 9, 2000.0, 2)
    for i in range(9):
        net.sights(f"P{i}", near(points, points[i], 5), "dz")
    return net


def plane_only(seed: int) -> Field:
    """Directions and horizontal distances, no heights at all."""
    net = Field(seed)
    points = scatter(net, 10, 300.0, 2, "en")
    for i in range(10):
        net.sights(f"P{i}", near(points, points[i], 5), "dl")
    return net


def lengths_only(seed: int) -> Field:
    """A trilateration with three held marks."""
    net = Field(seed)
    points = scatter(net, 9, 2000.0, 3, "en")
    for i in range(9):
        for other in near(points, points[i], 5):
            net.between("horizontal", f"P{i}", other)
    return net


def angles_only(seed: int) -> Field:
    """Angles at every mark between neighbours, all around the horizon; two held marks."""
    net = Field(seed)
    points = scatter(net, 8, 1000.0, 2)
    for i in range(8):
        around = near(points, points[i], 5)
        for a, b in zip(around, around[1:] + around[:1], strict=True):
            net.between("angle", a, b, at=f"P{i}")
    return net


def azimuths(seed: int) -> Field:
    """Azimuths and horizontal distances from one held mark."""
    net = Field(seed)
    points = scatter(net, 9, 1000.0, 1)
    for i in range(9):
        for other in near(points, points[i], 4):
            net.between("azimuth", f"P{i}", other)
            net.between("horizontal", f"P{i}", other)
    return net


def vectors(seed: int) -> Field:
    """Coordinate differences from one held mark."""
    net = Field(seed)
    points = scatter(net, 9, 1000.0, 1)
    for i in range(9):
        for other in near(points, points[i], 4):
            net.between("vector", f"P{i}", other)
    return net


def levelling(seed: int) -> Field:
    """Rises between neighbours, two heights held, no plane."""
    net = Field(seed)
    points = scatter(net, 10, 300.0, 2, "h")
    for i in range(10):
        for other in near(points, points[i], 3):
            net.between("rise", f"P{i}", other)
    return net


def resections(seed: int) -> Field:
    """Instruments that read directions to six known marks, and nothing else."""
    net = Field(seed)
    points = scatter(net, 9, 1000.0, 9)
    for k in range(3):
        at = net.random.uniform(200.0, 800.0, 2)
        net.mark(f"F{k}", 5000.0 + float(at[0]), 8000.0 + float(at[1]), 100.0)
        net.sights(f"F{k}", near(points, at, 6, own=False), "dz")
    return net


def intersections(seed: int) -> Field:
    """Marks seen from five known setups by direction only."""
    net = Field(seed)
    scatter(net, 5, 400.0, 5)
    for k in range(4):
        net.mark(
            f"F{k}",
            5000.0 + float(net.random.uniform(50, 350)),
            8000.0 + float(net.random.uniform(50, 350)),
            95.0,
        )
    for i in range(5):
        net.sights(f"P{i}", [f"P{(i + 1) % 5}", f"P{(i + 2) % 5}", "F0", "F1", "F2", "F3"], "dz")
    return net


def far_control(seed: int) -> Field:
    """A small net whose control stands kilometres away and is sighted by direction only."""
    net = Field(seed)
    for k in range(4):
        a = k * math.pi / 2 + float(net.random.uniform(0, 0.7))
        net.mark(
            f"C{k}", 3000 * math.sin(a), 3000 * math.cos(a), 200.0 + float(net.random.uniform(-50, 50)), "enh"
        )
    points = net.random.uniform(-75, 75, (7, 2))
    for i, (e, n) in enumerate(points):
        net.mark(f"P{i}", float(e), float(n), 150.0)
    for i in range(5):
        if i < 3:
            net.sights(f"P{i}", ["C0", "C1", "C2", "C3"], "dz")
        net.sights(f"P{i}", near(points, points[i], 4))
    return net


def without_control(seed: int) -> Field:
    """Nothing held; start values that are rough, and one of them wrong by a kilometre."""
    net = braced(seed, 10, 0)
    for k, (name, place) in enumerate(net.truth.items()):
        e, n, h = (float(c + net.random.normal(0.0, 0.2)) for c in place)
        net.start[name] = (e + 1000.0 * (k == 4), n, h)
    return net


def mixed(seed: int) -> Field:
    """Instruments, vectors, horizontal distances and levelling together."""
    net = Field(seed)
    points = scatter(net, 10, 400.0, 2)
    for i in range(6):
        net.sights(f"P{i}", near(points, points[i], 5))
    for i in range(6, 10):
        for other in near(points, points[i], 4):
            net.between("vector" if i % 2 else "horizontal", f"P{i}", other)
    for i in range(9):
        net.between("rise", f"P{i}", f"P{i + 1}")
    return net


NETWORKS: dict[str, Callable[[int], Field]] = {
    made.__name__: made
    for made in (
        polygon, traverse, closed_late, braced, free_stations, directions_only, plane_only, lengths_only,
        angles_only, azimuths, vectors, levelling, resections, intersections, far_control, without_control, mixed,
    )
}  # fmt: skip

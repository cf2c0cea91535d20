"""Coordinates from nothing: constructions against textbook values, and simulated networks with and without
one gross error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pytest

from hubtack.adjust.ground.network import Marks, Network, Setups
from hubtack.adjust.model.approximate import Start, approximate
from hubtack.adjust.model.approximate.constructions import (
    azimuth,
    intersection,
    resection,
    similarity,
    two_distances,
)
from hubtack.adjust.model.reductions import Observations
from hubtack.adjust.settings import Settings
from hubtack.adjust.trouble import Undetermined

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


def test_constructions_textbook() -> None:
    """Check values of surveying textbooks, from memory."""
    point = intersection((0.0, 0.0), math.radians(29.74488130), (100.0, 0.0), math.radians(319.39870536))
    assert point == pytest.approx((40.0, 70.0), abs=1e-6)
    first, second = math.radians(52.41783720), math.radians(46.94005782)
    point = resection([(0.0, 0.0), (200.0, 30.0), (350.0, -60.0)], [1.0, 1.0 + first, 1.0 + first + second])
    assert point == pytest.approx((160.0, -180.0), abs=1e-6)
    local = [(10.0, 0.0), (0.0, 20.0), (-15.0, 5.0)]
    kappa = 1.0002 * complex(math.cos(math.pi / 6), -math.sin(math.pi / 6))  # 30 degrees clockwise
    world = [((z := kappa * complex(*p) + complex(500, 800)).real, z.imag) for p in local]
    found, shift = similarity(local, world)
    assert abs(found - kappa) < 1e-12
    assert abs(shift - complex(500, 800)) < 1e-9


def test_resection_refuses_danger_circle() -> None:
    """On the circle through the three marks every point sees the same angles."""
    marks = [(100 * math.sin(a), 100 * math.cos(a)) for a in (0.3, 1.9, 2.8)]
    on = (100 * math.sin(4.6), 100 * math.cos(4.6))
    assert resection(marks, [azimuth(on, m) for m in marks]) is None
    off = (140 * math.sin(4.6), 140 * math.cos(4.6))
    assert resection(marks, [azimuth(off, m) for m in marks]) == pytest.approx(off, abs=1e-6)


def test_two_distances_two_points() -> None:
    left, right = two_distances((0.0, 0.0), 50.0, (0.0, 60.0), math.hypot(40.0, 30.0))
    assert sorted([left, right]) == [pytest.approx((-40.0, 30.0)), pytest.approx((40.0, 30.0))]


def test_closed_traverse() -> None:
    net = Field(1)
    for k in range(8):
        a = 2 * math.pi * k / 8
        net.mark(f"P{k}", 200 * math.sin(a), 180 * math.cos(a), 3.0 * k, "enh" if k < 2 else "")
    for k in range(8):
        net.sights(f"P{k}", [f"P{(k + 1) % 8}", f"P{(k - 1) % 8}"])
    assert net.errors(net.solve()).max() < 0.05


def test_direction_only_mark_is_named() -> None:
    net = Field(1)
    for k, (e, n) in enumerate([(0, 0), (100, 0), (0, 100)]):
        net.mark(f"A{k}", e, n, 0.0, "enh")
    net.mark("M7", 60.0, 60.0)
    net.sights("A0", ["A1", "A2"])
    net.sights("A0", ["A1", "M7"], "d")
    with pytest.raises(Undetermined, match="M7 is seen by one direction only"):
        net.solve()

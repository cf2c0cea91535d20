"""Invented networks for calibration and timing: a day's work written down step by step, then a Network.

Nothing here is measured; every figure of a support or an instrument is a usual one (common practice, no source).
Lengths m, angles rad.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np

from hubtack.adjust.ground.network import (
    Instruments,
    Marks,
    Network,
    Setups,
    Sights,
    Supports,
    Targets,
)
from hubtack.adjust.ground.table import Floats

ARCSEC = np.pi / 648_000

# name: kind, how the height comes about, sigma of the height, sigma of the centring per axis
SUPPORTS: dict[str, tuple[str, str, float, float]] = {
    "tribrach": ("tribrach", "taped", 1.0e-3, 0.7e-3),
    "stand": ("stand", "fixed", 0.2e-3, 0.4e-3),
    "pole": ("pole", "graduated", 0.7e-3, 1.3e-3),
    "bolt": ("bolt", "fixed", 0.1e-3, 0.15e-3),
    "adhesive": ("adhesive", "fixed", 0.0, 0.0),
    "free": ("tribrach", "fixed", 0.0, 0.0),  # a free station stands on nothing that is marked
}


class Day:
    """A day's work: marks with their truth, setups, sights. Readings are 0 until `simulate` invents them."""

    def __init__(self) -> None:
        self.points: dict[str, tuple[float, float, float]] = {}
        self.priors: dict[str, tuple[float, float, float]] = {}
        self.free: set[str] = set()  # marks that only stand for a free station
        self.setups: list[dict[str, Any]] = []
        self.sights: list[dict[str, Any]] = []
        self.bases: dict[str, int] = {}
        self._row: dict[str, int] = {}  # of every mark

    def mark(self, name: str, east: float, north: float, height: float, sigma: float = np.inf) -> str:
        """A mark with its truth; sigma is the prior of all three coordinates: 0 held, infinite free."""
        self.points[name] = (east, north, height)
        self._row.setdefault(name, len(self._row))
        self.priors[name] = (sigma, sigma, sigma)
        return name

    def setup(self, mark: str, support: str, height: float, instrument: bool = False, base: str = "") -> int:
        """A device set down; the row of its setup."""
        number = -1 if not base else self.bases.setdefault(base, len(self.bases))
        name = f"{'I' if instrument else 'T'}{len(self.setups) + 1:03d}"
        self.setups.append(
            {
                "setup": name, "instrument": instrument, "mark": self._row[mark],
                "support": list(SUPPORTS).index(support), "device": 0, "height": height, "base": number,
            }
        )  # fmt: skip
        if support == "free":
            self.free.add(mark)
        return len(self.setups) - 1

    def sight(self, start: int, ends: Iterable[int], rounds: int = 1) -> None:
        """Both faces to every target, `rounds` times: out on face 1, back on face 2."""
        ends = list(ends)
        for r in range(1, rounds + 1):
            for face, order in ((1, ends), (2, ends[::-1])):
                for end in order:
                    self.sights.append(
                        {
                            "id": str(len(self.sights) + 1),
                            "start": start,
                            "end": end,
                            "round": r,
                            "face": face,
                        }
                    )

    def network(self) -> Network:
        """The network, with zero for every reading."""
        coordinates, priors = self.truth(), np.array(list(self.priors.values()))
        given = np.where(np.isfinite(priors), coordinates, np.nan)
        zero = np.zeros(len(self.sights))
        values = list(SUPPORTS.values())
        return Network(
            Marks(
                mark=list(self.points), east=given[:, 0], north=given[:, 1], height=given[:, 2],
                sigma_east=priors[:, 0], sigma_north=priors[:, 1], sigma_height=priors[:, 2],
            ),
            Setups(**_columns(self.setups)),
            Sights(**_columns(self.sights), circle=zero, zenith=zero, slope=zero),
            supports=Supports(
                support=list(SUPPORTS), kind=[v[0] for v in values], height_kind=[v[1] for v in values],
                height_sigma=[v[2] for v in values], centring_sigma=[v[3] for v in values],
            ),
            instruments=Instruments(
                instrument=["ts"], direction=[ARCSEC], zenith=[ARCSEC], distance=[1e-3], distance_ppm=[1.5e-6]
            ),
            targets=Targets(target=["mini"], constant=[0.0175]),
        )  # fmt: skip

    def truth(self) -> Floats:
        """(n_marks, 3) m."""
        return np.array(list(self.points.values()))


def _columns(rows: list[dict[str, Any]]) -> dict[str, list[Any]]:
    return {name: [row[name] for row in rows] for name in rows[0]}


def closed_traverse(rng: np.random.Generator) -> Day:
    """Five stations round a block; every target is a pole set up anew, the first two marks are held."""
    day, n = Day(), 5
    for i in range(n):
        turn = 2 * np.pi * i / n
        e, n_, h = 60 * np.sin(turn), 60 * np.cos(turn), 0.0
        e, n_, h = np.array([e, n_, h]) + rng.normal(0, 1, 3) * (6, 6, 1.5)
        day.mark(f"P{i + 1}", 500 + e, 800 + n_, 40 + h, 0.0 if i < 2 else np.inf)
    for i in range(n):
        at = day.setup(f"P{i + 1}", "tribrach", rng.uniform(1.45, 1.70), instrument=True)
        sides = [(i + step) % n for step in (-1, 1)]
        day.sight(at, [day.setup(f"P{j + 1}", "pole", rng.uniform(1.4, 1.8)) for j in sides], rounds=2)
    return day


def free_stations(rng: np.random.Generator) -> Day:
    """Three free stations; stands, each set down once and seen by all, and wall bolts; two bolts are held."""
    day = Day()
    for i in range(4):
        e, n, h = rng.normal(0, 1, 3) * (0.5, 0.5, 0.4) + ((-14, 14)[i % 2], (-9, 9)[i // 2], 2.0)
        day.mark(f"W{i + 1}", 100 + e, 100 + n, 10 + h, 0.0 if i in (0, 3) else np.inf)
    for i in range(3):
        e, n, h = rng.normal(0, 1, 3) * (1.0, 1.0, 0.1) + (10 * (i - 1), 4 * (-1) ** i, 0.0)
        day.mark(f"F{i + 1}", 100 + e, 100 + n, 10 + h)
    targets = [day.setup(f"W{i + 1}", "bolt", 0.06) for i in range(4)]
    targets += [day.setup(f"F{i + 1}", "stand", 0.21) for i in range(3)]
    for i in range(3):
        e, n, h = rng.normal(0, 1, 3) * (1.5, 1.5, 0.1) + (8 * (i - 1), -2 + 3 * (i % 2), 1.6)
        day.mark(f"S{i + 1}", 100 + e, 100 + n, 10 + h)
        day.sight(day.setup(f"S{i + 1}", "free", 0.0, instrument=True), targets, rounds=1)
    return day


def polar_layout(rng: np.random.Generator) -> Day:
    """Two held stations that see each other and five new marks, a pole set up anew for each sight."""
    day = Day()
    day.mark("A", 200.0, 300.0, 20.0, 0.0)
    day.mark("B", 280.0, 310.0, 21.5, 0.0)
    new = [f"N{i + 1}" for i in range(5)]
    for i, name in enumerate(new):
        e, n, h = rng.normal(0, 1, 3) * (6, 6, 1) + (200 + 20 * i, 350, 20)
        day.mark(name, e, n, h)
    for here, there in (("A", "B"), ("B", "A")):
        at = day.setup(here, "tribrach", rng.uniform(1.45, 1.70), instrument=True)
        back = day.setup(there, "tribrach", rng.uniform(1.3, 1.5))
        poles = [day.setup(name, "pole", rng.uniform(1.4, 1.8)) for name in new]
        day.sight(at, [back, *poles], rounds=2)
    return day


def braced_indoor(rng: np.random.Generator) -> Day:
    """Six marks, an instrument on four, everything sighted; stands, one of them left standing as a base."""
    day, names = Day(), [f"H{i + 1}" for i in range(6)]
    for i, name in enumerate(names):
        e, n, h = rng.normal(0, 1, 3) * (1.5, 1.5, 0.3) + (18 * (i % 3), 15 * (i // 3), 0)
        day.mark(name, 50 + e, 70 + n, 5 + h, 0.0 if i in (0, 5) else np.inf)
    for i in range(4):
        at = day.setup(names[i], "stand", 0.24, instrument=True, base="left standing" if i == 0 else "")
        ends = [
            day.setup(name, "stand", 0.21, base="left standing" if j == 0 else "")
            for j, name in enumerate(names)
            if j != i
        ]
        day.sight(at, ends, rounds=2)
    return day


KINDS: dict[str, Callable[[np.random.Generator], Day]] = {
    "closed traverse, poles": closed_traverse,
    "free stations, stands": free_stations,
    "polar, two stations": polar_layout,
    "braced indoor, stands": braced_indoor,
}

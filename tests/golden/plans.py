"""The days of the sample networks: marks with their truth, what stood where, what was sighted, in the order of the day.

Everything is invented: the place, its marks, their coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from hubtack.adjust.ground.network import Marks
from hubtack.adjust.ground.table import Floats

AXES = ("east", "north", "height")
READINGS = ("circle", "zenith", "slope")


class Plan:
    """A day being planned. Times run on by themselves: setting up, then pointing after pointing."""

    def __init__(self, starts: str) -> None:
        hours, minutes = starts.split(":")
        self.clock = int(hours) * 3600 + int(minutes) * 60
        self.marks: dict[str, dict[str, Any]] = {}
        self.setups: list[dict[str, str]] = []
        self.sights: list[dict[str, str]] = []
        self.readings: list[tuple[str, ...]] = []  # which columns of a sight are read
        self.reduced: list[dict[str, str]] = []
        self.vectors: list[dict[str, str]] = []

    # -- writing down --

    def mark(
        self,
        name: str,
        east: float,
        north: float,
        height: float,
        control: str = "",
        sigma: str = "",
        note: str = "",
        start: bool = False,
    ) -> None:
        """A mark with its truth. `sigma`: of east and north, and of the height, apart by a blank (`2 mm`, …).

        `start`: its coordinates are given though it is no control.
        """
        truth = (east, north, height)
        self.marks[name] = {"truth": truth, "control": control, "sigma": sigma, "note": note, "start": start}

    def setup(
        self,
        name: str,
        mark: str,
        support: str,
        device: str,
        height: str = "",
        base: str = "",
        height_base: str = "",
        note: str = "",
    ) -> str:
        """A device set down, at the time it is."""
        self.clock += 410 if device.startswith("ts") else 165
        role = "instrument" if device.startswith("ts") else "target"
        self.setups.append(
            {
                "setup": name, "role": role, "mark": mark, "support": support, "device": device, "height": height,
                "base": base, "height_base": height_base, "started": self.time()[:5],
                "note": note.format(at=self.time()[:5]),
            }
        )  # fmt: skip
        return name

    def sight(
        self, start: str, ends: list[str], rounds: int = 2, notes: dict[str, str] | None = None
    ) -> None:
        """Both faces to every target: out on face 1, back on face 2.

        `notes`: target → note at its first row, in which {at} stands for the time.
        """
        notes = dict(notes or {})
        self.clock += 190
        for r in range(1, rounds + 1):
            for face, order in (("1", ends), ("2", ends[::-1])):
                for end in order:
                    self.clock += 23 + 7 * (len(self.sights) % 3)
                    self.row(
                        start, end, str(r), face, READINGS, notes.pop(end, "").format(at=self.time()[:5])
                    )

    def row(self, start: str, end: str, r: str, face: str, readings: tuple[str, ...], note: str = "") -> None:
        """One row of sights.csv."""
        self.readings.append(readings)
        self.sights.append(
            {
                "id": str(len(self.sights) + 1), "from": start, "to": end, "round": r, "face": face,
                "circle": "", "zenith": "", "slope": "", "time": self.time(), "note": note,
            }
        )  # fmt: skip

    def rise(self, start: str, end: str, sigma: str, note: str = "") -> None:
        """A levelled rise."""
        self.reduced.append(
            {
                "id": f"R{len(self.reduced) + 1}", "kind": "rise", "from": start, "at": "", "to": end, "value": "0",
                "sigma": sigma, "note": note,
            }
        )  # fmt: skip

    def vector(self, start: str, end: str, covariance: Floats, session: str, note: str = "") -> None:
        """A geocentric vector between antennas; covariance (3, 3) m²."""
        terms = {f"cov_{i + 1}{j + 1}": f"{covariance[i, j]:.3e}" for i in range(3) for j in range(i, 3)}
        row = {"id": f"V{len(self.vectors) + 1}", "from": start, "to": end, "dx": "0", "dy": "0", "dz": "0"}
        self.vectors.append(row | terms | {"session": session, "note": note})

    def time(self) -> str:
        """The clock as hh:mm:ss."""
        return f"{self.clock // 3600:02d}:{self.clock // 60 % 60:02d}:{self.clock % 60:02d}"

    # -- tables --

    def truth(self) -> Floats:
        """(n_marks, 3) m."""
        return np.array([m["truth"] for m in self.marks.values()])

    def truth_rows(self) -> list[dict[str, str]]:
        """truth.csv."""
        return [
            {"mark": name} | {a: f"{v:.4f}" for a, v in zip(AXES, m["truth"], strict=True)}
            for name, m in self.marks.items()
        ]

    def mark_rows(self, drawn: Marks | None = None) -> list[dict[str, str]]:
        """marks.csv: control as `drawn`, else as the truth; nothing for the other marks."""
        rows = []
        for i, (name, m) in enumerate(self.marks.items()):
            row = {"mark": name}
            for a, value in zip(AXES, m["truth"], strict=True):
                given = m["start"] or a[0] in controlled(m["control"])
                row[a] = f"{value if drawn is None else getattr(drawn, a)[i]:.4f}" if given else ""
            row["control"] = m["control"]
            plane, _, height = m["sigma"].partition(", ")
            weighted = controlled(m["control"], "weighted")
            row |= {f"sigma_{a}": (height if a == "height" else plane) * (a[0] in weighted) for a in AXES}
            rows.append(row | {"note": m["note"]})
        return rows


def controlled(words: str, kind: str = "") -> str:
    """Which of e, n, h a control cell speaks of: "held-en weighted-h" → "enh"."""
    parts = [word.partition("-") for word in words.split() if word.startswith(kind)]
    return "".join(letters or "enh" for _, _, letters in parts)


def braced_traverse() -> Plan:
    """Round the yard in five instrument setups, with control at the gate and weighted control at the clay pit."""
    p = Plan("08:06")
    p.mark("G1", 1204.3172, 3418.9046, 31.4072, "held", note="punch in gate kerb")
    p.mark("G2", 1186.0835, 3465.2218, 32.0891, "held", note="bolt in weighbridge plinth")
    p.mark("Y1", 1255.7204, 3403.1187, 30.8815, note="nail")
    p.mark("Y2", 1303.1868, 3426.0633, 29.6427, note="nail")
    p.mark("Y3", 1336.4097, 3471.3581, 28.9164, note="nail")
    p.mark("Y4", 1324.9523, 3522.6309, 28.2086, note="nail")
    p.mark("Y5", 1277.5391, 3548.0742, 29.0348, note="nail in sleeper")
    p.mark("Y6", 1226.8614, 3527.4426, 30.1703, note="nail")
    p.mark("Y7", 1213.4459, 3489.6153, 31.0257, note="nail")
    p.mark("Y8", 1271.0846, 3477.9128, 30.2289, note="scribed cross in yard slab")
    p.mark("P1", 1372.6308, 3536.1775, 24.9310, "weighted", "3 mm, 4 mm", "rod at clay pit, spring campaign")
    p.mark("P2", 1381.2549, 3494.7062, 25.3874, "weighted", "3 mm, 4 mm", "rod at clay pit, spring campaign")

    i1 = p.setup("I01", "G1", "tripod", "ts-a", "1.5630", "g1", "g1")
    t1 = p.setup("T01", "G2", "tripod", "round-prism", "1.4785")
    t2 = p.setup("T02", "Y7", "pole", "mini-prism", "1.500")
    t3 = p.setup("T03", "Y8", "low-stand", "mini-prism")
    t4 = p.setup("T04", "Y2", "tripod", "round-prism", "1.6120", "y2", "y2", "base stays")
    t5 = p.setup("T05", "Y1", "low-stand", "mini-prism")
    p.sight(i1, [t1, t2, t3, t4, t5], notes={t5: "lorry passing {at}, waited"})

    i2 = p.setup("I02", "Y2", "tripod", "ts-a", "1.6120", "y2", "y2", "on the standing base")
    t6 = p.setup("T06", "G1", "tripod", "round-prism", "1.5630", "g1", "g1", "on the standing base")
    t7 = p.setup("T07", "Y1", "low-stand", "mini-prism", note="set up anew")
    t8 = p.setup("T08", "Y8", "low-stand", "mini-prism", note="set up anew")
    t9 = p.setup("T09", "Y3", "tripod", "round-prism", "1.5475", "y3", "y3", "base stays")
    t10 = p.setup("T10", "P2", "pole", "mini-prism", "1.700")
    p.sight(i2, [t6, t8, t9, t10, t7], notes={t10: "sight 2 m over the spoil heap"})

    i3 = p.setup("I03", "Y3", "tripod", "ts-a", "1.5475", "y3", "y3", "on the standing base")
    t11 = p.setup("T11", "Y2", "tripod", "round-prism", "1.5940", note="tripod moved away and set up anew")
    t12 = p.setup("T12", "P1", "tripod", "round-prism", "1.4360", note="left standing for I04 too")
    t13 = p.setup("T13", "P2", "tripod", "round-prism", "1.5105", note="left standing for I04 too")
    t14 = p.setup("T14", "Y4", "tripod", "round-prism", "1.6385", "y4", "y4", "base stays")
    p.sight(i3, [t11, t8, t14, t12, t13], notes={t14: "sun came out {at}"})

    i4 = p.setup("I04", "Y4", "tripod", "ts-a", "1.6385", "y4", "y4", "on the standing base")
    t15 = p.setup("T15", "Y3", "tripod", "round-prism", "1.5710", note="tripod moved away and set up anew")
    t16 = p.setup("T16", "Y5", "pole", "mini-prism", "1.500")
    t17 = p.setup("T17", "Y6", "tripod", "round-prism", "1.5225", "y6", "y6", "base stays")
    t18 = p.setup("T18", "Y8", "low-stand", "mini-prism", note="set up anew")
    p.sight(i4, [t12, t13, t15, t18, t17, t16])

    i5 = p.setup("I05", "Y6", "tripod", "ts-a", "1.5225", "y6", "y6", "on the standing base")
    t19 = p.setup("T19", "Y4", "tripod", "round-prism", "1.6385", "y4", "y4", "on the standing base")
    t20 = p.setup("T20", "Y5", "low-stand", "mini-prism")
    t21 = p.setup("T21", "Y7", "pole", "mini-prism", "1.400")
    t22 = p.setup("T22", "G2", "tripod", "round-prism", "1.4920")
    t23 = p.setup("T23", "Y1", "pole", "mini-prism", "1.800", note="legs clamped {at}, slight wind")
    p.sight(i5, [t19, t18, t23, t21, t22, t20])
    return p


def free_stations() -> Plan:
    """The kiln hall in five free stations: targets for the scanner, tied to two marks at the doors."""
    p = Plan("07:48")
    p.mark("D1", 1250.6618, 3596.2047, 30.4461, "weighted", "1 mm, 1 mm", "bolt at south door, earlier job")
    p.mark("D2", 1291.9083, 3609.8375, 30.4728, "weighted", "1 mm, 1 mm", "bolt at north door, earlier job")
    walls = [
        ("W01", 1249.1126, 3603.4419, 32.1187), ("W02", 1256.9038, 3608.6127, 33.4705),
        ("W03", 1265.4471, 3611.5846, 31.8864), ("W04", 1274.0295, 3614.4631, 33.6912),
        ("W05", 1258.7747, 3594.6283, 33.2239), ("W06", 1267.7134, 3597.6052, 31.7740),
        ("W07", 1276.6629, 3600.5918, 33.5473), ("W08", 1294.3315, 3617.0654, 32.4406),
    ]  # fmt: skip
    for name, *place in walls:
        p.mark(name, *place, note="checkerboard")
    p.mark("B1", 1252.8842, 3606.9713, 31.5329, note="bolt in kiln wall")
    p.mark("B2", 1283.7716, 3617.7308, 31.4874, note="bolt in kiln wall")
    p.mark("B3", 1272.1563, 3599.0827, 31.6015, note="bolt in kiln wall")
    p.mark("B4", 1290.0127, 3605.0456, 31.5598, note="bolt in kiln wall")
    p.mark("F1", 1257.3369, 3602.2094, 30.4127, note="nail in floor")
    p.mark("F2", 1271.8830, 3607.1248, 30.3986, note="nail in floor")
    p.mark("F3", 1285.0194, 3610.6073, 30.4219, note="nail in floor")
    p.mark("F4", 1279.9437, 3606.0582, 30.4055, note="nail in floor")
    stations = [
        ("S1", 1254.8273, 3600.1184, 31.9716), ("S2", 1263.3918, 3605.2231, 31.9402),
        ("S3", 1274.6052, 3604.7719, 31.9927), ("S4", 1281.7760, 3611.9465, 31.9589),
        ("S5", 1289.2034, 3611.6378, 31.9831),
    ]  # fmt: skip
    for name, *place in stations:
        p.mark(name, *place, note="free station, not marked")

    at: dict[str, str] = {}
    for name in ("D1", "D2"):
        at[name] = p.setup(f"T-{name}", name, "bolt", "mini-prism")
    for name, *_ in walls:
        at[name] = p.setup(f"T-{name}", name, "adhesive", "checkerboard")
    for name in ("B1", "B2", "B3", "B4"):
        at[name] = p.setup(f"T-{name}", name, "bolt", "mini-prism")
    for name in ("F1", "F2", "F3", "F4"):
        at[name] = p.setup(f"T-{name}", name, "low-stand", "mini-prism")

    def station(number: int, targets: str, note: str = "", rounds: int = 2) -> None:
        start = p.setup(f"I{number:02d}", f"S{number}", "free", "ts-a", note=note)
        p.sight(start, [at[t] for t in targets.split()], rounds)

    station(1, "W01 B1 W02 W03 F2 B3 W06 F1 W05 D1", note="south door shut")
    station(2, "W01 B1 W02 W03 W04 B2 F2 W07 B3 W06 W05 F1 D1")
    at["F1"] = p.setup(
        "T-F1b", "F1", "low-stand", "mini-prism", note="taken down for the forklift {at}, set up anew"
    )
    at["F2"] = p.setup("T-F2b", "F2", "low-stand", "mini-prism", note="set up anew")
    station(3, "W02 W03 W04 B2 W08 F3 F4 D2 B4 W07 B3 W06 F1 F2")
    for name in ("F3", "F4"):
        at[name] = p.setup(f"T-{name}b", name, "low-stand", "mini-prism", note="set up anew")
    for name in ("B1", "B2", "B3", "B4"):
        at[name] = p.setup(
            f"T-{name}b", name, "bolt", "mini-prism", note="adapter taken out and screwed in again"
        )
    station(4, "W03 W04 B2 W08 D2 B4 F3 F4 W07 B3 F2 B1")
    at["D2"] = p.setup("T-D2b", "D2", "bolt", "mini-prism", note="adapter taken out and screwed in again")
    station(5, "W04 B2 W08 D2 B4 F4 W07 B3 F2 F3", note="dust, instrument covered until {at}")
    return p


def by_hand() -> Plan:
    """A levelled loop of three rises, and one polar point."""
    p = Plan("15:12")
    p.mark("A", 1204.3172, 3418.9046, 31.4072, "held", note="punch in gate kerb")
    p.mark("B", 1186.0835, 3465.2218, 32.0891, "held-en", note="bolt in weighbridge plinth")
    p.mark("C", 1191.5260, 3440.3381, 30.6558, note="rivet in drain cover, levelled only")
    p.mark("D", 1229.7714, 3452.6687, 30.9420, note="nail, seen once")
    p.rise("A", "B", "0.6 mm", "four changes")
    p.rise("B", "C", "0.4 mm", "two changes")
    p.rise("C", "A", "0.5 mm", "three changes")
    start = p.setup("I1", "A", "tripod", "ts-a", "1.5417")
    back = p.setup("T1", "B", "tripod", "mini-prism", "1.4", note="direction only")
    new = p.setup("T2", "D", "low-stand", "mini-prism")
    p.clock += 240
    for face, order in (("1", (back, new)), ("2", (new, back))):
        for end in order:
            p.clock += 31
            p.row(start, end, "1", face, READINGS[:1] if end == back else READINGS)
    return p


def ropeway() -> Plan:
    """From the works up to the clay pit on the mountain, 2.2 km and 640 m, in UTM; the air was read, and is still to go in."""
    p = Plan("07:20")
    p.mark("V1", 395210.4182, 5262104.9317, 612.3847, "held", note="bolt in kiln wall")
    p.mark("V2", 395433.1066, 5261958.2751, 618.7024, "held", note="pillar at the loading dock")
    p.mark("L1", 396906.7713, 5263378.1459, 1247.9036, "held", note="pillar at the pit")
    p.mark(
        "L2",
        396741.2290,
        5263502.6648,
        1263.4471,
        "weighted",
        "8 mm, 15 mm",
        note="bolt from the pit's own survey",
    )
    p.mark("S1", 395651.2, 5262521.7, 748.31, note="foot of support 1")
    p.mark("S2", 396018.9, 5262819.3, 905.66, note="foot of support 2")
    p.mark("S3", 396402.6, 5263043.8, 1090.12, note="foot of support 3")
    p.mark("A", 395902.3, 5262306.5, 811.74, note="nail on the bluff")
    p.mark("B", 396498.8, 5262702.1, 1003.27, note="nail at the hut")
    visits = (
        ("V1", ("V2", "S1", "S2", "A", "L1"), 17.2, 943.6, 62),
        ("A", ("V1", "V2", "S1", "S2", "S3", "B"), 16.1, 921.4, 58),
        ("B", ("A", "S2", "S3", "L1", "L2", "V2"), 14.7, 900.3, 55),
        ("L1", ("L2", "B", "S3", "S2", "V1"), 13.3, 874.0, 51),
        ("S2", ("V1", "S1", "S3", "A", "B", "L2"), 18.4, 911.2, 47),
    )
    for at, seen, temperature, pressure, humidity in visits:
        station = p.setup(f"I-{at}", at, "tripod", "ts-a", f"{1.55 + 0.01 * len(p.setups):.3f}")
        p.setups[-1] |= {
            "temperature": f"{temperature}",
            "pressure": f"{pressure}",
            "humidity": f"{humidity}",
        }
        targets = []
        for m in seen:
            support, height = (
                ("pillar", "0.2350")
                if m in ("V2", "L1")
                else ("tripod", f"{1.4 + 0.013 * len(p.setups):.3f}")
            )
            targets.append(p.setup(f"{m}-{at}", m, support, "round-prism", height))
        p.sight(station, targets)
    for row in p.setups:
        for column in ("temperature", "pressure", "humidity"):
            row.setdefault(column, "")
    return p


def haul_road() -> Plan:
    """A pair of satellite marks at the gate, and from it an open traverse along the haul road; REF is six kilometres away."""
    p = Plan("06:50")
    p.mark("REF", 399812.5340, 5258046.1185, 655.2071, "held", note="reference station on the school roof")
    p.mark("H1", 394903.4127, 5261702.9054, 601.8830, note="bolt in the gate post's base")
    p.mark("H2", 394966.0281, 5261750.3369, 602.4416, note="bolt at the weighbridge")
    road = [(394842.7, 5261661.2, 603.1), (394771.5, 5261595.8, 605.6), (394690.2, 5261540.3, 609.4),
            (394601.8, 5261497.6, 612.2), (394508.9, 5261466.0, 616.8), (394420.3, 5261420.9, 619.5)]  # fmt: skip
    for k, (e, n, h) in enumerate(road, 1):
        p.mark(f"R{k}", e, n, h, note="nail in the haul road")
    marks = ["H2", "H1", *(f"R{k}" for k in range(1, 7))]

    # what a receiver is good for here: 3 mm east, 4 mm north, 8 mm up, turned to X, Y, Z
    latitude, longitude = np.radians(47.497), np.radians(13.605)
    axes = np.array(
        [
            (-np.sin(longitude), np.cos(longitude), 0.0),
            (-np.sin(latitude) * np.cos(longitude), -np.sin(latitude) * np.sin(longitude), np.cos(latitude)),
            (np.cos(latitude) * np.cos(longitude), np.cos(latitude) * np.sin(longitude), np.sin(latitude)),
        ]
    )
    covariance = axes.T @ np.diag([0.003, 0.004, 0.008]) ** 2 @ axes

    def session(name: str) -> None:
        ends = []
        for k, mark in enumerate(("REF", "H1", "H2", "R6")):
            support, height = (
                ("roof", "") if mark == "REF" else ("antenna-tripod", f"{1.571 + 0.023 * k:.3f}")
            )
            ends.append(p.setup(f"{name}-{mark}", mark, support, "antenna", height))
        for mark, end in zip(("H1", "H2", "R6"), ends[1:], strict=True):
            p.vector(ends[0], end, covariance, name, "far end of the road" if mark == "R6" else "")

    session("morning")
    for k, mark in enumerate(marks[:-1]):
        station = p.setup(f"I-{mark}", mark, "tripod", "ts-a", f"{1.582 + 0.009 * k:.3f}")
        seen = marks[max(0, k - 1) : k] + marks[k + 1 : k + 3]
        targets = [
            p.setup(f"{m}-{mark}", m, "tripod", "round-prism", f"{1.611 - 0.007 * len(p.setups) % 0.2:.3f}")
            for m in seen
        ]
        p.sight(station, targets)
    session("noon")
    return p


def ropeway_geoid() -> list[dict[str, str]]:
    """geoid.csv: an invented field over the mountain, nodes of 36 and 45 seconds: undulation m, deflections arc seconds."""
    rows = []
    for i in range(5):
        for j in range(5):
            lat, lon = 47.49 + 0.01 * i, 13.59 + 0.0125 * j
            north, east = 4.1 + 1.3 * i - 0.2 * j * j, -6.4 + 0.9 * j + 0.3 * i * j
            rise = 47.62 - 0.054 * i + 0.031 * j - 0.004 * (i - j) ** 2
            rows.append(
                {
                    "latitude": f"{lat:.2f}", "longitude": f"{lon:.4f}", "undulation": f"{rise:.3f}",
                    "deflection_north": f"{north:.1f}", "deflection_east": f"{east:.1f}",
                }
            )  # fmt: skip
    return rows


PLANS = {
    "braced-traverse": braced_traverse(),
    "free-stations": free_stations(),
    "by-hand": by_hand(),
    "ropeway": ropeway(),
    "haul-road": haul_road(),
}
BESIDE = {"ropeway": {"geoid": ropeway_geoid()}}  # tables that job.toml names
SEEDS = {
    "braced-traverse": 2,
    "free-stations": 2,
    "by-hand": 1,
    "ropeway": 2,
    "haul-road": 1,
}  # the first of 1, 2, 3, … that raises no flag


@dataclass(frozen=True)
class Scan:
    """Targets that a scanner sees: (setup, sigma m per axis, use, note); where it stands, and how it is turned (deg)."""

    targets: list[tuple[str, float, str, str]]
    origin: tuple[float, float, float]
    turns: tuple[float, float, float]  # about up, then about its own x and y: it is not levelled
    seed: int


SCANS = {
    "free-stations": Scan(
        [(f"T-W0{i}", 0.0010, "check" if i == 6 else "", "") for i in range(1, 9)]
        + [(f"T-B{i}b", 0.0015, "", "sphere in the adapter of the prism") for i in range(1, 5)],
        (1270.2, 3605.9, 31.9),
        (137.0, 0.31, -0.22),
        1,
    )
}

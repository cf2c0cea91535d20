"""The days of the samples that consist of two jobs: a plan and its day, and two epochs of one wall."""

from __future__ import annotations

from tests.golden.plans import Plan


def siding(improved: bool) -> Plan:
    """A spur of six marks along the old siding, from two control marks. As first planned: every target on a pole, out and on.

    Improved: the targets stand on low stands, the end is tied to a third control mark, and R5 is set up twice.
    """
    p = Plan("08:32")
    p.mark("G3", 1418.2260, 3402.7715, 29.8140, "held", note="punch in loading ramp")
    p.mark("G4", 1402.9347, 3441.3068, 30.0275, "held", note="bolt in crane plinth")
    p.mark("G5", 1604.8812, 3521.6400, 28.7416, "held", note="bolt in buffer stop, from the railway's survey")
    for name, *place in (
        ("R1", 1451.6, 3417.9, 29.44), ("R2", 1489.3, 3428.1, 29.11), ("R3", 1526.8, 3443.7, 28.87),
        ("R4", 1561.2, 3462.4, 28.62), ("R5", 1592.5, 3487.2, 28.39), ("R6", 1540.9, 3421.5, 28.95),
    ):  # fmt: skip
        p.mark(name, *place, note="nail in sleeper" if name != "R6" else "rod beside the track", start=True)
    support, height = ("low-stand", "") if improved else ("pole", "1.500")

    def target(name: str, mark: str) -> str:
        return p.setup(name, mark, support, "mini-prism", height)

    i1 = p.setup("I1", "G3", "tripod", "ts-a", "1.560")
    p.sight(
        i1, [p.setup("T01", "G4", "tripod", "mini-prism", "1.470"), target("T02", "R1"), target("T03", "R2")]
    )
    i2 = p.setup("I2", "R2", "tripod", "ts-a", "1.585")
    back = p.setup("T05", "G3", "tripod", "mini-prism", "1.515")
    p.sight(i2, [target("T04", "R1"), back, target("T06", "R4"), target("T07", "R3"), target("T08", "R6")])
    i3 = p.setup("I3", "R4", "tripod", "ts-a", "1.570")
    targets = [target("T09", "R6"), target("T10", "R3"), target("T11", "R2"), target("T12", "R5")]
    if improved:
        targets.append(
            p.setup("T13", "G5", "tripod", "mini-prism", "1.525", note="added: what the plan advised")
        )
    p.sight(i3, targets)
    if improved:
        p.sight(i3, [target("T14", "R5"), targets[0]])
    return p


def kiln_wall(epoch: int) -> Plan:
    """A wall of the ring kiln, sighted from two free stations: four reference bolts away from it, five bolts in it.

    Between the epochs W3 has come forward, out of the wall, by 5.3 mm, and sunk by 1.8 mm.
    """
    p = Plan("09:10" if epoch == 1 else "10:25")
    for name, *place in (
        ("R1", 1296.4412, 3571.2088, 30.9125), ("R2", 1334.1780, 3580.6651, 31.3402),
        ("R3", 1301.7256, 3606.9914, 31.7816), ("R4", 1340.0663, 3611.3927, 31.0598),
    ):  # fmt: skip
        p.mark(name, *place, note="bolt in a footing that stands apart from the kiln", start=True)
    for k, (e, n, h) in enumerate(
        [(1309.6124, 3612.8840, 32.4031), (1316.0287, 3614.2251, 34.1170), (1322.4511, 3615.5796, 33.2268),
         (1328.8702, 3616.9213, 34.0455), (1335.2889, 3618.2604, 32.3987)], 1
    ):  # fmt: skip
        moved = epoch == 2 and k == 3
        p.mark(
            f"W{k}", e + 0.0011 * moved, n - 0.0052 * moved, h - 0.0018 * moved, note="bolt in the kiln wall"
        )
    stations = [("A", 1308.9, 3588.4, 32.36), ("B", 1329.7, 3592.1, 32.41)]
    if epoch == 2:
        stations = [("C", 1311.3, 3590.2, 32.38), ("D", 1327.5, 3589.6, 32.33)]
    for name, *place in stations:
        p.mark(name, *place, note="free station, not marked")
    at = {
        m: p.setup(f"T-{m}", m, "bolt", "mini-prism", note="adapter screwed in")
        for m in p.marks
        if m[0] in "RW"
    }
    for k, (name, *_) in enumerate(stations, 1):
        station = p.setup(f"I{k}", name, "free", "ts-a")
        p.sight(station, [at[m] for m in ("R1", "R3", "W1", "W2", "W3", "W4", "W5", "R4", "R2")], 3)
        if k == 1:
            for m in at:
                at[m] = p.setup(
                    f"T-{m}b", m, "bolt", "mini-prism", note="turned to the second station, screwed in again"
                )
    return p


PAIRS = {
    "siding/day": siding(True), "kiln-wall/epoch-1": kiln_wall(1), "kiln-wall/epoch-2": kiln_wall(2),
}  # fmt: skip
PLANNED = {"siding/plan": siding(False)}  # without readings
SEEDS = {"siding/day": 2, "kiln-wall/epoch-1": 1, "kiln-wall/epoch-2": 2}

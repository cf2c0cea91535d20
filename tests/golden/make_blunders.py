"""Makes the tables of the sample networks with a planted mistake. Each README says which one.

    python tests/golden/make_blunders.py [NAME …]

A sound day is made as in make_samples.py; then what was written down, or typed, or had moved is spoiled.
What the tool prints of it goes into the README, where the prose round it is written by hand.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hubtack.adjust.simulate import simulate
from hubtack.io.job import read_job

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.golden.make_samples import SAMPLES, Rows, sight_rows, with_zeros, write
from tests.golden.plans import Plan

Tables = dict[str, Rows]


@dataclass(frozen=True)
class Spoiled:
    """A day and what goes wrong with its tables."""

    plan: Plan
    spoil: Callable[[Tables], None]
    seed: int


def make(name: str, folder: Path) -> None:
    """Write the tables of one sample into `folder`, which holds its job.toml."""
    day = BLUNDERS[name]
    plan = day.plan
    tables: Tables = {"marks": plan.mark_rows(), "setups": plan.setups, "sights": plan.sights}
    for table, rows in tables.items():
        write(folder / f"{table}.csv", rows)
    write(folder / "truth.csv", plan.truth_rows())
    job = read_job(folder)
    rng = np.random.default_rng(day.seed)
    network = simulate(with_zeros(job.network, plan), plan.truth(), job.settings, rng)
    tables = {
        "marks": plan.mark_rows(network.marks),
        "setups": [dict(row) for row in plan.setups],
        "sights": sight_rows(plan, job, network, rng),
    }
    day.spoil(tables)
    for table, rows in tables.items():
        write(folder / f"{table}.csv", rows)


def entered(setup: str, height: str) -> Callable[[Tables], None]:
    """A height that somebody typed."""

    def spoil(tables: Tables) -> None:
        (row,) = [r for r in tables["setups"] if r["setup"] == setup]
        row["height"] = height

    return spoil


def recorded(add: float, device: str = "", setup: str = "") -> Callable[[Tables], None]:
    """Distances to every setup of a device, or to one setup, that are off by `add` (m)."""

    def spoil(tables: Tables) -> None:
        ends = {r["setup"] for r in tables["setups"] if device == r["device"] or setup == r["setup"]}
        for row in tables["sights"]:
            if row["to"] in ends and row["slope"]:
                row["slope"] = f"{float(row['slope']) + add:.4f}"

    return spoil


def moved(mark: str, east: float, north: float) -> Callable[[Tables], None]:
    """A mark that has moved by (east, north) m since its given coordinates were determined."""

    def spoil(tables: Tables) -> None:
        (row,) = [r for r in tables["marks"] if r["mark"] == mark]
        row["east"] = f"{float(row['east']) - east:.4f}"
        row["north"] = f"{float(row['north']) - north:.4f}"

    return spoil


def taped_height() -> Plan:
    """The drying shed: four stations, low stands of fixed height set up anew for each."""
    p = Plan("09:05")
    p.mark("K1", 1120.4185, 3382.6140, 30.2271, "held", note="bolt in shed plinth")
    p.mark("K2", 1096.7728, 3421.9063, 30.5518, "held", note="bolt in shed plinth")
    p.mark("A1", 1148.9316, 3396.2257, 29.9134, note="nail")
    p.mark("A2", 1171.3042, 3425.7781, 29.6620, note="nail")
    p.mark("A3", 1143.6609, 3429.0914, 30.0487, note="nail")
    p.mark("A4", 1158.2275, 3461.5536, 29.8052, note="nail")
    p.mark("A5", 1124.5093, 3466.3320, 30.1846, note="nail")
    p.mark("A6", 1103.8451, 3449.7172, 30.4390, note="nail")
    stands = iter(range(1, 100))

    def station(number: int, mark: str, height: str, ends: str) -> None:
        placed = []
        for end in ends.split():
            name = f"T{next(stands):02d}"
            note = "height taped" if name == "T07" else ""
            placed.append(p.setup(name, end, "low-stand", "mini-prism", note=note))
        p.sight(p.setup(f"I{number:02d}", mark, "tripod", "ts-a", height), placed)

    station(1, "K1", "1.5480", "K2 A1 A2 A3")
    station(2, "A2", "1.6025", "K1 A1 A3 A4")
    station(3, "A4", "1.5715", "A2 A3 A5 A6")
    station(4, "A6", "1.5390", "A5 A3 K2 K1")
    return p


def prism_mix_up() -> Plan:
    """The narrow-gauge track: two prisms, dealt out in turn."""
    p = Plan("07:40")
    p.mark("H1", 1402.1180, 3310.5527, 27.3316, "held", note="bolt in bridge abutment")
    p.mark("H2", 1468.9043, 3322.7419, 27.0852, "held", note="bolt in bridge abutment")
    p.mark("H3", 1431.6657, 3379.1935, 27.6409, "held", note="bolt in pump house")
    p.mark("R1", 1424.3391, 3331.4086, 27.1874, note="nail in sleeper")
    p.mark("R2", 1447.0828, 3344.6150, 27.2265, note="nail in sleeper")
    p.mark("R3", 1417.8072, 3356.9903, 27.4418, note="nail in sleeper")
    p.mark("R4", 1450.7714, 3368.2381, 27.5127, note="nail in sleeper")
    devices = ("round-prism", "mini-prism")
    count = iter(range(1, 100))

    def station(number: int, mark: str, height: str, ends: str) -> None:
        placed = []
        for end in ends.split():
            k = next(count)
            placed.append(p.setup(f"T{k:02d}", end, "low-stand", devices[k % 2]))
        p.sight(p.setup(f"I{number:02d}", mark, "tripod", "ts-a", height), placed)

    station(1, "R1", "1.5605", "H1 H2 H3 R2 R3")
    station(2, "R2", "1.5910", "H2 R1 R4 H3 R3")
    station(3, "R4", "1.5275", "H3 R3 R2 H2")
    station(4, "R3", "1.6140", "R4 H1 R1 H3")
    return p


def moved_control() -> Plan:
    """Round the chimney: five control marks from an old survey, one of them in a kerb that a lorry has pushed."""
    p = Plan("13:10")
    p.mark("C1", 1260.1732, 3300.4418, 29.1205, "held", note="bolt in chimney plinth")
    p.mark("C2", 1331.5094, 3312.0870, 28.7743, "held", note="bolt in stable wall")
    p.mark("C3", 1344.1260 + 0.0141, 3371.8809 + 0.0118, 28.5016, "held", note="punch in kerb")
    p.mark("C4", 1291.7785, 3389.2154, 28.9067, "held", note="bolt in stable wall")
    p.mark("C5", 1248.6321, 3352.9946, 29.2433, "held", note="bolt in kiln plinth")
    p.mark("E1", 1288.4057, 3327.3661, 29.0140, note="nail")
    p.mark("E2", 1316.0318, 3343.5025, 28.8218, note="nail")
    p.mark("E3", 1285.9476, 3360.1733, 29.0582, note="nail")
    count = iter(range(1, 100))

    def station(number: int, mark: str, height: str, ends: str) -> None:
        placed = [p.setup(f"T{next(count):02d}", end, "low-stand", "mini-prism") for end in ends.split()]
        p.sight(p.setup(f"I{number:02d}", mark, "tripod", "ts-a", height), placed)

    station(1, "E1", "1.5830", "C1 C2 E2 C3 E3 C5")
    station(2, "E2", "1.5455", "C2 C3 C4 E3 E1")
    station(3, "E3", "1.6070", "C4 C5 C1 E1 E2 C3")
    return p


def no_telling() -> Plan:
    """The smithy: one free station between two held bolts, three nails seen once."""
    p = Plan("16:20")
    p.mark("B1", 1310.2276, 3478.6013, 29.9120, "held", note="bolt in hearth")
    p.mark("B2", 1321.8455, 3485.0347, 29.8863, "held", note="bolt in door post")
    p.mark("N1", 1312.9630, 3484.1172, 28.4051, note="nail")
    p.mark("N2", 1317.5504, 3487.3928, 28.3987, note="nail")
    p.mark("N3", 1318.7749, 3479.9465, 28.4126, note="nail")
    p.mark("S1", 1315.4082, 3482.2295, 29.9744, note="free station, not marked")
    ends = [p.setup(f"T-{b}", b, "bolt", "mini-prism") for b in ("B1", "B2")]
    ends += [p.setup(f"T-{n}", n, "low-stand", "mini-prism") for n in ("N1", "N2", "N3")]
    p.sight(p.setup("I01", "S1", "free", "ts-a"), ends)
    return p


# Seeds: the first of 1, 2, 3, … whose day raises no flag before it is spoiled.
BLUNDERS = {
    "taped-height": Spoiled(taped_height(), entered("T07", "0.2175"), 1),
    "prism-mix-up": Spoiled(prism_mix_up(), recorded(-0.0175, device="mini-prism"), 1),
    "moved-control": Spoiled(moved_control(), moved("C3", 0.0141, 0.0118), 1),
    "no-telling": Spoiled(no_telling(), recorded(0.012, setup="T-B1"), 1),
}


QUOTED = ("Findings", "Unchecked marks")  # sections of the printed summary, besides the verdict


def printed(name: str, out: Path) -> str:
    """What `hubtack adjust` prints of a sample, called from the root: its verdict and the sections of QUOTED."""
    command = [sys.executable, "-m", "hubtack.io.cli", "adjust", f"sample_networks/{name}", "--out", str(out)]
    plain = os.environ | {"PYTHONUTF8": "1", "NO_COLOR": "1", "FORCE_COLOR": ""}
    done = subprocess.run(
        command, capture_output=True, encoding="utf-8", cwd=SAMPLES.parent, env=plain, check=False
    )
    assert done.returncode == 1, done.stderr
    lines: list[str] = []
    keep = True  # the verdict stands first
    for line in done.stdout.splitlines():
        if line and not line.startswith(" ") and lines:
            keep = line.startswith(QUOTED)
        if keep:
            lines.append(line.rstrip())
    return "\n".join(lines).rstrip()


def quotation(text: str) -> tuple[str, str, str]:
    """A README before, within and after its quotation."""
    before, rest = text.split("-->\n```text\n")
    quoted, after = rest.split("```\n<!-- end -->")
    return before, quoted.rstrip("\n"), after


def quote(name: str, out: Path) -> None:
    """Put into the README of a sample what is printed of it now."""
    readme = SAMPLES / name / "README.md"
    before, _, after = quotation(readme.read_text(encoding="utf-8"))
    text = f"{before}-->\n```text\n{printed(name, out)}\n```\n<!-- end -->{after}"
    readme.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    for sample in sys.argv[1:] or BLUNDERS:
        make(sample, SAMPLES / sample)
        with tempfile.TemporaryDirectory() as folder:
            quote(sample, Path(folder) / "out")

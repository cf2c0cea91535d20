"""Makes the tables of sample_networks/ from a plan of the day, a truth and a seed.

    python tests/golden/make_samples.py

job.toml and README.md of each sample are written by hand; marks.csv, setups.csv, sights.csv, reduced.csv, vectors.csv,
scanner.csv and truth.csv are made here. Readings come from the engine's own `simulate`; on top of them lie what a pair of faces
takes out again (collimation and index error) and the rounding of the instrument's display. Seeds stand in plans.py.
"""

from __future__ import annotations

import csv
import dataclasses
import sys
from pathlib import Path
from typing import Any

import numpy as np

from hubtack.adjust.ground.network import Network
from hubtack.adjust.ground.table import Floats
from hubtack.adjust.simulate import simulate
from hubtack.io.job import Job, read_job
from hubtack.io.units import ARCSEC

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.golden.plans import BESIDE, SCANS, Plan, Scan
from tests.golden.plans import PLANS as DAYS
from tests.golden.plans import SEEDS as SEEDS_OF_DAYS
from tests.golden.plans_pairs import PAIRS, PLANNED
from tests.golden.plans_pairs import SEEDS as SEEDS_OF_PAIRS

PLANS, SEEDS = DAYS | PAIRS, SEEDS_OF_DAYS | SEEDS_OF_PAIRS

AXES = ("east", "north", "height")
SAMPLES = Path(__file__).parents[2] / "sample_networks"
COLLIMATION, INDEX = 2.7 * ARCSEC, -3.4 * ARCSEC
Rows = list[dict[str, str]]


def make(name: str, folder: Path) -> None:
    """Write the tables of one sample into `folder`, which holds its job.toml."""
    plan = PLANS[name]
    tables = {
        "marks": plan.mark_rows(),
        "setups": plan.setups,
        "sights": plan.sights,
        "reduced": plan.reduced,
        "vectors": plan.vectors,
    }
    for table, rows in (tables | BESIDE.get(name, {})).items():
        write(folder / f"{table}.csv", rows)
    write(folder / "truth.csv", plan.truth_rows())
    job = read_job(folder)
    rng = np.random.default_rng(SEEDS[name])
    network = simulate(with_zeros(job.network, plan), plan.truth(), job.settings, rng)
    write(folder / "marks.csv", plan.mark_rows(network.marks))
    if plan.sights:
        write(folder / "sights.csv", sight_rows(plan, job, network, rng))
    if plan.reduced:
        values = [f"{v:.4f}" for v in network.reduced.value]  # the samples have rises alone
        write(folder / "reduced.csv", [r | {"value": v} for r, v in zip(plan.reduced, values, strict=True)])
    if plan.vectors:
        vectors = [[f"{v:.4f}" for v in d] for d in network.vectors.difference]
        write(
            folder / "vectors.csv",
            [
                r | dict(zip(("dx", "dy", "dz"), d, strict=True))
                for r, d in zip(plan.vectors, vectors, strict=True)
            ],
        )
    if name in SCANS:
        write(folder / "scanner.csv", scanner_rows(SCANS[name], plan, job))


def plan_only(name: str, folder: Path) -> None:
    """The tables of a plan: rough coordinates, setups, and sights that are not observed yet."""
    plan = PLANNED[name]
    marks = [
        r | {a: r[a] and (r[a] if r["control"] else f"{float(r[a]):.1f}") for a in AXES}
        for r in plan.mark_rows()
    ]
    write(folder / "marks.csv", marks)
    write(folder / "setups.csv", [r | {"started": ""} for r in plan.setups])
    write(folder / "sights.csv", [r | {"time": "", "note": ""} for r in plan.sights])


def scanner_rows(scan: Scan, plan: Plan, job: Job) -> Rows:
    """What a scanner of its own frame sees of true target centres, to 0.1 mm."""
    from scipy.spatial.transform import Rotation

    rng, setups = np.random.default_rng(scan.seed), job.network.setups
    R = Rotation.from_euler("ZXY", scan.turns, degrees=True).as_matrix()  # scanner → site
    row = {str(s): i for i, s in enumerate(setups.setup)}
    rows = []
    for name, sigma, use, note in scan.targets:
        centre = plan.truth()[setups.mark[row[name]]] + [0.0, 0.0, setups.height[row[name]]]
        seen = R.T @ (centre - scan.origin) + rng.normal(0.0, sigma, 3)
        rows.append(
            {"target": name}
            | {c: f"{v:.4f}" for c, v in zip("xyz", seen, strict=True)}
            | {"use": use, "note": note}
        )
    return rows


def with_zeros(network: Network, plan: Plan) -> Network:
    """The network with a zero for every reading that the plan asks for."""
    columns = {
        c: np.array([0.0 if c in wanted else np.nan for wanted in plan.readings])
        for c in ("circle", "zenith", "slope")
    }
    return dataclasses.replace(network, sights=network.sights.replace(**columns))


def sight_rows(plan: Plan, job: Job, network: Network, rng: np.random.Generator) -> Rows:
    """The rows of sights.csv with readings as an instrument shows them: 0.1″ and 0.1 mm."""
    s = network.sights
    circle = turned(s.circle, s.start, s.round, rng)
    sign = np.where(s.face == 2, -1.0, 1.0)
    slant = np.abs(np.sin(np.where(np.isnan(s.zenith), np.pi / 2, s.zenith)))
    circle = circle + sign * COLLIMATION / slant
    zenith = s.zenith + INDEX
    rows = []
    for i, row in enumerate(plan.sights):
        shown: dict[str, str] = {
            "circle": job.units.show_azimuth(circle[i]),
            "zenith": job.units.show_angle(zenith[i]),
            "slope": "" if np.isnan(s.slope[i]) else f"{s.slope[i]:.4f}",
        }
        rows.append(row | shown)
    return rows


def turned(circle: Floats, start: Any, rounds: Any, rng: np.random.Generator) -> Floats:
    """Each round turned so that its first pointing reads near 0°, or near 90° in a second round."""
    result = circle.copy()
    for group in dict.fromkeys(zip(start.tolist(), rounds.tolist(), strict=True)):
        rows = np.flatnonzero((start == group[0]) & (rounds == group[1]))
        wanted = (group[1] - 1) * np.pi / 2 + rng.uniform(5, 110) * ARCSEC
        result[rows] = np.mod(circle[rows] - circle[rows[0]] + wanted, 2 * np.pi)
    return result


def write(path: Path, rows: Rows) -> None:
    """A CSV table; none if there are no rows."""
    if not rows:
        return
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    for sample in sys.argv[1:] or [*PLANS, *PLANNED]:
        (plan_only if sample in PLANNED else make)(sample, SAMPLES / sample)

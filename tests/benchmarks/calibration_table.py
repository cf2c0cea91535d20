"""The whole calibration: five kinds of jobs, both rules, coverage, p-values, power and false alarms, as a table.

    python -m tests.benchmarks.calibration_table [--jobs 1000] [--seed 3]

`--jobs` is of each kind; 1000 take seven minutes of one core. Every job is adjusted by both rules, and once more
each with a reading wrong by its smallest detectable bias and with a height wrong by its own. Of each job one reading and
one setup, chosen by lot, give their p-values, so that these are independent of each other. Held marks and free stations
are not counted. Standard errors of shares are those over jobs: the marks of one job are not independent.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Literal

import numpy as np
from scipy.stats import chi2, kstest, norm
from tests.benchmarks.calibration import CHI2, NORMAL, share
from tests.benchmarks.networks import KINDS, Day

from hubtack.adjust import adjust
from hubtack.adjust.ground.network import Network
from hubtack.adjust.results import Adjustment
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate
from hubtack.adjust.trouble import NotConverged

Rule = Literal["shared", "independent"]
RULES: tuple[Rule, ...] = ("shared", "independent")
CHECKED = 0.02  # redundancy: below, a detectable bias is so large that the network bends, and no linear figure holds
READINGS = ("direction", "zenith", "distance")


def forced_centring(rng: np.random.Generator) -> Day:
    """A traverse of five tripods between two held ends, devices exchanged on standing bases; two corners by pole."""
    day, n = Day(), 5
    for i in range(n):
        e, north, h = rng.normal(0, 1, 3) * (6, 6, 1.0) + (70 * i, 25 * (i % 2), 0)
        day.mark(f"B{i + 1}", 700 + e, 400 + north, 30 + h, 0.0 if i in (0, n - 1) else np.inf)
    for i in range(2):
        e, north, h = rng.normal(0, 1, 3) * (4, 4, 0.8) + (105 + 70 * i, 60, 0)
        day.mark(f"D{i + 1}", 700 + e, 400 + north, 30 + h)
    heights = rng.uniform(1.4, 1.7, n)
    for i in range(n):
        at = day.setup(f"B{i + 1}", "tribrach", heights[i], instrument=True, base=f"b{i}")
        ends = [
            day.setup(f"B{j + 1}", "tribrach", heights[j], base=f"b{j}") for j in (i - 1, i + 1) if 0 <= j < n
        ]
        ends += [
            day.setup(f"D{k + 1}", "pole", rng.uniform(1.4, 1.8)) for k in range(2) if abs(i - 2 - k) <= 1
        ]
        day.sight(at, ends, rounds=2)
    return day


FIVE: dict[str, Callable[[np.random.Generator], Day]] = KINDS | {"forced centring, tripods": forced_centring}


@dataclass
class Tally:
    """What the jobs of one kind gave under one rule, one entry a job."""

    ellipse: list[tuple[int, int]] = field(default_factory=list)  # held, of
    relative: list[tuple[int, int]] = field(default_factory=list)
    height: list[tuple[int, int]] = field(default_factory=list)
    flags: list[tuple[int, int]] = field(default_factory=list)  # readings
    setups: list[tuple[int, int]] = field(default_factory=list)  # heights
    p_global: list[float] = field(default_factory=list)
    p_reading: list[float] = field(default_factory=list)
    p_height: list[float] = field(default_factory=list)
    p_centring: list[float] = field(default_factory=list)
    found_reading: list[tuple[int, int]] = field(default_factory=list)
    found_height: list[tuple[int, int]] = field(default_factory=list)
    unsettled: list[str] = field(default_factory=list)  # days with a planted reading that did not settle

    def add(self, day: Day, network: Network, rule: Rule, lot: np.random.Generator) -> None:
        """One job, adjusted as it is and with its two planted mistakes."""
        new = [n for n in day.points if n not in day.free and day.priors[n][0] > 0.0]
        chosen = Settings(correlation=rule, pairs=tuple(combinations(new, 2)))
        a = adjust(network, chosen)
        self._coverage(day, a)
        o, s = a.observations, a.setups
        total = a.global_test.variance_factor * a.degrees_of_freedom
        self.p_global.append(float(chi2.sf(total, a.degrees_of_freedom)))
        tested = np.flatnonzero(
            np.isin(o.kind.astype(str), READINGS) & np.isfinite(o.minimal_detectable_bias)
        )
        self.flags.append((int(o.flagged[tested].sum()), len(tested)))
        tested = tested[o.redundancy[tested] > CHECKED]
        one = int(lot.choice(tested))
        self.p_reading.append(float(2.0 * norm.sf(abs(o.standardized[one]))))
        try:
            again = adjust(_reading_wrong(network, a, one), chosen)
            self.found_reading.append((int(again.observations.flagged[one]), 1))
        except NotConverged:
            self.unsettled.append(f"{a.observations.id[one]} of {list(day.points)}")
        told = np.flatnonzero(np.isfinite(s.standardized_height) & np.isfinite(s.minimal_detectable_height))
        told = told[(s.sigma_height[told] > 0.0) & (s.redundancy_height[told] > CHECKED)]
        if rule == "shared" and len(told):
            self.setups.append((int((np.abs(s.standardized_height[told]) > a.critical).sum()), len(told)))
            one = int(lot.choice(told))
            self.p_height.append(float(2.0 * norm.sf(abs(s.standardized_height[one]))))
            height = network.setups.height.copy()
            height[one] += s.minimal_detectable_height[one]
            again = adjust(replace(network, setups=network.setups.replace(height=height)), chosen)
            self.found_height.append((int(abs(again.setups.standardized_height[one]) > a.critical), 1))
            free = np.flatnonzero(np.isfinite(s.minimal_detectable_centring) & (s.sigma_centring > 0.0))
            if len(free):
                self.p_centring.append(
                    float(np.exp(-0.5 * s.standardized_centring[int(lot.choice(free))] ** 2))
                )

    def _coverage(self, day: Day, a: Adjustment) -> None:
        truth, m, r = day.truth(), a.marks, a.relative
        counted = [n not in day.free and day.priors[n][0] > 0.0 for n in day.points]
        new = np.flatnonzero(counted)
        d = np.stack([m.east, m.north], axis=1) - truth[:, :2]
        t = np.einsum("ni,nij,nj->n", d[new], np.linalg.inv(m.covariance[new, :2, :2]), d[new])
        self.ellipse.append((int((t <= CHI2).sum()), len(new)))
        w = (m.height - truth[:, 2])[new] / m.sigma_height[new]
        self.height.append((int((np.abs(w) <= NORMAL).sum()), len(new)))
        keep = np.flatnonzero(
            np.array(counted)[r.start_mark] & np.array(counted)[r.end_mark] & (r.semi_minor > 1e-6)
        )
        if len(keep):
            e, n = (d[r.end_mark] - d[r.start_mark])[keep].T
            along = e * np.sin(r.ellipse_azimuth[keep]) + n * np.cos(r.ellipse_azimuth[keep])
            across = e * np.cos(r.ellipse_azimuth[keep]) - n * np.sin(r.ellipse_azimuth[keep])
            inside = (along / r.semi_major[keep]) ** 2 + (across / r.semi_minor[keep]) ** 2 <= 1.0
            self.relative.append((int(inside.sum()), len(keep)))


def _reading_wrong(network: Network, a: Adjustment, k: int) -> Network:
    """Every row of the k-th observation wrong by its smallest detectable bias."""
    o, s = a.observations, network.sights
    size = float(o.minimal_detectable_bias[k])
    rows = np.flatnonzero(np.isin(s.id, list(o.rows[k])))
    column = {"direction": "circle", "zenith": "zenith", "distance": "slope"}[str(o.kind[k])]
    values = getattr(s, column).copy()
    values[rows] += np.where((s.face[rows] == 2) & (column == "zenith"), -size, size)
    return replace(network, sights=s.replace(**{column: values}))


def calibrate(jobs: int, seed: int) -> dict[str, dict[Rule, Tally]]:
    """kind → rule → what `jobs` jobs of that kind gave."""
    result: dict[str, dict[Rule, Tally]] = {kind: {rule: Tally() for rule in RULES} for kind in FIVE}
    for number, kind in enumerate(FIVE):
        for job in range(jobs):
            rng = np.random.default_rng([seed, number, job])
            day = FIVE[kind](rng)
            network = simulate(day.network(), day.truth(), Settings(), rng)
            for rule in RULES:
                result[kind][rule].add(day, network, rule, np.random.default_rng([seed, number, job, 1]))
    return result


def table(result: dict[str, dict[Rule, Tally]]) -> list[str]:
    """Rows of Markdown: coverage first, then tests."""

    def shared(counts: list[tuple[int, int]]) -> str:
        return "{:.1f} ± {:.1f}".format(*share(counts)) if counts else ""

    def fine(counts: list[tuple[int, int]]) -> str:
        return "{:.3f} ± {:.3f}".format(*share(counts)) if counts else ""

    def uniform(p: list[float]) -> str:
        return f"{kstest(p, 'uniform').pvalue:.2g}" if p else ""

    rows = [(kind, rule, tallies[rule]) for kind, tallies in result.items() for rule in RULES]
    for rule in RULES:
        merged = Tally()
        for tallies in result.values():
            for name, value in vars(tallies[rule]).items():
                getattr(merged, name).extend(value)
        rows.append(("**all**", rule, merged))
    out = ["| kind | rule | ellipses | relative | heights | power, reading | power, height | flags, readings | flags, heights |",
           "|---|---|--:|--:|--:|--:|--:|--:|--:|"]  # fmt: skip
    for kind, rule, t in rows:
        cells = [shared(t.ellipse), shared(t.relative), shared(t.height), shared(t.found_reading), shared(t.found_height),
                 fine(t.flags), fine(t.setups)]  # fmt: skip
        out.append(f"| {kind} | {rule} | " + " | ".join(cells) + " |")
    out += [
        "",
        "| kind | rule | global | reading | height of a setup | centring of a setup |",
        "|---|---|--:|--:|--:|--:|",
    ]
    for kind, rule, t in rows:
        cells = [uniform(p) for p in (t.p_global, t.p_reading, t.p_height, t.p_centring)]
        out.append(f"| {kind} | {rule} | " + " | ".join(cells) + " |")
    lost = sum(len(t.unsettled) for _, _, t in rows[: -len(RULES)])
    return [*out, "", f"Days with a reading wrong that did not settle: {lost}."]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--jobs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=3)
    arguments = parser.parse_args()
    print(
        f"{arguments.jobs} jobs of each kind, seed {arguments.seed}; percent ± standard error; then p of Kolmogorov's test\n"
    )
    print("\n".join(table(calibrate(arguments.jobs, arguments.seed))))


if __name__ == "__main__":
    main()

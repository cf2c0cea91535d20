"""Do the stated uncertainties hold? Simulated jobs with known truth, adjusted by both rules.

    python tests/benchmarks/calibration.py [--jobs 400] [--seed 1]

Each job draws its geometry, one centring and height error for every setup, and noise for every reading. A mark
counts as held if its truth lies within the 95 % ellipse: dᵀC⁻¹d ≤ 5.9915 (χ² with 2 degrees of freedom, full
2 × 2 covariance), and if its height lies within 1.96 σ. Held control and free stations are not counted.

The standard errors are those of a mean over jobs, since the marks of one job are not independent of each other.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np

from hubtack.adjust import adjust
from hubtack.adjust.results import Adjustment
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.benchmarks.networks import KINDS, Day

RULES: tuple[Literal["shared", "independent"], ...] = ("shared", "independent")
CHI2 = 5.991464547  # χ²(0.95; 2), from tables
NORMAL = 1.959963985  # N⁻¹(0.975)


@dataclass
class Tally:
    """What the jobs of one kind gave under one rule; one entry a job, in lists."""

    ellipse: list[tuple[int, int]] = field(default_factory=list)  # marks held, marks
    height: list[tuple[int, int]] = field(default_factory=list)
    flags: list[tuple[int, int]] = field(default_factory=list)  # readings flagged, readings tested
    setup_flags: list[tuple[int, int]] = field(default_factory=list)
    passed: list[tuple[int, int]] = field(default_factory=list)  # global test
    factor: list[float] = field(default_factory=list)  # variance factor
    setup_w: list[float] = field(default_factory=list)  # w of the height of one setup a job

    def add(self, job: int, day: Day, a: Adjustment) -> None:
        """Count one adjusted job."""
        truth, m = day.truth(), a.marks
        new = [i for i, name in enumerate(day.points) if name not in day.free and day.priors[name][0] > 0.0]
        d = np.stack([m.east - truth[:, 0], m.north - truth[:, 1]], axis=1)[new]
        t = np.einsum("ni,nij,nj->n", d, np.linalg.inv(m.covariance[new, :2, :2]), d)
        self.ellipse.append((int((t <= CHI2).sum()), len(new)))
        w = (m.height - truth[:, 2])[new] / m.sigma_height[new]
        self.height.append((int((np.abs(w) <= NORMAL).sum()), len(new)))
        tested = np.isin(a.observations.kind.astype(str), ("direction", "zenith", "distance"))
        tested &= np.isfinite(a.observations.standardized)
        self.flags.append((int(a.observations.flagged[tested].sum()), int(tested.sum())))
        w = a.setups.standardized_height
        told = np.flatnonzero(np.isfinite(w) & (np.abs(w) > 0.0))
        if len(told):
            self.setup_flags.append((int(a.setups.flagged[told].sum()), len(told)))
            self.setup_w.append(float(w[told[job % len(told)]]))
        self.passed.append((int(a.global_test.passed), 1))
        self.factor.append(a.global_test.variance_factor)


def share(counts: Sequence[tuple[int, int]]) -> tuple[float, float]:
    """Share held and its standard error over jobs, both in percent (nan where nothing was counted)."""
    if not counts:
        return float("nan"), float("nan")
    held, of = np.array(counts, dtype=float).T
    p = held.sum() / of.sum()
    return 100 * p, 100 * float(np.sqrt(((held - p * of) ** 2).sum()) / of.sum())


def calibrate(jobs: int, seed: int) -> dict[str, dict[str, Tally]]:
    """`jobs` simulated jobs, the kinds in turn: kind → rule → what came out."""
    result = {kind: {rule: Tally() for rule in RULES} for kind in KINDS}
    names = list(KINDS)
    for job in range(jobs):
        kind = names[job % len(names)]
        rng = np.random.default_rng([seed, job])
        day = KINDS[kind](rng)
        network = simulate(day.network(), day.truth(), Settings(), rng)
        for rule in RULES:
            result[kind][rule].add(job // len(names), day, adjust(network, Settings(correlation=rule)))
    return result


def total(result: dict[str, dict[str, Tally]], rule: str) -> Tally:
    """All kinds together."""
    merged = Tally()
    for tallies in result.values():
        for name, value in vars(tallies[rule]).items():
            getattr(merged, name).extend(value)
    return merged


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    result = calibrate(arguments.jobs, arguments.seed)
    rows = [(kind, rule, tallies[rule]) for kind, tallies in result.items() for rule in RULES]
    rows += [("all", rule, total(result, rule)) for rule in RULES]

    print(f"{arguments.jobs} simulated jobs, seed {arguments.seed}; truth held, percent ± standard error\n")
    print(
        f"{'kind':24} {'rule':12} {'marks':>5}  {'95 % ellipse':>13} {'95 % height':>13} {'global test':>13}"
    )
    for kind, rule, tally in rows:
        cells = " ".join(
            "{:7.1f} ± {:3.1f}".format(*share(c)).rjust(13)
            for c in (tally.ellipse, tally.height, tally.passed)
        )
        print(f"{kind:24} {rule:12} {sum(of for _, of in tally.ellipse):5d}  {cells}")

    from scipy.stats import kstest

    shared = total(result, "shared")
    print("\nshared rule, false alarms at alpha = 0.1 %:")
    print("  readings {:.3f} ± {:.3f} %".format(*share(shared.flags)))
    print(
        "  setups   {:.3f} ± {:.3f} %  (height and centring tested each)".format(*share(shared.setup_flags))
    )
    ks = kstest(shared.setup_w, "norm")
    print(
        f"  w of setup heights against N(0, 1): KS {ks.statistic:.3f}, p {ks.pvalue:.2f}, {len(shared.setup_w)} setups"
    )


if __name__ == "__main__":
    main()

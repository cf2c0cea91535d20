"""How often is a planted mistake found, and named? Three networks, one mistake a day, every cause.

    python tests/benchmarks/catch_rate.py [--seeds 40] [--clean 200] [--seed 1] [--only WORD] [--show]

A case counts as separable if a mistake of its size is detected with a power of at least 0.99 and its statistic correlates
by at most 0.9 with that of every other cause; both are computed from the geometry, before the judge has looked.

    first      the right name and class of cause stand first
    rivals     they stand among the rivals
    missed     no finding at all
    wrong      there is a finding, and neither its first nor its rivals are right
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from hubtack.adjust.judge.causes import CAUSES
from hubtack.adjust.judge.diagnose import hypotheses, judge
from hubtack.adjust.judge.finding import Finding
from hubtack.adjust.judge.statistics import Tests, correlations, critical_value_of, given, make_tests
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate
from hubtack.adjust.trouble import NotConverged, Undetermined

sys.path.insert(0, str(Path(__file__).parents[2]))  # the root, from which tests call each other by full name
from tests.benchmarks.catch_rate_networks import GROUNDS, solve
from tests.benchmarks.catch_rate_plants import PLANTS, Planted, case

POWER = 2.3263  # N⁻¹(0.99)
SEPARABLE = 0.9


@dataclass
class Tally:
    """Cases of one cause."""

    first: int = 0
    rivals: int = 0
    missed: int = 0
    wrong: int = 0
    failed: int = 0  # not adjusted
    notes: list[str] = field(default_factory=list)

    @property
    def cases(self) -> int:
        return self.first + self.rivals + self.missed + self.wrong + self.failed


def separable(tests: Tests, planted: Planted) -> tuple[bool, bool]:
    """Whether the geometry shows a mistake of this size, and tells it from every other."""
    g = given(tests, (), {})
    tried = int((g.told > 0).sum())
    shown, told = True, True
    for name, cause in planted.base:
        cause, _, row = cause.partition(":")
        mine = [
            i
            for i, h in enumerate(tests.hypotheses)
            if h.name == name and h.cause == cause and (not row or str(h.detail[0]) == row)
        ]
        if not mine:
            return False, False
        i = mine[0]
        q = int(tests.q[i])
        told &= bool(g.told[i] == q)
        N = g.normal[i, :q, :q]
        move = np.array(planted.move[:q])
        strength = float(move @ N @ move)
        shown &= np.sqrt(strength) > np.sqrt(critical_value_of(tried, q)) + POWER
        rho = correlations(g, i, {})
        group = CAUSES[cause].group
        for j, h in enumerate(tests.hypotheses):
            same = h.name == name and CAUSES[h.cause].group == group
            part = planted.gross and h.name == name  # a setup elsewhere is off in plan and in height
            if not same and not part and g.told[j] and rho[j] > SEPARABLE:
                told = False
    return bool(shown), told


def right(finding: Finding, planted: Planted) -> tuple[bool, bool]:
    """Whether the first, or a rival, has the right name and class."""

    return planted.explained_by(finding.first), any(planted.explained_by(r) for r in finding.rivals)


def run(cause: str, seeds: int, seed: int, settings: Settings) -> dict[str, Tally]:
    """`seeds` planted mistakes of one cause, the networks in turn."""
    tallies = {"separable": Tally(), "not separable": Tally(), "too small": Tally()}
    done = attempt = 0
    while done < seeds and attempt < 4 * seeds:
        found = case(cause, seed, attempt, settings)
        attempt += 1
        if found is None:
            continue
        done += 1
        planted = found.planted
        shown, told = separable(make_tests(hypotheses(found.clean)), planted)
        tally = tallies["too small" if not shown else "separable" if told else "not separable"]
        label = f"{cause} / {found.where} / {attempt - 1}: {planted.names[0]} {planted.size}"
        try:
            findings = judge(solve(planted.network, settings))
        except (Undetermined, NotConverged) as error:
            tally.failed += 1
            tally.notes.append(f"{label} NOT ADJUSTED {str(error)[:150]}")
            continue
        outcomes = [right(f, planted) for f in findings]
        if not findings:
            tally.missed += 1
            tally.notes.append(f"{label} MISSED")
        elif outcomes[0][0]:
            tally.first += 1
        elif any(a or b for a, b in outcomes):
            tally.rivals += 1
            tally.notes.append(f"{label} RIVAL of {told_of(findings)}")
        else:
            tally.wrong += 1
            tally.notes.append(f"{label} WRONG {told_of(findings)}")
    return tallies


def told_of(findings: tuple[Finding, ...]) -> str:
    return "; ".join(
        f"{f.first.name} {f.first.cause} {f.first.size:.5f} T {f.first.statistic:.0f} "
        f"[{', '.join(f'{r.name} {r.cause} {r.statistic:.0f} {r.correlation:.3f}' for r in f.rivals[:4])}]"
        for f in findings[:3]
    )


def clean(jobs: int, seed: int, settings: Settings) -> tuple[int, int, int]:
    """Clean jobs: how many have a finding; flagged readings, and how many were tested."""
    found = flags = tested = 0
    for job in range(jobs):
        rng = np.random.default_rng([seed, 10_000, job])
        ground = GROUNDS[list(GROUNDS)[job % len(GROUNDS)]](rng)
        solved = solve(simulate(ground.network, ground.truth, settings, rng), settings)
        found += bool(judge(solved))
        for reliability in solved.reliability[: len(solved.equations.groups)]:
            w = reliability.standardized[np.isfinite(reliability.standardized)]
            flags += int((np.abs(w) > solved.critical).sum())
            tested += len(w)
    return found, flags, tested


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--clean", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    parser.add_argument("--show", action="store_true", help="print every case that was not first")
    arguments = parser.parse_args()
    settings = Settings()
    heads = ("separable", "not separable", "too small")
    print(f"{'':34}" + "".join(f"{h:^32}" for h in heads))
    print(f"{'planted':34}" + f"{'n  first rival miss wrong fail':>31} " * 3)
    sums = {h: Tally() for h in heads}
    for cause in PLANTS:
        if arguments.only not in cause:
            continue
        tallies = run(cause, arguments.seeds, arguments.seed, settings)
        cells = ""
        for h in heads:
            t = tallies[h]
            cells += f"{t.cases:5d} {t.first:5d} {t.rivals:5d} {t.missed:4d} {t.wrong:5d} {t.failed:4d}"
            for part in ("first", "rivals", "missed", "wrong", "failed"):
                setattr(sums[h], part, getattr(sums[h], part) + getattr(t, part))
        print(f"{cause:34}{cells}", flush=True)
        if arguments.show:
            for h in heads:
                for note in tallies[h].notes:
                    print(f"    {h}: {note}", file=sys.stderr)
    for h in heads:
        t = sums[h]
        n = max(1, t.cases)
        print(
            f"{h}: {t.cases} cases, first {100 * t.first / n:.1f} %, first or rival "
            f"{100 * (t.first + t.rivals) / n:.1f} %, missed {100 * t.missed / n:.1f} %, wrong {100 * t.wrong / n:.1f} %, "
            f"not adjusted {100 * t.failed / n:.1f} %"
        )
    if arguments.clean:
        found, flags, tested = clean(arguments.clean, arguments.seed, settings)
        print(
            f"clean: {found} of {arguments.clean} jobs with a finding ({100 * found / arguments.clean:.1f} %); "
            f"{flags} of {tested} readings flagged ({100 * flags / tested:.3f} %)"
        )


if __name__ == "__main__":
    main()

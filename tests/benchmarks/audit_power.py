"""Fixed or measured heights: how often the audit says so rightly, wrongly, or not at all.

    python -m tests.benchmarks.audit_power [--runs 60] [--seed 1]

Whole closed traverses with known truth: every station sights its two neighbours, both faces in two rounds of 1″, every
target set anew for its sight. The heights of the targets are truly fixed (0.2 mm) or truly taped (1.5 mm); the audit is
asked which.
First the height of instrument is known to its sigma and nothing is profiled, then the other sigmas are wrong and profiled or not.
"""

from __future__ import annotations

import argparse
import math

import numpy as np
from tests.oracle.height_loops import loop_shares

from hubtack.adjust import adjust
from hubtack.adjust.ground.network import Instruments, Marks, Network, Setups, Sights, Supports, Targets
from hubtack.adjust.ground.table import Floats
from hubtack.adjust.judge.audit import Audit, Question, audit
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate
from hubtack.adjust.solved import Solved

ARCSEC = math.pi / 648_000
FIXED, TAPED = 0.2e-3, 1.5e-3
WANTED = math.log(20.0)
# leg m, σ_hi mm, then for 4, 6, 10 and 20 stations the share rightly decided at 20 : 1, truth fixed and truth taped:
# check value C7.3, from a simulation of this geometry that shares no code with this one
TRAVERSES = (
    (30.0, 0.2, ((0.96, 0.98), (0.99, 0.99), (1.0, 1.0), (1.0, 1.0))),
    (30.0, 1.5, ((0.62, 0.86), (0.69, 0.88), (0.81, 0.92), (0.95, 0.97))),
    (100.0, 0.2, ((0.81, 0.90), (0.93, 0.96), (0.99, 0.99), (1.0, 1.0))),
    (100.0, 1.5, ((0.14, 0.68), (0.31, 0.71), (0.59, 0.80), (0.87, 0.92))),
    (200.0, 1.5, ((0.00, 0.37), (0.00, 0.42), (0.17, 0.53), (0.58, 0.73))),
)
STATIONS = (4, 6, 10, 20)


def traverse(
    stations: int,
    leg: float,
    instrument: float,
    target: float,
    rounds: int = 2,
    zenith: float = 1.0,
    kind: str = "fixed",
) -> tuple[Network, Floats]:
    """A closed traverse and its truth; sigmas of the heights in m, of the zenith angles in arc seconds.

    `kind` is the declared kind of the targets' heights.
    """
    radius = 0.5 * leg / math.sin(math.pi / stations)
    turn = 2.0 * math.pi * np.arange(stations) / stations
    truth = np.column_stack(
        [1000.0 + radius * np.sin(turn), 2000.0 + radius * np.cos(turn), np.full(stations, 50.0)]
    )
    sigma = np.full((stations, 3), np.inf)
    sigma[0], sigma[1, :2] = 0.0, 0.0
    given = np.where(sigma == 0.0, truth, np.nan)
    setups: list[tuple[str, bool, int, int, float]] = []
    sights: list[tuple[int, int, int, int]] = []
    for i in range(stations):
        station = len(setups)
        setups.append((f"S{i}", True, i, 0, 1.6))
        for j in ((i - 1) % stations, (i + 1) % stations):
            setups.append((f"T{i}-{j}", False, j, 1, 0.21))
            sights += [(station, len(setups) - 1, r, f) for r in range(1, rounds + 1) for f in (1, 2)]
    zero = np.zeros(len(sights))
    network = Network(
        Marks(
            mark=[f"P{i}" for i in range(stations)], east=given[:, 0], north=given[:, 1], height=given[:, 2],
            sigma_east=sigma[:, 0], sigma_north=sigma[:, 1], sigma_height=sigma[:, 2],
        ),
        Setups(
            setup=[s[0] for s in setups], instrument=[s[1] for s in setups], mark=[s[2] for s in setups],
            support=[s[3] for s in setups], device=[0] * len(setups), height=[s[4] for s in setups],
        ),
        Sights(
            id=[str(i + 1) for i in range(len(sights))], start=[s[0] for s in sights], end=[s[1] for s in sights],
            round=[s[2] for s in sights], face=[s[3] for s in sights], circle=zero, zenith=zero, slope=zero,
        ),
        supports=Supports(
            support=["tripod", "stand"], kind=["tribrach", "stand"], height_kind=["taped", kind],
            height_sigma=[instrument, target], centring_sigma=[0.5e-3, 0.5e-3],
        ),
        instruments=Instruments(instrument=["ts"], direction=[ARCSEC], zenith=[zenith * ARCSEC], distance=[1e-3]),
        targets=Targets(target=["prism"]),
    )  # fmt: skip
    return network, truth


def solve(network: Network, settings: Settings) -> Solved:
    """The network adjusted, as the judge sees it."""
    return adjust(network, settings).solved


def believed(network: Network, instrument: float, target: float, zenith: float = 1.0) -> Network:
    """The same readings with other sigmas declared."""
    from dataclasses import replace

    supports = network.supports.replace(height_sigma=[instrument, target])
    return replace(
        network, supports=supports, instruments=network.instruments.replace(zenith=[zenith * ARCSEC])
    )


def audits(
    runs: int,
    seed: int,
    question: Question,
    stations: int,
    leg: float,
    taped: bool,
    *,
    true_hi: float,
    hi: float,
    true_zenith: float = 1.0,
) -> list[Audit]:
    """Audits of simulated traverses; hi and zenith 1″ are what the job declares, the others what is true."""
    settings = Settings()
    network, truth = traverse(stations, leg, true_hi, TAPED if taped else FIXED, zenith=true_zenith)
    out = []
    for run in range(runs):
        own = np.random.default_rng(
            [seed, run, stations, int(leg), round(true_hi * 1e4), round(true_zenith), taped]
        )
        day = simulate(network, truth, settings, own)
        out.append(audit(solve(believed(day, hi, FIXED), settings), question))
    return out


def shares(found: list[Audit]) -> tuple[float, float]:
    """Share of audits that find the targets fixed, and measured, at 20 : 1."""
    verdicts = [str(a.classes.verdict[list(a.classes.role).index("target")]) for a in found]
    return verdicts.count("fixed") / len(verdicts), verdicts.count("measured") / len(verdicts)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    runs, seed = arguments.runs, arguments.seed
    print(f"{runs} traverses a cell, seed {seed}; a share p has a standard error of √(p(1 − p)/{runs})\n")
    print(
        "Height of instrument known to its sigma. Share found rightly at 20 : 1, truth fixed | truth taped;"
    )
    print("in brackets what was to be expected.\n")
    print(f"{'leg m':>6} {'σ_hi mm':>8}  " + "".join(f"{f'{n} stations':>26}" for n in STATIONS))
    plain = Question(profile=False, gate=0.0)
    for leg, hi, expected in TRAVERSES:
        cells = []
        for n, (of_fixed, of_taped) in zip(STATIONS, expected, strict=True):
            fixed = shares(audits(runs, seed, plain, n, leg, False, true_hi=hi * 1e-3, hi=hi * 1e-3))[0]
            taped = shares(audits(runs, seed, plain, n, leg, True, true_hi=hi * 1e-3, hi=hi * 1e-3))[1]
            cells.append(f"{fixed:.2f} | {taped:.2f} ({of_fixed:.2f} | {of_taped:.2f})")
        print(f"{leg:6.0f} {hi:8.1f}  " + "".join(f"{c:>26}" for c in cells))

    print(
        "\nOther sigmas wrong, 10 stations; right and wrong at 20 : 1. In brackets what an independent simulation of"
    )
    print("height differences alone gives; the last column is what the tool asks by itself.\n")
    head = f"{'leg m':>6} {'truth':>6} {'σ_z true″':>10} {'σ_hi true / declared mm':>25}"
    print(f"{head}  {'as declared':>14} {'σ_hi profiled':>27} {'σ_hi, σ_z profiled, gated':>27}")
    for leg in (30.0, 100.0):
        for zenith, true_hi in ((1.0, 1.0), (2.0, 1.0), (1.0, 1.5), (2.0, 1.5)):
            for taped in (False, True):
                cells = []
                for question in (plain, Question(gate=0.0, zenith=False), Question()):
                    hi = true_hi * 1e-3
                    found = shares(
                        audits(runs, seed, question, 10, leg, taped, true_hi=hi, hi=1e-3, true_zenith=zenith)
                    )
                    cell = _right_and_wrong(found, taped)
                    if question.profile:
                        alone = loop_shares(
                            10, leg, zenith=zenith, hi=hi, taped=taped, open_zenith=question.zenith
                        )
                        cell += f" ({_right_and_wrong(alone, taped, 3)})"
                    cells.append(cell)
                word = "taped" if taped else "fixed"
                print(
                    f"{leg:6.0f} {word:>6} {zenith:10.0f} {f'{true_hi} / 1.0':>25}  "
                    f"{cells[0]:>14} {cells[1]:>27} {cells[2]:>27}"
                )


def _right_and_wrong(found: tuple[float, float], taped: bool, digits: int = 2) -> str:
    right, wrong = found[::-1] if taped else found
    return f"{right:.{digits}f}, {wrong:.{digits}f}"


if __name__ == "__main__":
    main()

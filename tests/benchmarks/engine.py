"""How long adjust() takes in one process, stage by stage, for growing corridors.

python tests/benchmarks/engine.py [--marks 30 300] [--repeats 3]
"""

from __future__ import annotations

import argparse
import cProfile
import os
import pstats
import sys
import time
from pathlib import Path

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["MKL_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

from hubtack.adjust import adjust
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.benchmarks.corridor import corridor

STAGES = {
    "reduce the readings": "reduce_readings",
    "place the unknowns": "place_unknowns",
    "approximate coordinates": "approximate",
    "datum": "find_datum",
    "solve": "_solve",
    "  of it: equations": "evaluate",
    "marks": "mark_table",
    "observations": "observation_table",
    "setups": "setup_table",
    "relative precision": "relative_table",
    "control": "control_table",
    "orientations": "orientation_table",
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--marks", type=int, nargs="*", default=[30, 300])
    parser.add_argument("--repeats", type=int, default=3)
    arguments = parser.parse_args()
    for marks in arguments.marks:
        day = corridor(marks)
        network = simulate(day.network(), day.truth(), Settings(), 1)
        times = []
        for _ in range(arguments.repeats):
            start = time.perf_counter()
            result = adjust(network)
            times.append(time.perf_counter() - start)
        print(f"{marks} marks, {len(day.setups)} setups, {len(day.sights)} rows of sights, {result}")
        print(
            f"  first {1000 * times[0]:.1f} ms, fastest {1000 * min(times):.1f} ms, {result.iterations} iterations"
        )
        profile = cProfile.Profile()
        profile.runcall(adjust, network)
        by_name: dict[str, float] = {}
        for (_, _, name), (_, _, _, cumulative, _) in pstats.Stats(profile).stats.items():  # type: ignore[attr-defined]
            by_name[name] = max(by_name.get(name, 0.0), cumulative)
        whole = by_name["adjust"]
        print("  share while profiled: " + ", ".join(
            f"{words.strip()} {100 * by_name[name] / whole:.0f} %" for words, name in STAGES.items() if name in by_name
        ))  # fmt: skip


if __name__ == "__main__":
    main()

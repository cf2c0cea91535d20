"""How the engine grows: networks of 30 to 100 000 marks, time by stage, memory, the floor, and general-purpose libraries.

    python -m tests.benchmarks.scale [--marks 30 300 3000 30000] [--repeats 5] [--no-peers]

Each size runs in a process of its own, the peers right after it in the same one, so ratios are of one run. Peers are
optional (`pip install '.[peers]'`); a missing one is said. What would take a peer more than a minute is estimated from the
two smaller sizes (~). 100 000 marks are run where asked for: --marks 3000 100000.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import subprocess
import sys
from datetime import date
from pathlib import Path
from typing import Any

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["MKL_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

NAMES = {
    "gtsam": "GTSAM, exact custom factors, with the joints of every sighted pair",
    "gtsam-built-in": "GTSAM, built-in factors, mark marginals",
    "ceres": "Ceres, exact cost functions, mark covariances",
    "scipy": "scipy.optimize.least_squares (trf, lsmr)",
}


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--marks", type=int, nargs="+", default=[30, 300, 3000, 30000])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--no-peers", action="store_true", help="only ourselves")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.one is not None:
        from tests.benchmarks.scale_one import measured

        marks, repeats, peers = json.loads(arguments.one)
        print(json.dumps(measured(marks, repeats, peers, lambda words: print(words, file=sys.stderr))))
        return
    found: list[dict[str, Any]] = []
    for marks in sorted(arguments.marks):
        wanted = {} if arguments.no_peers else {name: expected(name, marks, found) for name in NAMES}
        repeats = arguments.repeats if marks <= 3000 else min(arguments.repeats, 3)
        found.append(one(marks, repeats, wanted))
    print(table(found, not arguments.no_peers))


def one(marks: int, repeats: int, peers: dict[str, float]) -> dict[str, Any]:
    """One size in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.scale", "--one", json.dumps([marks, repeats, peers])]
    done = subprocess.run(
        command, stdout=subprocess.PIPE, text=True, check=True, cwd=Path(__file__).parents[2]
    )
    return dict(json.loads(done.stdout.splitlines()[-1]))


def expected(name: str, marks: int, found: list[dict[str, Any]]) -> float:
    """Seconds a peer will take, from the last two sizes it was run at; 0 where nothing is known."""
    known = [(f["marks"], seconds) for f in found if (seconds := total(f, name)) is not None]
    if not known:
        return 0.0
    last, seconds = known[-1]
    power = 1.0
    if len(known) > 1:
        before, less = known[-2]
        power = max(1.0, math.log(seconds / less) / math.log(last / before))
    return float(seconds * (marks / last) ** power)


def total(found: dict[str, Any], name: str) -> float | None:
    peer = found["peers"].get(name, {})
    return peer.get("total", peer.get("estimated"))


def table(found: list[dict[str, Any]], with_peers: bool) -> str:
    """Markdown: what DEVELOPERS.md keeps."""
    from tests.benchmarks import peer_ceres, peer_gtsam, peer_scipy

    rate = max(f["rate"] for f in found)
    lines = [
        f"{processor()}, {os.cpu_count()} cores, one BLAS thread, CPython {platform.python_version()}, {versions()}, "
        f"{date.today().isoformat()}; matrix products run at {rate:.0f} GFLOP/s.",
        "",
        "| marks | setups | readings | unknowns | seconds | exponent | iterations | peak MB | Gflop | floor s "
        "| times the floor | Σr − f |",
        "|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for before, f in zip([None, *found], found, strict=False):
        power = "" if before is None else f"{grown(before, f):.2f}"
        lines.append(
            f"| {f['marks']} | {f['setups']} | {f['readings']} | {f['unknowns']} | {f['seconds']:.4g} | {power} | "
            f"{f['iterations']} | {f['peak']:.0f} | {f['gflop']:.3g} | {f['floor']:.2g} | "
            f"{f['seconds'] / f['floor']:.0f} | {f['freedom']:.0e} |"
        )
    stages = list(found[0]["stages"])
    lines += ["", "| marks: ms by stage | " + " | ".join(stages) + " |", "|--:" * (len(stages) + 1) + "|"]
    for f in found:
        lines.append(f"| {f['marks']} | " + " | ".join(f"{1e3 * f['stages'][s]:.3g}" for s in stages) + " |")
    if len(found) > 2:
        lines += [
            "",
            f"Exponent from {found[-2]['marks'] if len(found) < 4 else 3000} on: {late(found):.2f}.",
        ]
    if not with_peers:
        return "\n".join(lines)
    lines += [
        "",
        "| peer: seconds (times ours) | " + " | ".join(str(f["marks"]) for f in found) + " | it lacks |",
    ]
    lines += ["|---" + "|--:" * len(found) + "|---|"]
    lacks = {
        "gtsam": peer_gtsam.EXACT_LACKS, "gtsam-built-in": peer_gtsam.BUILT_IN_LACKS, "ceres": peer_ceres.LACKS,
        "scipy": peer_scipy.LACKS,
    }  # fmt: skip
    for name, words in NAMES.items():
        if all(f["peers"].get(name, {}).get("missing") for f in found):
            lines += [f"| {words} |" + " |" * len(found) + " not installed: `pip install '.[peers]'` |"]
            continue
        cells = [f"{cell(f, name)}" for f in found]
        lines.append(f"| {words} | " + " | ".join(cells) + f" | {lacks[name]} |")
    lines += ["", *agreement(found)]
    return "\n".join(lines)


def cell(f: dict[str, Any], name: str) -> str:
    seconds = total(f, name)
    if seconds is None:
        return ""
    about = "~" if "estimated" in f["peers"][name] and f["peers"][name]["estimated"] else ""
    return f"{about}{seconds:.3g} ({about}{seconds / f['seconds']:.3g}×)"


def agreement(found: list[dict[str, Any]]) -> list[str]:
    """How near the exact peers come to our vᵀPv and to the trace of our mark covariances."""
    lines = []
    for name in ("gtsam", "ceres"):
        for f in reversed(found):
            peer = f["peers"].get(name, {})
            if "trace" in peer:
                lines.append(
                    f"{NAMES[name].split(',')[0]} at {f['marks']} marks agrees to "
                    f"{abs(peer['objective'] / f['objective'] - 1):.0e} in vᵀPv and "
                    f"{abs(peer['trace'] / f['trace'] - 1):.0e} in the trace of the mark covariances."
                )
                break
    for f in reversed(found):
        if "off" in f["peers"].get("scipy", {}):
            lines.append(
                f"least_squares stopped {1e3 * f['peers']['scipy']['off']:.2g} mm away at {f['marks']} marks."
            )
            break
    return lines


def grown(before: dict[str, Any], f: dict[str, Any]) -> float:
    """The exponent of time in the number of marks between two sizes."""
    return math.log(f["seconds"] / before["seconds"]) / math.log(f["marks"] / before["marks"])


def late(found: list[dict[str, Any]]) -> float:
    first = next((f for f in found if f["marks"] >= 3000), found[-2])
    return grown(first, found[-1]) if first is not found[-1] else float("nan")


def processor() -> str:
    for line in Path("/proc/cpuinfo").read_text().splitlines() if Path("/proc/cpuinfo").exists() else []:
        if line.startswith("model name"):
            return line.split(":", 1)[1].strip()
    return platform.processor() or platform.machine()


def versions() -> str:
    from importlib.metadata import PackageNotFoundError, version

    words = []
    for name in ("numpy", "scipy", "gtsam", "pyceres"):
        try:
            words.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    return ", ".join(words)


if __name__ == "__main__":
    main()

"""A mutation run over adjust/: does some test notice when a line is changed?

    python -m tests.mutation record --map map.json [tests …]          which tests run which line (once, five minutes)
    python -m tests.mutation try --map map.json --each 40 --seed 1 --out tried.jsonl adjust/model adjust/judge/audit.py …
    python -m tests.mutation again --map map.json --out again.jsonl tried.jsonl …   what lived, once more
    python -m tests.mutation show tried.jsonl …                       the count, and what lived

A mutant is tried first on the quickest tests that run its line (15 s of them), and, if it lives, on all files with such tests.
Needs `pip install -e '.[mutation]'`.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from tests.mutation.mutants import Mutant, make, sample
from tests.mutation.trials import LIMIT, Map, record, trial, warm

ROOT = Path(__file__).resolve().parents[2]
TESTS = [
    "tests/contract",
    "tests/adjust",
    "tests/oracle",
    "tests/published",
    "tests/invariances",
    "tests/golden",
]


def files(places: list[str]) -> list[str]:
    found = []
    for place in places:
        path = ROOT / place
        found += [path] if path.suffix == ".py" else sorted(path.rglob("*.py"))
    return [str(path.relative_to(ROOT)) for path in found]


def tried(mutant: Mutant, tests: Map, options: argparse.Namespace, scratch: Path) -> dict[str, object]:
    """What became of a mutant: unmet (no test runs its line), killed, timeout or lived."""
    outcome, by, stage, spent = "unmet", "", "", 0.0
    stages = {"quick": tests.quick(mutant.path, mutant.lines, options.budget)}
    stages["wide"] = [] if options.quick else tests.wide(mutant.path, mutant.lines)
    for name, chosen in stages.items():
        if chosen and outcome in ("unmet", "lived"):
            groups = tests.grouped(chosen)
            outcome, by, more = trial(
                ROOT, mutant.path, mutant.code, groups, LIMIT + 2 * tests.cost(chosen), scratch
            )
            stage, spent = name, spent + more
            tests.kills[by.split("::")[0]] += outcome == "killed"
    kept = {key: value for key, value in asdict(mutant).items() if key not in ("code", "lines")}
    return kept | {"outcome": outcome, "by": by, "stage": stage, "seconds": round(spent, 1)}


def again(places: list[Path]) -> Iterator[Mutant]:
    """The mutants of earlier runs that lived, made anew."""
    for place in places:
        for old in map(json.loads, place.read_text().splitlines()):
            if old["outcome"] in ("lived", "unmet"):
                mutant = make(
                    ROOT, *(old[key] for key in ("path", "operator", "occurrence", "line", "column"))
                )
                if mutant is None or mutant.change != old["change"]:
                    print(f"no longer there: {old['path']}:{old['line']} {old['change']}")
                else:
                    yield mutant


def run(options: argparse.Namespace) -> None:
    warm()
    tests = Map(options.map)
    scratch = Path(tempfile.mkdtemp())
    os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = str(scratch / "hypothesis")
    os.environ["CI"] = "1"  # draws are alike for every mutant
    if options.command == "again":
        drawn = again([Path(place) for place in options.places])
    else:
        drawn = (m for path in files(options.places) for m in sample(ROOT, path, options.each, options.seed))
    known = (
        [json.loads(line) for line in options.out.read_text().splitlines()] if options.out.exists() else []
    )
    done = {
        (old["path"], old["operator"], old["occurrence"]) for old in known
    }  # of a run that was broken off
    drawn = (m for m in drawn if (m.path, m.operator, m.occurrence) not in done)
    checked = False
    for mutant in drawn:
        quick = tests.quick(mutant.path, mutant.lines, options.budget)[:20]
        if quick and not checked:  # tests that fail anyway kill everything
            unchanged = (ROOT / mutant.path).read_text()
            same = trial(ROOT, mutant.path, unchanged, tests.grouped(quick), LIMIT * 5, scratch)
            if same[0] != "lived":
                raise SystemExit(f"the tests fail on unchanged lines: {same[:2]}")
            checked = True
        result = tried(mutant, tests, options, scratch)
        with options.out.open("a") as out:
            out.write(json.dumps(result) + "\n")
        print(
            result["path"],
            result["line"],
            result["outcome"],
            result["stage"],
            result["seconds"],
            result["by"],
            flush=True,
        )


def show(places: list[Path]) -> None:
    rooms: defaultdict[str, Counter[str]] = defaultdict(Counter)
    for place in places:
        for line in place.read_text().splitlines():
            tried = json.loads(line)
            room = "/".join(tried["path"].split("/")[:2])
            rooms[room][tried["outcome"]] += 1
            if tried["outcome"] not in ("killed", "timeout"):
                print(
                    f"{tried['path']}:{tried['line']} {tried['operator']} {tried['outcome']}\n{tried['change']}"
                )
    for room, tally in rooms.items():
        print(room, sum(tally.values()), dict(tally))


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    commands = parser.add_subparsers(required=True, dest="command")
    recording = commands.add_parser("record")
    recording.add_argument("--map", type=Path, required=True)
    recording.add_argument("tests", nargs="*", default=TESTS)
    for name in ("try", "again"):
        trying = commands.add_parser(name)
        trying.add_argument("--map", type=Path, nargs="+", required=True)
        trying.add_argument("--each", type=int, default=40, help="mutants of a file")
        trying.add_argument("--seed", type=int, default=1)
        trying.add_argument(
            "--budget", type=float, default=15.0, help="seconds of tests before the wide ones"
        )
        trying.add_argument("--quick", action="store_true", help="without the wide ones")
        trying.add_argument("--out", type=Path, required=True)
        trying.add_argument("places", nargs="+")
    showing = commands.add_parser("show")
    showing.add_argument("places", type=Path, nargs="+")
    options = parser.parse_args()
    if options.command == "record":
        record(ROOT, options.tests, options.map.resolve())
    elif options.command in ("try", "again"):
        run(options)
    else:
        show(options.places)


if __name__ == "__main__":
    main()

"""How long a 30-mark job takes as a whole process, against what Python needs to import its libraries.

    python tests/benchmarks/whole_process.py [--marks 30] [--repeats 15]
    python tests/benchmarks/whole_process.py --marks 3000 --repeats 5

Run it with the Python of an environment into which the wheel was installed (`pip install .`), so that the bytecode
is compiled; `hubtack` is looked for beside that Python. Each repeat runs every command once, in turn; medians are compared.

Of large jobs the measure is what pandas alone takes for the files: a process that imports what a run imports (pandas in the
place of our reader, numpy, matplotlib, jinja2), reads the input tables and writes the CSV tables of the run (not
result.json, which is four times as long). The tables that it writes come from a run before; loading them is not counted.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.benchmarks.corridor import corridor
from tests.benchmarks.jobfolder import write_job

NUMBERS, LIBRARIES = "import numpy", "import numpy, pandas, matplotlib.figure"
PANDAS = "read and write with pandas alone"
ALONE = """
import glob, os, pickle, sys, time
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import click, jinja2, numpy, pandas, pydantic_core
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
for path in glob.glob(os.path.join(sys.argv[1], "*.csv")):
    pandas.read_csv(path)
wall, busy = time.perf_counter(), time.process_time()
with open(sys.argv[2], "rb") as file:
    tables = pickle.load(file)
print(time.perf_counter() - wall, time.process_time() - busy)
for name, table in tables.items():
    table.to_csv(os.path.join(sys.argv[3], name), index=False)
"""
TABLES = """
import glob, os, pickle, sys, pandas
tables = {os.path.basename(p): pandas.read_csv(p, low_memory=False) for p in glob.glob(os.path.join(sys.argv[1], "*.csv"))}
with open(sys.argv[2], "wb") as file:
    pickle.dump(tables, file)
"""
TIMED = """
import os, sys, time
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does
start = time.perf_counter()
lap = start
def stage(name):
    global lap
    now = time.perf_counter()
    print(f"  {name:44} {1000 * (now - lap):7.1f} ms")
    lap = now
import numpy; stage("import numpy")
import click; from hubtack.io import cli; stage("import click and the command line")
from hubtack.io.job import read_job; from hubtack.adjust import adjust; stage("import reader and engine")
job = read_job(sys.argv[1]); stage("read the job")
result = adjust(job.network, job.settings); stage("adjust")
from hubtack.adjust.judged import judged; stage("import the judge")
from hubtack.io.findings import written_in
plain = judged(result, written_in(job.units), heights=False); stage("judge, for numbers alone")
from hubtack.io.writers.result import as_text, document_of
as_text(document_of(plain, job)); stage("result.json")
result = judged(result, written_in(job.units)); stage("judge, heights as well (instead of the above)")
from importlib import import_module
from hubtack.io.writers import WRITERS
from pathlib import Path
for name, module in WRITERS.items():
    import_module(module).write(result, job, Path(sys.argv[2])); stage(f"write {name}, with its imports")
from hubtack.io.pages.summary import summary; summary(result, job); stage("summary")
"""


def run(command: list[str]) -> tuple[float, float]:
    """Seconds of one process from start to end, and of processors, less what it says was not to be counted."""
    start, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(command, capture_output=True, check=False)
    seconds, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(command)}: exit code {done.returncode}\n{done.stderr.decode()}")
    busy = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    less = list(map(float, done.stdout.split())) if ALONE in command else [0.0, 0.0]
    return seconds - less[0], busy - less[1]


def importtime(command: list[str], most: int = 12) -> list[tuple[float, str]]:
    """Milliseconds by package that a process spends importing, the largest first (they are slower while measured)."""
    command = [command[0], "-X", "importtime", *command[1:]]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    sums: dict[str, float] = {}
    for line in done.stderr.splitlines():
        parts = line.removeprefix("import time:").split("|")
        if line.startswith("import time:") and parts[0].strip().isdigit():
            name = parts[2].strip()
            package = ".".join(name.split(".")[: 2 if name.startswith("hubtack") else 1])
            sums[package] = sums.get(package, 0.0) + int(parts[0]) / 1000
    return sorted(((v, k) for k, v in sums.items()), reverse=True)[:most]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--marks", type=int, default=30)
    parser.add_argument("--repeats", type=int, default=15)
    arguments = parser.parse_args()
    hubtack = shutil.which("hubtack", path=os.fspath(Path(sys.executable).parent))
    if hubtack is None:
        raise SystemExit(f"There is no hubtack beside {sys.executable}. Install it there first.")
    day = corridor(arguments.marks)
    network = simulate(day.network(), day.truth(), Settings(), 1)
    with tempfile.TemporaryDirectory() as scratch:
        job = Path(scratch) / "job"
        job.mkdir()
        write_job(network, job, f"Corridor of {arguments.marks} marks")
        measure(
            hubtack, job, arguments.repeats, f"{arguments.marks} marks, {len(day.sights)} rows of sights.csv"
        )


def measure(hubtack: str, job: Path, repeats: int, title: str) -> None:
    """Time the commands in turn and print medians, ratios and where the time goes."""
    commands = {
        NUMBERS: [sys.executable, "-c", NUMBERS],
        "hubtack adjust JOB --json": [hubtack, "adjust", str(job), "--json"],
        LIBRARIES: [sys.executable, "-c", LIBRARIES],
        "hubtack adjust JOB": [hubtack, "adjust", str(job)],
        "hubtack --help": [hubtack, "--help"],
    }
    tables, out = job.parent / "tables.pickle", job.parent / "written"
    out.mkdir()
    run([hubtack, "adjust", str(job)])
    subprocess.run([sys.executable, "-c", TABLES, str(job / "out"), str(tables)], check=True)
    commands[PANDAS] = [sys.executable, "-c", ALONE, str(job), str(tables), str(out)]
    seconds: dict[str, list[tuple[float, float]]] = {name: [] for name in commands}
    for command in commands.values():
        run(command)  # warm disk cache
    for _ in range(repeats):
        for name, command in commands.items():
            seconds[name].append(run(command))
    medians = {name: statistics.median(t for t, _ in times) for name, times in seconds.items()}
    fastest = {name: min(t for t, _ in times) for name, times in seconds.items()}
    busy = {name: min(b for _, b in times) for name, times in seconds.items()}
    print(f"{title}; {repeats} repeats in turn, whole processes; load {os.getloadavg()[0]:.1f}\n")
    for name in seconds:
        print(
            f"  {name:44} median {1000 * medians[name]:6.0f} ms   fastest {1000 * fastest[name]:6.0f} ms   "
            f"of processors {1000 * busy[name]:6.0f} ms"
        )
    for name, base, target in (
        ("hubtack adjust JOB --json", NUMBERS, 3),
        ("hubtack adjust JOB", LIBRARIES, 2),
        ("hubtack adjust JOB", PANDAS, 4),
    ):
        ratio, least = medians[name] / medians[base], fastest[name] / fastest[base]
        print(f"\n{name} against {base}: {ratio:.2f} (wanted: {target} or less); ", end="")
        print(f"fastest {least:.2f}; processors {busy[name] / busy[base]:.2f}", end="")
    out = job.parent / "stages"
    out.mkdir()
    print("\n\nOne process, stage by stage:")
    timed = [sys.executable, "-c", TIMED, str(job), str(out)]
    print(subprocess.run(timed, capture_output=True, text=True, check=True).stdout)
    for more in (["--json"], []):
        command = [sys.executable, "-m", "hubtack.io.cli", "adjust", str(job), *more]
        print(f"Imports of hubtack {' '.join(['adjust', 'JOB', *more])}, ms by package:")
        print("  " + ", ".join(f"{name} {ms:.0f}" for ms, name in importtime(command)))


if __name__ == "__main__":
    main()

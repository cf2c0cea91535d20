"""Branch coverage of adjust/: every test once under coverage.py, and the compiled loops once more as plain Python.

    python -m tests.branch_coverage                        # all tests, some ten minutes on two cores
    python -m tests.branch_coverage tests/adjust tests/io  # only these

Fails below the figure of [tool.coverage] in pyproject.toml. numba's compiled loops are not seen by a tracer: their own tests
run a second time with NUMBA_DISABLE_JIT. The sources are those of this folder, whatever is installed.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
COMPILED = ["tests/adjust/test_normals.py", "tests/adjust/test_influence.py", "tests/oracle/test_compiled.py"]


def main(wanted: list[str]) -> int:
    """Run, combine, report; the exit code of the first that fails."""
    with tempfile.TemporaryDirectory() as scratch:
        links = Path(scratch) / "links" / "hubtack"
        links.mkdir(parents=True)
        for room in ("adjust", "io"):
            (links / room).symlink_to(ROOT / room, target_is_directory=True)
        env = os.environ | {
            "PYTHONPATH": str(links.parent),
            "OPENBLAS_NUM_THREADS": "1",
            "COVERAGE_FILE": str(Path(scratch) / "coverage"),
        }

        def coverage(*words: str, **more: str) -> int:
            return subprocess.run(
                [sys.executable, "-m", "coverage", *words], cwd=ROOT, env=env | more, check=False
            ).returncode

        tests = ["run", "-m", "pytest", "-q", "-p", "no:cacheprovider"]
        return (
            coverage(*tests, "-n", "2", *wanted)
            or coverage(*tests, *COMPILED, NUMBA_DISABLE_JIT="1")
            or coverage("combine", "-q")
            or coverage("report")
        )


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

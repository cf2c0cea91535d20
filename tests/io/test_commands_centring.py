"""hubtack centring and hubtack compare: what they print, refuse and answer to programs."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from tests.io.planned import planned, run

SAMPLE = Path(__file__).resolve().parents[2] / "sample_networks" / "braced-traverse"


def test_a_budget_from_options() -> None:
    result = run("centring", "--bubble", "8 arcmin", "--height", "1.5 m", "--mark", "0.5 mm")
    assert result.exit_code == 0
    assert "centring 1.01 mm per axis, 1.42 mm radial" in " ".join(result.stdout.split())
    assert "✗" not in result.stdout  # all check values hold
    assert max(len(line) for line in result.stdout.splitlines() if line.startswith(" ")) <= 80


def test_the_document() -> None:
    d = json.loads(run("centring", "--bubble", "40 arcmin", "--height", "1.5 m", "--json").stdout)
    assert d["total"] == pytest.approx(4.3633e-3, abs=5e-8)
    thirty = next(s for s in d["sights"] if s["slope"] == 30)
    assert thirty["direction"] == pytest.approx(4.3633e-3 / 30, rel=1e-4)


def test_supports_by_name(tmp_path: Path) -> None:
    job = planned(tmp_path / "lock")
    own = json.loads(run("centring", job, "--support", "pole", "--json").stdout)
    assert own["total"] == pytest.approx((0.8727**2 + 0.5**2) ** 0.5 * 1e-3, abs=1e-7)
    changed = json.loads(
        run("centring", job, "--support", "pole", "--mark", "0 mm", "--height", "2 m", "--json").stdout
    )
    assert changed["total"] == pytest.approx(0.8727e-3 * 2 / 1.5, abs=1e-7)
    wrong = run("centring", "--support", "pole-9")
    assert wrong.exit_code == 2
    assert 'Is "pole-8" meant?' in wrong.stderr


@pytest.mark.parametrize(("arguments", "words"), [
    ((), "--support pole-8"), (("--bubble", "3"), "has no unit"),
    (("--support", "stand", "--zenith", "190 deg"), "between 0 and 180"),
    (("--mark", "-1 mm"), "negative"),
])  # fmt: skip
def test_wrong_use(arguments: tuple[str, ...], words: str) -> None:
    result = run("centring", *arguments)
    assert result.exit_code == 2
    assert words in result.stderr


def test_the_curve_is_drawn(tmp_path: Path) -> None:
    picture = tmp_path / "curve.svg"
    assert run("centring", "--support", "pole-8", "--picture", picture).exit_code == 0
    assert b"tribrach-laser" in picture.read_bytes()


def test_one_day_twice_is_congruent() -> None:
    result = run("compare", SAMPLE, SAMPLE)
    assert result.exit_code == 0
    assert "CONGRUENT" in result.stdout
    d = json.loads(run("compare", SAMPLE, SAMPLE, "--json").stdout)
    assert d["congruent"] is True
    assert d["test"]["statistic"] == pytest.approx(0.0, abs=1e-9)
    assert d["shared"] == 6  # two rods, weighted in three components


def test_a_moved_control_mark_moves_all(tmp_path: Path) -> None:
    """The second epoch with one new name and one held mark given 30 mm further east: not congruent."""
    later = Path(shutil.copytree(SAMPLE, tmp_path / "later", ignore=shutil.ignore_patterns("out")))
    marks = (later / "marks.csv").read_text()
    (later / "marks.csv").write_text(marks.replace("1186.0835,3465", "1186.1135,3465"))
    result = run("compare", SAMPLE, later)
    assert result.exit_code == 1
    assert "MOVED" in result.stdout
    assert "Held at other coordinates in the second epoch: G2" in result.stdout


def test_epochs_at_fault(tmp_path: Path) -> None:
    assert run("compare", SAMPLE, tmp_path / "none").exit_code == 2
    unknown = run("compare", SAMPLE, SAMPLE, "--datum", "Z9")
    assert unknown.exit_code == 2
    assert "NET311" in unknown.stderr


@pytest.mark.parametrize("command", ["plan", "check", "centring", "compare"])
def test_help_opens_with_a_call_and_imports_little(command: str) -> None:
    code = (
        f"import sys; from hubtack.io.cli import main\ntry: main(['{command}', '--help'])\n"
        "except SystemExit: pass\nsys.stderr.write(' '.join(sys.modules))"
    )
    started = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert time.perf_counter() - started < 30  # hangs, not speed: that is measured by the benchmarks
    assert f"Example: hubtack {command} " in done.stdout
    assert not {"numpy", "pydantic_core", "scipy", "matplotlib", "networkx"} & set(done.stderr.split())

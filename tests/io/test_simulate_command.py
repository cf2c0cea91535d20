"""`hubtack simulate`: what it prints, its exit codes, workers, interruption, and a cluster of two workers."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from hubtack.adjust.catch_rate import spread
from hubtack.io.cli import _run, cli
from hubtack.io.pages.trials_report import size_words
from hubtack.io.units import Units

ROOT = Path(__file__).parents[2]
JOB = ROOT / "sample_networks" / "by-hand"  # the quickest
TRIED = ("--only", "rise", "--only", "direction", "--runs", "3")


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["simulate", *(str(a) for a in arguments)], catch_exceptions=False)


def document(*arguments: object) -> dict[str, Any]:
    done = run(*arguments, "--json")
    assert done.exit_code == 0, done.output
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_clean_days_alone_are_counted_without_blunders() -> None:
    found = document(JOB, "--runs", 5)
    assert found["days"] == {"done": 5, "wanted": 5}
    assert found["caught"] == []
    # by-hand has one mark with an ellipse (D) and three with a free height (B, C, D)
    assert found["clean"]["ellipses"]["cases"] == 5
    assert found["clean"]["heights"]["cases"] == 15
    text = run(JOB, "--runs", 5).stdout
    assert "5 days without a mistake" in text
    assert "--blunders" in text


def test_the_table_and_the_document_say_the_same() -> None:
    found = document(JOB, *TRIED)
    text = run(JOB, *TRIED).stdout
    assert all(len(line) <= 80 for line in text.splitlines())
    for record in found["caught"]:
        assert record["cases"] in (0, 3)
        parts = [record[k] for k in ("first", "rival", "wrong", "missed", "not_adjusted")]
        assert sum(parts) == record["cases"]
        lines = [line for line in text.splitlines() if line[4:].startswith(record["planted"] + " ")]
        assert bool(lines) == any(r["cases"] for r in found["caught"] if r["planted"] == record["planted"])


@pytest.mark.parametrize("more", [("--workers", "2"), ()])
def test_same_seed_same_bytes_and_another_seed_another_answer(more: tuple[str, ...]) -> None:
    one = run(JOB, *TRIED, "--seed", 4, "--json").stdout
    assert run(JOB, *TRIED, "--seed", 4, *more, "--json").stdout == one
    other = json.loads(run(JOB, *TRIED, "--seed", 5, *more, "--json").stdout)
    assert other["clean"] != json.loads(one)["clean"] or other["caught"] != json.loads(one)["caught"]


def test_a_plan_without_readings_is_simulated_too(tmp_path: Path) -> None:
    """The blank book has the geometry of the full one, so as many cases."""
    import csv
    import shutil

    full = ROOT / "sample_networks" / "free-stations"
    job = tmp_path / "plan"
    shutil.copytree(full, job, ignore=shutil.ignore_patterns("out"))
    with (full / "truth.csv").open(encoding="utf-8", newline="") as file:
        truth = {row["mark"]: row for row in csv.DictReader(file)}
    for table, columns in (("sights", ("circle", "zenith", "slope")), ("marks", ())):
        with (full / f"{table}.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        for row in rows:
            row.update(dict.fromkeys(columns, ""))
            if table == "marks":
                row.update({a: truth[row["mark"]][a] for a in ("east", "north", "height")})
        with (job / f"{table}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    found = document(job, "--runs", 2)
    assert found["clean"]["ellipses"]["cases"] == document(full, "--runs", 2)["clean"]["ellipses"]["cases"]
    assert found["clean"]["not_adjusted"] == 0


def test_wrong_use_is_told_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    unknown = run(JOB, "--only", "gremlins")
    assert unknown.exit_code == 2
    assert "vector" in unknown.output  # the list of those that there are
    assert run(JOB, "--runs", 0).exit_code == 2
    bad = run(JOB, "--cluster", "somewhere")
    assert bad.exit_code == 2
    assert "tcp://" in bad.output
    monkeypatch.setitem(sys.modules, "joblib", None)
    missing = run(JOB, "--workers", 2)
    assert missing.exit_code == 2
    assert 'pip install "hubtack[batch]"' in missing.output
    monkeypatch.undo()
    monkeypatch.setitem(sys.modules, "distributed", None)
    missing = run(JOB, "--cluster", "tcp://127.0.0.1:8786")
    assert missing.exit_code == 2
    assert 'pip install "hubtack[cluster]"' in missing.output


def test_faults_of_the_job_end_it(tmp_path: Path) -> None:
    done = run(tmp_path / "nowhere")
    assert done.exit_code == 2
    assert "fault" in done.output


def test_interrupted_it_tells_what_there_is(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = spread.outcomes

    def broken(*arguments: Any) -> Iterator[Any]:
        for k, outcome in enumerate(whole(*arguments)):
            if k == 4:
                raise KeyboardInterrupt
            yield outcome

    monkeypatch.setattr(spread, "outcomes", broken)
    done = run(JOB, *TRIED, "--json")
    assert done.exit_code == 130
    found = json.loads(done.stdout)
    assert found["days"]["done"] == 4
    assert found["days"]["wanted"] > 4
    assert "Interrupted after 4" in done.stderr


def test_exit_code_of_the_program_itself(capsys: pytest.CaptureFixture[str]) -> None:
    assert _run(["simulate", str(JOB), "--runs", "1", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["runs"] == 1


def test_sizes_are_told_in_the_units_of_the_job() -> None:
    from hubtack.adjust.catch_rate.planted import CHANCE, Amount

    assert size_words(Amount(0.0044, "length"), Units()) == "4.4 mm"
    assert size_words(Amount(0.02, "length"), Units()) == "20 mm"
    assert size_words(Amount(0.0175, "length"), Units()) == "17.5 mm"
    assert size_words(Amount(300e-6, "ratio"), Units()) == "300 ppm"
    assert size_words(Amount(2.0, "least"), Units()) == "2 MDB"
    assert size_words(CHANCE, Units()) == ""


@pytest.mark.skipif(importlib.util.find_spec("distributed") is None, reason="needs hubtack[cluster]")
def test_a_local_scheduler_with_two_workers_gives_the_same_bytes(tmp_path: Path) -> None:
    with cluster(tmp_path) as address:
        done = run(JOB, *TRIED, "--cluster", address, "--json")
    assert done.exit_code == 0, done.output
    assert done.stdout == run(JOB, *TRIED, "--json").stdout


@contextmanager
def cluster(folder: Path) -> Iterator[str]:
    """A dask scheduler and two workers on loopback; all are ended by their own handles."""
    file = folder / "scheduler.json"
    plain = [sys.executable, "-m"]
    commands = [
        [*plain, "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
         "--scheduler-file", str(file)],
        *[[*plain, "distributed.cli.dask_worker", "--scheduler-file", str(file), "--nthreads", "1",
           "--no-dashboard", "--local-directory", str(folder)]] * 2,
    ]  # fmt: skip
    quiet = {
        "stdout": subprocess.DEVNULL,
        "stderr": subprocess.DEVNULL,
        "env": os.environ | {"OPENBLAS_NUM_THREADS": "1"},
    }
    running: list[subprocess.Popen[bytes]] = []
    try:
        for command in commands:
            running.append(subprocess.Popen(command, **quiet))  # type: ignore[call-overload]
        end = time.monotonic() + 60.0
        while not file.exists():
            assert time.monotonic() < end, "the scheduler did not start"
            time.sleep(0.1)
        address = str(json.loads(file.read_text(encoding="utf-8"))["address"])
        from distributed import Client

        with Client(address, timeout="60s", set_as_default=False) as client:  # type: ignore[no-untyped-call]
            client.wait_for_workers(2, timeout=60)  # type: ignore[no-untyped-call]
        yield address
    finally:
        for process in running[::-1]:
            process.terminate()
        for process in running:
            process.wait(timeout=30)

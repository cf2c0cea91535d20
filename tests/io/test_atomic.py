"""out/ holds the last good result or the new one, whatever happens to a run."""

from __future__ import annotations

import errno
import json
import os
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from hubtack.io.writers import atomic
from hubtack.io.writers.atomic import Refused, check_out, publish, set_aside

OURS = ("result.json", "coordinates.csv", "picture.png")
# A run that publishes one result after the other, each marked with its number in every file.
RUNS = """
import sys, json
from pathlib import Path
from hubtack.io.writers import atomic
out = Path(sys.argv[1])
if sys.argv[2] == "renames":
    atomic.exchange = lambda one, other: False
def write(folder):
    (folder / "result.json").write_text(json.dumps({"format": 1, "run": n, "written": OURS}))
    (folder / "coordinates.csv").write_text(f"run,{n}\\n" * 2000)
    (folder / "picture.png").write_bytes(str(n).encode() * 5000)
n = int(sys.argv[3])
while True:
    n += 1
    atomic.publish(out, OURS, write)
    print(n, flush=True)
""".replace("OURS", repr(list(OURS)))


def results(run, missing=()):
    def write(folder: Path) -> None:
        (folder / "result.json").write_text(json.dumps({"format": 1, "run": run, "written": list(OURS)}))
        for name in set(OURS[1:]) - set(missing):
            (folder / name).write_text(f"run,{run}\n")

    return write


def state(out: Path) -> int:
    """Number of the run that out/ holds; fails where its files disagree or one is not whole."""
    run = json.loads((out / "result.json").read_text())["run"]
    assert (out / "coordinates.csv").read_text() == f"run,{run}\n" * 2000
    assert (out / "picture.png").read_bytes() == str(run).encode() * 5000
    return run


def left_over(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir() if "hubtack" in p.name)


@pytest.mark.parametrize("way", ["exchange", "renames"])
def test_killed_at_any_moment(tmp_path, way):
    out, last, kills = tmp_path / "out", 0, 0
    (tmp_path / "runs.py").write_text(RUNS)
    waits = random.Random(7)
    end = time.monotonic() + 4.5
    while kills < 6 or time.monotonic() < end:
        command = [sys.executable, str(tmp_path / "runs.py"), str(out), way, str(last)]
        process = subprocess.Popen(command, stdout=subprocess.PIPE)
        assert process.stdout is not None
        process.stdout.readline()  # up and running, however slow the machine is
        time.sleep(0.05 * waits.random())
        process.kill()
        process.wait()
        process.stdout.close()
        if way == "renames" and not out.exists():
            assert set_aside(out).exists()
            atomic._recover(out)  # what the next run does first
        run = state(out)
        assert run > last
        last = run
        kills += 1
    publish(out, OURS, results(last + 1))
    assert left_over(tmp_path) == []


@pytest.fixture
def without_exchange(monkeypatch):
    monkeypatch.setattr(atomic, "exchange", lambda one, other: False)


def test_exchange_is_one_step_on_this_system(tmp_path):
    if sys.platform in ("linux", "darwin"):
        (tmp_path / "a").mkdir()
        (tmp_path / "b").mkdir()
        (tmp_path / "a" / "x").touch()
        assert atomic.exchange(tmp_path / "a", tmp_path / "b")
        assert (tmp_path / "b" / "x").exists()
    else:
        assert not atomic.exchange(tmp_path / "a", tmp_path / "b")


@pytest.mark.parametrize("first", [True, False])
def test_a_failing_writer_changes_nothing(tmp_path, first):
    out = tmp_path / "out"
    if not first:
        publish(out, OURS, results(1))

    def full(folder: Path) -> None:
        results(2)(folder)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.raises(Refused, match="no space left on device"):
        publish(out, OURS, full)
    assert out.exists() is not first
    assert first or json.loads((out / "result.json").read_text())["run"] == 1
    assert left_over(tmp_path) == []


def test_an_error_of_ours_leaves_no_folder_behind(tmp_path):
    def broken(folder: Path) -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        publish(tmp_path / "out", OURS, broken)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("without_exchange")
def test_failing_second_rename_puts_the_old_result_back(tmp_path, monkeypatch):
    out = tmp_path / "out"
    publish(out, OURS, results(1))
    rename = os.rename

    def fails(source, target):
        if Path(target) == out and "new" in Path(source).name:
            raise OSError(errno.EACCES, os.strerror(errno.EACCES))
        rename(source, target)

    monkeypatch.setattr(os, "rename", fails)
    with pytest.raises(Refused, match="permission denied"):
        publish(out, OURS, results(2))
    assert json.loads((out / "result.json").read_text())["run"] == 1


def test_what_is_not_ours_is_kept(tmp_path):
    out = tmp_path / "out"
    publish(out, OURS, results(1))
    (out / "sketch.dwg").write_text("mine")
    (out / "photos").mkdir()
    (out / "photos" / "1.jpg").write_text("pole")
    (out / "link").symlink_to("nowhere")
    publish(out, OURS, results(2, missing=["picture.png"]))
    assert (out / "sketch.dwg").read_text() == "mine"
    assert (out / "photos" / "1.jpg").read_text() == "pole"
    assert os.readlink(out / "link") == "nowhere"
    assert json.loads((out / "result.json").read_text())["run"] == 2
    assert not (out / "picture.png").exists(), "a file of the earlier run must not pass for one of this run"


def test_a_file_saved_into_out_during_a_run_is_kept(tmp_path, monkeypatch):
    out = tmp_path / "out"
    publish(out, OURS, results(1))
    keep = atomic._keep_foreign

    def late(old, new, known):
        keep(old, new, known)
        (old / "notes.txt").write_text("just now")

    monkeypatch.setattr(atomic, "_keep_foreign", late)
    publish(out, OURS, results(2))
    assert (out / "notes.txt").read_text() == "just now"


def test_folders_of_killed_runs_go_and_those_of_running_ones_stay(tmp_path):
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    (tmp_path / f".out.hubtack-new-{dead.pid}").mkdir()
    alive = tmp_path / f".out.hubtack-new-{os.getppid()}"
    alive.mkdir()
    publish(tmp_path / "out", OURS, results(1))
    assert left_over(tmp_path) == [alive.name]


def test_out_may_be_a_link(tmp_path):
    (tmp_path / "disk").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "disk")
    publish(tmp_path / "out", OURS, results(1))
    publish(tmp_path / "out", OURS, results(2))
    assert (tmp_path / "out").is_symlink()
    assert json.loads((tmp_path / "disk" / "result.json").read_text())["run"] == 2


def refused(out: Path, job: Path, force: bool = False) -> str:
    with pytest.raises(Refused) as caught:
        check_out(out, job, force)
    assert caught.value.wanted
    return caught.value.code


def test_where_results_must_not_go(tmp_path, monkeypatch):
    job = tmp_path / "yard" / "job"
    job.mkdir(parents=True)
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    for force in (False, True):
        assert refused(job, job, force) == "RUN404"
        assert refused(job / "raw", job, force) == "RUN404"
        assert refused(job / "out" / "deeper", job, force) == "RUN404"
        assert refused(tmp_path, job, force) == "RUN404"
        assert refused(Path(".."), job, force) == "RUN404"
        assert refused(Path.home(), job, force) == "RUN404"
    check_out(job / "out", job, False)
    check_out(tmp_path / "elsewhere" / "new", job, False)


def test_folders_of_others_need_force(tmp_path):
    job, out = tmp_path / "job", tmp_path / "out"
    job.mkdir()
    out.mkdir()
    check_out(out, job, False)  # empty
    (out / "thesis.txt").write_text("ten years of work")
    assert refused(out, job) == "RUN403"
    (out / "result.json").write_text('{"format": "of something else"}')
    assert refused(out, job) == "RUN403"
    check_out(out, job, True)
    publish(out, OURS, results(1))
    assert (out / "thesis.txt").read_text() == "ten years of work"
    check_out(out, job, False)


def test_places_that_cannot_be(tmp_path):
    job = tmp_path / "job"
    job.mkdir()
    (tmp_path / "file").write_text("")
    assert refused(tmp_path / "file", job) == "RUN405"
    assert refused(tmp_path / "no" / "such", job) == "RUN405"

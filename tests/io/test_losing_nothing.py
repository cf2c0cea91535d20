"""Whatever happens to a run, nothing is lost: raw files keep every byte, out/ is the last good result or the new one.

Whole processes on a real job. The same input gives the same bytes, so what a disturbed run leaves is held against what an
undisturbed one wrote.
"""

from __future__ import annotations

import errno
import os
import random
import resource
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from hubtack.io.cli import cli

SAMPLE = Path(__file__).parents[2] / "sample_networks" / "by-hand"
RAW = ("job.toml", "marks.csv", "setups.csv", "sights.csv")


def hubtack(*words: object, **more: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "hubtack.io.cli", *map(str, words)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)  # type: ignore[call-overload,no-any-return]


def done(process: subprocess.Popen[str]) -> tuple[int, str]:
    out, err = process.communicate(timeout=120)
    assert "Traceback" not in err, err
    return process.returncode, out + err


def copied(folder: Path) -> Path:
    folder.mkdir(parents=True)
    for name in RAW:
        shutil.copy(SAMPLE / name, folder)
    return folder


def content(folder: Path) -> dict[str, bytes]:
    """Every file of a folder."""
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir()) if p.is_file()}


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, bytes]]:
    """A job, and what an undisturbed run makes of it."""
    job = copied(tmp_path_factory.mktemp("good") / "job")
    assert done(hubtack("adjust", "-q", job))[0] == 0
    return job, content(job / "out")


def left_over(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir() if "hubtack" in p.name]


# -- disks --


def small_disk(most: int) -> object:
    """What keeps a process from writing files beyond `most` bytes, as a full disk does."""
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))


@pytest.mark.parametrize("most", [0, 1000, 50_000])
def test_a_disk_that_is_full(most: int, good: tuple[Path, dict[str, bytes]], tmp_path: Path) -> None:
    """From the first byte, or in the middle of any file: the result of before stands whole."""
    job = copied(tmp_path / "job")
    shutil.copytree(good[0] / "out", job / "out")
    before = content(job), content(job / "out")
    (job / "out" / "coordinates.csv").touch()
    code, text = done(hubtack("adjust", job, preexec_fn=small_disk(most)))
    assert (code, "RUN405" in text, "Nothing was changed" in text) == (2, True, True), text
    assert (content(job), content(job / "out")) == before
    assert left_over(job) == []


def test_a_disk_that_is_full_when_a_job_is_made(tmp_path: Path) -> None:
    code, text = done(hubtack("new", tmp_path / "job", preexec_fn=small_disk(100)))
    assert (code, "RUN405" in text) == (2, True), text
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("error", [errno.EROFS, errno.EACCES])
def test_a_folder_that_can_not_be_written_to(
    error: int, good: tuple[Path, dict[str, bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As root no permission bit holds, so the system's answer is given for it; /sys gives its own where there is one."""
    job, before = good

    def refuses(*_: object, **__: object) -> None:
        raise OSError(error, os.strerror(error))

    with monkeypatch.context() as patch:
        patch.setattr(os, "mkdir", refuses)
        ran = CliRunner().invoke(cli, ["adjust", str(job)])
    assert (ran.exit_code, "RUN405" in ran.output) == (2, True), ran.output
    assert os.strerror(error).lower() in ran.output
    assert content(job / "out") == before
    if Path("/sys/kernel").is_dir():
        ran = CliRunner().invoke(cli, ["adjust", str(job), "--out", "/sys/kernel/result"])
        assert (ran.exit_code, "RUN405" in ran.output) == (2, True), ran.output


# -- moments --


def test_killed_at_random_moments(good: tuple[Path, dict[str, bytes]], tmp_path: Path) -> None:
    """Eight runs, each killed somewhere between its start and its end; a whole one ends it."""
    job = copied(tmp_path / "job")
    raw = content(job)
    start = time.monotonic()
    assert done(hubtack("adjust", "-q", job))[0] == 0
    whole = time.monotonic() - start
    waits = random.Random(11)
    for _ in range(8):
        process = hubtack("adjust", "-q", job)
        time.sleep(1.1 * whole * waits.random())
        process.kill()
        process.communicate()
        assert content(job) == raw
        assert content(job / "out") == good[1]
    assert done(hubtack("adjust", "-q", job))[0] == 0
    assert content(job / "out") == good[1]
    assert left_over(job) == []


def test_two_runs_at_once(good: tuple[Path, dict[str, bytes]], tmp_path: Path) -> None:
    job = copied(tmp_path / "job")
    raw = content(job)
    for _ in range(2):
        both = [hubtack("adjust", "-q", job) for _ in range(3)]
        assert [done(p)[0] for p in both] == [0, 0, 0]
        assert content(job / "out") == good[1]
    assert content(job) == raw
    assert left_over(job) == []


def test_job_toml_changed_while_it_runs(good: tuple[Path, dict[str, bytes]], tmp_path: Path) -> None:
    """The result is that of one version or of the other, in every file, never of a mixture."""
    job = copied(tmp_path / "job")
    one = (job / "job.toml").read_bytes()
    two = (
        one.replace(b"confidence = 0.95", b"confidence = 0.99")
        if b"confidence" in one
        else one + b"\n[tests]\nconfidence = 0.99\n"
    )
    (tmp_path / "other").mkdir()
    other = copied(tmp_path / "other" / "job")
    (other / "job.toml").write_bytes(two)
    assert done(hubtack("adjust", "-q", other))[0] == 0
    results = good[1], content(other / "out")
    assert results[0] != results[1]
    stop = threading.Event()

    def change() -> None:
        k = 0
        while not stop.is_set():
            (job / "new").write_bytes((one, two)[k % 2])
            os.replace(job / "new", job / "job.toml")
            k += 1
            time.sleep(0.001)

    thread = threading.Thread(target=change)
    thread.start()
    try:
        for _ in range(4):
            assert done(hubtack("adjust", "-q", job))[0] == 0
            assert content(job / "out") in results
    finally:
        stop.set()
        thread.join()


# -- places --


def test_a_folder_in_the_place_of_a_result(good: tuple[Path, dict[str, bytes]], tmp_path: Path) -> None:
    """Somebody's folder report.html is not ours to remove: told, and nothing changed."""
    job = copied(tmp_path / "job")
    shutil.copytree(good[0] / "out", job / "out")
    (job / "out" / "report.html").unlink()
    (job / "out" / "report.html").mkdir()
    (job / "out" / "report.html" / "mine.txt").write_text("mine")
    before = {p: p.read_bytes() for p in job.rglob("*") if p.is_file()}
    code, text = done(hubtack("adjust", "-q", job))
    assert (code, "RUN405" in text, "report.html" in text) == (2, True, True), text
    assert {p: p.read_bytes() for p in job.rglob("*") if p.is_file()} == before
    assert left_over(job) == []


def test_a_folder_in_the_place_of_a_file_of_before(
    good: tuple[Path, dict[str, bytes]], tmp_path: Path
) -> None:
    """A file that an earlier run wrote and this one does not, gone, and a folder made under its name: kept."""
    job = copied(tmp_path / "job")
    shutil.copytree(good[0] / "out", job / "out")
    text = (job / "out" / "result.json").read_text(encoding="utf-8")
    old = text.replace('"coordinates.csv"', '"coordinates.csv", "network.dxf"', 1)
    assert old != text
    (job / "out" / "result.json").write_text(old, encoding="utf-8")
    (job / "out" / "network.dxf").mkdir()
    (job / "out" / "network.dxf" / "mine.txt").write_text("mine")
    code, said = done(hubtack("adjust", "-q", job))
    assert code == 0, said
    assert (job / "out" / "network.dxf" / "mine.txt").read_text() == "mine"
    assert content(job / "out") == good[1]


def test_links_out_of_the_job(tmp_path: Path) -> None:
    """What a link leads to may be read, and is never written by a run: links stay links."""
    job, elsewhere = copied(tmp_path / "job"), tmp_path / "elsewhere"
    elsewhere.mkdir()
    for name in RAW:
        (job / name).rename(elsewhere / name)
        (job / name).symlink_to(elsewhere / name)
    before = content(elsewhere)
    assert done(hubtack("adjust", "-q", job))[0] == 0
    assert content(elsewhere) == before
    assert all((job / name).is_symlink() for name in RAW)
    assert sorted(p.name for p in elsewhere.iterdir()) == sorted(RAW)


@pytest.mark.parametrize("name", ["Käße & 水準", "two  words", "a\nb", "-x", "it's $HOME"])
def test_odd_names_of_folders(name: str, good: tuple[Path, dict[str, bytes]], tmp_path: Path) -> None:
    job = copied(tmp_path / name / "job")
    code, text = done(hubtack("adjust", job))
    assert code == 0, text
    found = content(job / "out")
    assert {n: c for n, c in found.items() if n != "result.json"} == {
        n: c for n, c in good[1].items() if n != "result.json"
    }
    (job / "setups.csv").unlink()
    code, text = done(hubtack("adjust", job))
    assert (code, "setups.csv" in text) == (2, True)
    assert content(job / "out") == found


def test_four_gigabytes_of_nothing(good: tuple[Path, dict[str, bytes]], tmp_path: Path) -> None:
    """Refused by its size alone, so in no time and no memory (the file has no blocks on the disk)."""
    job = copied(tmp_path / "job")
    shutil.copytree(good[0] / "out", job / "out")
    with (job / "sights.csv").open("wb") as file:
        file.truncate(4 << 30)
    limit = lambda: resource.setrlimit(resource.RLIMIT_AS, (2 << 30, 2 << 30))  # noqa: E731
    code, text = done(hubtack("adjust", job, preexec_fn=limit))
    assert (code, "RUN419" in text) == (2, True), text
    assert content(job / "out") == good[1]
    assert (job / "sights.csv").stat().st_size == 4 << 30

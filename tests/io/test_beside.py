"""Two processes write what one would: the same bytes, whatever becomes of the second."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from hubtack.adjust import adjust
from hubtack.adjust.judged import judged
from hubtack.io.job import read_job
from hubtack.io.writers import beside, write_all
from hubtack.io.writers.atomic import Refused

SAMPLE = Path(__file__).parents[2] / "sample_networks" / "braced-traverse"


@pytest.fixture(scope="module")
def yard():
    job = read_job(SAMPLE)
    return judged(adjust(job.network, job.settings)), job


@pytest.fixture
def forks(monkeypatch):
    """How many second processes there were; every job is large enough for one."""
    made = []
    fork = os.fork

    def counted():
        child = fork()
        made.append(child)
        return child

    monkeypatch.setattr(os, "fork", counted)
    monkeypatch.setattr(beside, "pays", lambda observations: True)
    monkeypatch.setattr(beside.threading, "active_count", lambda: 1)
    return made


def content(folder):
    return {p.name: p.read_bytes() for p in folder.iterdir()}


@pytest.fixture(scope="module")
def alone(yard, tmp_path_factory):
    folder = tmp_path_factory.mktemp("alone") / "out"
    return write_all(*yard, folder), content(folder)


def gone(child):
    """Whether a process has been taken leave of: it is no child of ours any more."""
    with pytest.raises(ChildProcessError):
        os.waitpid(child, os.WNOHANG)
    return True


def test_small_jobs_have_one_process():
    assert not beside.pays(beside.LEAST - 1)
    assert not beside.pays(beside.MOST + 1)


def test_the_same_bytes(yard, alone, forks, tmp_path):
    assert write_all(*yard, tmp_path / "out") == alone[0]
    assert content(tmp_path / "out") == alone[1]
    assert len(forks) == 1
    assert gone(forks[0])


def test_where_there_is_no_fork(yard, alone, forks, monkeypatch, tmp_path):
    monkeypatch.setattr(os, "fork", lambda: (_ for _ in ()).throw(OSError("no")))
    assert write_all(*yard, tmp_path / "out") == alone[0]
    assert content(tmp_path / "out") == alone[1]


def test_no_fork_beside_another_thread(yard, alone, forks, monkeypatch, tmp_path):
    monkeypatch.setattr(beside.threading, "active_count", lambda: 2)
    assert write_all(*yard, tmp_path / "out") == alone[0]
    assert not forks


def test_a_second_process_that_fails_or_is_killed(yard, alone, forks, monkeypatch, tmp_path):
    """Half of result.json stands there already: it is written anew."""
    from hubtack.io.writers import result

    here, begin = os.getpid(), result.begin
    for how in ("raise", "kill"):

        def spoilt(adjustment, job, folder, how=how):
            if os.getpid() == here:
                return begin(adjustment, job, folder)
            (folder / "result.json").write_text("{half")
            if how == "kill":
                os.kill(os.getpid(), signal.SIGKILL)
            raise OSError("disk full")

        monkeypatch.setattr(result, "begin", spoilt)
        assert write_all(*yard, tmp_path / how) == alone[0]
        assert content(tmp_path / how) == alone[1]
    assert all(map(gone, forks))


def test_an_error_here_ends_the_second_process(yard, forks, monkeypatch, tmp_path):
    from hubtack.io.writers import page, picture

    here = os.getpid()

    def full(*_):
        raise OSError(28, "No space left on device")

    def slow(*_):
        while os.getpid() != here:
            signal.pause()

    monkeypatch.setattr(page, "write", full)
    monkeypatch.setattr(picture, "write", slow)
    with pytest.raises(Refused):
        write_all(*yard, tmp_path / "out")
    assert len(forks) == 1
    assert gone(forks[0])
    assert not list(tmp_path.iterdir())

"""What can go wrong between here and the workers is told in one sentence, with what to install or where nothing answers."""

from __future__ import annotations

import contextlib
import sys
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tests.adjust.networks import Plan

from hubtack.adjust import adjust
from hubtack.adjust.catch_rate.ground import ground_of
from hubtack.adjust.catch_rate.spread import NoCluster, NoLibrary, outcomes
from hubtack.adjust.catch_rate.trials import Task, kinds

AT = "tcp://10.0.0.7:8786"


def asked(**more: Any) -> None:
    p = Plan()
    p.held("A", 0, 0, 10)
    p.mark("B", 50, 10, 12)
    p.vector(0, 1, np.eye(3) * 1e-6)
    list(outcomes(ground_of(adjust(p.simulated(1))), kinds(["vector"]), 1, [Task(0, 0)], **more))


class Client:
    """As much of a scheduler's client as is asked of it."""

    cores = 2

    def __init__(self, address: str, **_: object) -> None:
        assert address == AT

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def as_current(self) -> contextlib.nullcontext[None]:
        return contextlib.nullcontext()

    def nthreads(self) -> dict[str, int]:
        return {"worker": self.cores} if self.cores else {}


def unreachable(address: str, **_: object) -> Client:
    raise OSError(f"timed out after 10 s: {address}")


class Idle(Client):
    cores = 0


def breaks(error: Exception) -> Any:
    def parallel() -> Any:
        def run(_: object) -> Any:
            raise error

        return run

    return parallel


def test_without_the_library_of_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "joblib", None)
    for more in ({"workers": 2}, {"cluster": AT}):
        with pytest.raises(NoLibrary) as caught:
            asked(**more)
        assert (caught.value.library, caught.value.extra) == ("joblib", "batch")
    monkeypatch.undo()
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(NoLibrary) as caught:
        asked(cluster=AT)
    assert (caught.value.library, caught.value.extra) == ("distributed", "cluster")


@pytest.mark.parametrize(
    ("client", "told"),
    [
        (unreachable, f"no scheduler answers at {AT}: timed out after 10 s"),
        (Idle, f"the scheduler at {AT} has no workers"),
    ],
)
def test_a_scheduler_that_is_of_no_use(client: Any, told: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", SimpleNamespace(Client=client))
    with pytest.raises(NoCluster, match=told):
        asked(cluster=AT)


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (
            ImportError("No module named 'hubtack'", name="hubtack"),
            "lacks hubtack: install hubtack.cluster. there",
        ),
        (ConnectionResetError("reset by peer"), "the connection to .* broke: reset by peer"),
    ],
)
def test_workers_that_fail_on_the_way(error: Exception, told: str, monkeypatch: pytest.MonkeyPatch) -> None:
    import joblib

    monkeypatch.setitem(sys.modules, "distributed", SimpleNamespace(Client=Client))
    monkeypatch.setattr(joblib, "parallel_config", lambda **_: contextlib.nullcontext())
    monkeypatch.setattr(joblib, "Parallel", breaks(error))
    with pytest.raises(NoCluster, match=told):
        asked(cluster=AT)

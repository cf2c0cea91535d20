"""One network of a given size, in a process of its own: seconds by stage, memory, the floor, and the peers beside it."""

from __future__ import annotations

import importlib
import importlib.util
import resource
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, suppress
from functools import wraps
from typing import Any

import numpy as np
from tests.benchmarks import peer_ceres, peer_gtsam, peer_problem, peer_scipy
from tests.benchmarks.corridor import corridor

from hubtack.adjust import adjust
from hubtack.adjust.estimate import kernels
from hubtack.adjust.ground.network import Network
from hubtack.adjust.model import reductions
from hubtack.adjust.model.approximate import approximate
from hubtack.adjust.results import Adjustment
from hubtack.adjust.settings import Settings
from hubtack.adjust.simulate import simulate

# words: where the function stands (module, name); a stage that another one contains is taken out of it
STAGES = {
    "readings": ("adjustment", "reduce_readings"),
    "unknowns": ("adjustment", "place_unknowns"),
    "start": ("adjustment", "approximate"),
    "datum": ("adjustment", "find_datum"),
    "equations": ("model.equations", "Equations.evaluate"),
    "order": ("estimate.normals", "Pattern.build"),
    "factor": ("estimate.normals", "Factor.__init__"),
    "solve": ("estimate.normals", "Factor.solve"),
    "inverse": ("estimate.normals", "Factor._selected"),
    "tables": ("adjustment", "tables"),
}


class Clock:
    """Seconds by stage; what one stage spends in another is counted there alone."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._within: list[float] = []

    def around(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """The function, timed."""

        @wraps(function)
        def timed(*given: Any, **named: Any) -> Any:
            self._within.append(0.0)
            before = time.perf_counter()
            try:
                return function(*given, **named)
            finally:
                taken = time.perf_counter() - before
                self.seconds[name] = self.seconds.get(name, 0.0) + taken - self._within.pop()
                if self._within:
                    self._within[-1] += taken

        return timed


@contextmanager
def staged() -> Iterator[Clock]:
    """Every stage timed while it lasts."""
    clock, undo = Clock(), []
    for words, (module, name) in STAGES.items():
        owner: Any = importlib.import_module(f"hubtack.adjust.{module}")
        *outer, last = name.split(".")
        for part in outer:
            owner = getattr(owner, part)
        if last not in owner.__dict__:  # a stage of another day
            continue
        was = owner.__dict__[last]
        timed = clock.around(words, was.__func__ if isinstance(was, classmethod) else was)
        setattr(owner, last, classmethod(timed) if isinstance(was, classmethod) else timed)
        undo.append((owner, last, was))
    try:
        yield clock
    finally:
        for owner, last, was in undo:
            setattr(owner, last, was)


def made(marks: int) -> Network:
    """The corridor with invented readings."""
    day = corridor(marks)
    return simulate(day.network(), day.truth(), Settings(), 1)


def flops(adjustment: Adjustment) -> tuple[float, int]:
    """Multiplications and additions of Cholesky and selected inverse in the order of our own elimination, and nnz(L).

    A front of p pivots and b boundary unknowns costs Σ (p + b − k)² for its factor and twice that for its inverse.
    """
    assert adjustment.solved is not None
    p, b = adjustment.solved.solution.cofactor.factor.pattern.sizes
    work = filled = 0.0
    for k in range(int(p.max(initial=0))):
        left = np.where(k < p, p + b - k, 0).astype(float)
        work += float(np.sum(left**2))
        filled += float(np.sum(left))
    return 3.0 * work, int(filled)


def gemm() -> float:
    """Multiplications and additions a second of a matrix product of 1024 × 1024, one thread, the best of some."""
    a = np.random.default_rng(1).standard_normal((1024, 1024))
    best = np.inf
    for _ in range(7):
        before = time.perf_counter()
        _ = a @ a
        best = min(best, time.perf_counter() - before)
    return 2.0 * 1024**3 / best


def measured(
    marks: int, repeats: int, peers: dict[str, float], report: Callable[[str], None]
) -> dict[str, Any]:
    """What one size gives. `peers` names those wanted, each with the seconds it is expected to take (0: unknown)."""
    with suppress(ImportError):
        kernels.use(True)  # as a program does that adjusts many networks; without the extra numpy does it
    small = made(30)
    for _ in range(3):  # warm: imports and caches
        adjust(small)
    adjust(made(300))
    report(f"{marks} marks: making the network")
    with ProcessPoolExecutor(1) as elsewhere:  # so that the memory of its making is not counted here
        network = elsewhere.submit(made, marks).result()
    before = _peak()
    seconds, stages = [], {}
    result = None
    for _ in range(repeats):
        result = None  # one at a time in memory
        reductions._OF_NETWORK.clear()  # what is kept for a network counts each time
        with staged() as clock:
            start = time.perf_counter()
            result = adjust(network)
            seconds.append(time.perf_counter() - start)
        if seconds[-1] == min(seconds):
            stages = dict(clock.seconds)
    assert result is not None
    work, filled = flops(result)
    rate = gemm()
    assert result.solved is not None
    free = np.isfinite(result.marks.sigma_east)
    out: dict[str, Any] = {
        "marks": marks, "setups": len(network.setups), "rows": len(network.sights),
        "readings": len(result.solved.obs), "unknowns": result.solved.unknowns.n,
        "iterations": result.iterations, "seconds": min(seconds), "first": seconds[0],
        "stages": {name: stages.get(name, 0.0) for name in STAGES}, "peak": _peak(), "before": before,
        "gflop": work / 1e9, "filled": filled, "rate": rate / 1e9, "floor": work / rate,
        "freedom": abs(float(result.observations.redundancy.sum()) - result.degrees_of_freedom),
        "objective": result.solved.solution.objective,
        "trace": float(sum(np.sum(getattr(result.marks, f"sigma_{a}")[free] ** 2) for a in ("east", "north", "height"))),
        "peers": {},
    }  # fmt: skip
    out["stages"]["rest"] = min(seconds) - sum(out["stages"].values())
    runs = _peers(network, result)
    for name, expected in peers.items():
        if name not in runs:
            out["peers"][name] = {"missing": True}
        elif expected > LONGEST:
            out["peers"][name] = {"estimated": expected}
        else:
            report(f"{marks} marks: {name}")
            found = runs[name]()
            if found["total"] < 2.0:
                again = runs[name]()
                found = min(found, again, key=lambda f: f["total"])
            out["peers"][name] = found
    return out


LONGEST = 60.0  # seconds a peer may take before it is estimated from the smaller sizes


def _peers(network: Network, result: Adjustment) -> dict[str, Callable[[], dict[str, float]]]:
    runs: dict[str, Callable[[], dict[str, float]]] = {}
    settings = Settings()
    problem: list[peer_problem.Problem] = []

    def given() -> peer_problem.Problem:
        if not problem:
            problem.append(peer_problem.problem_of(network, settings))
        return problem[0]

    def scipy_run() -> dict[str, float]:
        assert result.solved is not None
        s = result.solved
        turns = approximate(network, s.obs, settings, s.unknowns.heights).orientations
        return peer_scipy.least_squares(result, s.equations.first_guess(turns))

    if importlib.util.find_spec("gtsam"):
        runs["gtsam"] = lambda: peer_gtsam.exact(given(), 20.0)
        runs["gtsam-built-in"] = lambda: peer_gtsam.built_in(given())
    if importlib.util.find_spec("pyceres"):
        runs["ceres"] = lambda: peer_ceres.exact(given())
    if importlib.util.find_spec("scipy"):
        runs["scipy"] = scipy_run
    return runs


def _peak() -> float:
    """The most memory this process has held so far, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0

"""One process a mutant: forked from one that holds the libraries already, with the mutant in the place of its file.

Nothing on disk changes. The child finds the mutant through an import hook, runs the tests it is told, and ends; tests that
start processes of their own see the unchanged file there.
"""

from __future__ import annotations

import contextlib
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import json
import math
import os
import resource
import signal
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from pathlib import Path
from types import CodeType, ModuleType

import pytest

LIBRARIES = (
    "numpy scipy.optimize scipy.stats scipy.sparse.linalg scipy.special scipy.spatial networkx pandas hypothesis "
    "pydantic tomlkit mpmath statsmodels.api click rich jinja2 lxml.etree pyproj"
)
MEMORY = 6 << 30
OPENING = 0.5  # s that a file of tests costs before its first
WAIT = 15  # times the limit on the clock: others use the machine too
LIMIT = 30.0  # s of processor time; and twice what the tests took unchanged


class Changed(importlib.machinery.SourceFileLoader):
    def __init__(self, name: str, path: str, code: str) -> None:
        super().__init__(name, path)
        self.changed = code

    def get_code(self, fullname: str) -> CodeType:
        return compile(self.changed, self.path, "exec", dont_inherit=True)


class Finder(importlib.abc.MetaPathFinder):
    def __init__(self, name: str, code: str) -> None:
        self.name, self.code = name, code

    def find_spec(self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None):
        if fullname != self.name:
            return None
        spec = importlib.machinery.PathFinder.find_spec(fullname, path)
        assert spec is not None
        assert spec.origin is not None
        loader = Changed(fullname, spec.origin, self.code)
        return importlib.util.spec_from_file_location(
            fullname, spec.origin, loader=loader, submodule_search_locations=spec.submodule_search_locations
        )


def module_of(path: str) -> str:
    return "hubtack." + path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")


class First:
    """Notes the first test that failed."""

    def __init__(self, place: Path) -> None:
        self.place = place

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.place.exists():
            self.place.write_text(f"{report.nodeid} ({report.when})")

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.place.exists():
            self.place.write_text(f"{report.nodeid} (collection)")


def warm() -> None:
    for name in LIBRARIES.split():
        try:
            importlib.import_module(name)
        except ImportError:
            print(f"without {name}", file=sys.stderr)


def trial(
    root: Path, path: str, code: str, tests: list[list[str]], limit: float, scratch: Path
) -> tuple[str, str, float]:
    """("killed" | "timeout" | "lived", by what, seconds): groups of tests are collected and run one after the other."""
    note = scratch / f"first-{os.getpid()}"
    note.unlink(missing_ok=True)
    begun = time.monotonic()
    child = os.fork()
    if child == 0:
        os.setpgid(0, 0)
        with open(scratch / f"log-{os.getppid()}", "w") as log:
            os.dup2(log.fileno(), 1)
            os.dup2(log.fileno(), 2)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(limit), math.ceil(limit) + 2))
        os.chdir(root)
        sys.meta_path.insert(0, Finder(module_of(path), code))
        status = 99
        try:
            options = [
                "-x",
                "-q",
                "--no-header",
                "-p",
                "no:cacheprovider",
                "-p",
                "no:xdist",
                "--tb=line",
                "-W",
                "ignore",
            ]
            for group in tests:
                status = int(pytest.main([*options, *group], plugins=[First(note)]))
                if status:
                    break
        finally:
            os._exit(status)
    while time.monotonic() - begun < WAIT * limit:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            break
        time.sleep(0.02)
    else:
        os.killpg(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return "timeout", "", time.monotonic() - begun
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)  # what tests left running
    seconds = time.monotonic() - begun
    code_of_exit = os.waitstatus_to_exitcode(status)
    if code_of_exit in (-signal.SIGXCPU, -signal.SIGKILL):
        return "timeout", "", seconds
    if code_of_exit == 0:
        return "lived", "", seconds
    return "killed", note.read_text() if note.exists() else f"exit {code_of_exit}", seconds


class Recorder:
    """A plugin: which lines of adjust/ every test runs, and how long it takes."""

    def __init__(self) -> None:
        import coverage

        self.cover = coverage.Coverage(data_file=None, source_pkgs=["hubtack.adjust"], config_file=False)
        self.seconds: dict[str, float] = {}
        self.failed: set[str] = set()

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item):
        self.cover.switch_context(item.nodeid)
        begun = time.monotonic()
        yield
        self.seconds[item.nodeid] = time.monotonic() - begun
        self.cover.switch_context("")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.add(report.nodeid)


def record(root: Path, tests: list[str], place: Path) -> None:
    os.chdir(root)
    recorder = Recorder()
    recorder.cover.start()
    pytest.main(["-q", "-p", "no:cacheprovider", "-p", "no:xdist", *tests], plugins=[recorder])
    recorder.cover.stop()
    data = recorder.cover.get_data()
    names = [n for n in recorder.seconds if n not in recorder.failed]
    number = {name: i for i, name in enumerate(names)}
    lines: dict[str, dict[int, list[int]]] = {}
    for file in data.measured_files():
        by_line = {
            line: sorted(number[c] for c in contexts if c in number)
            for line, contexts in data.contexts_by_lineno(file).items()
        }
        lines[str(Path(file).resolve().relative_to(root.resolve()))] = by_line
    place.write_text(
        json.dumps({"tests": names, "seconds": [recorder.seconds[n] for n in names], "lines": lines})
    )
    print(f"{len(names)} tests, {len(recorder.failed)} failed: {sorted(recorder.failed)[:5]}")


class Map:
    """Which tests run a line, the quickest first."""

    def __init__(self, places: list[Path]) -> None:
        self.seconds: dict[str, float] = {}
        self.kills: Counter[str] = Counter()
        self.lines: defaultdict[str, defaultdict[int, set[str]]] = defaultdict(lambda: defaultdict(set))
        for place in places:
            held = json.loads(place.read_text())
            self.seconds.update(zip(held["tests"], held["seconds"], strict=True))
            for path, by_line in held["lines"].items():
                for line, tests in by_line.items():
                    self.lines[path][int(line)].update(held["tests"][i] for i in tests)

    def meeting(self, path: str, lines: Sequence[int]) -> list[str]:
        held = self.lines[path]
        met: set[str] = set().union(*(held[line] for line in lines if line in held))
        if not lines:
            met = set().union(*held.values())
        return sorted(met, key=lambda name: self.seconds[name])

    def quick(self, path: str, lines: Sequence[int], budget: float, alike: int = 3) -> list[str]:
        """Within `budget` seconds, the quickest first, and at most `alike` cases of one test function."""
        cases: Counter[str] = Counter()
        chosen, spent = [], 0.0
        for name in self.meeting(path, lines):
            kind, file = name.split("[")[0], name.split("::")[0]
            more = self.seconds[name] + (0.0 if cases[file] else OPENING)
            if cases[kind] < alike and (not chosen or spent + more < budget):
                cases.update((kind, file))
                chosen.append(name)
                spent += more
        return chosen

    def grouped(self, tests: list[str]) -> list[list[str]]:
        """A file of tests a group: first those that killed most, then the quickest."""
        groups: defaultdict[str, list[str]] = defaultdict(list)
        for name in tests:
            groups[name.split("::")[0]].append(name)
        return [
            groups[file]
            for file in sorted(groups, key=lambda file: (-self.kills[file], self.cost(groups[file])))
        ]

    def wide(self, path: str, lines: Sequence[int]) -> list[str]:
        """Whole files of tests, since one test makes what its neighbours look at too; the quickest first."""
        files = {name.split("::")[0] for name in self.meeting(path, lines)}
        return sorted(
            files, key=lambda file: sum(s for n, s in self.seconds.items() if n.startswith(file + "::"))
        )

    def cost(self, tests: list[str]) -> float:
        return sum(
            self.seconds.get(t) or sum(s for n, s in self.seconds.items() if n.startswith(t + "::"))
            for t in tests
        )

"""The house: who may import whom, which files DEVELOPERS.md names, and that the wheel holds every module."""

from __future__ import annotations

import ast
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
TOP = {
    "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml",
    "adjust", "io", "tests", "sample_networks", "notebooks",
}  # fmt: skip
HEAVY = {"pandas", "matplotlib", "networkx", "scipy", "jinja2", "rich", "tomlkit"}

# A room imports only rooms before it.
ROOMS = [
    "earth", "settings", "trouble",
    "progress", "ground", "estimate", "model", "solved", "judge", "results", "outcome",
    "adjustment", "explained", "judged", "simulate", "catch_rate", "plan", "planning", "checks", "epochs", "compare",
    "registration",
]  # fmt: skip


def modules(folder: str) -> list[Path]:
    return sorted(p for p in (ROOT / folder).rglob("*.py") if "__pycache__" not in p.parts)


def imports(path: Path, package: str) -> list[tuple[str, bool]]:
    """Absolute names of what a module imports at any depth, and whether at module level."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    folder = path.relative_to(ROOT / package).parent
    here = ["hubtack", package, *folder.parts]
    top = {id(n) for n in tree.body}
    typing_only = {
        id(inner)
        for n in tree.body
        if isinstance(n, ast.If) and getattr(n.test, "id", "") == "TYPE_CHECKING"
        for inner in ast.walk(n)
    }
    found = []
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            found += [(a.name, id(node) in top) for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = here[: len(here) - node.level + 1] if node.level else []
            name = ".".join([*base, *((node.module or "").split(".") if node.module else [])])
            found += [(f"{name}.{a.name}" if not node.module else name, id(node) in top) for a in node.names]
    return found


def test_top_level_holds_only_what_is_agreed() -> None:
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if tracked.returncode:
        names = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")} - {"build"}
        names = {n for n in names if not n.endswith(".egg-info")}
    else:
        names = {line.split("/")[0] for line in tracked.stdout.splitlines()}
        names = {n for n in names if not n.startswith(".")}
    assert names <= TOP, names - TOP


def test_adjust_knows_no_io() -> None:
    for path in modules("adjust"):
        for name, _ in imports(path, "adjust"):
            assert not name.startswith("hubtack.io"), f"{path.relative_to(ROOT)} imports {name}"


def test_rooms_import_only_rooms_before_them() -> None:
    def room(parts: tuple[str, ...]) -> str:
        return parts[0].removesuffix(".py")

    for path in modules("adjust"):
        mine = room(path.relative_to(ROOT / "adjust").parts)
        if mine == "__init__":
            continue
        assert mine in ROOMS, f"{mine} is no room yet: give it its place in ROOMS"
        for name, _ in imports(path, "adjust"):
            if not name.startswith("hubtack.adjust."):
                continue
            other = name.split(".")[2]
            # arrays are everybody's: tables live in ground, and estimate needs nothing else of it
            assert ROOMS.index(other) <= ROOMS.index(mine), f"{path.relative_to(ROOT)} imports {name}"


def test_estimate_knows_no_surveying() -> None:
    for path in modules("adjust/estimate"):
        for name, _ in imports(path, "adjust"):
            if name.startswith("hubtack.adjust.") and not name.startswith("hubtack.adjust.estimate"):
                assert name == "hubtack.adjust.ground.table", f"{path.name} imports {name}"


@pytest.mark.parametrize("folder", ["adjust", "io"])
def test_heavy_libraries_are_imported_where_they_are_used(folder: str) -> None:
    for path in modules(folder):
        for name, at_top in imports(path, folder):
            assert not (at_top and name.split(".")[0] in HEAVY), (
                f"{path.relative_to(ROOT)} imports {name} at its top"
            )


@pytest.mark.parametrize("folder", ["adjust", "io"])
def test_no_file_hides_a_second_room(folder: str) -> None:
    for path in modules(folder):
        lines = len(path.read_text(encoding="utf-8").splitlines())
        assert lines <= 400, f"{path.relative_to(ROOT)} has {lines} lines"


def test_developers_page_has_one_true_line_a_file() -> None:
    from tests.files_page import END, PAGE, START, section

    text = PAGE.read_text(encoding="utf-8").split(START)[1].split(END)[0]
    assert text.strip() == section().strip(), "run: python -m tests.files_page"
    for folder in ("adjust", "io"):
        for path in modules(folder):
            lines = path.read_text(encoding="utf-8").splitlines()
            assert len(lines) == 0 or f"`{path.relative_to(ROOT).as_posix()}`" in text, path


def test_wheel_holds_every_module(tmp_path: Path) -> None:
    """A sub-package missing from `packages` is silently absent from a wheel."""
    subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "wheel",
            "--quiet",
            "--no-deps",
            "-w",
            str(tmp_path),
            str(_copy(tmp_path)),
        ],
        check=True,
        timeout=300,
    )
    (wheel,) = tmp_path.glob("hubtack-*.whl")
    inside = set(zipfile.ZipFile(wheel).namelist())
    for folder in ("adjust", "io"):
        for path in (ROOT / folder).rglob("*"):
            if path.is_file() and "__pycache__" not in path.parts:
                name = f"hubtack/{path.relative_to(ROOT).as_posix()}"
                assert name in inside, f"{name} is not in the wheel"


def _copy(tmp_path: Path) -> Path:
    """A copy of what is needed to build, so that no build folder appears in the checkout."""
    import shutil

    target = tmp_path / "tree"
    target.mkdir()
    for name in ("README.md", "LICENSE", "pyproject.toml"):
        shutil.copy(ROOT / name, target / name)
    for name in ("adjust", "io"):
        shutil.copytree(ROOT / name, target / name, ignore=shutil.ignore_patterns("__pycache__"))
    return target

"""What this machine can do for hubtack: one line a question, each with the cure where the answer is no."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

# library (as pip names it), module, the extra that brings it, what it is for
LIBRARIES: tuple[tuple[str, str, str, str], ...] = (
    ("numpy", "numpy", "", "arrays"),
    ("scipy", "scipy.linalg", "", "large networks, statistics"),
    ("networkx", "networkx", "", "what is reached and what is not"),
    ("pandas", "pandas", "", "tables for notebooks"),
    ("pydantic", "pydantic_core", "", "checks of job.toml"),
    ("tomlkit", "tomlkit", "", "places of faults in job.toml"),
    ("click", "click", "", "commands"),
    ("rich", "rich", "", "tables on the terminal"),
    ("jinja2", "jinja2", "", "report.html"),
    ("matplotlib", "matplotlib.figure", "", "network.png"),
    ("python-calamine", "python_calamine", "xlsx", "reading workbooks"),
    ("xlsxwriter", "xlsxwriter", "xlsx", "writing workbooks"),
    ("lxml", "lxml.etree", "landxml", "LandXML"),
    ("ezdxf", "ezdxf", "cad", "drawings (DXF)"),
    ("pyogrio", "pyogrio", "gis", "map layers (GeoPackage)"),
    ("shapely", "shapely", "gis", "map layers (GeoPackage)"),
    ("pyproj", "pyproj", "gis", "coordinate reference systems"),
    ("joblib", "joblib", "batch", "many jobs on all processors"),
    ("numba", "numba", "fast", "networks of tens of thousands of marks"),
    ("distributed", "distributed", "cluster", "many jobs on many machines"),
)
OLDEST_PYTHON = (3, 11)


@dataclass(frozen=True)
class Answer:
    """One answer. `needed`: without it hubtack does not work; otherwise only what the words name is missing."""

    topic: str  # python | library | extra | browser | font | folder | terminal
    fine: bool
    words: str
    cure: str = ""
    needed: bool = False


def examine(folder: Path) -> Iterator[Answer]:
    """All answers, one by one, for work in `folder`."""
    yield _python()
    yield from map(_library_of, LIBRARIES)
    yield _browser()
    yield _font()
    yield _writable(folder, "The folder you work in", "Work in a folder of your own, or name one with --out.")
    yield _writable(
        Path(tempfile.gettempdir()), "The folder for temporary files", "Set TMPDIR to another folder."
    )
    yield _terminal()


def _python() -> Answer:
    version = ".".join(map(str, sys.version_info[:3]))
    least = ".".join(map(str, OLDEST_PYTHON))
    fine = sys.version_info[:2] >= OLDEST_PYTHON
    return Answer("python", fine, f"Python {version}", f"Install Python {least} or later.", needed=True)


def _library_of(library: tuple[str, str, str, str]) -> Answer:
    """Whether a library can be imported: one that is installed and broken is found only so."""
    from importlib import import_module
    from importlib.metadata import PackageNotFoundError, version

    name, module, extra, purpose = library
    topic, package = ("extra", f"hubtack[{extra}]") if extra else ("library", "hubtack")
    cure = f'pip install "{package}"'
    try:
        import_module(module)
    except ImportError as error:
        broken = not isinstance(error, ModuleNotFoundError) or error.name != module.split(".")[0]
        if broken:
            words, cure = (
                f"{name} is installed and can't be loaded ({purpose})",
                f"pip install --force-reinstall {name}",
            )
        else:
            words = f"{name} is not installed ({purpose})"
        return Answer(topic, False, words, cure, needed=not extra)
    except Exception as error:
        words = f"{name} can't be loaded: {type(error).__name__} ({purpose})"
        return Answer(topic, False, words, f"pip install --force-reinstall {name}", needed=not extra)
    try:
        found = version(name)
    except PackageNotFoundError:
        found = "of unknown version"
    return Answer(topic, True, f"{name} {found} ({purpose})", needed=not extra)


def _browser() -> Answer:
    from hubtack.io.writers.browser import find_browser

    path = find_browser()
    if path:
        return Answer("browser", True, f"chromium at {path} (report.html to PDF: --write pdf)")
    cure = "Install chromium, or open report.html in any browser and print it to PDF."
    return Answer("browser", False, "There is no chromium (report.html to PDF: --write pdf)", cure)


def _font() -> Answer:
    """The font that network.png is drawn with; matplotlib brings it."""
    cure = "pip install --force-reinstall matplotlib"
    try:
        from matplotlib.font_manager import findfont

        findfont("DejaVu Sans", fallback_to_default=False)
    except Exception:  # matplotlib itself may be missing or broken; that line stands above
        return Answer("font", False, "The font of network.png is not found", cure)
    return Answer("font", True, "DejaVu Sans, the font of network.png")


def _writable(folder: Path, what: str, cure: str) -> Answer:
    try:
        handle, name = tempfile.mkstemp(prefix=".hubtack-", dir=folder)
        os.close(handle)
        os.unlink(name)
    except OSError as error:
        return Answer("folder", False, f"{what} can't be written to: {error.strerror}", cure, needed=True)
    return Answer("folder", True, f"{what} can be written to")


def _terminal() -> Answer:
    encoding = (sys.stdout.encoding or "").lower().replace("-", "")
    fine = encoding in ("utf8", "utf16", "cp65001")
    words = (
        "The terminal shows signs such as ✓ and σ"
        if fine
        else f"The terminal's encoding is {encoding or 'unknown'}"
    )
    return Answer("terminal", fine, words, "Set PYTHONIOENCODING=utf-8; plain letters are used until then.")

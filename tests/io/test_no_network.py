"""No command reaches out: what would make, connect or look up a socket is refused by the interpreter, and nothing asks.

Python's audit events are heard in a process of its own, for they can't be taken back; what is heard is proved first. (The PDF is
printed by another program; `test_pdf` holds that one to it.)
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from hubtack.io.writers.deliverables import DELIVERABLES

SAMPLES = Path(__file__).parents[2] / "sample_networks"
LOCAL = ",".join(d.name for d in DELIVERABLES.values() if not d.needs_crs and not d.needs_browser)
HEARING = """
import sys
def hear(event, words):
    if event.startswith("socket.") or event in ("urllib.Request", "http.client.connect", "ftplib.connect"):
        sys.stderr.write(f"REACHED OUT: {event}\\n")
        sys.stderr.flush()
        raise PermissionError(event)
sys.addaudithook(hear)
"""
COMMAND = HEARING + "from hubtack.io.cli import main\nmain(sys.argv[1:])\n"


def run(code: str, *words: object, folder: Path) -> subprocess.CompletedProcess[str]:
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join(p for p in sys.path if p))
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, words)], cwd=folder, env=environment, capture_output=True, text=True,
        timeout=300, check=False,
    )  # fmt: skip


@pytest.fixture
def jobs(tmp_path: Path) -> Path:
    for sample in ("braced-traverse", "by-hand", "moved-control"):
        shutil.copytree(SAMPLES / sample, tmp_path / sample, ignore=shutil.ignore_patterns("out"))
    return tmp_path


def test_a_socket_would_be_heard(tmp_path: Path) -> None:
    for attempt in ("import socket; socket.socket()", "import socket; socket.getaddrinfo('localhost', 80)",
                    "import urllib.request; urllib.request.urlopen('http://127.0.0.1:9')"):  # fmt: skip
        result = run(HEARING + attempt, folder=tmp_path)
        assert result.returncode == 1
        assert "REACHED OUT" in result.stderr


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (0, ("adjust", "braced-traverse", "--write", LOCAL)),
        (1, ("adjust", "braced-traverse", "moved-control", "--index", "all.html")),
        (0, ("adjust", "by-hand", "--json")),
        (None, ("plan", "braced-traverse")),
        (None, ("check", "moved-control")),
        (None, ("compare", "braced-traverse", "braced-traverse")),
        (1, ("diagnose", "moved-control", "1")),
        (0, ("explain", "braced-traverse", "22")),
        (0, ("centring", "--support", "pole-8")),
        (0, ("new", "fresh")),
        (None, ("doctor",)),
    ],
)
def test_no_command_opens_a_socket(code: int | None, words: tuple[str, ...], jobs: Path) -> None:
    result = run(COMMAND, *words, folder=jobs)
    assert "REACHED OUT" not in result.stderr
    assert result.returncode == code if code is not None else result.returncode in (0, 1), result.stderr
    assert result.stdout or result.stderr

"""hubtack doctor: its list is the project's, what is missing has a cure, and completion is click's own."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from hubtack.io import doctor
from hubtack.io.cli import cli
from hubtack.io.commands.doctor import COMPLETION

ROOT = Path(__file__).parents[2]


def project() -> dict[str, set[str]]:
    """Names of the dependencies, and of each extra, as pyproject.toml states them."""
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    groups = {"": stated["dependencies"], **stated["optional-dependencies"]}
    return {extra: {re.split(r"[\[<>=~! ]", name)[0] for name in names} for extra, names in groups.items()}


def test_every_library_of_the_project_is_asked_for() -> None:
    stated = project()
    for name, _, extra, _ in doctor.LIBRARIES:
        assert name in stated[extra], f"{name} does not come with {extra or 'hubtack'}"
    ours = ("all", "dev", "peers", "mutation")  # not for users
    wanted = set().union(*(names for extra, names in stated.items() if extra not in ours))
    assert {name for name, *_ in doctor.LIBRARIES} == wanted
    least = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["requires-python"]
    assert least == ">=" + ".".join(map(str, doctor.OLDEST_PYTHON))


def test_a_missing_extra_has_a_cure_and_is_no_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "python_calamine", None)
    done = CliRunner().invoke(cli, ["doctor"])
    assert done.exit_code == 0
    (line,) = [row for row in done.output.splitlines() if "python-calamine" in row]
    assert re.match(r"(✗|no) ", line)
    assert 'pip install "hubtack[xlsx]"' in line


def test_a_missing_library_is_a_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "networkx", None)
    done = CliRunner().invoke(cli, ["doctor", "--json"])
    assert done.exit_code == 2
    answers = json.loads(done.output)["answers"]
    assert [a["words"].split()[0] for a in answers if a["needed"] and not a["fine"]] == ["networkx"]


def test_a_folder_that_can_not_be_written_to(tmp_path: Path) -> None:
    answers = list(doctor.examine(tmp_path / "gone"))
    bad = [a for a in answers if a.topic == "folder" and not a.fine]
    assert [(a.needed, bool(a.cure)) for a in bad] == [(True, True)]
    assert all(a.cure for a in answers if not a.fine)


@pytest.mark.parametrize("shell", COMPLETION)
def test_the_shell_completes_commands(shell: str) -> None:
    """click answers both questions of a shell: the script, and what may follow `hubtack do`."""
    source = os.environ | {"_HUBTACK_COMPLETE": f"{shell}_source"}
    assert source["_HUBTACK_COMPLETE"] in COMPLETION[shell]
    run = [sys.executable, "-c", "from hubtack.io.cli import cli; cli(prog_name='hubtack')"]
    if shell != "bash":  # click asks the installed bash for its version first
        done = subprocess.run(run, env=source, capture_output=True, text=True, check=False)
        assert "_HUBTACK_COMPLETE" in done.stdout, done.stderr
    words = {"COMP_WORDS": "hubtack do", "COMP_CWORD": "do" if shell == "fish" else "1"}
    asked = os.environ | words | {"_HUBTACK_COMPLETE": f"{shell}_complete"}
    done = subprocess.run(run, env=asked, capture_output=True, text=True, check=False)
    assert "doctor" in done.stdout, done.stderr

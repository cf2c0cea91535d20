"""The command line: exit codes, streams, formats. The numbers come from a line levelled by hand."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from hubtack.io import cli as module
from hubtack.io.cli import cli
from hubtack.io.writers import ONLY_ON_EARTH, WRITERS

FILES = sorted(
    set(WRITERS) - ONLY_ON_EARTH - {"heights.png"}
)  # a levelling line has no heights of setups to draw
# Two level lines, 1 mm each, from two held benchmarks 2 m apart to a mark between them. The lines sum to 2.002 m, so
# each is corrected by −1 mm: the mark lies at 11.000 m with 1 mm / √2, and vᵀPv = 2 on one degree of freedom.
JOB = """format = 1
[job]
name = "Weir"
[units]
length = "m"
angle = "dms"
"""
MARKS = "mark,height,control\nA,10.000,held-h\nB,12.000,held-h\nP,,\n"
REDUCED = "id,kind,from,to,value,sigma\n1,rise,A,P,1.001,1 mm\n2,rise,P,B,{rise},1 mm\n"


@pytest.fixture
def job(tmp_path):
    return make(tmp_path / "weir")


def make(folder: Path, rise: str = "1.001", marks: str = MARKS, toml: str = JOB) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "job.toml").write_text(toml)
    (folder / "marks.csv").write_text(marks)
    (folder / "reduced.csv").write_text(REDUCED.format(rise=rise))
    return folder


def run(*arguments: object):
    return CliRunner().invoke(cli, [str(a) for a in arguments], catch_exceptions=False)


def hubtack(*arguments: object, **options):
    command = [sys.executable, "-m", "hubtack.io.cli", *(str(a) for a in arguments)]
    return subprocess.run(command, capture_output=True, timeout=60, **options)


def files(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


# -- adjust -----------------------------------------------------------------------------------------------------------


def test_line_levelled_by_hand(job):
    result = run("adjust", job)
    assert result.exit_code == 0, result.output
    assert "PASSES" in result.stdout
    assert result.stderr == ""
    assert files(job / "out") == FILES
    document = json.loads((job / "out" / "result.json").read_text())
    (mark,) = [m for m in document["marks"] if m["mark"] == "P"]
    assert mark["height"] == pytest.approx(11.0, abs=1e-9)
    assert mark["sigma_height"] == pytest.approx(1e-3 / 2**0.5, rel=1e-6)
    assert mark["east"] is None
    assert document["global_test"]["variance_factor"] == pytest.approx(2.0, rel=1e-6)
    assert [o["residual"] for o in document["observations"]] == pytest.approx([-1e-3, -1e-3], rel=1e-6)
    assert document["degrees_of_freedom"] == 1


def test_something_flagged_is_exit_1_and_still_written(tmp_path):
    job = make(tmp_path / "weir", rise="1.021")  # 22 mm of misclosure: w = 22 / √2
    result = run("adjust", job)
    assert result.exit_code == 1
    assert "FLAGGED" in result.stdout
    assert "15.6" in result.stdout
    assert files(job / "out") == FILES
    assert run("adjust", job, "--exit-zero").exit_code == 0


def test_raw_tables_are_not_touched(job):
    before = {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in job.iterdir()}
    run("adjust", job)
    after = {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in job.iterdir() if p.is_file()}
    assert after == before
    assert files(job) == sorted([*before, "out"])


def test_json_alone_and_no_file(job):
    result = run("adjust", job, "--json")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    assert document["job"] == "Weir"
    assert document["written"] == []
    assert "out" not in files(job)


def test_json_with_out_is_the_file(job, tmp_path):
    out = tmp_path / "elsewhere"
    result = run("adjust", job, "--json", "--out", out)
    assert result.stdout == (out / "result.json").read_text()
    assert files(out) == FILES
    assert "out" not in files(job)


def test_quiet_is_one_line(job):
    lines = run("adjust", job, "--quiet").stdout.splitlines()
    assert len(lines) == 1
    assert "Weir: PASSES" in lines[0]


@pytest.mark.parametrize(("name", "coloured"), [("FORCE_COLOR", True), ("NO_COLOR", False)])
def test_colour_is_had_or_not_as_asked(job, monkeypatch, name, coloured):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv(name, "1")
    assert ("\x1b[" in run("adjust", job).stdout) is coloured


def test_written_files_are_named(job):
    words = "".join(run("adjust", job).stdout.split())  # a long path is broken where the line ends
    assert f"{','.join(FILES)}in{job / 'out'}" in words


# -- what goes wrong --------------------------------------------------------------------------------------------------


def test_faults_are_listed_on_stderr_and_nothing_is_written(tmp_path):
    job = make(tmp_path / "weir", rise="one", marks=MARKS.replace("12.000", "twelve"))
    result = run("adjust", job)
    assert result.exit_code == 2
    assert result.stdout == ""
    *faults, last = result.stderr.splitlines()
    assert [f.split(" ")[0] for f in faults] == ["marks.csv:3:height:", "reduced.csv:3:value:"]
    assert all(f.split(" ")[1].startswith("TAB2") for f in faults)
    assert last.startswith("2 faults in 2 files.")
    assert "out" not in files(job)


def test_geometry_at_fault_names_the_mark(tmp_path):
    job = make(tmp_path / "weir", marks=MARKS + "Q,,\n")
    (job / "reduced.csv").write_text(
        "id,kind,from,to,value,sigma\n1,rise,A,B,2.001,1 mm\n2,horizontal,P,Q,5,1 mm\n"
    )
    result = run("adjust", job)
    assert result.exit_code == 2, result.output
    assert "NET3" in result.stderr
    assert "P" in result.stderr
    assert "singular" not in result.stderr.lower()
    assert "Traceback" not in result.stderr
    assert "out" not in files(job)


def test_faults_leave_the_last_result_alone(job):
    run("adjust", job)
    before = {p.name: p.read_bytes() for p in (job / "out").iterdir()}
    make(job, rise="one")
    assert run("adjust", job).exit_code == 2
    assert {p.name: p.read_bytes() for p in (job / "out").iterdir()} == before


def test_faults_as_json(tmp_path):
    job = make(tmp_path / "weir", rise="one")
    result = run("adjust", job, "--output-format", "json")
    assert result.exit_code == 2
    (fault,) = json.loads(result.stdout)["faults"]
    assert fault["file"] == "reduced.csv"
    assert (fault["row"], fault["column"]) == (3, "value")
    assert fault["code"].startswith("TAB")


def test_faults_as_annotations(tmp_path):
    job = make(tmp_path / "weir", rise='"100%, one"')
    result = run("adjust", job, "--output-format", "github")
    line = result.stderr.splitlines()[0]
    assert line.startswith(f"::error file={job.as_posix()}/reduced.csv,line=3,title=TAB")
    assert "100%25, one" in line


def test_folder_that_is_not_there(tmp_path):
    result = run("adjust", tmp_path / "nowhere")
    assert result.exit_code == 2
    assert "RUN401" in result.stderr


def test_out_folders_that_are_refused(job, tmp_path):
    assert "RUN404" in run("adjust", job, "--out", job).stderr
    assert "RUN404" in run("adjust", job, "--out", job / "marks").stderr
    foreign = tmp_path / "foreign"
    foreign.mkdir()
    (foreign / "letter.txt").write_text("dear")
    result = run("adjust", job, "--out", foreign)
    assert result.exit_code == 2
    assert "RUN403" in result.stderr
    assert files(foreign) == ["letter.txt"]
    assert run("adjust", job, "--out", foreign, "--force").exit_code == 0
    assert files(foreign) == sorted(["letter.txt", *FILES])


def test_disk_that_is_full(job, monkeypatch):
    import errno

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("hubtack.io.writers.residuals.write", full)
    result = run("adjust", job)
    assert result.exit_code == 2
    assert "RUN405" in result.stderr
    assert "no space left" in result.stderr
    assert "out" not in files(job)


def test_wrong_words_get_the_nearest_right_one():
    result = run("adjsut")
    assert result.exit_code == 2
    assert 'Is "adjust" meant?' in result.output


def test_version_is_that_of_the_project():
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"))[
        "project"
    ]
    assert run("--version").stdout.strip() == f"hubtack {project['version']}"


def test_explain():
    result = run("explain", "tab201")
    assert result.exit_code == 0
    assert "TAB201" in result.stdout
    assert "Cure" in result.stdout
    result = run("explain", "TAB20l")
    assert result.exit_code == 2
    assert "TAB20" in result.stderr
    assert result.stdout == ""


def test_every_code_of_this_side_is_explained():
    for code in ("RUN403", "RUN404", "RUN405"):
        assert run("explain", code).exit_code == 0


def test_every_help_opens_with_a_call_that_exists():
    for name, command in cli.commands.items():
        words = run(name, "--help").stdout
        first = next(line.strip() for line in words.splitlines()[1:] if line.strip())
        assert first.startswith(f"Example: hubtack {name} ")
        assert isinstance(command, click.Command)
    assert "Example: hubtack adjust" in run("--help").stdout


# -- the process ------------------------------------------------------------------------------------------------------


def leave(arguments, monkeypatch=None):
    """Exit code of `main`."""
    with pytest.raises(SystemExit) as caught:
        module.main([str(a) for a in arguments])
    return caught.value.code


def test_internal_error_is_told_without_traceback(job, monkeypatch, capsys):
    def broken(*_):
        raise ZeroDivisionError("seven")

    monkeypatch.delenv("HUBTACK_DEBUG", raising=False)
    monkeypatch.setattr("hubtack.adjust.adjust", broken)
    assert leave(["adjust", job]) == 3
    told = capsys.readouterr().err
    assert "ZeroDivisionError: seven" in told
    assert "report" in told
    assert "Traceback" not in told
    monkeypatch.setenv("HUBTACK_DEBUG", "1")
    assert leave(["adjust", job]) == 3
    assert "Traceback" in capsys.readouterr().err


def test_interrupted(job, monkeypatch, capsys):
    def stopped(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("hubtack.io.writers.setups.write", stopped)
    assert leave(["adjust", job]) == 130
    assert "Traceback" not in capsys.readouterr().err
    assert files(job) == ["job.toml", "marks.csv", "reduced.csv"]


def test_main_hands_on_the_codes(job, tmp_path, capsys):
    assert leave(["adjust", job, "-q"]) == 0
    assert leave(["adjust", make(tmp_path / "other", rise="1.021"), "-q"]) == 1
    assert leave(["adjust", make(tmp_path / "third", rise="one"), "-q"]) == 2
    assert leave(["adjust"]) == 2
    assert leave(["--version"]) == 0
    capsys.readouterr()


def test_closed_pipe_is_quiet(job):
    command = [sys.executable, "-m", "hubtack.io.cli", "adjust", str(job)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.close()
        told = process.stderr.read()
    assert told == b""
    assert process.returncode not in (0, 1, 2, 3), "codes that speak of the adjustment"
    assert files(job / "out") == FILES


def test_output_in_a_poor_encoding(job):
    make(job, toml=JOB.replace("Weir", "Çay → 雨"))
    done = hubtack("adjust", job, env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})
    assert done.returncode == 0, done.stderr
    assert done.stdout.isascii()
    assert json.loads(hubtack("adjust", job, "--json").stdout.decode("utf-8"))["job"] == "Çay → 雨"


def loaded(*arguments: object) -> set[str]:
    """Top-level modules that a call has imported when it ends."""
    script = (
        "import sys\nfrom hubtack.io import cli\n"
        "try:\n    cli.main(sys.argv[1:])\nexcept SystemExit:\n    pass\n"
        "print(*{m.partition('.')[0] for m in sys.modules}, file=sys.stderr)"
    )
    command = [sys.executable, "-c", script, *(str(a) for a in arguments)]
    return set(subprocess.run(command, capture_output=True, text=True, timeout=60, check=True).stderr.split())


HEAVY = {"pandas", "scipy", "networkx", "matplotlib", "jinja2", "rich", "tomlkit", "pyproj", "numba"}


def test_help_imports_click_and_nothing_more():
    assert not loaded("--help") & (HEAVY | {"numpy", "pydantic"})
    assert not loaded("adjust", "--help") & (HEAVY | {"numpy", "pydantic"})


def test_json_imports_nothing_heavy(job):
    modules = loaded("adjust", job, "--json")
    assert "numpy" in modules
    assert not modules & HEAVY


def test_killed_while_it_works(job):
    """out/ always holds one whole result: the readings of result.json are those of residuals.csv."""
    run("adjust", job)
    waits = random.Random(3)
    for n in range(6):
        make(job, rise=f"1.00{n}")
        process = subprocess.Popen(
            [sys.executable, "-m", "hubtack.io.cli", "adjust", str(job)], stdout=subprocess.DEVNULL
        )
        time.sleep(0.2 + 0.9 * waits.random())
        process.kill()
        process.wait()
        assert files(job / "out") == FILES
        document = json.loads((job / "out" / "result.json").read_text())
        observed = document["observations"][1]["observed"]
        assert f"{observed:.3f}" in (job / "out" / "residuals.csv").read_text()
        assert f"{observed:.3f}" in (job / "out" / "report.html").read_text()
    run("adjust", job)
    assert files(job) == ["job.toml", "marks.csv", "out", "reduced.csv"]

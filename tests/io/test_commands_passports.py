"""hubtack passports: in words and as TOML that the job's own reader takes."""

from __future__ import annotations

import re
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pytest
from tests.io.planned import run

from hubtack.adjust import adjust
from hubtack.adjust.checks.constants import freed, known
from hubtack.io.job import read_job

SAMPLES = Path(__file__).resolve().parents[2] / "sample_networks"


def test_two_days_in_words() -> None:
    result = run("passports", SAMPLES / "braced-traverse", SAMPLES / "free-stations")
    assert result.exit_code == 0
    assert "NOTHING needs checking" in result.stdout
    assert "cannot tell" in result.stdout
    assert max(len(line) for line in result.stdout.splitlines()) <= 80


def test_what_is_told_only_together() -> None:
    """One prism constant and the zero of the instrument: their difference is close to the true 17.5 mm."""
    out = " ".join(run("passports", SAMPLES / "braced-traverse", SAMPLES / "free-stations").stdout.split())
    assert "ts-a EDM zero less mini-prism prism constant: stated -17.50, found -17.32, sigma 0.16 mm" in out


def test_a_prism_mixed_up_all_day_needs_checking() -> None:
    """The sample in which one device bore another prism than was noted, by 17.5 mm."""
    result = run("passports", SAMPLES / "prism-mix-up")
    assert result.exit_code == 1
    assert "NEEDS CHECKING" in result.stdout
    assert "Flagged by itself" in result.stdout


def test_the_file_can_be_included(tmp_path: Path) -> None:
    """Written, read back by the job's own reader, and the constants with their covariance are those that were found."""
    target = tmp_path / "crew.toml"
    days = [SAMPLES / "braced-traverse", SAMPLES / "free-stations"]
    assert run("passports", *days, "--write", target).exit_code == 0
    shutil.copytree(days[0], tmp_path / "job")
    path = tmp_path / "job" / "job.toml"
    text = path.read_text(encoding="utf-8")
    before = read_job(tmp_path / "job").network
    cut = re.sub(
        r"(?ms)^\[(instruments|supports|targets)\.[^\n]*\n(?:(?!\[).)*", "", text
    )  # devices from the passport alone
    path.write_text(
        cut.replace("format = 1\n", 'format = 1\n[include]\nfiles = ["../crew.toml"]\n', 1), encoding="utf-8"
    )
    job = read_job(tmp_path / "job")
    n = job.network
    for name in before.supports.support:
        i, j = (x.supports.support.tolist().index(name) for x in (before, n))
        assert (
            n.supports.height_sigma[j] == before.supports.height_sigma[i]
        )  # nothing needs checking, so as stated
    freed_days = [read_job(d) for d in days]
    k = known([adjust(freed(d.network), d.settings) for d in freed_days])
    a = adjust(n, job.settings)
    assert a.solved is not None
    constants = a.solved.unknowns.constants
    spread = constants.mixing @ np.diag(constants.sigma_alone**2) @ constants.mixing.T
    key = {"zero": "distance_zero"}
    labels = [(c.label.rpartition(".")[0], key.get(c.name, c.name)) for c in constants]
    at = [[n[1:] for n in k.names].index(x) for x in labels]
    assert len(at) >= 4
    assert spread / np.outer(k.sigma[at], k.sigma[at]) == pytest.approx(
        k.correlation[np.ix_(at, at)], abs=1e-4
    )
    base = [float(n.targets.constant[c.owner]) * (c.name == "constant") for c in constants]
    values = np.array([c.value for c in constants]) + base
    assert values / k.sigma[at] == pytest.approx(k.value[at] / k.sigma[at], abs=1e-3)
    again = run("passports", *days, "--write", target)
    assert again.exit_code == 2
    assert "RUN451" in again.stderr


def test_toml_is_in_the_language_of_a_job() -> None:
    found = tomllib.loads(
        run("passports", SAMPLES / "braced-traverse", SAMPLES / "free-stations", "--toml").stdout
    )
    assert set(found) == {"format", "instruments", "supports", "targets", "together"}
    assert found["supports"]["low-stand"]["height_sigma"] == "0.2 mm"


def test_faults() -> None:
    assert run("passports").exit_code == 2
    assert run("passports", SAMPLES / "no-such-job").exit_code == 2

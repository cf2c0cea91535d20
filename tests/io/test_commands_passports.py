"""hubtack passports: in words and as TOML that the job's own reader takes."""

from __future__ import annotations

import tomllib
from pathlib import Path

from tests.io.planned import run

SAMPLES = Path(__file__).resolve().parents[2] / "sample_networks"


def test_two_days_in_words() -> None:
    result = run("passports", SAMPLES / "braced-traverse", SAMPLES / "free-stations")
    assert result.exit_code == 0
    assert "NOTHING needs checking" in result.stdout
    assert "cannot tell" in result.stdout
    assert max(len(line) for line in result.stdout.splitlines()) <= 80


def test_toml_is_in_the_language_of_a_job() -> None:
    found = tomllib.loads(
        run("passports", SAMPLES / "braced-traverse", SAMPLES / "free-stations", "--toml").stdout
    )
    assert set(found) == {"instruments", "supports"}
    assert set(found["instruments"]["ts-a"]) == {"direction", "distance", "zenith"}
    assert found["supports"]["low-stand"]["height_sigma"].endswith(" mm")


def test_faults() -> None:
    assert run("passports").exit_code == 2
    assert run("passports", SAMPLES / "no-such-job").exit_code == 2

"""README.md tells the truth: what it prints of a sample, its tables of keys and columns, the files it points to."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from tests.golden.readme_tables import PARTS, written

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_printed_summary_is_what_is_printed(tmp_path: Path) -> None:
    sample = ROOT / "sample_networks" / "braced-traverse"
    command = [sys.executable, "-m", "hubtack.io.cli", "adjust", str(sample), "--out", str(tmp_path / "out")]
    done = subprocess.run(command, capture_output=True, check=True, encoding="utf-8", env=plain_environment())
    printed = {line.rstrip() for line in done.stdout.splitlines()}
    block = next(b for b in re.findall(r"```\w*\n(.*?)```", README, re.S) if "PASSES" in b)
    told = [re.sub(r"\s{2,}\d$", "", line).rstrip() for line in block.splitlines()]
    assert [line for line in told if line.strip() not in ("", "…") and line not in printed] == []


def plain_environment() -> dict[str, str]:
    """UTF-8 and no colour, whatever the machine."""
    return os.environ | {"PYTHONUTF8": "1", "NO_COLOR": "1", "FORCE_COLOR": ""}


@pytest.mark.parametrize("part", PARTS)
def test_tables_of_columns_and_keys_are_the_readers(part: str) -> None:
    assert written(part) == PARTS[part](), "run: python -m tests.golden.readme_tables"


def test_links_lead_somewhere() -> None:
    links = re.findall(r"\]\(([^)#]+)\)", README)
    assert [link for link in links if "://" not in link and not (ROOT / link).exists()] == []

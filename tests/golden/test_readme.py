"""README.md tells the truth: what it prints of a sample, its tables of keys and columns, the files it points to."""

from __future__ import annotations

import dataclasses
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from hubtack.io import columns, jobkeys

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SECTIONS = {**jobkeys.SECTIONS, **jobkeys.NAMED, "decision": jobkeys.DecisionKeys}


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


@pytest.mark.parametrize("section", sorted(SECTIONS))
def test_every_key_of_a_job_is_told(section: str) -> None:
    heads = {"decision": "`[[decision]]`"} | {name: f"`[{name}.NAME]`" for name in jobkeys.NAMED}
    start = README.index(f"| {heads.get(section, f'`[{section}]`')} |")
    part = README[start : README.find("\n\n", start)]
    assert [f.name for f in dataclasses.fields(SECTIONS[section]) if f"`{f.name}`" not in part] == []


@pytest.mark.parametrize("table", sorted(columns.TABLES))
def test_every_column_of_a_table_is_told(table: str) -> None:
    row = next(line for line in README.splitlines() if line.startswith(f"| `{table}.csv` |"))
    cell = row.split("|")[2]
    needed = [name.strip() for part in cell.split("**")[1::2] for name in part.split(",")]
    told = [name.strip(" *") for name in cell.split(",")]
    assert sorted(told) == sorted(c.name for c in columns.TABLES[table])
    assert sorted(needed) == sorted(c.name for c in columns.TABLES[table] if c.required)


def test_links_lead_somewhere() -> None:
    links = re.findall(r"\]\(([^)#]+)\)", README)
    assert [link for link in links if "://" not in link and not (ROOT / link).exists()] == []

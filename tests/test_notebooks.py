"""The notebooks run, and show what their words say."""

from __future__ import annotations

import os
import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest

NOTEBOOKS = Path(__file__).resolve().parents[1] / "notebooks"
HANGS = 300  # s, for one cell: no measure of speed, a guard against waiting for ever


@cache
def run(name: str) -> Any:
    """A notebook executed in its folder by a kernel of this Python."""
    import jupytext
    from nbclient import NotebookClient

    os.environ.setdefault("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    notebook = jupytext.read(NOTEBOOKS / f"{name}.py")
    client = NotebookClient(
        notebook, timeout=HANGS, kernel_name="python3", resources={"metadata": {"path": str(NOTEBOOKS)}}
    )
    return client.execute()


def outputs(name: str) -> list[dict[str, Any]]:
    """What the cells show, each as its kinds (text/plain, image/svg+xml, …)."""
    shown: list[dict[str, Any]] = []
    for cell in run(name).cells:
        for out in cell.get("outputs", []):
            shown.append({"text/plain": out["text"]} if out["output_type"] == "stream" else dict(out["data"]))
    return shown


def text(name: str) -> str:
    return " ".join(" ".join(str(o.get("text/plain", "")).split()) for o in outputs(name))


def pictures(name: str) -> int:
    return sum("image/png" in o or "image/svg+xml" in o for o in outputs(name))


def prose(name: str) -> str:
    return " ".join(" ".join(c.source.split()) for c in run(name).cells if c.cell_type == "markdown")


def test_there_is_a_notebook_for_every_test() -> None:
    assert [p.stem for p in sorted(NOTEBOOKS.glob("*.py"))] == [
        "1_field_book_to_deliverable", "2_which_support", "3_a_wrong_height", "4_what_the_textbook_rule_hides", "5_two_epochs",
    ]  # fmt: skip


def test_field_book_to_deliverable() -> None:
    said = text("1_field_book_to_deliverable")
    assert "guessed: from_mark is 'Stn'" in said
    assert "PASSES" in said
    assert "R5 rests unchecked on" in said
    for file in ("report.html", "coordinates.csv", "layout_marks.csv", "network.gpkg"):
        assert file in said
    assert pictures("1_field_book_to_deliverable") == 1
    # R5's true coordinates, from the sample that the book was copied from, within three of its sigmas
    frame = next(
        o["text/html"]
        for o in outputs("1_field_book_to_deliverable")
        if "sigma east" in str(o.get("text/html", ""))
    )
    row = re.search(r"<th>R5</th>(.*?)</tr>", frame, re.S)
    assert row is not None
    east, north, height, *sigmas = [float(x) for x in re.findall(r"<td>([-\d.]+)</td>", row[1])[:6]]
    truth = next(
        line.split(",")[1:] for line in (NOTEBOOKS.parent / "sample_networks/siding/day/truth.csv").read_text().splitlines()
        if line.startswith("R5,")
    )  # fmt: skip
    for found, true, sigma in zip((east, north, height), map(float, truth), sigmas, strict=True):
        assert abs(found - true) < 3e-3 * sigma


def test_which_support() -> None:
    said = text("2_which_support")
    assert "MISSES the tolerance" in said
    assert "MEETS the tolerance, and every mark is checked" in said
    assert "R5, semi-major axis 34.3 mm" in said
    assert "34 mm instead of 3 mm" in prose("2_which_support")
    frame = next(
        str(o["text/html"]) for o in outputs("2_which_support") if "minutes" in str(o.get("text/html", ""))
    )
    assert re.search(r"<td>low-stand under targets</td>\s*<td>9.4</td>\s*<td>0.8</td>", frame)
    # the handbook's check value for 40′, half a millimetre, 1.5 m: 4.3633 mm
    assert "4.4 mm at 1.5 m" in prose("2_which_support")
    assert pictures("2_which_support") == 3


def test_a_wrong_height() -> None:
    said = text("3_a_wrong_height")
    assert "setup T07" in said
    assert said.count("PASSES") == 1  # once the height is put right
    assert pictures("3_a_wrong_height") == 1
    table = next(
        o["text/plain"] for o in outputs("3_a_wrong_height") if "w height" in str(o.get("text/plain", ""))
    )
    assert re.search(r"\nT07 ", table.split("setup", 1)[1])
    assert "The geometry cannot tell this from" in said.split("PASSES")[1]


def test_what_the_textbook_rule_hides() -> None:
    said = text("4_what_the_textbook_rule_hides")
    shares = [int(x) for x in re.findall(r"(\d+) % of the ellipses", said)]
    assert len(shares) == 2
    # 60 days of eight new marks: 95 % with a standard error of about two per cent, since marks of one day hang together
    assert 90 <= shares[0] <= 99
    assert shares[1] < 85
    assert "Y4 unchecked checked" in said
    assert pictures("4_what_the_textbook_rule_hides") == 1


def test_two_epochs() -> None:
    said = text("5_two_epochs")
    assert "MOVED: W3 has moved" in said
    assert "['W3'] T = 445.9" in said or "['W3'] T = 446.0" in said
    assert said.count("PASSES") == 2
    assert pictures("5_two_epochs") == 2


@pytest.mark.parametrize("name", [p.stem for p in sorted(NOTEBOOKS.glob("*.py"))])
def test_cells_are_short_and_nothing_is_told_on_stderr(name: str) -> None:
    for cell in run(name).cells:
        if cell.cell_type == "code":
            assert len(cell.source.splitlines()) <= 32
            assert not [o for o in cell.get("outputs", []) if o.get("name") == "stderr"]

"""The points of a LandXML file as marks: text is "north east [height]"; control where the file says so."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from ..units import quoted
from .xmlfile import everywhere, line_of

if TYPE_CHECKING:
    from lxml.etree import _Element

Fault = Callable[["_Element", str, str, str, str], None]  # element, column, code, found, wanted


def read_points(
    root: _Element, length: Callable[[str], str], fault: Fault
) -> dict[str, tuple[dict[str, str], int]]:
    """The CgPoints that have a name, as rows of marks with their lines; a doubled one that differs is a fault."""
    points = {p.get("name", ""): p for p in everywhere(root, "CgPoint") if p.get("name")}
    marks: dict[str, tuple[dict[str, str], int]] = {}
    for point in everywhere(root, "CgPoint"):
        name = str(point.get("name", "")).strip()
        if not name:
            continue
        texts = _numbers(point)
        if not texts and point.get("pntRef") in points:
            texts = _numbers(points[str(point.get("pntRef"))])
        north, east, height = ([*texts, "", "", ""])[:3]
        row = {
            "mark": name,
            "east": length(east),
            "north": length(north),
            "height": length(height),
        }
        if point.get("pntSurv") == "control" and texts:
            _control(point, row, length)
        if name not in marks or (not marks[name][0]["east"] and east):
            marks[name] = (row, line_of(point))
        elif east and (row["east"], row["north"]) != (marks[name][0]["east"], marks[name][0]["north"]):
            found = f"{quoted(name)} is there twice, with other coordinates; the first is at line {marks[name][1]}"
            fault(point, "name", "TAB209", found, "Keep one of the two.")
    return marks


def _control(point: _Element, row: dict[str, str], length: Callable[[str], str]) -> None:
    """Control: weighted by its standard errors where they are stated, else held."""
    letters = "enh" if row["height"] else "en"
    names = {"e": "east", "n": "north", "h": "height"}
    stated = {"e": "eastingStdError", "n": "northingStdError", "h": "elevationStdError"}
    sigmas = {x: str(point.get(stated[x], "")).strip() for x in letters}
    if all(s and s.strip("0.") for s in sigmas.values()):
        row["control"] = f"weighted-{letters}"
        row |= {f"sigma_{names[x]}": length(s) for x, s in sigmas.items()}
    else:
        row["control"] = f"held-{letters}"


def _numbers(point: _Element) -> list[str]:
    return (point.text or "").split()

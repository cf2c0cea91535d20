"""What a LandXML file of ours says, read by a small reader written for the tests, with nothing of the project's."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lxml import etree

from hubtack.adjust import adjust
from hubtack.io.faults import Fault, Faults
from hubtack.io.job import read_job
from hubtack.io.writers import landxml

NS = {"x": "http://www.landxml.org/schema/LandXML-1.2"}
TURN = {"decimal degrees": math.pi / 180, "grads": math.pi / 200}
LINEAR = {"meter": 1.0, "foot": 0.3048, "USSurveyFoot": 1200 / 3937}
QUANTITY = {"mm": 1e-3, "m": 1.0, "arcsec": math.pi / 648_000, "rad": 1.0, "ppm": 1e-6}


class Found:
    """What a file says, in SI, read with nothing of the project's."""

    def __init__(self, path: Path) -> None:
        parser = etree.XMLParser(resolve_entities=False, no_network=True)
        self.root = etree.parse(str(path), parser).getroot()
        units = self.root.find("x:Units", NS)[0]
        self.metres, self.turn = LINEAR[units.get("linearUnit")], units.get("angularUnit")

    def all(self, path: str) -> list[Any]:
        return self.root.findall(path, NS)

    def features(self, what: str) -> list[dict[str, str]]:
        return [
            facts(f) for f in self.root.iterfind(".//x:Feature", NS) if f.get("code") == f"hubtack {what}"
        ]

    def named(self, what: str) -> dict[str, dict[str, str]]:
        elements = self.root.iterfind(".//x:Feature", NS)
        return {f.get("name"): facts(f) for f in elements if f.get("code") == f"hubtack {what}"}

    def length(self, text: str | None) -> float:
        return float(text) * self.metres if text else math.nan

    def angle(self, text: str | None) -> float:
        if not text:
            return math.nan
        if self.turn in TURN:
            return float(text) * TURN[self.turn]
        sign, degrees, digits = re.fullmatch(r"(-?)(\d+)\.(\d{4,})", text).groups()
        minutes, seconds = int(digits[:2]), float(f"{digits[2:4]}.{digits[4:] or '0'}")
        assert minutes < 60
        assert seconds < 60
        value = (int(degrees) * 3600 + minutes * 60 + seconds) * (math.pi / 648_000)
        return -value if sign else value


def facts(element: Any) -> dict[str, str]:
    properties = [(p.get("label"), p.get("value")) for p in element.findall("x:Property", NS)]
    assert len(dict(properties)) == len(properties) or element.get("code") == "hubtack datum"
    return dict(properties)


def quantity(text: str | None) -> float:
    if not text:
        return math.nan
    number, unit = text.split(" ")
    return float(number) * QUANTITY[unit]


def write(adjustment: Any, job: Any, folder: Path) -> Found:
    landxml.write(adjustment, job, folder)
    return Found(folder / "network.xml")


def equal(found: Any, wanted: Any, exactly: bool = True) -> bool:
    """Arrays equal with NaN alike. Lengths in feet can be one last place off."""
    a, b = np.array(found, dtype=float), np.array(wanted, dtype=float)
    if exactly:
        return np.array_equal(a, b, equal_nan=True)
    return np.allclose(a, b, rtol=4e-16, atol=0.0, equal_nan=True)


def written(folder: Path, out: Path) -> Path:
    """A job adjusted and written as LandXML by the writer."""
    job = read_job(folder)
    out.mkdir()
    landxml.write(adjust(job.network, job.settings), job, out)
    return out / landxml.FILE


def faults(path: Path) -> list[Fault]:
    """What is told of a file that can't be read."""
    with pytest.raises(Faults) as caught:
        read_job(path)
    return caught.value.faults


def told(path: Path) -> list[tuple[str, str]]:
    """The same as places and codes."""
    return [(f.place, f.code) for f in faults(path)]

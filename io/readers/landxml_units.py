"""The units of a LandXML file, and its numbers as cells of a job's tables."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..faults import FaultList
from ..units import Units, quoted
from .bookunits import converter, unpack
from .xmlfile import children, first, line_of

if TYPE_CHECKING:
    from lxml.etree import _Element

LENGTHS = {"millimeter": "mm", "centimeter": "cm", "meter": "m", "kilometer": "km",
           "foot": "ft", "ussurveyfoot": "us-ft", "inch": "in"}  # fmt: skip
ANGLES = {"radians": "rad", "grads": "gon", "decimal degrees": "deg", "decimal dd.mm.ss": "packed"}


@dataclass(frozen=True)
class FileUnits:
    """What the numbers of a file are in. Angles and directions (azimuths) may differ; absent, both are radians."""

    length: str = "m"
    angle: str = "rad"
    direction: str = "rad"

    @property
    def job_length(self) -> str:
        """The unit that a job of this file is best written in."""
        return self.length if self.length in ("m", "ft", "us-ft") else "m"

    @property
    def job_angle(self) -> str:
        """The same for angles."""
        return self.angle if self.angle in ("deg", "gon") else "dms"


def units_of(root: _Element, file: str, faults: FaultList) -> FileUnits | None:
    """The units; None with a fault where they can't be told."""
    units = (
        first(root, "Units")
        if first(root, "Units") is not None
        else first(root, "Survey", "SurveyHeader", "Units")
    )
    kind = next(children(units, "Metric", "Imperial"), None) if units is not None else None
    if kind is None:
        found = "The file states no unit of lengths"
        faults.add(file, line_of(root), "", "RUN436", found, "LandXML needs Units with Metric or Imperial.")
        return None
    stated = kind.get("linearUnit", "")
    length = LENGTHS.get(stated.casefold(), "")
    angles = [kind.get(name, "radians") for name in ("angularUnit", "directionUnit")]
    for name, text, known in (
        ("linearUnit", stated, length),
        ("angularUnit", angles[0], ANGLES.get(angles[0].casefold(), "")),
        ("directionUnit", angles[1], ANGLES.get(angles[1].casefold(), "")),
    ):
        if not known:
            found = f"{name} {quoted(text)} is not read" if text else f"There is no {name}"
            wanted = f"Known are {', '.join(LENGTHS if name == 'linearUnit' else ANGLES)}."
            faults.add(file, line_of(kind), name, "RUN436", found, wanted)
            return None
    return FileUnits(length, *(ANGLES[a.casefold()] for a in angles))


def cells_in(
    units: Units, file: FileUnits
) -> tuple[Callable[[str], str], Callable[[str], str], Callable[[str], str]]:
    """What makes a cell of a length, an angle and a direction of the file."""

    def make(unit: str) -> Callable[[str], str]:
        if unit == "packed":
            return lambda text: unpack(text) or text.strip()
        convert = converter(unit, units)
        return (lambda text: convert(text.strip()) if text.strip() else "") if convert else str.strip

    return make(file.length), make(file.angle), make(file.direction)

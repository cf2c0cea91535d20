"""The GPSVectors of a LandXML file as rows of vectors.csv, for jobs of the earth frame.

    GPSVector           dX, dY, dZ between the GPSSetups setupID_A and setupID_B, in the file's unit of lengths
    GPSQCInfoLevel2     its covariance, taken in the square of that unit: the format fixes none
    GPSSetup            stationName the mark, antennaHeight over it

Vectors are taken as reduced to the marks, as the processing of receivers leaves them (common practice, no source). Where
[source] states an antenna_support they run between antennas, which become target setups with their heights. A vector
without a covariance is counted and left out: its weight would be a guess.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from hubtack.io.units import METRES, quoted

from .landxml_units import FileUnits
from .xmlfile import children, everywhere, first, line_of

if TYPE_CHECKING:
    from lxml.etree import _Element

    from .landxml_survey import Stand

COVARIANCE = {
    "cov_11": "covarianceXX", "cov_12": "covarianceXY", "cov_13": "covarianceXZ", "cov_22": "covarianceYY",
    "cov_23": "covarianceYZ", "cov_33": "covarianceZZ",
}  # fmt: skip
Rows = list[tuple[dict[str, str], int]]
Fault = Callable[["_Element", str, str, str, str], None]


class Vectors:
    """The vectors of a survey: rows of vectors.csv, of setups.csv for the antennas, and the ends between marks by line."""

    def __init__(
        self, survey: _Element, length: Callable[[str], str], in_file: FileUnits, stand: Stand, fault: Fault
    ) -> None:
        self.rows: Rows = []
        self.setups: Rows = []
        self.marks: dict[str, int] = {}
        self.notes: list[str] = []
        self._fault, self._length, self._stand = fault, length, stand
        self._square = METRES[in_file.length] ** 2
        self._stations = self._gps_setups(survey)
        found = list(everywhere(survey, "GPSVector"))
        if not found:
            return
        if not stand.geocentric:
            many = f"{len(found)} GPSVector" + "s" * (len(found) > 1)
            self.notes.append(
                f'Not read: {many}, which are geocentric. Write frame = "earth" and crs in [site] of job.toml for them.'
            )
            return
        bare = 0
        for vector in found:
            terms = self._covariance(vector)
            if terms is None:
                bare += 1
            else:
                self._row(vector, terms)
        if bare:
            self.notes.append(f"{bare} GPSVectors have no covariance (GPSQCInfoLevel2), and are left out.")
        if self.rows:
            self._told()

    def _gps_setups(self, survey: _Element) -> dict[str, tuple[str, _Element]]:
        out: dict[str, tuple[str, _Element]] = {}
        for setup in everywhere(survey, "GPSSetup"):
            name = str(setup.get("id", "")).strip()
            point = first(setup, "TargetPoint")
            mark = str(setup.get("stationName", "")).strip()
            if point is not None:
                mark = str(point.get("pntRef") or point.get("name") or mark).strip()
            if name and mark:
                out.setdefault(name, (mark, setup))
        return out

    def _covariance(self, vector: _Element) -> dict[str, str] | None:
        """The six terms in m²; None where there are none."""
        info = next(children(vector, "GPSQCInfoLevel2"), None)
        if info is None or not all(info.get(COVARIANCE[k]) for k in ("cov_11", "cov_22", "cov_33")):
            return None
        terms = {}
        for column, name in COVARIANCE.items():
            text = str(info.get(name, "")).strip()
            try:
                terms[column] = repr(float(text) * self._square) if text else ""
            except ValueError:
                self._fault(
                    info, name, "TAB206", f"{quoted(text)} is not a number", "Write one such as 2.5e-6."
                )
                return {}
        return terms

    def _row(self, vector: _Element, terms: dict[str, str]) -> None:
        ends: list[str] = []
        for label in ("setupID_A", "setupID_B"):
            name = str(vector.get(label, "")).strip()
            if name not in self._stations:
                found = f"There is no GPSSetup {quoted(name)}" if name else f"The GPSVector has no {label}"
                self._fault(
                    vector, label, "TAB211", found, "A vector runs between two GPSSetups of the file."
                )
                return
            ends.append(self._end(name))
        d = {c: self._length(str(vector.get(a, ""))) for c, a in (("dx", "dX"), ("dy", "dY"), ("dz", "dZ"))}
        row = {"id": f"G{len(self.rows) + 1}", "from": ends[0], "to": ends[1], **d, **terms}
        note = str(vector.get("startTime") or vector.get("purpose") or "").strip()
        if note:
            row["note"] = note
        self.rows.append((row, line_of(vector)))

    def _end(self, name: str) -> str:
        """A mark; or an antenna's setup, made when it is first met."""
        mark, element = self._stations[name]
        self.marks.setdefault(mark, line_of(element))
        if not self._stand.antenna_support:
            return mark
        own = f"gps {name}" if name == mark else name
        if all(row["setup"] != own for row, _ in self.setups):
            height = self._length(str(element.get("antennaHeight", "")).strip())
            self.setups.append(
                (
                    {"setup": own, "role": "target", "mark": mark, "support": self._stand.antenna_support,
                     "device": "", "height": height or "0"},
                    line_of(element),
                )
            )  # fmt: skip
        return own

    def _told(self) -> None:
        if self._stand.antenna_support:
            what = "run between antennas at the heights of their GPSSetups"
        else:
            what = "are taken as reduced to the marks; if they run between antennas, state antenna_support in [source]"
        self.notes.append(
            f"{len(self.rows)} GPSVectors {what}. Their covariances are read in the file's unit of lengths."
        )

"""The Survey of a foreign LandXML file as tables: setups and sights, reduced observations, points.

    InstrumentSetup     instrument setup under its id; instrumentHeight 0 means unknown (the schema demands one)
    RawObservation      a sight: horizAngle the circle reading, setID the round, directFace the face; unused or deleted ones
                        are left out by a decision, never dropped
    TargetSetup         carries no point: an observation's TargetPoint says the mark. One id at several marks or heights is
                        several setups
    Backsight           a sight with a circle reading alone, unless the same reading is there as an observation
    ReducedObservation  azimuth and horizontal distance between the marks of two InstrumentSetups
    CgPoint             a mark, "north east [height]"; pntSurv="control" makes it control, weighted where it has standard errors

    GPSVector           see `landxml_vectors`

The rest is counted in a remark: positions in latitude and longitude, arcs.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from hubtack.io.readers.columns import GEOCENTRIC
from hubtack.io.readers.tables import TextTable

from ..faults import FaultList, listed
from ..units import Units, quoted
from .landxml_own import spots
from .landxml_points import read_points
from .landxml_units import FileUnits, cells_in
from .landxml_vectors import Vectors
from .visits import Visits
from .xmlfile import children, everywhere, first, line_of, local

if TYPE_CHECKING:
    from lxml.etree import _Element

SKIPPED = ("GPSPosition", "LaserSetup", "ReducedArcObservation", "RedHorizontalPosition",
           "RedVerticalObservation", "PointResults")  # fmt: skip
NO_OFFSET = ("", "0", "0.0", "0.00", "0.000", "0.0000")


@dataclass(frozen=True)
class Stand:
    """What a LandXML file does not say and [source] may: supports, devices, sigmas of reduced observations."""

    instruments: tuple[str, ...] = ()
    from_support: str = ""
    to_support: str = ""
    to_device: str = ""
    antenna_support: str = ""  # of GPSSetups, where vectors run between antennas
    geocentric: bool = False  # whether the job stands on the earth
    azimuth_sigma: str = ""
    horizontal_sigma: str = ""


@dataclass
class Survey:
    """What was read. `left_out` are decisions: what, why, and the line."""

    tables: dict[str, TextTable] = field(default_factory=dict)
    left_out: list[tuple[str, str, int]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    reduced: int = 0  # reduced observations


@dataclass
class _Sight:
    """One observation before its target setup has a name."""

    element: _Element
    start: str
    mark: str
    height: str
    target_id: str
    constant: str
    cells: dict[str, str]


def read_survey(
    root: _Element, file: str, units: Units, in_file: FileUnits, stand: Stand, faults: FaultList
) -> Survey:
    """Everything of the file that a job can hold."""
    return _Reader(root, file, units, in_file, stand, faults).read()


class _Reader:
    def __init__(
        self, root: _Element, file: str, units: Units, in_file: FileUnits, stand: Stand, faults: FaultList
    ) -> None:
        self.root, self.file, self.stand, self.faults = root, file, stand, faults
        self.length, self.angle, self.direction = cells_in(units, in_file)
        self.in_file = in_file
        self.survey = Survey()
        self.setup_rows: list[tuple[dict[str, str], int]] = []
        self.stations: dict[str, str] = {}  # id of an InstrumentSetup → its mark
        self.targets: dict[str, _Element] = {}
        self.unknown_height: list[str] = []

    def read(self) -> Survey:
        survey = first(self.root, "Survey")
        marks = read_points(self.root, self.length, self._fault)
        if survey is not None:
            self._setups(survey)
            rows = self._name_targets(self._sights(survey))
            reduced = self._reduced(survey)
            self._factors(survey)
            vectors = Vectors(survey, self.length, self.in_file, self.stand, self._fault)
            self.survey.notes += vectors.notes
            self.setup_rows += vectors.setups
            named = [r["mark"] for r, _ in self.setup_rows] + [
                r[c] for r, _ in reduced for c in ("from", "to")
            ]
            places = [n for _, n in self.setup_rows] + [n for _, n in reduced for _ in ("from", "to")]
            lines = dict(zip(reversed(named), reversed(places), strict=True))  # where each is first named
            for mark, line in vectors.marks.items():
                named.append(mark)
                lines.setdefault(mark, line)
            for mark in dict.fromkeys(named):
                if mark and mark not in marks:
                    marks[mark] = ({"mark": mark}, lines[mark])
            self._keep("setups", self.setup_rows, ("setup", "role", "mark", "support", "device", "height"))
            self._keep("sights", rows, ("id", "from", "to", "round", "face"))
            self._keep("reduced", reduced, ("id", "kind", "from", "to", "value", "sigma"))
            self._keep(
                "vectors", vectors.rows, ("id", "from", "to", *GEOCENTRIC, "cov_11", "cov_22", "cov_33")
            )
        self._keep("marks", list(marks.values()), ("mark", "east", "north", "height", "control"))
        skipped = Counter(local(e) for e in everywhere(self.root, *SKIPPED))
        if skipped:
            said = ", ".join(f"{n} {name}" for name, n in sorted(skipped.items()))
            self.survey.notes.append(f"Not read: {said}.")
        if self.unknown_height:
            said = listed(self.unknown_height)
            self.survey.notes.append(f"instrumentHeight 0 is taken as unknown at {said}.")
        return self.survey

    def _keep(self, name: str, rows: list[tuple[dict[str, str], int]], always: tuple[str, ...]) -> None:
        if not rows:
            return
        keys = [*always, *dict.fromkeys(k for row, _ in rows for k in row if k not in always)]
        lines = [line for _, line in rows]
        columns = {k: [row.get(k, "") for row, _ in rows] for k in keys}
        self.survey.tables[name] = TextTable(f"{name}.csv", columns, lines, spots=spots(self.file, lines))

    def _fault(self, element: _Element, column: str, code: str, found: str, wanted: str) -> None:
        self.faults.add(self.file, line_of(element), column, code, found, wanted)

    # -- setups --

    def _point(self, parent: _Element, name: str) -> str:
        """The mark that an InstrumentPoint, TargetPoint or BacksightPoint names."""
        point = first(parent, name)
        if point is None:
            return ""
        return str(point.get("pntRef") or point.get("name") or "").strip()

    def _setups(self, survey: _Element) -> None:
        seen: dict[str, int] = {}
        groups = everywhere(survey, "ObservationGroup")
        grouped = {
            str(g.get("setupID", "")).strip() for g in groups if first(g, "RawObservation") is not None
        }
        for setup in everywhere(survey, "InstrumentSetup", "TargetSetup"):
            name = str(setup.get("id", "")).strip()
            if name in seen and name:
                found = f"The id {quoted(name)} is there twice; the first is at line {seen[name]}"
                self._fault(setup, "id", "TAB209", found, "An id names one element of the file.")
            seen.setdefault(name, line_of(setup))
            if local(setup) == "TargetSetup":
                self.targets.setdefault(name, setup)
                continue
            mark = self._point(setup, "InstrumentPoint") or str(setup.get("stationName", "")).strip()
            if not name or not mark:
                self._fault(
                    setup, "id", "TAB208", "The InstrumentSetup has no id, or no mark", "Both are needed."
                )
                continue
            height = str(setup.get("instrumentHeight", "")).strip()
            if height in NO_OFFSET:
                self.unknown_height += [name] if height else []
                height = ""
            self.stations[name] = mark
            sighted = next(everywhere(setup, "RawObservation", "Backsight"), None)
            if sighted is None and name not in grouped:
                continue  # an end of reduced observations: nothing stood there that matters
            details = str(setup.get("instrumentDetailsID", ""))
            device = details if details in self.stand.instruments else (*self.stand.instruments, "")[0]
            row = {"setup": name, "role": "instrument", "mark": mark, "support": self.stand.from_support,
                   "device": device, "height": self.length(height)}  # fmt: skip
            self.setup_rows.append((row, line_of(setup)))
            if setup.get("status") == "deleted":
                self.survey.left_out.append((f"setup {name}", "status deleted", line_of(setup)))

    # -- sights --

    def _sights(self, survey: _Element) -> list[_Sight]:
        sights: list[_Sight] = []
        rounds: dict[str, dict[str, str]] = {}  # of each setup: free text of setID → number
        for setup in everywhere(survey, "InstrumentSetup", "ObservationGroup"):
            grouped = local(setup) == "ObservationGroup"
            start = str(setup.get("setupID" if grouped else "id", "")).strip()
            parent = setup.getparent()
            if grouped and not start and parent is not None:
                start = str(parent.get("id", ""))
            mine = [self._sight(e, setup, start, rounds) for e in children(setup, "RawObservation")]
            sights += [s for s in mine if s is not None]
            if not grouped:
                circles = {(s.mark, s.cells.get("circle")) for s in mine if s is not None}
                for element in children(setup, "Backsight"):
                    mark, circle = (
                        self._point(element, "BacksightPoint"),
                        self.angle(element.get("circle", "")),
                    )
                    if mark and circle and (mark, circle) not in circles:
                        cells = {"id": f"{start}.backsight", "round": "1", "face": "1", "circle": circle}
                        height = self.length(element.get("targetHeight", ""))
                        sights.append(_Sight(element, start, mark, height, "", "", cells))
        ids = Counter(s.cells["id"] for s in sights)
        if any(n > 1 for n in ids.values()):
            for number, sight in enumerate(sights, 1):
                sight.cells["id"] = str(number)
        return sights

    def _sight(
        self, e: _Element, group: _Element, start: str, rounds: dict[str, dict[str, str]]
    ) -> _Sight | None:
        """One RawObservation; None with a fault where its ends can't be told."""
        start = str(e.get("setupID", "")).strip() or start
        mark = self._point(e, "TargetPoint")
        if start not in self.stations or not mark:
            what = "TargetPoint" if start in self.stations else "setupID of an InstrumentSetup"
            self._fault(
                e, "setupID", "TAB211", f"The observation has no {what}", "Both its ends must be named."
            )
            return None
        target_id = str(e.get("targetSetupID") or group.get("targetSetupID") or "").strip()
        target = self.targets.get(target_id)
        height = str(e.get("targetHeight", "")).strip()
        constant = ""
        if target is not None:
            other = str(target.get("targetHeight", "")).strip()
            if height and other and _differ(height, other):
                note = "An observation's targetHeight differs from its TargetSetup's; the observation's is taken."
                if note not in self.survey.notes:
                    self.survey.notes.append(note)
            height = height or other
            constant = self.length(str(target.get("prismConstant", "")))
        set_id = str(e.get("setID") or group.get("setID") or "").strip()
        if not (set_id.isascii() and set_id.isdigit() and 0 < len(set_id) < 6 and int(set_id) > 0):
            mine = rounds.setdefault(start, {})
            set_id = mine.setdefault(set_id, str(len(mine) + 1))
        zenith = self.angle(e.get("zenithAngle", ""))
        face = {"true": "1", "1": "1", "false": "2", "0": "2"}.get(str(e.get("directFace", "")).strip(), "")
        cells = {
            "id": str(e.get("oID") or line_of(e)),
            "round": set_id,
            "face": face or self._face(e.get("zenithAngle", "")),
            "circle": self.angle(e.get("horizAngle", "")),
            "zenith": zenith,
            "slope": self.length(e.get("slopeDistance", "")),
            "horizontal": self.length(e.get("horizDistance", "")),
            "time": str(e.get("timeStamp", "")),
        }
        if cells["slope"]:
            cells["horizontal"] = ""  # computed from the slope distance
        return _Sight(e, start, mark, self.length(height), target_id, constant, cells)

    def _face(self, zenith: str) -> str:
        """Told from the zenith angle where directFace is silent."""
        half = {"deg": 180.0, "packed": 180.0, "gon": 200.0, "rad": 3.141592653589793}[self.in_file.angle]
        try:
            return "2" if float(zenith) > half else "1"
        except ValueError:
            return "1"

    def _name_targets(self, sights: list[_Sight]) -> list[tuple[dict[str, str], int]]:
        """Names the target setups; the rows of sights."""
        # of each id: mark → heights in the order in which they come, each with its number
        kinds: dict[str, dict[str, dict[str, int]]] = {}
        for s in sights:
            if s.target_id:
                heights = kinds.setdefault(s.target_id, {}).setdefault(s.mark, {})
                heights.setdefault(s.height, len(heights) + 1)
        visits = Visits(lambda *_: None)
        made: set[str] = set()
        rows = []
        for row, s in enumerate(sights):
            if s.target_id:
                name, heights = s.target_id, kinds[s.target_id][s.mark]
                if len(kinds[s.target_id]) > 1 or len(heights) > 1:
                    name = f"{name}@{s.mark}"
                if len(heights) > 1:
                    name = f"{name}#{heights[s.height]}"
            else:
                visits.instrument(row, s.start, {"mark": self.stations[s.start]})
                name = visits.target(row, "", {"mark": s.mark, "height": s.height}).name
            if name not in made:
                made.add(name)
                cells = {"setup": name, "role": "target", "mark": s.mark, "support": self.stand.to_support,
                         "device": self.stand.to_device, "height": s.height}  # fmt: skip
                if s.constant:
                    cells["prism_constant"] = s.constant
                self.setup_rows.append((cells, line_of(s.element)))
            rows.append((s.cells | {"from": s.start, "to": name}, line_of(s.element)))
            self._leave_out(s)
        if visits.inferred:
            self.survey.notes.append(f"{visits.inferred} target setups without a targetSetupID are inferred.")
        return rows

    def _leave_out(self, sight: _Sight) -> None:
        e, why = sight.element, ""
        if str(e.get("unused", "")).strip() in ("true", "1"):
            why = "unused"
        elif e.get("status") == "deleted":
            why = "status deleted"
        offsets = first(e, "OffsetVals")
        if offsets is not None and any(
            str(offsets.get(k, "")).strip() not in NO_OFFSET
            for k in ("offsetInOut", "offsetLeftRight", "offsetUpDown")
        ):
            why = why or "an offset point: the sight does not end at the mark"
        if why:
            self.survey.left_out.append((f"sight {sight.cells['id']}", why, line_of(e)))

    # -- reduced observations --

    def _reduced(self, survey: _Element) -> list[tuple[dict[str, str], int]]:
        rows: list[tuple[dict[str, str], int]] = []
        number = 0
        passed = 0
        for e in everywhere(survey, "ReducedObservation"):
            ends = [str(e.get("setupID", "")).strip()]
            ends.append(str(e.get("targetSetup2ID") or e.get("targetSetupID") or "").strip())
            if any(end not in self.stations for end in ends):
                found = f"The observation runs from {quoted(ends[0])} to {quoted(ends[1])}"
                self._fault(e, "setupID", "TAB211", found, "Both must be ids of InstrumentSetups.")
                continue
            number += 1
            name = str(e.get("name") or e.get("oID") or f"R{number}")
            at = {"from": self.stations[ends[0]], "to": self.stations[ends[1]], "at": ""}
            values = (
                ("azimuth", self.direction(e.get("azimuth", "")), self.stand.azimuth_sigma),
                ("horizontal", self.length(e.get("horizDistance", "")), self.stand.horizontal_sigma),
            )
            found_any = False
            for kind, value, sigma in values:
                if value:
                    found_any = True
                    row = {"id": f"{name}.{kind}", "kind": kind, **at, "value": value, "sigma": sigma}
                    rows.append((row, line_of(e)))
                    if e.get("status") == "deleted" or e.get("unused") in ("true", "1"):
                        self.survey.left_out.append(
                            (f"observation {name}.{kind}", "unused or deleted", line_of(e))
                        )
            passed += not found_any
        ids = Counter(row["id"] for row, _ in rows)
        if any(n > 1 for n in ids.values()):
            for i, (row, _) in enumerate(rows, 1):
                row["id"] = f"R{i}.{row['kind']}"
        if rows:
            self.survey.reduced = number
            self.survey.notes.append(
                f"{number} ReducedObservations are taken as azimuths, clockwise from north, and horizontal distances."
            )
        if passed:
            self.survey.notes.append(
                f"{passed} ReducedObservations hold neither azimuth nor horizDistance; not read."
            )
        return rows

    def _factors(self, survey: _Element) -> None:
        """What the file says was done to its distances already: told, never applied again."""
        header = first(survey, "SurveyHeader")
        if header is None:
            return
        done = [
            k
            for k in ("applyAtmosphericCorrection", "applySeaLevelCorrection")
            if header.get(k) in ("true", "1")
        ]
        done += [
            f"{k} {header.get(k)}"
            for k in ("scaleFactor", "seaLevelCorrectionFactor", "combinedFactor")
            if str(header.get(k, "1")).strip().rstrip("0").rstrip(".") not in ("", "1")
        ]
        if done:
            said = listed(done)
            self.survey.notes.append(
                f"The file says of its distances: {said}. It is told here and not applied again."
            )


def _differ(a: str, b: str) -> bool:
    try:
        return float(a) != float(b)
    except ValueError:
        return a != b

"""scanner.csv (targets as a scanner saw them) and lists of points, against a job; and which targets stand without one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats, Ints
from hubtack.adjust.registration.targets import SCAN_SIGMA, Targets, standing, targets_of
from hubtack.adjust.results import Adjustment
from hubtack.io.faults import FaultList, Faults, Nearest, listed
from hubtack.io.job import Job
from hubtack.io.readers.cells import Cells
from hubtack.io.readers.columns import POINTS, SCANNER, InputColumn
from hubtack.io.readers.tables import read_table
from hubtack.io.units import quoted

FILE = "scanner.csv"
USES = ("register", "check", "no")


@dataclass(frozen=True)
class Scanned:
    """Targets of a registration. used (n,): the others are checks; points (n, 3) m in the scanner's frame, None where no scan
    is there; assumed: True where a sigma of the scanner was taken that nobody stated."""

    targets: Targets
    used: Flags
    points: Floats | None
    assumed: bool
    scan_sigma: float  # m, of one more target
    doubts: tuple[tuple[str, str], ...] = ()  # targets that the site's own adjustment speaks against, and why


def read_scanned(
    job: Job,
    adjustment: Adjustment,
    path: Path | None,
    chosen: Sequence[str] = (),
    without: Sequence[str] = (),
    sigma: float | None = None,
) -> Scanned:
    """The targets of a scan: those of a scanner.csv, else those named, else all that stood last on their marks.

    `chosen` may also name kinds of target. `without` makes checks of some where there is a scan, and leaves them away where
    there is none. `sigma` (m) goes before that of the job. Raises Faults.
    """
    faults = FaultList()
    names = _Names(job, adjustment)
    general = sigma if sigma is not None else job.goals.get("scanner", {}).get("sigma")
    if path is not None:
        mark, setup, points, own, heights, use = _table(path, job, names, faults)
        for name in chosen:
            names.known(name, "--targets", faults)
        if chosen:
            use = np.where(names.matching(mark, setup, chosen) | (use != "register"), use, "check")
    else:
        mark, setup = standing(adjustment)
        points, heights = np.full((len(mark), 3), np.nan), np.full(len(mark), np.nan)
        own, use = heights.copy(), np.full(len(mark), "register", dtype=object)
        for name in chosen:
            names.known(name, "--targets", faults)
        if chosen:
            mark, setup = names.these(chosen, mark, setup, faults)
            points, heights = np.full((len(mark), 3), np.nan), np.full(len(mark), np.nan)
            own, use = heights.copy(), np.full(len(mark), "register", dtype=object)
    for name in without:
        names.known(name, "--without", faults)
    faults.raise_if_any()
    aside = names.matching(mark, setup, without)
    use = np.where(aside & (use == "register"), "check" if path is not None else "no", use)
    doubts = _doubts(adjustment, setup)
    if path is None and not chosen:
        use = np.where([bool(d) for d in doubts], "no", use)
    keep = use != "no"
    stated = _stated(job, setup, own, general)
    assumed = bool(np.isnan(stated[keep]).any())
    stated = np.where(np.isnan(stated), SCAN_SIGMA, stated)
    targets = targets_of(adjustment, mark[keep], setup[keep], stated[keep], heights[keep])
    of = [(str(n), d) for n, d in zip(_names_of(adjustment, mark, setup), doubts, strict=True) if d]
    typical = float(np.median(stated[keep])) if keep.any() else SCAN_SIGMA
    return Scanned(
        targets,
        np.asarray(use[keep] == "register"),
        points[keep] if path is not None else None,
        assumed,
        typical,
        tuple(of),
    )


def _doubts(adjustment: Adjustment, setup: Ints) -> list[str]:
    """Why the centre of a target setup should not be used; blank where nothing speaks against it."""
    from hubtack.io.writers.scan_control import centre_uses

    out = [""] * len(setup)
    there = np.flatnonzero(setup >= 0)
    for i, (use, why) in zip(there.tolist(), centre_uses(adjustment, setup[there]), strict=True):
        if use == "do not use":
            out[i] = why
    return out


def _names_of(adjustment: Adjustment, mark: Ints, setup: Ints) -> list[str]:
    setups = adjustment.network.setups.setup
    return [
        str(setups[s]) if s >= 0 else str(adjustment.marks.mark[m])
        for m, s in zip(mark.tolist(), setup.tolist(), strict=True)
    ]


def read_points(path: Path, job: Job, adjustment: Adjustment) -> tuple[list[str], Floats]:
    """Names and coordinates (k, 3) m of the points of a CSV. Raises Faults."""
    faults = FaultList()
    cells = _cells(path, POINTS, job, faults)
    cells.identities("point")
    names = [str(n) for n in cells.text("point")]
    points = np.stack([cells.lengths(c) for c in ("east", "north", "height")], axis=1)
    m = adjustment.marks
    at = {str(n): i for i, n in enumerate(m.mark)}
    for row, name in enumerate(names):
        if name in at:
            mark = np.array([m.east[at[name]], m.north[at[name]], m.height[at[name]]])
            points[row] = np.where(np.isnan(points[row]), mark, points[row])
        for k, column in enumerate(("east", "north", "height")):
            if math.isnan(points[row, k]) and not (cells.given(column)[row]):
                wanted = "Give all three, or the name of a mark that has them."
                cells.fault(row, column, "TAB208", f"{quoted(name)} has no {column}", wanted)
    faults.raise_if_any()
    return names, points


def _cells(path: Path, schema: tuple[InputColumn, ...], job: Job, faults: FaultList) -> Cells:
    table = read_table(path, schema, faults, {})
    if table is None and not faults:
        faults.add(path.name, 1, "", "TAB227", "The table is empty", "Fill it.")
    if table is None:
        raise Faults(faults.faults)
    if not table.lines:
        faults.add(path.name, 1, "", "TAB227", "The table has a header and no rows", "Fill it.")
    return Cells(table, job.units, faults)


def _table(
    path: Path, job: Job, names: _Names, faults: FaultList
) -> tuple[Ints, Ints, Floats, Floats, Floats, np.ndarray[tuple[int], np.dtype[np.object_]]]:
    """Marks, setups, points, sigmas, heights and uses of the rows of a scanner.csv."""
    cells = _cells(path, SCANNER, job, faults)
    cells.identities("target")
    mark, setup = np.full(len(cells), -1), np.full(len(cells), -1)
    use = np.array([c or "register" for c in cells.text("use")], dtype=object)
    for row, (name, word) in enumerate(zip(cells.text("target"), use, strict=True)):
        if word not in USES:
            near = f"Write {', '.join(USES[:-1])} or {USES[-1]}."
            cells.fault(row, "use", "TAB214", f"{quoted(word)} is not a use", near)
        if name:
            mark[row], setup[row] = names.find(name, lambda *told, row=row: cells.fault(row, "target", *told))
    points = np.stack([cells.lengths(c) for c in "xyz"], axis=1)
    for column in "xyz":
        for row in np.flatnonzero(~cells.given(column) & (use != "no")).tolist():
            cells.fault(row, column, "TAB208", f"There is no {column}", "A target has three coordinates.")
    own, heights = cells.lengths("sigma"), cells.lengths("height")
    for row in np.flatnonzero(own <= 0.0).tolist():
        cells.fault(row, "sigma", "TAB224", "The sigma is not above zero", "Write one such as 2 mm.")
    for row in np.flatnonzero(~np.isnan(heights) & (setup < 0) & (mark >= 0)).tolist():
        found = f"{quoted(cells.text('target')[row])} is a mark without a target setup, and has a height"
        cells.fault(row, "height", "TAB217", found, "Name the target's setup, or give no height.")
    twice: dict[tuple[int, int], int] = {}
    for row, key in enumerate(zip(mark.tolist(), setup.tolist(), strict=True)):
        same = cells.text("target")[twice.setdefault(key, row)] == cells.text("target")[row]  # told already
        if key[0] >= 0 and not same:
            found = (
                f"{quoted(cells.text('target')[row])} is the target of {cells.place(twice[key])} once more"
            )
            cells.fault(row, "target", "TAB209", found, "Name each target once.")
    return mark, setup, points, own, heights, use


def _stated(job: Job, setup: Ints, own: Floats, general: float | None) -> Floats:
    """Sigma of the scanner at each target, m: of its row, of its kind, of the job; NaN where none is stated."""
    net = job.network
    of_kind = np.full(len(setup), np.nan)
    there = setup >= 0
    if len(net.targets):
        of_kind[there] = net.targets.scanner_sigma[net.setups.device[setup[there]]]
    stated = np.where(np.isnan(own), of_kind, own)
    return np.where(np.isnan(stated), np.nan if general is None else general, stated)


class _Names:
    """Names of setups, marks and kinds of target, as a scan's list may use them."""

    def __init__(self, job: Job, adjustment: Adjustment) -> None:
        net = job.network
        self.network = net
        self.setups = {str(n): i for i, n in enumerate(net.setups.setup)}
        self.marks = {str(n): i for i, n in enumerate(net.marks.mark)}
        self.kinds = {str(n): i for i, n in enumerate(net.targets.target)}
        sighted = set(net.sights.end[net.sights.used].tolist())
        self.on: dict[int, list[int]] = {}
        for s in np.flatnonzero(~net.setups.instrument).tolist():
            if s in sighted:
                self.on.setdefault(int(net.setups.mark[s]), []).append(s)
        self.nearest = Nearest([*self.setups, *self.marks, *self.kinds])

    def find(self, name: str, tell: object) -> tuple[int, int]:
        """Mark and setup of a name; (−1, −1) after a fault."""
        say = tell if callable(tell) else lambda *_: None
        if name in self.setups:
            s = self.setups[name]
            if self.network.setups.instrument[s]:
                say("TAB221", f"{quoted(name)} is a setup of an instrument", "Name a target setup or a mark.")
                return -1, -1
            return int(self.network.setups.mark[s]), s
        if name in self.marks:
            m = self.marks[name]
            on = self.on.get(m, [])
            if len(on) > 1:
                setups = listed(str(self.network.setups.setup[s]) for s in on)
                found = f"On {quoted(name)} stood several targets: {setups}"
                say("TAB245", found, "Name the setup that the scanner saw.")
                return -1, -1
            return m, on[0] if on else -1
        wanted = self.nearest.advice(name, f"Known setups: {listed(self.setups)}.")
        say("TAB211", f"There is no target setup or mark {quoted(name)}", wanted)
        return -1, -1

    def known(self, name: str, option: str, faults: FaultList) -> None:
        """A fault for a name of the command line that is none."""
        if name not in self.setups and name not in self.marks and name not in self.kinds:
            wanted = self.nearest.advice(name, f"Known setups: {listed(self.setups)}.")
            faults.add(
                "", 0, "", "TAB211", f"{option}: there is no target, mark or kind {quoted(name)}", wanted
            )

    def matching(self, mark: Ints, setup: Ints, names: Sequence[str]) -> Flags:
        """Which targets a list of setups, marks and kinds means."""
        out = np.zeros(len(mark), dtype=bool)
        device = np.where(setup >= 0, self.network.setups.device[setup] if len(self.setups) else -1, -1)
        for name in names:
            if name in self.setups:
                out |= setup == self.setups[name]
            elif name in self.marks:
                out |= mark == self.marks[name]
            elif name in self.kinds:
                out |= device == self.kinds[name]
        return out

    def these(self, names: Sequence[str], mark: Ints, setup: Ints, faults: FaultList) -> tuple[Ints, Ints]:
        """Marks and setups of the names of a command line; of a mark, or of a kind, what stood there last."""
        found: dict[tuple[int, int], None] = {}
        for name in names:
            if name in self.setups:
                m, s = self.find(name, lambda *told: faults.add("", 0, "", *told))
                if m >= 0:
                    found[m, s] = None
                continue
            at = np.flatnonzero(self.matching(mark, setup, [name])).tolist()
            if not at and name in self.marks:
                found[self.marks[name], -1] = None
            found |= {(int(mark[i]), int(setup[i])): None for i in at}
        both = np.array(list(found), dtype=np.int64).reshape(-1, 2)
        return both[:, 0], both[:, 1]

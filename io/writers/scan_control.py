"""scan_control.csv: targets for the registration of scans, with full covariance; scan_control_enh.csv: name,e,n,h.

A scanner sees the centre of a target, a drill or a tape the mark below it. They are two points with two names, and
stand in two rows: `target centre` (one a target setup, named by the setup) and `mark` (one a mark). The centre is

    mark + (δe, δn, h + δh)

with the centring and height error that the network finds in that very setup; its covariance is taken from the joint
covariance of mark and setup effects, so a centre sighted often is better known than a mark below a doubtful height.
It holds as long as the target is not moved; `set up` says when it was placed, where the job does.

use:
    register     determined in east, north and height, checked, and no test speaks against it
    check        determined and checked, but not in all three: holds for what is there; or a centre that no zenith
                 angle was read to
    do not use   unchecked, or a test rejects the setup, another setup on the mark, or its control
`why` gives the reason, and names flagged readings at the mark, which alone forbid nothing; `checked` is the redundancy
number of the target's height, blank for a mark.
Covariances are in the square of the job's small unit (mm², or (0.001 ft)²); all sigmas are 1 sigma, 1D. Between targets:
the deliverable `covariance`. scan_control_enh.csv holds the rows `register` and `check` that have all three coordinates,
without a header, centres under their setup's name and marks under their own.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Flags, Floats, Ints
from hubtack.io.guard import guarded

from .deliverables import crs_of
from .layout import cautions, reasons, rejected
from .sheets import Heading, Sheet, Show, names, plain, write_csv

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

FILE, PLAIN = "scan_control.csv", "scan_control_enh.csv"
_TERMS = ((0, 1, "en"), (0, 2, "eh"), (1, 2, "nh"))


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write scan_control.csv and scan_control_enh.csv into `folder`."""
    table = sheet(adjustment, job)
    write_csv(table, folder / FILE)
    headings = [h.words for h in table.headings]
    columns = [headings.index(c) for c in ("target", "east", "north", "height", "use")]
    with (folder / PLAIN).open("w", encoding="utf-8", newline="") as stream:
        out = csv.writer(stream, lineterminator="\n")
        for row in table.rows:
            name, east, north, height, use = (row[c] for c in columns)
            if use != "do not use" and east and north and height:
                out.writerow([guarded(name), east, north, height])


def sheet(adjustment: Adjustment, job: Job) -> Sheet:
    """Target centres, setup by setup, then the marks."""
    show = Show(adjustment, job.units)
    length, small = job.units.length_name, show.small_length_name
    headings = (
        Heading("target", number=False),
        Heading("mark", number=False),
        Heading("east", length),
        Heading("north", length),
        Heading("height", length),
        Heading("what", number=False),
        Heading("offset height", length),
        Heading("sigma e", small),
        Heading("sigma n", small),
        Heading("sigma h", small),
        *(Heading(f"cov {name}", f"({small})²") for *_, name in _TERMS),
        Heading("type", number=False),
        Heading("support", number=False),
        Heading("use", number=False),
        Heading("checked"),
        Heading("why", number=False),
        Heading("facing", number=False),
        Heading("set up", number=False),
        Heading("unit", number=False),
        Heading("crs", number=False),
        Heading("note", number=False),
    )
    rows = (*_centres(adjustment, job, show), *_marks(adjustment, job, show))
    bad = frozenset(i for i, row in enumerate(rows) if "do not use" in row)
    return Sheet("Scan control", headings, tuple(rows), bad, band="watch")


def _centres(a: Adjustment, job: Job, show: Show) -> list[tuple[str, ...]]:
    from hubtack.adjust.ground.supports import vertical_heights
    from hubtack.adjust.outcome.joint import device_centres, device_covariance

    m, net, s = a.marks, a.network, a.setups
    heights = vertical_heights(net)
    targets = np.flatnonzero(~net.setups.instrument)
    on = net.setups.mark[targets]
    centres = device_centres(a, targets)
    covariance = device_covariance(a, targets)
    if covariance is None:
        covariance = np.full((len(targets), 3, 3), math.nan)
    covariance = covariance.copy()
    no_height = ~np.isfinite(centres[:, 2])
    covariance[no_height, 2, :] = covariance[no_height, :, 2] = math.nan
    known, uses = cautions(a), centre_uses(a, targets)
    texts = job.texts.get("setups", {})
    rows = []
    for k, i in enumerate(targets.tolist()):
        mark, support, device = int(on[k]), int(net.setups.support[i]), int(net.setups.device[i])
        use, why = uses[k]
        rows.append(
            (
                str(s.setup[i]),
                str(m.mark[mark]),
                *(show.length(float(x)) for x in centres[k]),
                "target centre",
                show.length(float(heights[i])),
                *_precision(show, covariance[k]),
                str(net.targets.target[device]) if device < len(net.targets) else "",
                str(net.supports.support[support]),
                use,
                plain(float(s.redundancy_height[i]), 3),
                "; ".join(filter(None, (why, known[mark]))),
                _cell(texts.get("facing", ()), i),
                _cell(texts.get("started", ()), i),
                job.units.length_name,
                crs_of(job) or "local",
                _cell(texts.get("note", ()), i),
            )
        )
    return rows


def centre_uses(a: Adjustment, targets: Ints) -> list[tuple[str, str]]:
    """What the centre of each of these target setups is good for, and why not for more."""
    from hubtack.adjust.outcome.joint import device_centres

    o, centres = a.observations, device_centres(a, targets)
    rejected_marks = np.logical_or(*rejected(a))
    sighted = set(o.end_setup[o.kind == "zenith"].tolist())
    marks = a.network.setups.mark[targets]
    return [
        _centre_use(a, i, centre, bool(rejected_marks[m]), i in sighted)
        for i, centre, m in zip(targets.tolist(), centres, marks.tolist(), strict=True)
    ]


def _centre_use(
    a: Adjustment, setup: int, centre: Floats, rejected_mark: bool, sighted: bool
) -> tuple[str, str]:
    """What the centre of one target setup is good for, and why not for more."""
    m, mark = a.marks, int(a.network.setups.mark[setup])
    if a.setups.flagged[setup]:
        return "do not use", "a test rejects this setup"
    if rejected_mark:
        return "do not use", "a test rejects another setup, or the control, of its mark"
    # A wrong height or centring of this very setup moves the mark, not the centre that was sighted.
    rests_on = [n for n in map(str, m.unchecked_by[mark]) if n not in _own(a, setup)]
    if m.unchecked[mark] and (rests_on or not m.unchecked_by[mark]):
        return "do not use", f"unchecked: rests on {names(rests_on, 4) or 'too few readings'}"
    use = _use(centre)
    if use == "register" and not sighted:
        return "check", "no zenith angle to it: its height is the mark's and the height entered"
    return use, ""


def _own(a: Adjustment, setup: int) -> set[str]:
    """Names of the effects of a setup; shared ones bear the name of any setup on its base."""
    own: set[str] = set()
    for word, group in (("centring", a.network.setups.base), ("height", a.network.setups.height_base)):
        same = np.flatnonzero(group == group[setup]) if group[setup] >= 0 else np.array([setup])
        own |= {f"{a.setups.setup[i]} {word}" for i in same.tolist()}
    return own


def _marks(a: Adjustment, job: Job, show: Show) -> list[tuple[str, ...]]:
    m, bad, why, known = a.marks, bad_marks(a), reasons(a), cautions(a)
    rows = []
    for i in range(len(m)):
        point = np.array([m.east[i], m.north[i], m.height[i]])
        if not np.isfinite(point).any():
            continue
        rows.append(
            (
                str(m.mark[i]),
                str(m.mark[i]),
                *(show.length(float(x)) for x in point),
                "mark",
                show.length(0.0),
                *_precision(show, m.covariance[i]),
                "",
                "",
                "do not use" if bad[i] else _use(point),
                "",
                "; ".join(filter(None, (why[i], known[i]))),
                "",
                "",
                job.units.length_name,
                crs_of(job) or "local",
                _cell(job.texts.get("marks", {}).get("note", ()), i),
            )
        )
    return rows


def bad_marks(adjustment: Adjustment) -> Flags:
    """Marks (n_marks,) that are unchecked, or that a test speaks against in position or height."""
    plan, height = rejected(adjustment)
    return adjustment.marks.unchecked | plan | height


def _use(point: Floats) -> str:
    """`register` where all three coordinates are there; `check` with some, `do not use` with none of plan or height."""
    there = np.isfinite(point)
    if there.all():
        return "register"
    return "check" if there[:2].all() or there[2] else "do not use"


def _precision(show: Show, covariance: Floats) -> tuple[str, ...]:
    """Three sigmas and three covariances, in small units."""
    small = show.units.small_length_of(1.0)
    sigmas = [math.sqrt(v) if v >= 0.0 else math.nan for v in np.diagonal(covariance).tolist()]
    terms = [plain(float(covariance[i, j]) * small**2, 4) for i, j, _ in _TERMS]
    return (*(show.small(s, 3) for s in sigmas), *terms)


def _cell(column: tuple[str, ...], row: int) -> str:
    return column[row] if row < len(column) else ""

"""What could be done about a finding: one choice for each cause, with its decisions, and the network once it is taken."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from hubtack.adjust.ground.table import Floats, Ints
from hubtack.io.findings import decision
from hubtack.io.units import parse_length_quantity

if TYPE_CHECKING:
    from hubtack.adjust.ground.network import Network
    from hubtack.adjust.judge.finding import Explanation, Finding
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

FREEDOMS = {"rotation": "azimuth"}
DEVICES = ("device_constant", "other_device")


@dataclass(frozen=True)
class Choice:
    """One cause of a finding and the `[[decision]]` entries that would put it right, none where none would."""

    number: str  # as --accept takes it: "1", or "1.2" where a finding has several
    cause: Explanation
    decisions: tuple[dict[str, str], ...]


@dataclass(frozen=True)
class Outcome:
    """The network once a choice is taken; `trouble` says why there is none."""

    adjustment: Adjustment | None
    trouble: str = ""
    moved: tuple[tuple[str, float, float, float], ...] = ()  # marks that move most: east, north, height in m
    freed: tuple[
        str, ...
    ] = ()  # what nothing holds any more: azimuth, height, …; coordinates can't be compared then


def choices(adjustment: Adjustment, job: Job, finding: Finding) -> tuple[Choice, ...]:
    """The cause put first, then its rivals; without the solution (it is not kept when pickled) rivals decide nothing."""
    from hubtack.adjust.judge.point import find_point
    from hubtack.adjust.judge.remedy import remedies

    causes = (finding.first, *finding.rivals)
    point = find_point(adjustment.solved) if adjustment.solved and finding.rivals else None
    out = []
    for k, cause in enumerate(causes, 1):
        found = finding.remedies if k == 1 else remedies(point, cause) if point else ()
        number = str(finding.rank) if len(causes) == 1 else f"{finding.rank}.{k}"
        out.append(Choice(number, cause, tuple(decision(r, job.units) for r in found)))
    return tuple(out)


def outcome(adjustment: Adjustment, network: Network, most: int = 3) -> Outcome:
    """Adjust a changed network, and say which marks move most against the adjustment that was."""
    from hubtack.adjust import adjust
    from hubtack.adjust.trouble import NotConverged, Undetermined

    try:
        after = adjust(network, adjustment.settings)
    except (Undetermined, NotConverged) as trouble:
        return Outcome(None, " ".join(f"{t.text} {t.wanted}".strip() for t in trouble.troubles[:2]))
    freed = tuple(FREEDOMS.get(f, f) for f in after.datum if f not in adjustment.datum)
    if freed:
        return Outcome(after, freed=freed)
    was, now = adjustment.marks, after.marks
    move = np.nan_to_num(
        np.column_stack([now.east - was.east, now.north - was.north, now.height - was.height])
    )
    order = np.argsort(-np.linalg.norm(move, axis=1), kind="stable")[:most]
    moved = tuple(
        (str(now.mark[i]), float(move[i, 0]), float(move[i, 1]), float(move[i, 2])) for i in order.tolist()
    )
    return Outcome(after, "", moved)


def decided(network: Network, decisions: Sequence[dict[str, str]]) -> Network:
    """The network as it is once these decisions stand in job.toml."""
    for d in decisions:
        network = _left_out(network, d["leave_out"]) if "leave_out" in d else _corrected(network, d)
    return network


def put_right(network: Network, cause: Explanation) -> Network | None:
    """The network with a wrong height or prism constant made right by its size; None for other causes.

    For looking at residuals only: the size comes from the network itself, so that nothing is checked by it any more.
    """
    from hubtack.adjust.judge.distances import own_constant

    if cause.what != "setup" or cause.group not in ("height", "prism"):
        return None
    column = "height" if cause.group == "height" else "prism_constant"
    values = getattr(network.setups, column).copy()
    was = values[cause.subject] if column == "height" else own_constant(network, cause.subject)
    values[cause.subject] = was - cause.size
    return dataclasses.replace(network, setups=network.setups.replace(**{column: values}))


def readings_about(a: Adjustment, cause: Explanation) -> Ints:
    """Rows of the observations that a cause would spoil, the worst first."""
    o, setups = a.observations, a.network.setups
    chosen = np.zeros(len(o), dtype=bool)
    if cause.what == "setup":
        chosen = (o.start_setup == cause.subject) | (o.end_setup == cause.subject)
    elif cause.what == "sight":
        chosen = np.array([cause.name in rows for rows in o.rows], dtype=bool)
    elif cause.what in ("control", "mark"):
        chosen = (o.start_mark == cause.subject) | (o.end_mark == cause.subject)
    elif cause.group == "lean":
        chosen = _of(setups.support, o.end_setup) == cause.subject
    elif cause.cause in DEVICES:
        chosen = (o.end_setup >= 0) & (_of(setups.device, o.end_setup) == cause.subject)
    elif cause.what == "instrument":
        chosen = (o.start_setup >= 0) & (_of(setups.device, o.start_setup) == cause.subject)
        chosen &= (o.kind == "distance") | (o.kind == "horizontal")
    chosen &= ~np.isin(o.kind, ("effect", "control", "constant"))
    rows = np.flatnonzero(chosen)
    return rows[np.argsort(-np.abs(np.nan_to_num(o.standardized[rows])), kind="stable")]


def after_it(a: Adjustment, rows: Ints, after: Adjustment) -> tuple[Floats, Floats]:
    """Residual and w of the same observations after a choice; NaN where there is none."""
    residual, w = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    for table in (after.left_out, after.observations):
        at = {str(name): i for i, name in enumerate(table.id)}
        for k, row in enumerate(rows.tolist()):
            i = at.get(str(a.observations.id[row]))
            if i is not None:
                residual[k], w[k] = table.residual[i], table.standardized[i]
    return residual, w


def _of(column: Ints, rows: Ints) -> Ints:
    """column[rows], −1 where a row is −1."""
    if not len(column):
        return np.full(len(rows), -1)
    return np.where(rows >= 0, column[np.maximum(rows, 0)], -1)


def _corrected(network: Network, d: dict[str, str]) -> Network:
    kind, _, rest = d["correct"].partition(" ")
    name, _, column = rest.rpartition(" ")
    value: float = 0.0
    if column == "mark":
        value = _row(network.marks.mark, d["value"])
    else:
        value = int(d["value"]) if column == "face" else parse_length_quantity(d["value"])
    table = network.setups if kind == "setup" else network.sights
    names = network.setups.setup if kind == "setup" else network.sights.id
    values = getattr(table, column).copy()
    values[_row(names, name)] = value
    if kind == "setup":
        return dataclasses.replace(network, setups=network.setups.replace(**{column: values}))
    return dataclasses.replace(network, sights=network.sights.replace(**{column: values}))


def _left_out(network: Network, target: str) -> Network:
    kind, _, name = target.partition(" ")
    marks, sights, vectors, reduced = network.marks, network.sights, network.vectors, network.reduced
    if kind == "control":
        row, sigmas = _row(marks.mark, name), {}
        for axis in ("east", "north", "height"):
            sigmas[f"sigma_{axis}"] = getattr(marks, f"sigma_{axis}").copy()
            sigmas[f"sigma_{axis}"][row] = np.inf
        return dataclasses.replace(network, marks=marks.replace(**sigmas))
    if kind == "setup":
        row = _row(network.setups.setup, name)
        seen = (sights.start != row) & (sights.end != row)
        free = (vectors.start_setup != row) & (vectors.end_setup != row)
        return dataclasses.replace(
            network,
            sights=sights.replace(used=sights.used & seen),
            vectors=vectors.replace(used=vectors.used & free),
        )
    if kind == "sight":
        return dataclasses.replace(network, sights=sights.replace(used=sights.used & (sights.id != name)))
    if name in set(vectors.id):
        return dataclasses.replace(network, vectors=vectors.replace(used=vectors.used & (vectors.id != name)))
    if name in set(reduced.id):
        return dataclasses.replace(network, reduced=reduced.replace(used=reduced.used & (reduced.id != name)))
    return dataclasses.replace(network, left_out=network.left_out | {name})


def _row(names: Sequence[str] | np.ndarray, name: str) -> int:
    return next(i for i, n in enumerate(names) if str(n) == name)

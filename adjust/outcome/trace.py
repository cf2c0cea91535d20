"""One observation from the reading to the residual: how the reading was reduced, and what the adjusted network makes of it.

The reading is turned to face 1, averaged, and given its prism constant. What it should have read is told in steps that add
up: from the adjusted marks alone, in the plane, to device heights, scale, level, curvature, setup errors, refraction, constants
and orientation. The amounts depend a little on the order of the steps; their sum does not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..ground.atmosphere import velocity_factors
from ..ground.table import Floats, Ints
from ..model.equations import Equations, State
from ..model.frames import Plane
from ..model.observations import KINDS, Kind
from ..model.reductions import prism_constants, wrap
from ..solved import Solved

LEAST = {"angle": 2e-8, "length": 5e-6}  # rad, m: smaller steps go with their neighbour
FLAT = 1e14  # m: the radius of an earth that no line of a network sees bend


@dataclass(frozen=True)
class Reading:
    """One row of sights: as it was read, and as it would stand on face 1."""

    row: str
    face: int
    value: float
    on_face_1: float


@dataclass(frozen=True)
class Step:
    """One step: its name, by how much, and the value after it; m or rad."""

    name: str
    amount: float
    value: float


@dataclass(frozen=True)
class Trace:
    """readings → reduced → observed;  model → adjusted. All in m or rad."""

    readings: tuple[Reading, ...]
    reduced: tuple[Step, ...]
    observed: float
    model: tuple[Step, ...]
    adjusted: float


def traces(solved: Solved, rows: Ints) -> tuple[Trace, ...]:
    """Of rows of the reduced observations, in use or left out; (k,). Each step of the model is made for all rows at once."""
    obs = solved.obs
    out = []
    for i, model in zip(rows.tolist(), _models(solved, rows), strict=True):
        readings = _readings(solved, i, KINDS[str(obs.kind[i])])
        reduced = _reduced(solved, i, KINDS[str(obs.kind[i])], readings)
        out.append(Trace(readings, reduced, float(obs.value[i]), model, model[-1].value))
    return tuple(out)


def _readings(solved: Solved, i: int, kind: Kind) -> tuple[Reading, ...]:
    if kind.reading == "value" or not len(solved.network.sights) or solved.obs.start_setup[i] < 0:
        return ()
    s = solved.network.sights
    wanted = {str(r) for r in solved.obs.rows[i]}
    found = []
    for row in np.flatnonzero(
        (s.start == solved.obs.start_setup[i]) & (s.end == solved.obs.end_setup[i])
    ).tolist():
        if str(s.id[row]) not in wanted:
            continue
        value, second = float(getattr(s, kind.reading)[row]), s.face[row] == 2
        turned = value
        if second and kind.name == "direction":
            turned = float(np.mod(value - np.pi, 2.0 * np.pi))
        elif second and kind.name == "zenith":
            turned = 2.0 * np.pi - value
        found.append(Reading(str(s.id[row]), int(s.face[row]), value, turned))
    return tuple(found)


def _reduced(solved: Solved, i: int, kind: Kind, readings: tuple[Reading, ...]) -> tuple[Step, ...]:
    """The mean, made here once more from the readings, then what was done to it; what that leaves open is a step too."""
    if not readings:
        return ()
    first = readings[0].on_face_1
    off = np.array([r.on_face_1 for r in readings]) - first
    angle = kind.quantity == "angle"
    amount = float(np.mean(wrap(off) if angle else off))
    steps = [Step("mean", amount, _turned(first + amount, kind))]
    if kind.name in ("distance", "level"):
        ends = solved.obs.start_setup[i : i + 1], solved.obs.end_setup[i : i + 1]
        air = steps[-1].value * float(velocity_factors(solved.network, *ends)[0] - 1.0)
        constant = float(prism_constants(solved.network)[ends[1][0]])
        for name, by in (("first velocity correction", air), ("prism constant", constant)):
            if by:
                steps.append(Step(name, by, steps[-1].value + by))
    observed = float(solved.obs.value[i])
    rest = observed - steps[-1].value
    rest = float(wrap(np.array(rest))) if angle else rest
    if abs(rest) > 1e-9:  # pragma: no cover - no correction goes untold today
        steps.append(Step("other corrections", rest, observed))
    return tuple(steps)


def _turned(value: float, kind: Kind) -> float:
    return float(np.mod(value, 2.0 * np.pi)) if kind.whole_circle else value


def _models(solved: Solved, rows: Ints) -> list[tuple[Step, ...]]:
    """The adjusted values, built up from the marks alone."""
    equations, full = solved.equations, solved.state
    frame = equations.frame
    kinds = [KINDS[str(k)] for k in solved.obs.kind[rows]]
    bare = replace(
        full,
        effects=np.zeros_like(full.effects),
        orientations=np.zeros_like(full.orientations),
        constants={name: np.zeros_like(v) for name, v in full.constants.items()},
    )
    values: list[tuple[str, Floats]] = []  # NaN where an observation has no such step

    def note(name: str, state: State, made: Equations = equations) -> None:
        values.append((name, made.computed_in(state, rows)))

    if isinstance(frame, Plane):
        flat = Plane(FLAT, frame.reference_height, 1.0)
        note("marks", bare, equations.altered(flat, heights=False))
        note("device heights", bare, equations.altered(flat))
        note("grid scale", bare, equations.altered(replace(flat, scale=frame.scale)))
        values.append(("level", _levelled(solved, rows, kinds, bare, frame)))
        note("curvature", bare)
    else:
        note("marks and devices", bare)
    aside = full.effects.copy()
    aside[:, 2] = 0.0
    state = replace(bare, effects=aside)
    note("centring errors", state)
    state = replace(bare, effects=full.effects)
    note("height errors", state)
    for name, value in full.constants.items():
        state = replace(state, constants=state.constants | {name: value})
        note(name, state)
    leans = np.array(["orientation" in k.leans_on for k in kinds], dtype=bool)
    values.append(("orientation", np.where(leans, equations.computed_in(full, rows), np.nan)))
    return [
        _told([(name, float(v[k])) for name, v in values if not np.isnan(v[k])], kind)
        for k, kind in enumerate(kinds)
    ]


def _levelled(solved: Solved, rows: Ints, kinds: list[Kind], bare: State, frame: Plane) -> Floats:
    """Values on a flat earth, each line as long as at the height of its device; NaN for what runs between marks."""
    out = np.full(len(rows), np.nan)
    for name in dict.fromkeys(k.name for k in kinds if k.between == "setups"):
        mine = np.flatnonzero([k.name == name for k in kinds])
        h = np.array([_height(solved, i, "start" if name == "level" else "end") for i in rows[mine].tolist()])
        # one scale a line: the frame computes elementwise, in the order of these rows
        scale: Any = (frame.radius + frame.reference_height) / (frame.radius + h) * frame.scale
        made = solved.equations.altered(Plane(FLAT, frame.reference_height, scale))
        out[mine] = made.computed_in(bare, rows[mine])
    return out


def _height(solved: Solved, i: int, end: str) -> float:
    """Height of the device at one end, that of the mark where it is known."""
    mark, setup = int(getattr(solved.obs, f"{end}_mark")[i]), int(getattr(solved.obs, f"{end}_setup")[i])
    at = float(solved.state.coordinates[mark, 2])
    if np.isnan(at):
        return solved.equations.frame.reference_height
    return at + float(np.nan_to_num(solved.unknowns.heights[setup]))


def _told(values: list[tuple[str, float]], kind: Kind) -> tuple[Step, ...]:
    """Steps that change something; of a whole circle, values within one turn."""
    least = LEAST[kind.quantity]
    steps: list[Step] = []
    before = 0.0
    for k, (name, value) in enumerate(values):
        amount = value - before
        if kind.quantity == "angle" and k:
            amount = float(wrap(np.array(amount)))
        shown = float(np.mod(value, 2.0 * np.pi)) if kind.whole_circle else value
        if not k:
            steps.append(Step(name, shown, shown))
        elif abs(amount) >= least:
            steps.append(Step(name, amount, shown))
        elif k == len(values) - 1:  # what is too small to be told goes with the step before it
            steps[-1] = Step(steps[-1].name, steps[-1].amount + amount, shown)
            continue
        else:
            continue
        before = value
    return tuple(steps)

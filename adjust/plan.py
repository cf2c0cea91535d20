"""Before going out: the adjustment of a network that has not been observed yet.

Q = (AᵀPA)⁻¹ needs no readings. Every planned sight is given the reading that it would have at the rough coordinates, and
the very same equations, tests and tables as in `adjustment` follow. So the predicted covariance equals the a priori
covariance that the same geometry will have later.

A planned sight is one row, on one face; where a row has no reading at all, a circle reading, a zenith angle and a slope
distance are meant.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

import numpy as np

from .adjustment import _solve, levelled_marks, tables
from .estimate.datum import Cofactor
from .estimate.normals import Defect
from .estimate.pattern import Pattern
from .estimate.rows import objective
from .estimate.solve import Solution
from .ground.instruments import sighted_distance_sigmas
from .ground.network import Network
from .ground.table import Floats
from .model.approximate import approximate
from .model.datum import Datum, find_datum
from .model.equations import Equations
from .model.frames import frame_of, reference_height
from .model.observations import KINDS
from .model.reductions import HELD_LENGTH, Observations, reduce_readings
from .model.unknowns import place_unknowns
from .results import Adjustment
from .settings import Settings
from .solved import Solved, queries
from .trouble import Trouble, Undetermined

STANDING_HEIGHT = 1.5  # m, over the mark: common practice, no source
LOW_HEIGHT = 0.2  # m, a stand's
_ASSUMED = {"stand": LOW_HEIGHT, "bolt": 0.0, "adhesive": 0.0}


@dataclass(frozen=True)
class Planned:
    """A network whose blanks are filled: every sight reads something, every device has a height, every mark a place.

    coordinates (n_marks, 3) m; `remarks` say what was assumed.
    """

    network: Network
    coordinates: Floats
    remarks: tuple[Trouble, ...]


def plan(network: Network, settings: Settings | None = None) -> Adjustment:
    """Predict the adjustment of a network; what needs readings is NaN.

    Raises Undetermined where a mark has no rough coordinates and none follow from readings, or where the planned sights
    and the control don't fix it.
    """
    settings = settings or Settings()
    planned = fill(network, settings)
    solved, datum = predict(planned, settings)
    return blank(tables(solved, datum, planned.remarks))


def predict(
    planned: Planned, settings: Settings, patterns: dict[bytes, Pattern] | None = None
) -> tuple[Solved, Datum | None]:
    """The equations of a filled plan at its coordinates, solved; and its free datum, if it has one.

    `patterns` remembers the symbolic part for plans that differ in sigmas alone.
    """
    network = planned.network
    obs = reduce_readings(network)
    if not obs.used.any():
        raise Undetermined((Trouble("NET305", "There is nothing to plan: no sight and no row is in use."),))
    unknowns = place_unknowns(network, obs, settings)
    frame = frame_of(network, settings)
    frame.check(planned.coordinates, levelled_marks(obs, len(network.marks)))
    draft = Equations(network, obs, unknowns, settings, frame, planned.coordinates)
    x = draft.first_guess(np.zeros(len(unknowns.orientations)))
    exact = _exact(draft, obs, x)
    equations = Equations(network, exact, unknowns, settings, frame, planned.coordinates)
    datum = find_datum(network, exact, unknowns, settings, planned.coordinates, x)
    return Solved(equations, _factored(equations, x, datum, {} if patterns is None else patterns)), datum


def _factored(
    equations: Equations, x: Floats, datum: Datum | None, patterns: dict[bytes, Pattern]
) -> Solution:
    """The solution at x itself: with exact readings no step is left to take."""
    u, rows = equations.unknowns, equations.evaluate(x)
    fixed = datum.constraints if datum else None
    columns = [r.columns for r in rows] + ([fixed.pins.columns] if fixed is not None else [])
    asked = queries(equations.obs, u)
    shape = hashlib.sha256(
        b"".join(repr(c.shape).encode() + c.tobytes() for c in (*columns, u.node, u.late, *asked))
    )
    pattern = patterns.get(shape.digest())
    if pattern is None:
        pattern = patterns[shape.digest()] = Pattern.build(u.n, columns, u.node, u.late, asked)
    try:
        cofactor = Cofactor(pattern, rows, fixed)
    except Defect:
        return _solve(equations, x, datum)  # which says in words what is not determined
    count = sum(len(r.misclosure) for r in rows)
    return Solution(
        x, rows, cofactor, 0, objective(rows), count - u.n + (fixed.count if fixed is not None else 0)
    )


def fill(network: Network, settings: Settings) -> Planned:
    """Fill what a plan leaves blank: readings, heights of devices, coordinates."""
    remarks: list[Trouble] = []
    network, read = _with_readings(network)
    coordinates = _rough(network, settings, read, remarks)
    return Planned(_with_heights(network, remarks), coordinates, tuple(remarks))


def _with_readings(network: Network) -> tuple[Network, bool]:
    """Placeholders in all rows without a reading; and whether every row had one."""
    s = network.sights
    blank = np.isnan(s.circle) & np.isnan(s.zenith) & np.isnan(s.slope) & np.isnan(s.horizontal)
    if not blank.any():
        return network, True
    sights = s.replace(
        circle=np.where(blank, 0.0, s.circle),
        zenith=np.where(blank, np.where(s.face == 2, 1.5 * np.pi, 0.5 * np.pi), s.zenith),
        slope=np.where(blank, 1.0, s.slope),
    )
    return replace(network, sights=sights), False


def _with_heights(network: Network, remarks: list[Trouble]) -> Network:
    """Assumed heights where setups have none."""
    setups = network.setups
    lacking = np.isnan(setups.height)
    if not lacking.any():
        return network
    kinds = network.supports.kind[setups.support]
    assumed = np.array([_ASSUMED.get(str(k), STANDING_HEIGHT) for k in kinds])
    slant = network.supports.height_kind[setups.support] == "slant"
    radius, offset = (
        network.supports.slant_radius[setups.support],
        network.supports.slant_offset[setups.support],
    )
    assumed = np.where(slant, np.hypot(assumed - offset, radius), assumed)
    names = tuple(str(n) for n in setups.setup[lacking])
    remarks.append(
        Trouble(
            "REM510",
            f"Heights of {len(names)} setups are not given: 1.5 m over the mark is taken, 0.2 m on a stand, "
            "0 on a bolt or adhesive target.",
            "Give the heights where they will differ much: the bubble's part of the centring grows with them.",
            setups=names,
        )
    )
    return replace(network, setups=setups.replace(height=np.where(lacking, assumed, setups.height)))


def _rough(network: Network, settings: Settings, read: bool, remarks: list[Trouble]) -> Floats:
    """Start values, or what readings give where some are missing and every sight was read; (n_marks, 3)."""
    marks = network.marks
    given: Floats = np.column_stack([marks.east, marks.north, marks.height])
    obs = reduce_readings(network)
    unknowns = place_unknowns(network, obs, settings)
    missing = np.isnan(given) & unknowns.reached
    if missing[:, :2].any() and read and len(obs):
        found = approximate(network, obs, settings, unknowns.heights).coordinates
        remarks.append(Trouble("REM511", "Rough coordinates were taken from the readings of the job."))
        return np.where(np.isnan(given), found, given)
    lost = tuple(str(m) for m in marks.mark[missing[:, :2].any(axis=1)])
    if lost:
        raise Undetermined(
            (
                Trouble(
                    "NET310",
                    f"A plan needs rough coordinates, and {_listed(lost)} {'has' if len(lost) == 1 else 'have'} none.",
                    "Give east and north in marks.csv, from a map or a sketch; metres of error do no harm.",
                    marks=lost,
                ),
            )
        )
    high = missing[:, 2]
    if high.any():
        level = given[~np.isnan(given[:, 2]), 2]
        value = float(level.mean()) if len(level) else reference_height(network, settings)
        given[high, 2] = value
        names = tuple(str(m) for m in marks.mark[high])
        remarks.append(
            Trouble(
                "REM512",
                f"{len(names)} mark{'s' * (len(names) > 1)} without a rough height: the mean of the others is taken.",
                "Give heights where sights are steep.",
                marks=names,
            )
        )
    return given


def _exact(equations: Equations, obs: Observations, x: Floats) -> Observations:
    """The observations with the values that they have at x, and the sigmas that belong to these."""
    value = equations.computed(x, np.arange(len(obs)))
    whole = np.array([KINDS[k].whole_circle for k in obs.kind], dtype=bool)
    value = np.where(np.isnan(value), obs.value, np.where(whole, np.mod(value, 2.0 * np.pi), value))
    sigma = obs.sigma.copy()
    rows = np.flatnonzero(np.isin(obs.kind.astype(str), ("distance", "level")))
    if len(rows):
        ends = obs.start_setup[rows], obs.end_setup[rows]
        stated = sighted_distance_sigmas(equations.network, *ends, value[rows], obs.count[rows])
        sigma[rows] = np.maximum(stated, HELD_LENGTH)
    return obs.replace(value=value, sigma=sigma)


def blank(a: Adjustment) -> Adjustment:
    """A prediction with NaN where only readings could tell."""
    o, s, c = a.observations, a.setups, a.control
    nothing, none = np.full(len(o), np.nan), np.full(len(s), np.nan)
    blank = np.full(len(c), np.nan)
    constants = np.full(len(a.constants), np.nan)
    return replace(
        a,
        iterations=0,
        observations=o.replace(
            observed=nothing,
            adjusted=nothing,
            residual=nothing,
            standardized=nothing,
            flagged=np.zeros(len(o), bool),
        ),
        left_out=a.left_out.replace(
            observed=np.full(len(a.left_out), np.nan),
            adjusted=np.full(len(a.left_out), np.nan),
            residual=np.full(len(a.left_out), np.nan),
        ),
        setups=s.replace(
            centring_east=none,
            centring_north=none,
            height_error=none,
            standardized_centring=none,
            standardized_height=none,
            flagged=np.zeros(len(s), bool),
        ),
        control=c.replace(misfit=blank, standardized=blank, flagged=np.zeros(len(c), bool)),
        orientations=a.orientations.replace(value=np.full(len(a.orientations), np.nan)),
        constants=a.constants.replace(value=constants),
        global_test=replace(a.global_test, variance_factor=np.nan, passed=True),
    )


def _listed(names: tuple[str, ...], most: int = 8) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")

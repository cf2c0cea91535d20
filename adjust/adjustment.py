"""The whole story of an adjustment in one screen."""

from __future__ import annotations

import numpy as np

from .estimate.normals import Defect
from .estimate.precision import ellipse_factor
from .estimate.rounding import rounding
from .estimate.solve import Solution, Stalled, gauss_newton
from .ground.network import Network
from .ground.table import Flags, Floats
from .model.approximate import Start, approximate
from .model.datum import Datum, find_datum
from .model.equations import Equations
from .model.frames import Frame, frame_of
from .model.reductions import HELD_ANGLE, HELD_LENGTH, Observations, reduce_readings, rows_of_kind
from .model.settling import Settling
from .model.unknowns import Unknowns, place_unknowns
from .outcome.control import constant_table, control_table, orientation_table
from .outcome.marks import mark_table
from .outcome.observations import left_out_table, observation_table
from .outcome.pairs import relative_table
from .outcome.setups import setup_table
from .progress import Progress, silent
from .results import Adjustment
from .settings import Settings
from .solved import Solved, global_test, queries
from .trouble import NotConverged, Trouble, Undetermined

PROMISED = 1e-8  # m: what is left of rounding in coordinates, or a remark says that it may be more


def adjust(
    network: Network, settings: Settings | None = None, progress: Progress | None = None
) -> Adjustment:
    """Adjust a network by least squares. `progress` is told every step that begins: see Progress.

    Raises Undetermined where the observations and the control don't fix every mark they reach (a network without any
    control is free, and fixed by inner constraints), NotConverged where the iteration does not settle.
    """
    settings, tell = settings or Settings(), progress or silent
    tell("readings", 0)
    obs = reduce_readings(network)
    unknowns = place_unknowns(network, obs, settings)
    if not obs.used.any():
        blank = len(network.sights) > 0 and not len(obs)
        wanted = "No sight has a reading: such a network can be planned, not adjusted." if blank else ""
        raise Undetermined(
            (Trouble("NET305", "There is nothing to adjust: no observation is in use.", wanted),)
        )
    frame = frame_of(network, settings)

    tell("start", 0)
    start = approximate(network, obs, settings, unknowns.heights)
    try:
        equations, datum, solution = _solved(network, obs, unknowns, settings, frame, start, tell)
    except (Undetermined, NotConverged):
        if not start.suspects:
            raise
        start = approximate(network, obs, settings, unknowns.heights, quick=False)
        equations, datum, solution = _solved(network, obs, unknowns, settings, frame, start, tell)
    frame.check(equations.state(solution.x).coordinates, levelled_marks(obs, len(network.marks)))
    tell("tables", 0)
    return tables(Solved(equations, solution), datum, start.remarks)


def levelled_marks(obs: Observations, n: int) -> Flags:
    """Marks that a rise in use reaches, (n,)."""
    out = np.zeros(n, dtype=bool)
    rows = rows_of_kind(obs).get("rise")
    if rows is not None:
        rows = rows[obs.used[rows]]
        out[obs.start_mark[rows]] = out[obs.end_mark[rows]] = True
    return out


def _solved(
    network: Network,
    obs: Observations,
    unknowns: Unknowns,
    settings: Settings,
    frame: Frame,
    start: Start,
    tell: Progress,
) -> tuple[Equations, Datum | None, Solution]:
    """The equations, the datum and the solution from one start."""
    _must_be_placed(network, obs, unknowns, start.coordinates)
    frame.check(start.coordinates, levelled_marks(obs, len(network.marks)))
    equations = Equations(network, obs, unknowns, settings, frame, start.coordinates)
    first = equations.first_guess(start.orientations)
    datum = find_datum(network, obs, unknowns, settings, start.coordinates, first)
    return equations, datum, _solve(equations, first, datum, tell)


def tables(solved: Solved, datum: Datum | None, remarks: tuple[Trouble, ...] = ()) -> Adjustment:
    """Everything that a solved network has to say, as tables; a plan makes the same of no readings."""
    network, settings, solution = solved.network, solved.settings, solved.solution
    return Adjustment(
        network=network,
        settings=settings,
        marks=mark_table(solved),
        observations=observation_table(solved),
        left_out=left_out_table(solved),
        setups=setup_table(solved),
        relative=relative_table(solved),
        control=control_table(solved),
        orientations=orientation_table(solved),
        constants=constant_table(solved),
        global_test=global_test(solution, settings),
        iterations=solution.iterations,
        degrees_of_freedom=solution.degrees_of_freedom,
        reference_height=solved.equations.frame.reference_height,
        datum=datum.freedoms if datum else (),
        datum_marks=datum.marks if datum else (),
        critical=solved.critical,
        critical_centring=solved.critical_centring,
        ellipse_factor=ellipse_factor(settings.confidence),
        remarks=(*remarks, *_held_readings(solved.obs), *_rounded(solved)),
        solved=solved,
    )


def _must_be_placed(network: Network, obs: Observations, unknowns: Unknowns, start: Floats) -> None:
    """Refuses a network in which a reached coordinate got no start: nothing but slope distances reach a height, say."""
    lost = (unknowns.marks >= 0) & np.isnan(start)
    if lost.any():
        from .ground.topology import explain_undetermined

        raise Undetermined(explain_undetermined(network, obs, np.any(lost[:, :2], axis=1), lost[:, 2]))


def _held_readings(obs: Observations) -> tuple[Trouble, ...]:
    """Says which observations have a sigma of zero."""
    held = obs.used & np.isin(obs.sigma, (HELD_LENGTH, HELD_ANGLE))
    if not held.any():
        return ()
    ids = tuple(str(i) for i in obs.id[held])
    shown = ", ".join(ids[:5]) + (f" and {len(ids) - 5} more" if len(ids) > 5 else "")
    text = f"Sigma zero: {shown} {'is' if len(ids) == 1 else 'are'} held as exact."
    return (
        Trouble("REM506", text, "A reading is never exact: state what it is good for.", observations=ids),
    )


def _rounded(solved: Solved) -> tuple[Trouble, ...]:
    """Says which coordinates double precision does not give to PROMISED."""
    u, solution = solved.unknowns, solved.solution
    off = rounding(solution.rows, solution.x, solution.cofactor, PROMISED)
    if off is None:
        return ()
    by_mark = np.where(u.marks >= 0, off[u.marks], 0.0).max(axis=1, initial=0.0)
    worst = np.argsort(-by_mark, kind="stable")[: int((by_mark > PROMISED).sum())]
    if not len(worst):
        return ()
    names = tuple(str(solved.network.marks.mark[i]) for i in worst)
    shown = ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")
    far = f"Rounding may have moved {shown} by up to {by_mark[worst[0]]:.0e} m: sights or sigmas are too unlike."
    cure = "Take coordinates from a nearer origin, or state sigmas that the readings deserve."
    return (Trouble("REM507", far, cure, marks=names),)


def _solve(equations: Equations, first: Floats, datum: Datum | None, tell: Progress = silent) -> Solution:
    """Gauss-Newton, with numerical trouble turned into words."""
    u = equations.unknowns
    try:
        return gauss_newton(
            Settling(equations),
            first,
            node=u.node,
            late=u.late,
            tolerance=_tolerances(u),
            constraints=(lambda x: datum.constraints) if datum else None,
            queries=queries(equations.obs, u),
            max_iterations=equations.settings.max_iterations,
            report=lambda iteration: tell("iteration", iteration),
        )
    except Defect as defect:
        raise Undetermined(_loose_marks(equations, defect)) from None
    except Stalled as stalled:
        evidence = (equations, datum.constraints if datum else None)
        raise NotConverged(_worst(equations, stalled), evidence) from None


def _tolerances(u: Unknowns) -> Floats:
    """1e-7 m for lengths, 1e-8 rad for orientations, 1e-6 of their prior sigma for constants.

    The solver's bound on the gain holds every unknown to 1e-5 of its sigma besides; finer steps than these are rounding
    where coordinates are large, sights short, and a constant hardly felt.
    """
    tolerance = np.full(u.n, 1e-8)
    for columns in (u.marks, u.effects):
        tolerance[columns[columns >= 0]] = 1e-7
    for c in u.constants:
        tolerance[c.place] = 1e-6 * c.sigma
    return tolerance


def _loose_marks(equations: Equations, defect: Defect) -> tuple[Trouble, ...]:
    """Marks that move in the null space of the normal matrix, in words."""
    from .ground.topology import explain_null_vector

    columns = equations.unknowns.marks
    moving: dict[str, tuple[str, ...]] = {}
    size = np.append(np.abs(defect.vectors).max(axis=1, initial=0.0), 0.0)
    largest = float(size.max(initial=0.0))
    for i, c in enumerate(columns):
        axes = tuple(
            a for a, k in zip(("east", "north", "height"), c, strict=True) if size[k] > 0.05 * largest
        )
        if axes:
            moving[str(equations.network.marks.mark[i])] = axes
    return explain_null_vector(equations.network, equations.obs, moving)


def _worst(equations: Equations, stalled: Stalled) -> tuple[Trouble, ...]:
    """The observations with the largest misclosures where the iteration stopped."""
    found: list[tuple[float, str]] = []
    for group, rows in zip(equations.groups, stalled.rows, strict=False):
        for i, m in zip(group.rows.tolist(), np.abs(rows.misclosure).tolist(), strict=True):
            found.append((m, str(equations.obs.id[i])))
    ids = tuple(name for _, name in sorted(found, reverse=True)[:5])
    return (
        Trouble(
            "NET304",
            f"The adjustment did not settle after {stalled.iterations} iterations; "
            f"worst fits: {', '.join(ids)}.",
            "Look for a gross error there, or leave one of them out by a decision.",
            observations=ids,
        ),
    )

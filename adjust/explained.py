"""One observation explained: from its reading to its residual, and what it does to the coordinates.

An observation here is also what a weighted coordinate, a setup's error or a constant brings as a prior, and a held coordinate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .ground.supports import centring_terms
from .ground.table import Floats, Ints
from .model.observations import KINDS
from .outcome.influence import held_influence, influences, place
from .outcome.trace import Trace, traces
from .results import AdjustedObservations, Adjustment
from .solved import Solved

AXES = ("east", "north", "height")


@dataclass(frozen=True)
class Term:
    """One source of a sigma, m or rad; `counted` False: an unknown of its own, which the sigma leaves out."""

    name: str
    sigma: float
    counted: bool = True


@dataclass(frozen=True)
class Explained:
    """One row of the table of observations (of `left_out` where `used` is False), and what lies behind it.

    terms      root-sum-squared into the sigma, or summed where the name says so; n readings divide by √(n/2) or √n
    bias       how wrong the reading would have to be, if it alone were: (observed − true), m or rad; NaN where nothing checks
    moves      (n_marks, 3) ∂(east, north, height)/∂reading: m per m or per rad
    noise      the largest shift that an error of the smallest detectable size makes in any function of the coordinates, in
               sigmas of that function: δ0·√((1 − r)/r) of an uncorrelated reading
    """

    row: int
    table: AdjustedObservations
    used: bool
    trace: Trace | None
    terms: tuple[Term, ...]
    readings: int
    bias: float
    moves: Floats
    noise: float


@dataclass(frozen=True)
class ExplainedControl:
    """A held coordinate: how all marks move per metre by which it is moved, (n_marks, 3), and its row of the table of control."""

    row: int
    mark: int
    axis: int
    moves: Floats


def explain(
    adjustment: Adjustment, rows: Sequence[int], left_out: Sequence[int] = ()
) -> tuple[Explained, ...]:
    """Rows of `adjustment.observations`, then rows of `adjustment.left_out`. One solve for all.

    Raises ValueError for an adjustment without its solution.
    """
    solved = _solved(adjustment)
    wanted = np.array(rows, dtype=np.int64)
    moves = influences(solved, wanted)
    used = np.flatnonzero(solved.obs.used)
    readings = used[wanted[wanted < len(used)]]
    ends = _Ends(solved, readings)
    paths = iter(enumerate(traces(solved, readings)))
    out = []
    for row, of_marks in zip(wanted.tolist(), moves, strict=True):
        if row < len(used):
            k, path = next(paths)
            made = _reading_terms(solved, int(used[row]), ends.terms(k))
            out.append(_reading(adjustment, solved, row, made, path, of_marks))
        else:
            out.append(_prior(adjustment, solved, row, row - len(used), of_marks))
    passed_over = np.flatnonzero(~solved.obs.used)
    still = np.zeros((len(adjustment.marks), 3))
    for row in left_out:
        i = int(passed_over[row])
        terms, count = _reading_terms(solved, i, _Ends(solved, passed_over[[row]]).terms(0))
        told = (
            traces(solved, passed_over[[row]])[0] if np.isfinite(adjustment.left_out.residual[row]) else None
        )
        out.append(Explained(row, adjustment.left_out, False, told, terms, count, np.nan, still, np.nan))
    return tuple(out)


def explain_control(adjustment: Adjustment, mark: int) -> tuple[ExplainedControl, ...]:
    """The held coordinates of a mark, in the order of the table of control."""
    solved = _solved(adjustment)
    c = adjustment.control
    return tuple(
        ExplainedControl(row, mark, axis, held_influence(solved, mark, axis))
        for row in np.flatnonzero((c.mark == adjustment.marks.mark[mark]) & c.held).tolist()
        for axis in (AXES.index(str(c.component[row])),)
    )


def named(adjustment: Adjustment, name: str) -> tuple[Ints, Ints, int]:
    """What a name means: rows of `observations`, rows of `left_out`, and a mark whose held coordinates it names (−1: none).

    An id stands for its observation (`22.direction`); else a row of sights for all that was made from it (`22`), a vector for its
    components, a setup for its errors (`T014`, with those of its base), a mark for its control. Whatever fits is meant.
    """
    solved = _solved(adjustment)
    network = adjustment.network
    found = []
    for table in (adjustment.observations, adjustment.left_out):
        ids = table.id.astype(str)
        rows = np.flatnonzero(ids == name)
        if not len(rows):
            rows = np.array([i for i, r in enumerate(table.rows) if name in r], dtype=np.int64)
        found.append(rows)
    used, left = found
    ids = adjustment.observations.id.astype(str)
    if (ids == name).any():
        return used, left, -1
    priors = int(solved.obs.used.sum())
    setups = np.flatnonzero(network.setups.setup == name)
    if len(setups):
        columns = solved.unknowns.effects[setups[0]]
        mine = np.flatnonzero(np.isin(solved.unknowns.priors.place, columns[columns >= 0]))
        used = np.concatenate([used, priors + mine])
    marks = np.flatnonzero(network.marks.mark == name)
    held = -1
    if len(marks):
        p = solved.unknowns.priors
        used = np.concatenate([used, priors + np.flatnonzero(p.mark == marks[0])])
        c = adjustment.control
        held = int(marks[0]) if ((c.mark == name) & c.held).any() else -1
    return np.unique(used), left, held


def _solved(adjustment: Adjustment) -> Solved:
    if adjustment.solved is None:
        raise ValueError("this adjustment carries no solution to explain")
    return adjustment.solved


def _reading(
    a: Adjustment, solved: Solved, row: int, terms: tuple[tuple[Term, ...], int], path: Trace, moves: Floats
) -> Explained:
    made, count = terms
    return Explained(row, a.observations, True, path, made, count, *_tested(a, solved, row, moves))


def _prior(a: Adjustment, solved: Solved, row: int, p: int, moves: Floats) -> Explained:
    return Explained(
        row, a.observations, True, None, _prior_terms(solved, p), 0, *_tested(a, solved, row, moves)
    )


def _tested(a: Adjustment, solved: Solved, row: int, moves: Floats) -> tuple[float, Floats, float]:
    """Bias, moves, and how much the smallest detectable error can do."""
    o = a.observations
    sigma, mdb = float(o.sigma[row]), float(o.minimal_detectable_bias[row])
    if not np.isfinite(mdb):
        return float("nan"), moves, float("inf")
    strength = solved.delta0 * sigma / mdb
    k, p = place(solved, row)
    weight = 1.0
    covariance = solved.covariances[k]
    if covariance is not None:
        b = solved.solution.rows[k].block
        weight = float(np.linalg.inv(covariance[p // b])[p % b, p % b]) * sigma**2
    noise = solved.delta0 * float(np.sqrt(max(weight - strength**2, 0.0))) / strength
    return -float(o.standardized[row]) * sigma / strength, moves, noise


def _reading_terms(solved: Solved, i: int, of_setups: list[Term]) -> tuple[tuple[Term, ...], int]:
    """Where the sigma of an observation comes from, and how many readings it is the mean of."""
    obs, network = solved.obs, solved.network
    kind, start, end = KINDS[str(obs.kind[i])], int(obs.start_setup[i]), int(obs.end_setup[i])
    count = int(obs.count[i])
    if kind.between != "setups":
        own = [Term("stated", float(obs.sigma[i]))]
    else:
        device, table = int(network.setups.device[start]), network.instruments
        if kind.quantity == "angle":
            own = [Term("both faces", float(getattr(table, kind.name)[device]))]
        else:
            bare = bool(len(network.targets)) and bool(
                network.targets.reflectorless[network.setups.device[end]]
            )
            a = (
                table.reflectorless[device]
                if bare and not np.isnan(table.reflectorless[device])
                else table.distance[device]
            )
            ppm = table.distance_ppm[device]
            if bare and not np.isnan(table.reflectorless_ppm[device]):
                ppm = table.reflectorless_ppm[device]
            own = [
                Term("constant, summed", float(a)),
                Term("with distance, summed", float(ppm * obs.value[i])),
            ]
            whole = float(obs.sigma[i])
            slant = whole**2 - (float(a) + float(ppm * obs.value[i])) ** 2 / count
            if bare and np.isfinite(network.setups.incidence[end]) and slant > 0.0:
                own.append(Term("surface at a slant, added in squares", float(np.sqrt(slant))))
    return (*own, *of_setups), count


class _Ends:
    """What the setup errors at both ends of observations are worth in them; for all `rows` at once."""

    def __init__(self, solved: Solved, rows: Ints) -> None:
        self._solved, self._rows = solved, rows
        self._blocks = solved.equations.gradients(solved.solution.x, rows)

    def terms(self, k: int) -> list[Term]:
        """Of the k-th of the rows: within its sigma under the independent rule only."""
        solved, i = self._solved, int(self._rows[k])
        obs, u, setups = solved.obs, solved.unknowns, solved.network.setups
        if KINDS[str(obs.kind[i])].between == "marks":
            return []
        counted = solved.settings.correlation == "independent"
        out = []
        for end, blocks in self._blocks.items():
            setup = int(getattr(obs, f"{end}_setup")[i]) if end != "at" else -1
            if setup < 0:
                continue
            role = "instrument" if setups.instrument[setup] else "target"
            east, north, up = blocks[k].tolist()
            parts = (
                (f"centring of the {role}", math.hypot(east, north) * float(u.centring_sigma[setup])),
                (f"height of the {role}", abs(up) * float(u.height_sigma[setup])),
            )
            out += [Term(name, sigma, counted) for name, sigma in parts if sigma > 1e-15]
        return out


def _prior_terms(solved: Solved, p: int) -> tuple[Term, ...]:
    priors, network = solved.unknowns.priors, solved.network
    sigma, setup = float(priors.sigma[p]), int(priors.setup[p])
    if str(priors.source[p]) != "effect" or priors.axis[p] == 2:
        return (Term("stated", sigma),)
    support = network.setups.support[setup : setup + 1]
    if not np.isnan(network.supports.centring_sigma[support[0]]):
        return (Term("stated", sigma),)
    parts = centring_terms(network, support, solved.unknowns.heights[setup : setup + 1])
    return tuple(Term(name.replace("_", " "), float(v[0])) for name, v in parts.items() if v[0] > 0.0)

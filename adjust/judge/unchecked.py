"""Marks that a single undetectable blunder may move intolerably.

For every reading and every setup effect the smallest blunder found with the set power (its MDB) is carried into the
coordinates: ∇x = QAᵀPc·MDB. A mark is unchecked when one of them moves it by more than `unchecked_ratio` of its
standard deviations, or without bound. A mark that only one target setup ever stood on is unchecked however often it was sighted:
nothing would show a wrong height or a wrong nail.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from ..estimate.datum import Cofactor
from ..estimate.influence import influence_of
from ..estimate.reliability import Reliability
from ..estimate.rows import Rows
from ..ground.table import Flags, Floats, Ints, Names, distinct

HELD_AT_ONCE = 1 << 24  # numbers of the columns solved together: 128 MB
SEEN = 1e-6  # correlation with a coordinate below this is rounding
ROUNDING = 1e-10  # redundancy below this is nothing: a blunder may be of any size


@dataclass(frozen=True)
class Alternatives:
    """Single blunders to try: columns (m, w) and values (m, w) of AᵀPc·σ; strength (m,) √(cᵀMc)·σ; names (m,)."""

    columns: Ints
    values: Floats
    strength: Floats
    names: Names


def alternatives(
    rows: Rows, strength: Floats, names: Callable[[Ints], Names], limit: float, whitening: Floats | None
) -> Alternatives:
    """Those of one Rows whose strength lies below `limit`; whitening (m / block, block, block) where correlated.

    names(rows) tells what some of the rows are called.
    """
    values = rows.values
    weight: Floats | float = 1.0  # √(cᵀPc)·σ: what a blunder may do is bounded by δ0·√(cᵀPc/cᵀMc − 1)
    if whitening is not None:
        b = rows.block  # strength is in units of the observation's own sigma, and so are these values
        blocks = values.reshape(len(values) // b, b, values.shape[1])
        values = (whitening.transpose(0, 2, 1) @ blocks).reshape(values.shape)
        weight = np.sqrt(np.sum(whitening**2, axis=1)).reshape(-1)
    chosen = np.flatnonzero(strength < limit * weight)
    return Alternatives(rows.columns[chosen], values[chosen], strength[chosen], names(chosen))


def strengths(reliability: Reliability) -> Floats:
    """√r of uncorrelated rows, kept below what w and MDB are told for.

    A small redundancy has few digits, yet what a blunder of MDB size does to the marks still follows from it: a centring
    error that one direction alone feels has r of 1e-7 and moves the marks beyond by nothing.
    """
    r = reliability.redundancy
    return np.where(r > ROUNDING, np.sqrt(np.maximum(r, 0.0)), 0.0)


def can_matter(redundancy: Floats, curvature: Floats, delta0: float, ratio: float) -> Flags:
    """Which wrong setup effects could make any mark unchecked at all, without solving for their influence.

    Given everything else, effect i has variance 1/N_ii; so its squared correlation with any other unknown is at most
    1 − 1/(Q_ii N_ii), and what it does to a coordinate, in standard deviations, at most √(1 − r)·ρ·δ0/√r.
    redundancy (m,) r of the pseudo-observations; curvature (m,) N_ii·σ².
    """
    h = np.clip(1.0 - redundancy, 0.0, 1.0)
    rho = np.sqrt(np.clip(1.0 - 1.0 / np.maximum(h * curvature, 1.0), 0.0, 1.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        bound = np.sqrt(h) * rho * delta0 / np.sqrt(np.where(redundancy > ROUNDING, redundancy, 0.0))
    return np.where(redundancy > ROUNDING, bound > ratio, rho > SEEN)


def unchecked_marks(
    cofactor: Cofactor,
    tried: list[Alternatives],
    marks: Ints,
    sigma: Floats,
    delta0: float,
    ratio: float,
    known: list[tuple[int, str]],
) -> tuple[Flags, list[tuple[str, ...]]]:
    """Which marks are unchecked, and the blunders that make them so.

    marks (n_marks, 3): columns of their coordinates; sigma (n_marks, 3): their standard deviations. `known`: marks and
    blunders that need no computing.
    """
    because: dict[int, dict[str, None]] = {}  # names in order, each once
    for mark, name in known:
        because.setdefault(mark, {})[name] = None
    for a in tried:
        if len(a.names):
            limit = np.where(a.strength > 0.0, ratio * a.strength / delta0, SEEN)
            reached = _everywhere if cofactor.constrained else _nearby
            hits = [np.zeros((0, 2), dtype=np.int64), *reached(cofactor, a, marks, sigma, limit)]
            for j, mark in distinct(np.concatenate(hits)).tolist():
                because.setdefault(mark, {})[str(a.names[j])] = None
    unchecked = np.zeros(len(marks), dtype=bool)
    unchecked[list(because)] = True
    names: list[tuple[str, ...]] = [()] * len(marks)
    for mark, told in because.items():
        names[mark] = tuple(told)
    return unchecked, names


def _nearby(cofactor: Cofactor, a: Alternatives, marks: Ints, sigma: Floats, limit: Floats) -> Iterator[Ints]:
    """Pairs (alternative, mark) of what is moved beyond the limit, (k, 2), from where each alternative reaches."""
    owner = np.full(cofactor.n, -1)
    i, axis = np.nonzero((marks >= 0) & (sigma > 0.0))
    owner[marks[i, axis]] = i
    influence = influence_of(cofactor.factor, owner >= 0)
    some = np.flatnonzero(~influence.harmless(a.columns, a.values, limit))
    for found in influence.of(a.columns[some], a.values[some], limit[some]):
        mark, right = owner[found.unknown], some[found.right]
        v, k = np.nonzero((found.moved > limit[right]) & (mark >= 0)[:, None])
        yield np.column_stack([right[k], mark[v]])


def _everywhere(
    cofactor: Cofactor, a: Alternatives, marks: Ints, sigma: Floats, limit: Floats
) -> Iterator[Ints]:
    """As `_nearby`, from whole columns: where constraints tie all marks together, everything moves."""
    placed = marks >= 0
    column = np.where(placed, marks, 0)
    divisor = np.where(placed & (sigma > 0.0), sigma, np.inf)
    width = max(1, min(256, HELD_AT_ONCE // (cofactor.n + 1)))
    for at in range(0, len(a.names), width):
        part = slice(at, at + width)
        k = len(a.names[part])
        right = np.zeros((cofactor.n + 1, k))
        np.add.at(right, (a.columns[part], np.arange(k)[:, None]), a.values[part])
        moved = np.abs(cofactor.solve(right[: cofactor.n])[column]) / divisor[:, :, None]  # (marks, 3, k)
        mark, j = np.nonzero(moved.max(axis=1) > limit[part])
        yield np.column_stack([at + j, mark])

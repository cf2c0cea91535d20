"""Gauss-Newton for sparse nonlinear least squares. Knows no surveying: certified general problems can test it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..ground.table import Flags, Floats, Ints
from .datum import Cofactor, Constraints
from .normals import Defect
from .pattern import Pattern
from .rows import Rows, gradient, objective, roundings

HALVINGS = 8
GROSS = 1e4  # vᵀPv an equation: so far from fitting, a singular matrix says nothing about the geometry


class Stalled(Exception):  # noqa: N818
    """The iteration did not settle. `x` is the best point, `rows` the equations there."""

    def __init__(self, x: Floats, rows: list[Rows], iterations: int) -> None:
        self.x, self.rows, self.iterations = x, rows, iterations
        super().__init__(f"not converged after {iterations} iterations")


@dataclass(frozen=True)
class Solution:
    """x (n,), the equations at x (their misclosures are observed − adjusted), Q, and how it went."""

    x: Floats
    rows: list[Rows]
    cofactor: Cofactor
    iterations: int
    objective: float
    degrees_of_freedom: int


def gauss_newton(
    evaluate: Callable[[Floats], list[Rows]],
    start: Floats,
    *,
    node: Ints | None = None,
    late: Flags | None = None,
    tolerance: Floats | float = 1e-7,
    constraints: Callable[[Floats], Constraints] | None = None,
    queries: tuple[Ints, ...] = (),
    max_iterations: int = 20,
    report: Callable[[int], None] | None = None,
) -> Solution:
    """Minimise the sum of squared misclosures.

    evaluate(x) gives the whitened equations at x, always with the same columns. A step is accepted as the last one when
    it changes no unknown by more than `tolerance` and the objective by less than 1e-10 (which bounds it below 1e-5
    standard deviations), or when it is of that size and no more than rounding. A step that raises the objective is halved,
    at most eight times. `queries` are sets of unknowns whose covariance will be asked for;
    `report` is told every iteration that begins.

    Raises Defect where unknowns are not determined, Stalled where the iteration does not settle (or gross errors bend it
    until they are not).
    """
    n = len(start)
    node = np.arange(n) if node is None else node
    late = np.zeros(int(node.max(initial=-1)) + 1, dtype=bool) if late is None else late
    x = start.astype(float)
    rows = evaluate(x)
    fixed = constraints(x) if constraints is not None else None
    columns = [r.columns for r in rows] + ([fixed.pins.columns] if fixed is not None else [])
    pattern = Pattern.build(n, columns, node, late, queries)
    equations = sum(len(r.misclosure) for r in rows)
    free = fixed.count if fixed is not None else 0
    value = objective(rows)
    gain_before = np.inf
    for iteration in range(1, max_iterations + 1):
        if report is not None:
            report(iteration)
        if constraints is not None:
            fixed = constraints(x)
        try:
            cofactor = Cofactor(pattern, rows, fixed)
        except Defect:
            # determined where it began: gross errors have carried two points of a sight into one
            if iteration > 1 and value > GROSS * equations:
                raise Stalled(x, rows, iteration) from None
            raise
        right = gradient(rows, n)
        offset = fixed.B.T @ (fixed.origin - x) if fixed is not None else None
        dx = cofactor.solve(right, offset)
        gain = float(dx @ right)
        settled = bool(np.all(np.abs(dx) <= tolerance))
        # at large coordinates rounding alone costs more than 1e-10, and no further step gains on it
        rounding = gain > 0.9 * gain_before and gain <= 1e-6 * max(1.0, value)
        rounding |= bool(np.all(np.abs(dx) <= 8.0 * np.spacing(np.abs(x) + 1.0)))
        # where a step is what rounding makes of it, and no longer shrinks, no tolerance is ever met
        noise = not settled and gain <= 1e-10 * max(1.0, value) and gain > 0.25 * gain_before
        noise = noise and gain <= sum(float(u @ u) for u in roundings(rows, x))
        if noise or (settled and (rounding or gain <= 1e-10 * max(1.0, value))):
            rows = [replace(r, misclosure=r.misclosure - r.times(dx)) for r in rows]
            return Solution(x + dx, rows, cofactor, iteration, objective(rows), equations - (n - free))
        gain_before = gain
        cofactor.factor.release()
        del cofactor, rows  # of a large network the next ones need their room
        step = _stepped(evaluate, x, dx, value)
        if step is None:
            raise Stalled(x, evaluate(x), iteration)
        x, rows, value = step
        del step
    raise Stalled(x, rows, max_iterations)


def _stepped(
    evaluate: Callable[[Floats], list[Rows]], x: Floats, dx: Floats, value: float
) -> tuple[Floats, list[Rows], float] | None:
    """The best point among x + dx and its halvings, its equations and objective; None where none is finite."""
    best: tuple[Floats, list[Rows], float] | None = None
    step = 1.0
    for _ in range(HALVINGS + 1):
        trial = x + step * dx
        rows = evaluate(trial)
        there = objective(rows)
        if np.isfinite(there) and (best is None or there < best[2]):
            best = trial, rows, there
        if np.isfinite(there) and there <= value * (1.0 + 1e-9) + 1e-12:
            break
        del rows
        step *= 0.5
    return best

"""Held control against what the rest of the network says of it.

For a held coordinate the alternative "this mark lies elsewhere" is the column c that the coordinate would have had:
size c·v / cᵀMc, statistic w. No refit is needed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..estimate.reliability import NO_CHECK
from ..estimate.solve import Solution
from ..ground.table import Floats, Ints
from ..model.equations import Equations
from ..model.unknowns import Priors

AT_ONCE = 16  # held coordinates that are tested together


def held_components(equations: Equations) -> tuple[Ints, Ints]:
    """Marks and axes of the held coordinates that an observation touches, in the order of marks."""
    marks = equations.network.marks
    sigma = np.column_stack([marks.sigma_east, marks.sigma_north, marks.sigma_height])
    mark, axis = np.nonzero(equations.unknowns.reached & (sigma == 0.0))
    return mark, axis


def held_control(equations: Equations, solution: Solution) -> tuple[Ints, Ints, Floats, Floats]:
    """Marks, axes, displacement (true − given, m) and its sigma (infinite where nothing tells) of held coordinates."""
    u = equations.unknowns
    mark, axis = held_components(equations)
    k = len(mark)
    if not k:
        return mark, axis, np.zeros(0), np.zeros(0)
    columns = u.marks.copy()
    columns[mark, axis] = u.n + np.arange(k)
    held = np.zeros(len(u.marks) + 1, dtype=bool)
    held[mark] = True
    obs = equations.obs
    near = held[obs.start_mark] | held[obs.end_mark] | held[obs.at_mark]  # −1 is no mark
    wider = Equations(
        equations.network,
        obs.take(obs.used & near),  # what does not see held control says nothing of it, nor do priors
        replace(u, n=u.n + k, marks=columns, priors=Priors.empty()),
        equations.settings,
        equations.frame,
        equations.start,
    )
    rows = wider.evaluate(np.concatenate([solution.x, equations.start[mark, axis]]))
    size, spread = np.zeros(k), np.full(k, np.inf)
    for at in range(0, k, AT_ONCE):
        width = min(AT_ONCE, k - at)
        weight, push = np.zeros(width), np.zeros(width)
        places, products = [np.zeros(0, dtype=np.int64)], [np.zeros((0, width))]
        for r in rows:
            own = r.columns - (u.n + at)
            i, j = np.nonzero((own >= 0) & (own < width))
            if not len(i):
                continue
            involved, i = np.unique(i, return_inverse=True)
            c = np.zeros((len(involved), width))
            np.add.at(c, (i, own[involved[i], j]), r.values[involved[i], j])
            weight += np.einsum("mk,mk->k", c, c)
            push += c.T @ r.misclosure[involved]
            columns = r.columns[involved]
            there = (columns >= 0) & (columns < u.n)
            places.append(columns[there])
            products.append((r.values[involved][:, :, None] * c[:, None, :])[there])
        felt, which = np.unique(np.concatenate(places), return_inverse=True)
        at_felt = which.reshape(-1, 1) * width + np.arange(width)
        each: Floats = np.concatenate(products).ravel()
        summed = np.bincount(at_felt.ravel(), weights=each, minlength=len(felt) * width)
        normal = summed.astype(np.float64, copy=False).reshape(-1, width)
        strength = weight - solution.cofactor.forms(normal, felt)
        told = strength > NO_CHECK * weight
        safe = np.where(told, strength, 1.0)
        size[at : at + width] = np.where(told, push / safe, np.nan)
        spread[at : at + width] = np.where(told, 1.0 / np.sqrt(safe), np.inf)
    return mark, axis, size, spread

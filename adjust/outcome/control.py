"""Control against the rest of the network, orientations, and nuisance constants."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from ..ground.table import Floats, Ints, deferred
from ..judge.control import held_components, held_control
from ..model.reductions import as_objects
from ..model.unknowns import AXES
from ..results import Constants, ControlFit, Orientations
from ..solved import ORIENTATIONS, Solved


def control_table(solved: Solved) -> ControlFit:
    """Held and weighted control components, in the order of marks. What the others say of them is found when asked for."""
    held = held_components(solved.equations)
    p = solved.unknowns.priors
    weighted = np.flatnonzero(p.mark >= 0)
    mark, axis = (
        np.concatenate(both) for both in zip(held, (p.mark[weighted], p.axis[weighted]), strict=True)
    )
    order = np.lexsort((axis, mark))
    fit = _Fit(solved, weighted, order)
    return ControlFit(
        mark=as_objects([str(m) for m in solved.network.marks.mark[mark[order]].tolist()]),
        component=as_objects([AXES[k] for k in axis[order].tolist()]),
        held=order < len(held[0]),
        misfit=deferred(len(order), lambda rows: fit.misfit[rows]),
        sigma=deferred(len(order), lambda rows: fit.sigma[rows]),
        standardized=deferred(len(order), lambda rows: fit.standardized[rows]),
        flagged=deferred(len(order), lambda rows: np.abs(fit.standardized[rows]) > solved.critical),
    )


class _Fit:
    """Given minus predicted of control components, with its sigma: held ones, then `weighted` priors, put in `order`."""

    def __init__(self, solved: Solved, weighted: Ints, order: Ints) -> None:
        self._solved, self._weighted, self._order = solved, weighted, order

    @cached_property
    def _both(self) -> tuple[Floats, Floats]:
        solved, rows = self._solved, self._weighted
        _, _, moved, spread = held_control(solved.equations, solved.solution)
        strength = solved.prior_reliability.strength[rows] if len(rows) else np.zeros(0)
        told = strength > 0.0
        safe = np.where(told, strength, 1.0)
        misfit = np.where(told, -solved.prior_residual[rows] / safe**2, np.nan)
        sigma = np.where(told, solved.unknowns.priors.sigma[rows] / safe, np.inf)
        return np.concatenate([-moved, misfit])[self._order], np.concatenate([spread, sigma])[self._order]

    @property
    def misfit(self) -> Floats:
        return self._both[0]

    @property
    def sigma(self) -> Floats:
        return self._both[1]

    @cached_property
    def standardized(self) -> Floats:
        misfit, sigma = self._both
        known = np.isfinite(sigma) & (sigma > 0.0)
        return np.where(known, misfit / np.where(known, sigma, 1.0), np.nan)


def orientation_table(solved: Solved) -> Orientations:
    """One row an instrument setup and round whose directions are in use."""
    obs, u = solved.obs, solved.unknowns
    number = np.flatnonzero(u.orientations >= 0)
    rows = np.flatnonzero(obs.used & (obs.orientation >= 0))
    first = rows[np.unique(obs.orientation[rows], return_index=True)[1]]
    Q = solved.solution.cofactor.query(ORIENTATIONS, u.orientations[:, None])[number, 0, 0]
    return Orientations(
        setup=solved.network.setups.setup[obs.start_setup[first]],
        setup_row=obs.start_setup[first],
        round=obs.round[first],
        value=np.mod(solved.state.orientations[number], 2.0 * np.pi),
        sigma=np.sqrt(np.maximum(Q, 0.0)),
    )


def constant_covariance(solved: Solved) -> Floats:
    """BQBᵀ of all constants, (k, k), in the order of `unknowns.constants`."""
    c = solved.unknowns.constants
    if not len(c):
        return np.zeros((0, 0))
    B, places = c.mixing, c.places
    Q: Floats = B @ solved.solution.cofactor.columns(places)[places] @ B.T
    return Q


def constant_table(solved: Solved) -> Constants:
    """Estimated nuisance unknowns against their priors."""
    c = solved.unknowns.constants
    return Constants(
        name=as_objects([k.label for k in c]),
        quantity=as_objects([k.quantity for k in c]),
        value=c.values(solved.solution.x),
        sigma=np.sqrt(np.maximum(np.diagonal(constant_covariance(solved)), 0.0)),
        prior=np.array([k.value for k in c], dtype=float),
        prior_sigma=np.array([k.sigma for k in c], dtype=float),
    )

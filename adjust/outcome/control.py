"""Control against the rest of the network, orientations, and nuisance constants."""

from __future__ import annotations

import numpy as np

from ..ground.table import Floats
from ..judge.control import held_control
from ..model.reductions import as_objects
from ..model.unknowns import AXES
from ..results import Constants, ControlFit, Orientations
from ..solved import ORIENTATIONS, Solved


def control_table(solved: Solved) -> ControlFit:
    """Held and weighted control components, in the order of marks."""
    mark, axis, moved, spread = held_control(solved.equations, solved.solution)
    entries = [(int(m), int(a), True, -d, s) for m, a, d, s in zip(mark, axis, moved, spread, strict=True)]
    p = solved.unknowns.priors
    for i in np.flatnonzero(p.mark >= 0):
        strength = solved.prior_reliability.strength[i]
        residual = solved.prior_residual[i]
        told = strength > 0.0
        misfit = -residual / strength**2 if told else np.nan
        entries.append(
            (int(p.mark[i]), int(p.axis[i]), False, misfit, p.sigma[i] / strength if told else np.inf)
        )
    entries.sort(key=lambda e: (e[0], e[1]))
    w = np.array([m / s if np.isfinite(s) and s > 0 else np.nan for *_, m, s in entries], dtype=float)
    return ControlFit(
        mark=as_objects([str(solved.network.marks.mark[e[0]]) for e in entries]),
        component=as_objects([AXES[e[1]] for e in entries]),
        held=np.array([e[2] for e in entries], dtype=bool),
        misfit=np.array([e[3] for e in entries], dtype=float),
        sigma=np.array([e[4] for e in entries], dtype=float),
        standardized=w,
        flagged=np.abs(w) > solved.critical,
    )


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

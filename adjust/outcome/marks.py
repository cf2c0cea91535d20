"""Adjusted marks: coordinates, covariances, ellipses, and what is unchecked."""

from __future__ import annotations

import numpy as np

from ..estimate.precision import ellipse_factor, ellipses
from ..estimate.rows import Rows, diagonal
from ..ground.table import Flags, Floats, distinct
from ..judge.unchecked import Alternatives, alternatives, can_matter, strengths, unchecked_marks
from ..model.reductions import as_objects
from ..results import AdjustedMarks
from ..solved import MARKS, Solved

EFFECT_WORDS = ("centring", "centring", "height")


def mark_table(solved: Solved) -> AdjustedMarks:
    """Coordinates, covariances, ellipses, and what is unchecked."""
    marks, u = solved.network.marks, solved.unknowns
    prior = np.column_stack([marks.sigma_east, marks.sigma_north, marks.sigma_height])
    known = u.reached | np.isfinite(prior)
    coordinates = np.where(known, solved.state.coordinates, np.nan)
    covariance = solved.solution.cofactor.query(MARKS, u.marks)
    variance = np.diagonal(covariance, axis1=1, axis2=2)
    sigma = np.sqrt(np.maximum(variance, 0.0))
    unchecked, because = _unchecked(solved, sigma)
    hidden = ~known
    covariance[hidden[:, :, None] | hidden[:, None, :]] = np.nan
    sigma = np.where(known, sigma, np.nan)
    factor = ellipse_factor(solved.settings.confidence)
    major, minor, azimuth = ellipses(np.nan_to_num(covariance[:, :2, :2]))
    plan = known[:, :2].all(axis=1)
    return AdjustedMarks(
        mark=marks.mark,
        east=coordinates[:, 0],
        north=coordinates[:, 1],
        height=coordinates[:, 2],
        sigma_east=sigma[:, 0],
        sigma_north=sigma[:, 1],
        sigma_height=sigma[:, 2],
        covariance=covariance,
        control=as_objects([_control_words(s) for s in prior]),
        semi_major=np.where(plan, factor * major, np.nan),
        semi_minor=np.where(plan, factor * minor, np.nan),
        ellipse_azimuth=np.where(plan, azimuth, np.nan),
        unchecked=unchecked,
        unchecked_by=as_objects(because),
    )


def _unchecked(solved: Solved, sigma: Floats) -> tuple[Flags, list[tuple[str, ...]]]:
    ratio = solved.settings.unchecked_ratio
    limit = solved.delta0 / ratio
    tried: list[Alternatives] = []
    known: list[tuple[int, str]] = []
    for k, group in enumerate(solved.equations.groups):
        covariance = solved.covariances[k]
        whitening = None
        if covariance is not None:
            s = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
            whitening = np.linalg.inv(np.linalg.cholesky(covariance)) * s[:, None, :]
        names = [str(i) for i in solved.obs.id[group.rows]]
        reliability = solved.reliability[k]
        strength = strengths(reliability) if whitening is None else reliability.strength
        tried.append(alternatives(solved.solution.rows[k], strength, names, limit, whitening))
    p = solved.unknowns.priors
    effects = np.flatnonzero(p.source == "effect")
    if len(effects):
        rows = solved.solution.rows[-1]
        curvature = diagonal(solved.solution.rows, solved.unknowns.n)[p.place] * p.sigma**2
        matters = can_matter(solved.prior_reliability.redundancy, curvature, solved.delta0, ratio)
        strength = strengths(solved.prior_reliability)
        lonely = _lonely_setups(solved)
        setup_mark = solved.network.setups.mark
        chosen = []
        for i in effects[matters[effects]].tolist():
            name = f"{solved.network.setups.setup[p.setup[i]]} {EFFECT_WORDS[p.axis[i]]}"
            if lonely[p.setup[i]] and strength[i] == 0.0:
                known.append((int(setup_mark[p.setup[i]]), name))
            else:
                chosen.append((i, name))
        at = np.array([i for i, _ in chosen], dtype=np.int64)
        part = Rows(rows.columns[at], rows.values[at], rows.misclosure[at])
        tried.append(alternatives(part, strength[at], [name for _, name in chosen], limit, None))
    return unchecked_marks(
        solved.solution.cofactor,
        tried,
        solved.unknowns.marks,
        sigma,
        solved.delta0,
        ratio,
        known,
    )


def _lonely_setups(solved: Solved) -> Flags:
    """Setups that alone tie a free mark to the network: their effects and the mark move as one. (n_setups,)"""
    obs, n = solved.obs, len(solved.network.setups)
    free = np.any(solved.unknowns.marks >= 0, axis=1)
    ties: list[set[int]] = [set() for _ in range(len(free))]
    for mark, setup in (
        (obs.start_mark, obs.start_setup),
        (obs.at_mark, np.full(len(obs), -1)),
        (obs.end_mark, obs.end_setup),
    ):
        pairs = distinct(np.column_stack([mark, setup])[obs.used & (mark >= 0)])
        for m, s in pairs.tolist():
            ties[m].add(s)
    lonely = np.zeros(n, dtype=bool)
    shared = (solved.network.setups.base >= 0) | (solved.network.setups.height_base >= 0)
    weighted = np.zeros(len(free), dtype=bool)
    p = solved.unknowns.priors
    weighted[p.mark[p.source == "control"]] = True
    for m, setups in enumerate(ties):
        if len(setups) == 1 and free[m] and not weighted[m]:
            (s,) = setups
            if s >= 0 and not shared[s]:
                lonely[s] = True
    return lonely


def _control_words(sigma: Floats) -> str:
    """held, weighted, held-en, weighted-h …; blank for a free mark."""
    words = []
    for word, mask in (("held", sigma == 0.0), ("weighted", np.isfinite(sigma) & (sigma > 0.0))):
        if mask.all():
            words.append(word)
        elif mask.any():
            words.append(f"{word}-{''.join(letter for letter, m in zip('enh', mask, strict=True) if m)}")
    return " ".join(words)

"""Adjusted marks: coordinates, covariances, ellipses, and what is unchecked."""

from __future__ import annotations

import numpy as np

from ..estimate.precision import ellipse_factor, ellipses
from ..ground.table import Flags, Floats
from ..judge.unchecked import Alternatives, alternatives, unchecked_marks
from ..model.reductions import as_objects
from ..results import AdjustedMarks
from .solved import MARKS, Solved

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
    limit = solved.delta0 / solved.settings.unchecked_ratio
    tried: list[Alternatives] = []
    for k, group in enumerate(solved.equations.groups):
        covariance = solved.covariances[k]
        whitening = None
        if covariance is not None:
            s = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
            whitening = np.linalg.inv(np.linalg.cholesky(covariance)) * s[:, None, :]
        names = [str(i) for i in solved.obs.id[group.rows]]
        tried.append(
            alternatives(solved.solution.rows[k], solved.reliability[k].strength, names, limit, whitening)
        )
    p = solved.unknowns.priors
    effects = np.flatnonzero(p.source == "effect")
    if len(effects):
        rows = solved.solution.rows[-1]
        names = [f"{solved.network.setups.setup[p.setup[i]]} {EFFECT_WORDS[p.axis[i]]}" for i in effects]
        part = type(rows)(rows.columns[effects], rows.values[effects], rows.misclosure[effects])
        tried.append(alternatives(part, solved.prior_reliability.strength[effects], names, limit, None))
    return unchecked_marks(
        solved.solution.cofactor,
        tried,
        solved.unknowns.marks,
        sigma,
        solved.delta0,
        solved.settings.unchecked_ratio,
    )


def _control_words(sigma: Floats) -> str:
    """held, weighted, held-en, weighted-h …; blank for a free mark."""
    words = []
    for word, mask in (("held", sigma == 0.0), ("weighted", np.isfinite(sigma) & (sigma > 0.0))):
        if mask.all():
            words.append(word)
        elif mask.any():
            words.append(f"{word}-{''.join(letter for letter, m in zip('enh', mask, strict=True) if m)}")
    return " ".join(words)

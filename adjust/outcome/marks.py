"""Adjusted marks: coordinates, covariances, ellipses, and what is unchecked."""

from __future__ import annotations

from functools import partial

import numpy as np

from ..estimate.precision import ellipse_factor, ellipses
from ..estimate.rows import Rows
from ..ground.table import Flags, Floats, Ints, Names, frozen
from ..judge.unchecked import Alternatives, alternatives, can_matter, strengths, unchecked_marks
from ..model.reductions import Observations, as_objects
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
        covariance=frozen(covariance),
        control=frozen(_control_words(prior)),
        semi_major=frozen(np.where(plan, factor * major, np.nan)),
        semi_minor=frozen(np.where(plan, factor * minor, np.nan)),
        ellipse_azimuth=frozen(np.where(plan, azimuth, np.nan)),
        unchecked=frozen(unchecked),
        unchecked_by=frozen(as_objects(because)),
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
        reliability = solved.reliability[k]
        strength = strengths(reliability) if whitening is None else reliability.strength
        rows = solved.solution.rows[k]
        tried.append(alternatives(rows, strength, partial(_ids, solved.obs, group.rows), limit, whitening))
    p = solved.unknowns.priors
    effects = np.flatnonzero(p.setup >= 0)
    if len(effects):
        rows = solved.solution.rows[-1]
        curvature = (p.sigma / solved.solution.cofactor.factor.scale[p.place]) ** 2
        matters = can_matter(solved.prior_reliability.redundancy, curvature, solved.delta0, ratio)
        strength = strengths(solved.prior_reliability)
        lonely = _lonely_setups(solved)
        setup_mark = solved.network.setups.mark
        mine = effects[matters[effects]]
        names = as_objects(
            [f"{solved.network.setups.setup[p.setup[i]]} {EFFECT_WORDS[p.axis[i]]}" for i in mine]
        )
        # what a lonely setup's effect does, its mark undoes: redundancy is exactly 0, whatever rounding says
        sure = lonely[p.setup[mine]] & (solved.unknowns.marks[setup_mark[p.setup[mine]], p.axis[mine]] >= 0)
        sure |= lonely[p.setup[mine]] & (strength[mine] == 0.0)
        known = list(zip(setup_mark[p.setup[mine[sure]]].tolist(), names[sure].tolist(), strict=True))
        at = mine[~sure]
        part = Rows(rows.columns[at], rows.values[at], rows.misclosure[at])
        tried.append(alternatives(part, strength[at], names[~sure].__getitem__, limit, None))
    return unchecked_marks(
        solved.solution.cofactor,
        tried,
        solved.unknowns.marks,
        sigma,
        solved.delta0,
        ratio,
        known,
    )


def _ids(obs: Observations, rows: Ints, chosen: Ints) -> Names:
    return obs.some("id", rows[chosen])


def _lonely_setups(solved: Solved) -> Flags:
    """Setups that alone tie a free mark to the network: their effects and the mark move as one. (n_setups,)"""
    obs, setups = solved.obs, solved.network.setups
    n, n_marks = len(setups), len(solved.network.marks)
    stands = np.full(n, -1)  # on which mark, of setups that are met
    bare = np.zeros(n_marks, dtype=bool)  # marks that are met themselves
    ends = ((obs.start_mark, obs.start_setup), (obs.at_mark, None), (obs.end_mark, obs.end_setup))
    for marks, on in ends:
        rows = np.flatnonzero(obs.used & (marks >= 0))
        if on is None or not n:
            bare[marks[rows]] = True
            continue
        placed = on[rows] >= 0
        stands[on[rows[placed]]] = marks[rows[placed]]
        bare[marks[rows[~placed]]] = True
    setup = np.flatnonzero(stands >= 0)
    mark = stands[setup]
    ways = np.bincount(mark, minlength=n_marks) + bare
    candidate = np.any(solved.unknowns.marks >= 0, axis=1) & (ways == 1)
    p = solved.unknowns.priors
    candidate[p.mark[p.mark >= 0]] = False
    lonely = np.zeros(n, dtype=bool)
    lonely[setup[candidate[mark]]] = True
    return np.asarray(lonely & (setups.base < 0) & (setups.height_base < 0))


def _control_words(sigma: Floats) -> Names:
    """held, weighted, held-en, weighted-h …; blank for a free mark. (n,) from prior sigmas (n, 3)."""
    held, weighted = sigma == 0.0, np.isfinite(sigma) & (sigma > 0.0)
    code = (np.hstack([held, weighted]) @ (1 << np.arange(6))).astype(np.int64)
    words = np.empty(64, dtype=object)
    for c in set(code.tolist()):
        parts = []
        for word, bits in (("held", c & 7), ("weighted", c >> 3)):
            if bits:
                letters = "".join(letter for k, letter in enumerate("enh") if bits >> k & 1)
                parts.append(word if bits == 7 else f"{word}-{letters}")
        words[c] = " ".join(parts)
    return np.asarray(words[code])

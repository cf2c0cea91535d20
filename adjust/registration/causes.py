"""What would explain that a scan does not fit its targets: a target, two names, a height common to a kind, the scale.

A set of targets taken as wrong is a hypothesis of three coordinates each; names exchanged cost no unknown; a scale and a
height of all targets of one kind cost one. They are compared by T − 2q (Akaike; from memory): what lies within 6 of the
best, a factor 20 in likelihood, is a rival, and where the best has one nobody can tell. The equations stand where most of the
targets agree, so that gross errors don't bend them: every triple of targets places the cloud, and the one whose
middle residual is least is taken (least median of squares, Rousseeuw 1984; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import Literal

import numpy as np

from ..estimate.quantiles import chi2_probability, chi2_quantile
from ..estimate.ranking import ranked
from ..ground.table import Floats, Ints
from .fit import Fit, Linear, columns, linear_at, scale_column, solve
from .predict import Prediction
from .rigid import aligned

RIVAL = 6.0  # a factor 20 in likelihood
PROBABLE = 0.01  # a cause is named below this probability, corrected for the number of hypotheses
TRIPLES = 4000  # starts that are tried
SETS = 6000  # sets of targets that are tried
DOUBTFUL = 16  # targets among which exchanged names are sought
MOST_WRONG = 3  # targets wrong at once whose every set is tried

CauseName = Literal["target", "names", "height of kind", "scale"]


@dataclass(frozen=True)
class Cause:
    """One explanation. `targets` rows; size (k,) m, of the scale a ratio; statistic T and q of its test.

    probability: that chance alone gives such a T, corrected for the number of such hypotheses.
    """

    cause: CauseName
    targets: tuple[int, ...]
    size: Floats
    sigma: Floats
    statistic: float
    freedom: int
    probability: float

    @property
    def score(self) -> float:
        """T − 2q."""
        return self.statistic - 2.0 * self.freedom


@dataclass(frozen=True)
class Explained:
    """What was found: causes, best first; the first is told if `told`, the others are its rivals.

    rest: vᵀWv and degrees of freedom that remain once the first is allowed for; seen (n, 3) m: where the scanner saw each
    target, by the others; seen_covariance (n, 3, 3) m².
    """

    causes: tuple[Cause, ...]
    told: bool
    rest: tuple[float, int]
    seen: Floats
    seen_covariance: Floats

    @property
    def rivals(self) -> tuple[Cause, ...]:
        """What can't be excluded beside the first."""
        return self.causes[1:]


def explain(fit: Fit, confidence: float = 0.95) -> Explained | None:
    """Why a fit fails; None where it passes."""
    x, t = fit.scanned, fit.targets
    n = len(t)
    if fit.passed:
        return None
    linear, R, shift = _where_most_agree(fit)
    total, f = linear.objective(), fit.degrees_of_freedom
    tried = [*_sets(linear, n, total, f, confidence), *_names(linear, t.centre, x, R, shift, total)]
    tried += _common(linear, fit)
    tried = [tried[i] for i in ranked([c.score for c in tried])]
    best = tried[0]
    near = tuple(c for c in tried[1:] if best.score - c.score < RIVAL and not _part_of(c, best))
    seen, covariance = _seen(linear, fit, R, shift)
    return Explained(
        (best, *near),
        best.probability < PROBABLE,
        (total - best.statistic, f - best.freedom),
        seen,
        covariance,
    )


def _where_most_agree(fit: Fit) -> tuple[Linear, Floats, Floats]:
    """Equations, R and t of the targets that agree with one another; of all of them where there are but three."""
    t, x, W = fit.targets, fit.scanned, fit.prediction.weight
    levelled, n = fit.prediction.levelled, len(fit.targets)
    R, shift = fit.rotation, fit.shift
    if n > 3:
        triples = np.array(list(combinations(range(n), 3)) if comb(n, 3) <= TRIPLES else _some_triples(n))
        Rs, ts = aligned(x[triples], t.centre[triples])
        away = np.linalg.norm(t.centre - np.einsum("mij,nj->mni", Rs, x) - ts[:, None], axis=2)
        most = max(4, n // 2 + 1)
        best = int(np.argmin(np.sort(away, axis=1)[:, most - 1]))
        core = np.sort(np.argsort(away[best], kind="stable")[:most])
        R, shift = Rs[best], ts[best]
        for _ in range(10):
            sub = t.take(core)
            R, shift, _, _ = solve(sub, x[core], Prediction(sub).weight, levelled, (R, shift))
            linear = linear_at(t, x, R, shift, W, levelled)
            agree = _agreeing(linear, n, core)
            if len(agree) < 3 or np.array_equal(agree, core):
                break
            core = agree
    return linear_at(t, x, R, shift, W, levelled), R, shift


def _agreeing(linear: Linear, n: int, core: Ints) -> Ints:
    """Targets that fit those of `core`: of the others each is tested against what the core predicts."""
    others = [i for i in range(n) if i not in set(core.tolist())]
    if not others:
        return core
    _, _, size, covariance = linear.test(columns(n, tuple(others)))
    limit = chi2_quantile(1.0 - 0.001 / n, 3)
    keep = core.tolist()
    for k, i in enumerate(others):
        at = slice(3 * k, 3 * k + 3)
        if size[at] @ np.linalg.pinv(covariance[at, at], rcond=1e-9, hermitian=True) @ size[at] < limit:
            keep.append(i)
    return np.array(sorted(keep), dtype=np.int64)


def _some_triples(n: int) -> list[tuple[int, int, int]]:
    random = np.random.default_rng(0)  # the same for the same number of targets
    return [tuple(sorted(random.choice(n, 3, replace=False).tolist())) for _ in range(TRIPLES)]


def _sets(linear: Linear, n: int, total: float, f: int, confidence: float) -> list[Cause]:
    """Sets of wrong targets: all single ones, and larger sets until one of them leaves nothing to explain."""
    out: list[Cause] = []
    for k in range(1, min(MOST_WRONG, max(1, n - 3)) + 1):
        if comb(n, k) > SETS:
            break
        found = [_wrong(linear, n, s) for s in combinations(range(n), k)]
        out += found
        best = max(found, key=lambda c: c.statistic)
        rest, left = total - best.statistic, f - best.freedom
        if left <= 0 or rest <= chi2_quantile(0.5 + 0.5 * confidence, left):
            break
    return out


def _wrong(linear: Linear, n: int, targets: tuple[int, ...]) -> Cause:
    T, q, size, covariance = linear.test(columns(n, targets))
    p = comb(n, len(targets)) * (1.0 - chi2_probability(T, q)) if q else 1.0
    return Cause("target", targets, size, np.sqrt(np.diagonal(covariance)), T, q, min(1.0, p))


def _names(linear: Linear, y: Floats, x: Floats, R: Floats, t: Floats, total: float) -> list[Cause]:
    """Two targets with each other's names."""
    out, n = [], len(y)
    site = x @ R.T + t
    # both of a pair lie elsewhere: it is sought among those that lie farthest off
    off = np.argsort(-np.linalg.norm(y - site, axis=1), kind="stable")[:DOUBTFUL]
    for i, j in combinations(sorted(off.tolist()), 2):
        swapped = (y - site).copy()
        swapped[i], swapped[j] = y[i] - site[j], y[j] - site[i]
        T = total - linear.objective(swapped.reshape(-1))
        if T > 0.0:
            # no unknown is spent: the chance of a drop by exchange alone is at most that of a free direction each
            p = comb(n, 2) * (1.0 - chi2_probability(T, 3))
            out.append(
                Cause(
                    "names", (i, j), np.array([np.linalg.norm(y[i] - y[j])]), np.zeros(1), T, 0, min(1.0, p)
                )
            )
    return out


def _common(linear: Linear, fit: Fit) -> list[Cause]:
    """One unknown for many: the scale, and a height common to all targets of one kind where there are others."""
    out, t = [], fit.targets
    tried: list[tuple[CauseName, tuple[int, ...], Floats]] = [
        ("scale", tuple(range(len(t))), scale_column(t))
    ]
    for kind in dict.fromkeys(map(str, t.kind)):
        rows = tuple(np.flatnonzero(t.kind == kind).tolist())
        if 1 < len(rows) < len(t):
            c = np.zeros((3 * len(t), 1))
            c[3 * np.array(rows) + 2] = 1.0
            tried.append(("height of kind", rows, c))
    for cause, rows, c in tried:
        T, q, size, covariance = linear.test(c)
        if q:
            p = len(tried) * (1.0 - chi2_probability(T, 1))
            out.append(Cause(cause, rows, size, np.sqrt(np.diagonal(covariance)), T, 1, min(1.0, p)))
    return out


def _part_of(c: Cause, best: Cause) -> bool:
    """True for a set that says the best one's and more, and for the wrong targets of exchanged names."""
    if c.cause == "target" and best.cause == "names":
        return set(c.targets) >= set(best.targets)
    return c.cause == best.cause == "target" and set(c.targets) > set(best.targets)


def _seen(linear: Linear, fit: Fit, R: Floats, t: Floats) -> tuple[Floats, Floats]:
    """Where the scanner saw each target (n, 3) m by what most others say, and how well that is known (n, 3, 3) m²."""
    covariance = fit.prediction.covariance(fit.targets.centre)
    covariance[:, [0, 1, 2], [0, 1, 2]] += (fit.targets.scan_sigma**2)[:, None]
    return np.asarray(fit.scanned @ R.T + t), covariance

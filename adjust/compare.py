"""Two epochs: has anything moved, which marks, by how much, and how small a movement would still be seen?

    d = x₂ − x₁ in one datum,  Q_d = Q₁ + Q₂ − Q₁₂ − Q₂₁,  T = dᵀQ_d⁺d ~ χ²_h,  h = rank Q_d

(Pelzer 1971, Niemeier; from memory). Q₁₂ is what both epochs share: weighted control of the same coordinates, and bases that
stood through both, whose centring cancels. T does not depend on the datum. A mark moved is the hypothesis d → d + C∇ of
`q` components; sets of marks are tested as hypotheses, since one mark at a time smears where several moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .epochs.datum import laid, motions, transform
from .epochs.moved import Moved, least_movements, locate, moved_marks, pseudo_inverse
from .estimate.quantiles import chi2_probability, chi2_quantile
from .ground.table import Floats, Ints
from .outcome.joint import mark_covariance
from .results import Adjustment
from .trouble import Trouble, Undetermined

CUT = 1e-9  # eigenvalues below this share of the largest are rounding
RIVAL = (
    6.0  # a rival whose statistic is less than this below the best is not excluded: a factor 20 in likelihood
)
PAIRS = 30  # marks up to which all pairs are tried
AXES = ("east", "north", "height")


@dataclass(frozen=True)
class Comparison:
    """What two epochs say. Rows of the arrays are the common marks, in the order of the first epoch; NaN undetermined.

    `least` is the smallest movement, in its worst direction, that would be found with the set power.
    """

    marks: tuple[str, ...]
    difference: Floats  # (n, 3) m, second minus first, in the common datum
    covariance: Floats  # (n, 3, 3) m²
    statistic: float
    freedom: int
    critical: float
    probability: float
    congruent: bool
    moved: tuple[Moved, ...]
    rest: tuple[float, int]  # statistic and freedom that remain once the moved marks are let go
    least: Floats  # (n,) m
    free: tuple[str, ...]  # freedoms of the common datum
    datum_marks: tuple[str, ...]
    shared: int  # control coordinates and setup effects that both epochs share
    variance_factor: float | None  # pooled, where it was used


def _must_be_of_one_frame(first: Adjustment, second: Adjustment) -> None:
    """Differences of coordinates mean something in one frame, grid and kind of heights only."""
    one, two = first.settings, second.settings
    if (one.frame, one.chart, one.heights) == (two.frame, two.chart, two.heights):
        return
    said = [
        s.frame if s.chart is None else f"{s.frame}, {s.chart.name}, heights {s.heights}" for s in (one, two)
    ]
    text = f"The epochs are not in one frame: {said[0]}; {said[1]}."
    wanted = "Give both the same frame, grid (a projected crs) and heights."
    raise Undetermined((Trouble("NET311", text, wanted),))


def compare(
    first: Adjustment,
    second: Adjustment,
    *,
    datum: Sequence[str] = (),
    same_setups: Sequence[tuple[int, int]] = (),
    alpha: float = 0.05,
    pooled: bool = False,
) -> Comparison:
    """Compare two adjusted epochs on their common marks.

    datum: marks that carry the freedoms of a free network (none: all common marks); same_setups: rows of setups, of the
    first and of the second epoch, whose effects are the same (a base that stood through both); pooled: with the variance
    factor of both epochs, by F, instead of the stated sigmas.

    Raises Undetermined where there is nothing to compare, or where the datum marks can't carry the freedoms.
    """
    _must_be_of_one_frame(first, second)
    names, axis, rows1, rows2 = _common(first, second)
    x1, x2 = _values(first, rows1, axis), _values(second, rows2, axis)
    Q1, Q2 = _covariance(first, rows1, axis), _covariance(second, rows2, axis)
    cross, shared = _shared(first, second, rows1, rows2, axis, same_setups)
    free = tuple(
        f for f in ("east", "north", "rotation", "height", "scale") if f in {*first.datum, *second.datum}
    )
    mark = np.unique(rows1, return_inverse=True)[1]
    d, Q = x2 - x1, Q1 + Q2 - cross - cross.T
    carriers = np.ones(len(axis), dtype=bool)
    if datum:
        unknown = [m for m in datum if m not in names]
        if unknown:
            raise Undetermined(
                (
                    Trouble(
                        "NET311",
                        f"{', '.join(unknown)} is no mark of both epochs.",
                        "Name common marks.",
                        tuple(unknown),
                    ),
                )
            )
        carriers = np.isin(np.array([names[m] for m in mark]), list(datum))
    S = np.eye(len(axis))
    if free:
        G = motions(free, x1, axis, mark)
        S = transform(G, carriers)
        if "rotation" in free:
            x2, turn = laid(free, x1, x2, axis, mark, carriers)
            d, cross = x2 - x1, cross @ turn.T
            Q = Q1 + turn @ Q2 @ turn.T - cross - cross.T
        d, Q = S @ d, S @ Q @ S.T
    inverse, h = pseudo_inverse(Q)
    if h == 0:
        raise Undetermined(
            (
                Trouble(
                    "NET311", "No difference between the epochs has a variance.", "All common marks are held."
                ),
            )
        )
    factor = _pooled(first, second) if pooled else None
    scale = 1.0 if factor is None else factor
    T = float(d @ inverse @ d) / scale
    f = first.degrees_of_freedom + second.degrees_of_freedom
    of_f = None if factor is None else f  # F where the epochs give a factor, χ² where nothing is redundant
    critical, p = _limit(alpha, h, of_f), _tail(T, h, of_f)
    C = [S[:, mark == j] for j in range(len(names))]
    moved, rest = ([], (T, h)) if critical >= T else locate(inverse, d, C, scale, alpha)
    n = len(names)
    difference, covariance = np.full((n, 3), np.nan), np.full((n, 3, 3), np.nan)
    difference[mark, axis] = d
    for j in range(n):
        a = axis[mark == j]
        covariance[j][np.ix_(a, a)] = Q[np.ix_(mark == j, mark == j)]
    return Comparison(
        names,
        difference,
        covariance,
        T,
        h,
        critical,
        p,
        bool(critical >= T),
        tuple(moved_marks(inverse, d, C, scale, moved, names, axis, mark)),
        rest,
        least_movements(inverse, C, scale, first.settings.alpha, first.settings.power),
        free,
        tuple(str(names[m]) for m in np.unique(mark[carriers])) if free else (),
        shared,
        factor,
    )


def _common(first: Adjustment, second: Adjustment) -> tuple[tuple[str, ...], Ints, Ints, Ints]:
    """Names of the common marks; and for each component that both determine: its axis and its row in either epoch."""
    at = {str(m): i for i, m in enumerate(second.marks.mark)}
    axis, rows1, rows2 = [], [], []
    names: list[str] = []
    for i, m in enumerate(first.marks.mark):
        j = at.get(str(m), -1)
        if j < 0:
            continue
        both = [
            a
            for a, name in enumerate(AXES)
            if np.isfinite(getattr(first.marks, name)[i]) and np.isfinite(getattr(second.marks, name)[j])
        ]
        if both:
            names.append(str(m))
        axis += both
        rows1 += [i] * len(both)
        rows2 += [j] * len(both)
    if not names:
        raise Undetermined(
            (Trouble("NET311", "The two epochs have no mark in common.", "Common marks bear the same name."),)
        )
    return tuple(names), np.array(axis), np.array(rows1), np.array(rows2)


def _values(a: Adjustment, rows: Ints, axis: Ints) -> Floats:
    m = a.marks
    values: Floats = np.column_stack([m.east, m.north, m.height])[rows, axis]
    return values


def _covariance(a: Adjustment, rows: Ints, axis: Ints) -> Floats:
    joint = mark_covariance(a)
    assert joint is not None  # an adjustment that was just made has its solution
    place = {(int(m), int(k)): i for i, (m, k) in enumerate(zip(joint.mark, joint.axis, strict=True))}
    wanted = np.array([place[int(m), int(k)] for m, k in zip(rows, axis, strict=True)])
    chosen: Floats = joint.covariance[np.ix_(wanted, wanted)]
    return chosen


def _shared(
    first: Adjustment,
    second: Adjustment,
    rows1: Ints,
    rows2: Ints,
    axis: Ints,
    same_setups: Sequence[tuple[int, int]],
) -> tuple[Floats, int]:
    """Q₁₂ by the pseudo-observations that both epochs share: x̂ = … + Q e / σ² for each, so Σ q₁q₂ᵀ / σ². And their number."""
    cross = np.zeros((len(axis), len(axis)))
    s1, s2 = first.solved, second.solved
    assert s1 is not None
    assert s2 is not None
    p1, p2 = s1.unknowns.priors, s2.unknowns.priors
    names1, names2 = first.marks.mark, second.marks.mark
    control = {
        (str(names2[p2.mark[i]]), int(p2.axis[i])): i for i in np.flatnonzero(p2.source == "control").tolist()
    }
    pairs = [
        (i, control[key])
        for i in np.flatnonzero(p1.source == "control").tolist()
        if (key := (str(names1[p1.mark[i]]), int(p1.axis[i]))) in control
    ]
    pairs = [(i, j) for i, j in pairs if p1.value[i] == p2.value[j] and p1.sigma[i] == p2.sigma[j]]
    effect1, effect2 = ({int(q): k for k, q in enumerate(p.place)} for p in (p1, p2))
    for a, b in same_setups:
        for c1, c2 in zip(s1.unknowns.effects[a].tolist(), s2.unknowns.effects[b].tolist(), strict=True):
            if c1 in effect1 and c2 in effect2:
                pairs.append((effect1[c1], effect2[c2]))
    pairs = list(dict.fromkeys(pairs))
    if not pairs:
        return cross, 0
    i, j = np.array(pairs).T
    left = _influence(first, rows1, axis, p1.place[i]) / p1.sigma[i]
    right = _influence(second, rows2, axis, p2.place[j]) / p2.sigma[j]
    return left @ right.T, len(pairs)


def _influence(a: Adjustment, rows: Ints, axis: Ints, places: Ints) -> Floats:
    """Columns of Q of some unknowns at the wanted components; a held component has none."""
    solved = a.solved
    assert solved is not None
    columns = solved.solution.cofactor.columns(places)
    own = solved.unknowns.marks[rows, axis]
    out: Floats = np.where(own[:, None] >= 0, columns[own], 0.0)
    return out


def _pooled(first: Adjustment, second: Adjustment) -> float | None:
    """(vᵀPv₁ + vᵀPv₂) / (f₁ + f₂); None where nothing is redundant."""
    f = first.degrees_of_freedom + second.degrees_of_freedom
    total = sum(
        a.global_test.variance_factor * a.degrees_of_freedom
        for a in (first, second)
        if a.degrees_of_freedom > 0
    )
    return float(total / f) if f > 0 and total > 0.0 else None


def _limit(alpha: float, h: int, f: int | None) -> float:
    if f is None:
        return chi2_quantile(1.0 - alpha, h)
    from scipy.special import fdtri

    return float(h * fdtri(h, f, 1.0 - alpha))


def _tail(T: float, h: int, f: int | None) -> float:
    if f is None:
        return max(0.0, 1.0 - chi2_probability(T, h))
    from scipy.special import fdtrc

    return float(fdtrc(h, f, T / h))

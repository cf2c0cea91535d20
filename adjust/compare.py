"""Two epochs: has anything moved, which marks, by how much, and how small a movement would still be seen?

    d = x₂ − x₁ in one datum,  Q_d = Q₁ + Q₂ − Q₁₂ − Q₂₁,  T = dᵀQ_d⁺d ~ χ²_h,  h = rank Q_d

(Pelzer 1971, Niemeier; from memory). Q₁₂ is what both epochs share: weighted control of the same coordinates, and bases that
stood through both, whose centring cancels. T does not depend on the datum. A mark moved is the hypothesis d → d + C∇ of
`q` components; sets of marks are tested as hypotheses, since one mark at a time smears where several moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from .estimate.quantiles import chi2_probability, chi2_quantile
from .ground.table import Flags, Floats, Ints
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
class Moved:
    """One mark that moved: by how much (NaN where undetermined), with covariance; its statistic given the others; its rivals."""

    mark: str
    movement: Floats  # (3,) m
    covariance: Floats  # (3, 3) m²
    statistic: float
    freedom: int
    probability: float  # corrected for the number of marks tried
    rivals: tuple[str, ...]


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
        G = _motions(free, x1, axis, mark)
        S = _transform(G, carriers)
        if "rotation" in free:
            x2, turn = _laid(free, x1, x2, axis, mark, carriers)
            d, cross = x2 - x1, cross @ turn.T
            Q = Q1 + turn @ Q2 @ turn.T - cross - cross.T
        d, Q = S @ d, S @ Q @ S.T
    inverse, h = _pseudo_inverse(Q)
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
    critical, p = _limit(alpha, h, f if pooled else None), _tail(T, h, f if pooled else None)
    C = [S[:, mark == j] for j in range(len(names))]
    moved, rest = ([], (T, h)) if critical >= T else _locate(inverse, d, C, scale, alpha)
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
        tuple(_moved(inverse, d, C, scale, moved, names, axis, mark)),
        rest,
        _least(inverse, C, scale, first.settings.alpha, first.settings.power),
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


def _motions(free: Sequence[str], x: Floats, axis: Ints, mark: Ints) -> Floats:
    """Columns: how the components move with each freedom."""
    e, n = _of_axis(x, axis, mark, 0), _of_axis(x, axis, mark, 1)
    h = np.where(axis == 2, x, 0.0)
    e, n, h = (
        e - np.nanmean(e),
        n - np.nanmean(n),
        np.where(axis == 2, h - np.mean(h[axis == 2]) if (axis == 2).any() else 0, 0),
    )
    extent = max(1.0, float(np.nanmax(np.abs(np.concatenate([e, n])), initial=1.0)))
    motion = {
        "east": (axis == 0).astype(float),
        "north": (axis == 1).astype(float),
        "height": (axis == 2).astype(float),
        "rotation": np.where(axis == 0, n, np.where(axis == 1, -e, 0.0)) / extent,
        "scale": np.where(axis == 0, e, np.where(axis == 1, n, h)) / extent,
    }
    return np.column_stack([np.nan_to_num(motion[f]) for f in free])


def _of_axis(x: Floats, axis: Ints, mark: Ints, wanted: int) -> Floats:
    """For each component, the coordinate `wanted` of its mark; NaN where it has none."""
    of_mark = np.full(int(mark.max()) + 1, np.nan)
    of_mark[mark[axis == wanted]] = x[axis == wanted]
    return of_mark[mark]


def _transform(G: Floats, carriers: Flags) -> Floats:
    """S = I − G(BᵀG)⁻¹Bᵀ, B = G on the marks that carry the datum (Baarda 1973; from memory)."""
    B = np.where(carriers[:, None], G, 0.0)
    N = B.T @ G
    scale = np.sqrt(np.maximum(np.diagonal(G.T @ G), 1e-300))
    if np.linalg.svd(N / np.outer(scale, scale), compute_uv=False)[-1] < 1e-9:
        raise Undetermined(
            (
                Trouble(
                    "NET311",
                    "The datum marks can't carry what is free.",
                    "Choose more common marks, apart from each other.",
                ),
            )
        )
    return np.eye(len(G)) - G @ np.linalg.solve(N, B.T)


def _laid(
    free: Sequence[str], x1: Floats, x2: Floats, axis: Ints, mark: Ints, carriers: Flags
) -> tuple[Floats, Floats]:
    """x₂ laid on the first epoch over the datum marks, so that what is left to turn is small; and the turn, (k, k)."""
    z1 = _of_axis(x1, axis, mark, 0) + 1j * _of_axis(x1, axis, mark, 1)
    z2 = _of_axis(x2, axis, mark, 0) + 1j * _of_axis(x2, axis, mark, 1)
    good = carriers & ~np.isnan(z1) & ~np.isnan(z2)
    m1, m2 = z1[good].mean(), z2[good].mean()
    kappa = np.sum((z1[good] - m1) * np.conj(z2[good] - m2)) / np.sum(np.abs(z2[good] - m2) ** 2)
    if "scale" not in free:
        kappa /= abs(kappa)
    laid = m1 + kappa * (z2 - m2)
    out = np.where(axis == 0, laid.real, np.where(axis == 1, laid.imag, x2))
    turn = np.eye(len(axis))
    for j in range(int(mark.max()) + 1):
        e, n = (np.flatnonzero((mark == j) & (axis == a)) for a in (0, 1))
        if len(e) and len(n):
            turn[e, e] = turn[n, n] = kappa.real
            turn[e, n], turn[n, e] = -kappa.imag, kappa.imag
    return np.where(np.isnan(out), x2, out), turn


def _pseudo_inverse(Q: Floats) -> tuple[Floats, int]:
    """Q⁺ from its eigenvectors, and its rank."""
    values, vectors = np.linalg.eigh(0.5 * (Q + Q.T))
    kept = values > CUT * max(float(values[-1]), 0.0)
    kept &= values > 0.0
    V = vectors[:, kept]
    return (V / values[kept]) @ V.T, int(kept.sum())


def _test(inverse: Floats, d: Floats, C: Floats) -> tuple[float, int, Floats, Floats]:
    """T, q, ∇ and its covariance, of the hypothesis that d was shifted by C∇."""
    N, b = C.T @ inverse @ C, C.T @ inverse @ d
    covariance, q = _pseudo_inverse(N)
    size = covariance @ b
    return float(b @ size), q, size, covariance


def _locate(
    inverse: Floats, d: Floats, C: list[Floats], scale: float, alpha: float
) -> tuple[list[int], tuple[float, int]]:
    """The marks whose movement explains what is not congruent; and what remains.

    Grown by the mark that explains most (or the pair, where all pairs can be tried), until the rest is congruent; then those
    are let go that the others make needless.
    """
    n = len(C)
    whole, h = (
        float(d @ inverse @ d) / scale,
        int(np.linalg.matrix_rank(inverse, tol=1e-9 * np.abs(inverse).max())),
    )

    def rest(chosen: Sequence[int]) -> tuple[float, int]:
        if not chosen:
            return whole, h
        T, q, *_ = _test(inverse, d, np.column_stack([C[j] for j in chosen]))
        return max(0.0, whole - T / scale), h - q

    def fits(chosen: Sequence[int]) -> bool:
        T, f = rest(chosen)
        return f <= 0 or chi2_quantile(1.0 - alpha, f) >= T

    chosen: list[int] = []
    while not fits(chosen) and len(chosen) < n - 1:
        left = [j for j in range(n) if j not in chosen]
        best = min(left, key=lambda j: _badness(rest([*chosen, j])))
        if not chosen and not fits([best]) and n <= PAIRS:
            pair = min(combinations(range(n), 2), key=lambda two: _badness(rest(two)))
            if fits(pair):
                chosen = list(pair)
                break
        chosen.append(best)
    for j in sorted(chosen, key=lambda j: rest([k for k in chosen if k != j])[0]):
        without = [k for k in chosen if k != j]
        if len(chosen) > 1 and fits(without):
            chosen = without
    return sorted(chosen), rest(chosen)


def _badness(rest: tuple[float, int]) -> float:
    """How far what remains lies beyond its freedom, as a normal deviate (Wilson and Hilferty; from memory)."""
    T, f = rest
    if f <= 0:
        return -np.inf
    spread = 2.0 / (9.0 * f)
    return float((np.cbrt(T / f) - (1.0 - spread)) / np.sqrt(spread))


def _moved(
    inverse: Floats,
    d: Floats,
    C: list[Floats],
    scale: float,
    chosen: list[int],
    names: tuple[str, ...],
    axis: Ints,
    mark: Ints,
) -> list[Moved]:
    if not chosen:
        return []
    together = np.column_stack([C[j] for j in chosen])
    T, _, size, covariance = _test(inverse, d, together)
    out, at = [], 0
    for j in chosen:
        k = C[j].shape[1]
        part = slice(at, at + k)
        at += k
        others = [C[i] for i in chosen if i != j]
        rest = _test(inverse, d, np.column_stack(others))[0] if others else 0.0
        statistic, q = (T - rest) / scale, np.linalg.matrix_rank(covariance[part, part])
        p = 1.0 - chi2_probability(statistic, max(1, int(q)))
        rivals = []
        for i in range(len(C)):
            if i in chosen:
                continue
            instead = _test(inverse, d, np.column_stack([*others, C[i]]))[0]
            if (T - instead) / scale < RIVAL:
                rivals.append(names[i])
        movement, spread = np.full(3, np.nan), np.full((3, 3), np.nan)
        a = axis[mark == j]
        movement[a] = size[part]
        spread[np.ix_(a, a)] = scale * covariance[part, part]
        corrected = -np.expm1(len(C) * np.log1p(-min(p, 1.0 - 1e-16)))
        out.append(Moved(names[j], movement, spread, statistic, int(q), float(corrected), tuple(rivals)))
    return out


def _least(inverse: Floats, C: list[Floats], scale: float, alpha: float, power: float) -> Floats:
    """√(λ0 / smallest eigenvalue of CᵀQ⁺C): the smallest movement in its worst direction; infinite where nothing would show."""
    from scipy.special import chndtrinc

    out = np.full(len(C), np.inf)
    for j, c in enumerate(C):
        values = np.linalg.eigvalsh(c.T @ inverse @ c)
        q = len(values)
        if q and values[0] > 1e-9 * max(values[-1], 1e-300):
            shift = float(chndtrinc(chi2_quantile(1.0 - alpha, q), q, 1.0 - power))
            out[j] = np.sqrt(scale * shift / values[0])
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

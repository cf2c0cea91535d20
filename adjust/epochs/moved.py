"""Which marks moved: every set of marks is a hypothesis d → d + C∇ about the differences of two epochs.

T_q = bᵀ(CᵀQ⁺C)⁻¹b with b = CᵀQ⁺d is the part of dᵀQ⁺d that the hypothesis explains, ∇̂ = (CᵀQ⁺C)⁻¹b the movement.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ..estimate.quantiles import chi2_probability, chi2_quantile
from ..ground.table import Floats, Ints

CUT = 1e-9  # eigenvalues below this share of the largest are rounding
RIVAL = (
    6.0  # a rival whose statistic is less than this below the best is not excluded: a factor 20 in likelihood
)
PAIRS = 30  # marks up to which all pairs are tried


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


def pseudo_inverse(Q: Floats) -> tuple[Floats, int]:
    """Q⁺ from its eigenvectors, and its rank."""
    values, vectors = np.linalg.eigh(0.5 * (Q + Q.T))
    kept = values > CUT * max(float(values[-1]), 0.0)
    kept &= values > 0.0
    V = vectors[:, kept]
    return (V / values[kept]) @ V.T, int(kept.sum())


def _test(inverse: Floats, d: Floats, C: Floats) -> tuple[float, int, Floats, Floats]:
    """T, q, ∇ and its covariance, of the hypothesis that d was shifted by C∇."""
    N, b = C.T @ inverse @ C, C.T @ inverse @ d
    covariance, q = pseudo_inverse(N)
    size = covariance @ b
    return float(b @ size), q, size, covariance


def locate(
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


def moved_marks(
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


def least_movements(inverse: Floats, C: list[Floats], scale: float, alpha: float, power: float) -> Floats:
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

"""Variance components of networks too large for dense contrasts: the same maximum, at a cost that grows with the network alone.

Every step factors the reweighted normal equations once: r_g comes from the selected inverse, q_g = Σ u² from the residuals u, and
the average information from one solve a group, uᵀ_g M u_h with M = I − AQAᵀ in whitened rows.

G_gh = Σ M_ij² over the rows of two groups is estimated with random signs z (Hutchinson 1990, from memory): the mean of
Σ (M z_h)_i². Its rows must sum to r_g; the diagonal takes up what is missing, and most of the chance with it.
"""

from __future__ import annotations

import numpy as np

from ..estimate.datum import Cofactor
from ..estimate.rows import Rows
from ..ground.table import Flags, Floats, Ints
from ..solved import Solved

PROBES = 24, 4  # of a small and of a large network: ν within a few per cent
PROBED = 20_000  # degrees of freedom times probes that are enough
STEPS = 40
FLOOR = np.log(1e-8)


class Weighted:
    """The equations of a solved network with the variance of every group multiplied by θ."""

    def __init__(self, solved: Solved, group: list[Ints], theta: Floats) -> None:
        """group: of every row, one array a Rows of the solution; −1 keeps its declared variance."""
        self.group, self.count = group, len(theta)
        padded = np.append(theta, 1.0)
        self.rows = []
        for r, g in zip(solved.solution.rows, group, strict=True):
            scale = 1.0 / np.sqrt(padded[g])
            self.rows.append(Rows(r.columns, r.values * scale[:, None], r.misclosure * scale, r.block))
        self.cofactor: Cofactor = solved.solution.cofactor.reweighted(self.rows)
        self.n = solved.unknowns.n
        self.u = self.residual([r.misclosure[:, None] for r in self.rows])

    def residual(self, vectors: list[Floats]) -> list[Floats]:
        """M·vectors, one array (m, k) a Rows."""
        k = vectors[0].shape[1]
        right = np.zeros((self.n + 1) * k)
        for r, v in zip(self.rows, vectors, strict=True):
            there = np.flatnonzero((v != 0.0).any(axis=1))  # the rows of one group, mostly
            columns, values, v = r.columns[there] + 1, r.values[there], v[there]
            for w in range(columns.shape[1]):
                at = (columns[:, w, None] * k + np.arange(k)).reshape(-1)
                right += np.bincount(at, (values[:, w, None] * v).reshape(-1), minlength=len(right))
        right = right.reshape(-1, k)[1:]
        x = self.cofactor.solve(right)
        return [v - r.times(x) for r, v in zip(self.rows, vectors, strict=True)]

    def sums(self, rows: list[Floats]) -> Floats:
        """Sums over the rows of every group, (G, k)."""
        total = np.zeros((self.count + 1, rows[0].shape[1]))
        for g, v in zip(self.group, rows, strict=True):
            np.add.at(total, g, v)
        return total[: self.count]

    def redundancy(self) -> Floats:
        """r_g, (G,)."""
        parts = []
        for k, r in enumerate(self.rows):
            h = np.diagonal(self.cofactor.gram(k, r), axis1=1, axis2=2).reshape(-1)
            parts.append((1.0 - h)[:, None])
        return self.sums(parts)[:, 0]

    def squares(self) -> Floats:
        """q_g = Σ u², (G,)."""
        return self.sums([u**2 for u in self.u])[:, 0]

    def average_information(self) -> Floats:
        """½ uᵀ_g M u_h, (G, G)."""
        parts = [
            np.where(g[:, None] == np.arange(self.count), u, 0.0)
            for g, u in zip(self.group, self.u, strict=True)
        ]
        answer = self.residual(parts)
        return 0.5 * np.asarray(sum(p.T @ a for p, a in zip(parts, answer, strict=True)))

    def information(self, redundancy: Floats, seed: int = 1) -> Floats:
        """G, (G, G); the same seed gives the same probes."""
        rng = np.random.default_rng(seed)
        G = np.zeros((self.count, self.count))
        most, fewest = PROBES
        probes = int(np.clip(PROBED / max(float(redundancy.sum()), 1.0), fewest, most))
        signs = [rng.choice([-1.0, 1.0], size=(len(g), probes)) for g in self.group]
        for h in range(self.count):
            answer = self.residual(
                [np.where(g[:, None] == h, z, 0.0) for g, z in zip(self.group, signs, strict=True)]
            )
            G[:, h] = self.sums([a**2 for a in answer]).mean(axis=1)
        G = 0.5 * (G + G.T)
        np.fill_diagonal(G, 0.0)
        spent = G.sum(axis=1)
        shrink = np.minimum(1.0, redundancy / np.maximum(spent, 1e-300))
        G *= np.minimum.outer(shrink, shrink)
        np.fill_diagonal(G, np.maximum(redundancy - G.sum(axis=1), 0.0))
        return G


def climb(
    solved: Solved, group: list[Ints], free: Flags, near: float
) -> tuple[Floats, Weighted, Floats, bool]:
    """θ (G,), the equations at it, r (G,), and whether it settled: the fixed point r = q of all free groups."""
    theta = np.ones(len(free))
    chosen = np.flatnonzero(free)

    def at(t: Floats) -> tuple[Weighted, Floats, Floats, float]:
        w = Weighted(solved, group, t)
        r, q = w.redundancy(), w.squares()
        score = 0.5 * (q - r)
        return w, r, score, float(np.sum(score[chosen] ** 2 / (0.5 * r[chosen] + 1e-9)))

    here, r, score, merit = at(theta)
    damping = 0.1
    for _ in range(STEPS):
        if np.all(np.abs(score[chosen]) <= near * np.sqrt(0.5 * r[chosen] + 1e-12)):
            return theta, here, r, True
        information = here.average_information()[np.ix_(chosen, chosen)]
        for _ in range(6):
            damped = information + np.diag(damping * 0.5 * r[chosen] + 1e-12)
            step = np.clip(np.linalg.solve(damped, score[chosen]), -2.0, 2.0)
            trial = theta.copy()
            trial[chosen] = np.exp(np.maximum(np.log(theta[chosen]) + step, FLOOR))
            new, new_r, new_score, new_merit = at(trial)
            if new_merit <= merit:
                break
            damping = max(0.2, 5.0 * damping)
        theta, here, r, score, merit = trial, new, new_r, new_score, new_merit
        damping = max(0.01, 0.2 * damping)
    return theta, here, r, False

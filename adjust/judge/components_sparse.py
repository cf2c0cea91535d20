"""Variance components of networks too large for dense contrasts: the same maximum, at a cost that grows with the network alone.

Every step factors the reweighted normal equations once: r_g comes from the selected inverse, q_g = Σ u² from the residuals u, and
the average information from one solve a group, uᵀ_g M u_h with M = I − AQAᵀ in whitened rows.

G_gh = Σ M_ij² over the rows of two groups is estimated with random signs z (Hutchinson 1990, from memory): the mean of
Σ (M z_h)_i². Its rows must sum to r_g; the diagonal takes up what is missing, and most of the chance with it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..estimate.datum import Cofactor
from ..estimate.rows import Rows, gradient
from ..ground.table import Flags, Floats, Ints
from ..solved import Solved

PROBES = 24, 4  # of a small and of a large network: ν within a few per cent
PROBED = 20_000  # degrees of freedom times probes that are enough
CELLS = 2_000_000  # numbers of right sides that are solved for at once: 16 MB
STEPS = 40
FLOOR = np.log(1e-8)


class Weighted:
    """The equations of a solved network with the variance of every group multiplied by θ."""

    def __init__(self, solved: Solved, group: list[Ints], theta: Floats) -> None:
        """group: of every row, one array a Rows of the solution; −1 keeps its declared variance."""
        self.group, self.count, self.n = group, len(theta), solved.unknowns.n
        self.rows, self.cofactor = self._at(solved, theta)
        self.u = self._residual()

    def _at(self, solved: Solved, theta: Floats) -> tuple[list[Rows], Cofactor]:
        """Equations and their cofactors with these variances; as declared, those of the adjustment."""
        rows = solved.solution.rows
        if np.all(theta == 1.0):
            return rows, solved.solution.cofactor
        padded = np.append(theta, 1.0)
        scales = [1.0 / np.sqrt(padded[g]) for g in self.group]
        made = [
            Rows(r.columns, r.values * s[:, None], r.misclosure * s, r.block)
            for r, s in zip(rows, scales, strict=True)
        ]
        return made, solved.solution.cofactor.reweighted(made)

    def _residual(self) -> list[Floats]:
        """M·misclosure, (m, 1) a Rows."""
        x = self.cofactor.solve(gradient(self.rows, self.n))
        return [(r.misclosure - r.times(x))[:, None] for r in self.rows]

    def apart(self, vectors: list[Floats]) -> Iterator[tuple[slice, list[Floats]]]:
        """M·(what `vectors`, (m, k) a Rows, have in one group) of every group: some groups, and (m, groups, k) a Rows.

        As many groups at once as CELLS allow: one solve for all of them costs a third of a solve each.
        """
        k = vectors[0].shape[1]
        most = max(1, CELLS // (self.n * k))
        for low in range(0, self.count, most):
            high = min(low + most, self.count)
            width = (high - low) * k
            right = np.zeros((self.n + 1) * width)
            inside = [np.flatnonzero((g >= low) & (g < high)) for g in self.group]
            for r, v, g, mine in zip(self.rows, vectors, self.group, inside, strict=True):
                for w in range(r.columns.shape[1]):
                    line = (r.columns[mine, w] + 1) * width + (g[mine] - low) * k
                    at = (line[:, None] + np.arange(k)).reshape(-1)
                    right += np.bincount(at, (r.values[mine, w, None] * v[mine]).reshape(-1), len(right))
            x = np.zeros((self.n + 1, width))
            x[:-1] = self.cofactor.solve(right.reshape(-1, width)[1:])
            answer = []
            for r, v, g, mine in zip(self.rows, vectors, self.group, inside, strict=True):
                product = np.zeros((len(r.columns), width))
                for w in range(
                    r.columns.shape[1]
                ):  # one unknown of all rows at a time: no room for all at once
                    product -= r.values[:, w, None] * x[r.columns[:, w]]
                product = product.reshape(-1, high - low, k)
                product[mine, g[mine] - low] += v[mine]
                answer.append(product)
            yield slice(low, high), answer

    def sums(self, rows: list[Floats]) -> Floats:
        """Sums over the rows of every group, (G, k)."""
        k = rows[0].shape[1]
        total = np.zeros((self.count + 1) * k)
        for g, v in zip(self.group, rows, strict=True):
            at = (np.where(g < 0, self.count, g) * k)[:, None] + np.arange(k)
            total += np.bincount(at.reshape(-1), v.reshape(-1), len(total))
        return total.reshape(-1, k)[: self.count]

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
        out = np.zeros((self.count, self.count))
        for some, answer in self.apart(self.u):
            out[:, some] = 0.5 * self.sums([u * a[:, :, 0] for u, a in zip(self.u, answer, strict=True)])
        return out

    def information(self, redundancy: Floats, seed: int = 1) -> Floats:
        """G, (G, G); the same seed gives the same probes."""
        rng = np.random.default_rng(seed)
        G = np.zeros((self.count, self.count))
        most, fewest = PROBES
        probes = int(np.clip(PROBED / max(float(redundancy.sum()), 1.0), fewest, most))
        signs = [rng.choice([-1.0, 1.0], size=(len(g), probes)) for g in self.group]
        for some, answer in self.apart(signs):
            G[:, some] = self.sums([np.mean(a**2, axis=2) for a in answer])
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

"""The model of `model` solved densely: scipy.optimize.least_squares to the minimum, QR for the statistics.

Residual rows are (computed − observed) / sigma, so at the end they are adjusted − observed in sigmas. With A their
derivative, N = AᵀA, Q = T(TᵀNT)⁻¹Tᵀ where T spans the unknowns that the inner constraints leave, M = I − AQAᵀ.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import block_diag, null_space
from scipy.optimize import least_squares
from scipy.stats import chi2, norm
from tests.oracle.model import AXES, Model


@dataclass
class Dense(Model):
    """A Model, its minimum, and what is said about it."""

    def __post_init__(self) -> None:
        super().__post_init__()
        self._constrain()

    def _constrain(self) -> None:
        """Inner constraints, where control or observations leave the network free to move; over marks only."""
        chosen = set(self.settings.datum_marks) or {str(m) for m in self.network.marks.mark}
        kinds = {o.kind for o in self.readings}
        loose = []
        held = np.isfinite(self.sigma) & self.reached
        if self.reached[:, 2].any() and not held[:, 2].any():
            loose.append("height")
        plan = self.reached[:, :2].any()
        anchored = held[:, 0] & held[:, 1]
        turns = kinds.isdisjoint({"azimuth"}) and not self.vectors
        if plan and not held[:, :2].any():
            loose += ["east", "north"] + (["rotation"] if turns else [])
        elif plan and anchored.sum() == 1 and held[:, :2].sum() == 2 and turns:
            loose.append("rotation")
        pivot = self.start[anchored][0] if anchored.any() else np.zeros(3)
        B = np.zeros((len(self.unknowns), len(loose)))
        for i, u in enumerate(self.unknowns):
            if u.key[0] != "mark" or str(self.network.marks.mark[u.key[1]]) not in chosen:
                continue
            _, m, axis = u.key
            for c, name in enumerate(loose):
                if name == AXES[axis]:
                    B[i, c] = 1.0
                elif name == "rotation" and axis == 0:
                    B[i, c] = self.start[m, 1] - pivot[1]
                elif name == "rotation" and axis == 1:
                    B[i, c] = -(self.start[m, 0] - pivot[0])
        self.loose = tuple(loose)
        size = np.linalg.norm(B, axis=0)
        self.T = null_space((B / size).T) if loose else np.eye(len(self.unknowns))

    def solve(self) -> Dense:
        """To the minimum; then everything that is said about it."""
        self.x = self.x0
        for _ in range(4 if self.folded else 1):  # folded sigmas follow the gradients at the solution
            if self.folded:
                self._fold(self.x)
            self._minimise()
        self._judge()
        return self

    def _minimise(self) -> None:
        T, x = self.T, self.x
        if not T.shape[1]:
            return
        scale = 1.0 / np.maximum(np.linalg.norm(self.jacobian(x) @ T, axis=0), 1e-12)
        found = least_squares(
            lambda y: self.residuals(x + T @ (scale * y)),
            np.zeros(T.shape[1]),
            jac=lambda y: self.jacobian(x + T @ (scale * y)) @ T * scale,
            method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15,
        )  # fmt: skip
        self.x = x + T @ (scale * found.x)
        for _ in range(3):  # the last digits
            B = self.jacobian(self.x) @ T
            size = np.linalg.norm(B, axis=0)
            self.x = self.x - T @ (np.linalg.lstsq(B / size, self.residuals(self.x), rcond=None)[0] / size)

    def _judge(self) -> None:
        A = self.jacobian(self.x)
        B = A @ self.T
        size = np.linalg.norm(B, axis=0)
        q, r = np.linalg.qr(B / size) if B.shape[1] else (B, np.zeros((0, 0)))
        root = self.T @ (np.linalg.inv(r) / size[:, None]) if B.shape[1] else np.zeros((len(self.x), 0))
        self.A, self.Q, self.v = A, root @ root.T, self.residuals(self.x)
        self.M = np.eye(len(self.v)) - q @ q.T
        self.objective = float(self.v @ self.v)
        self.freedom = len(self.v) - B.shape[1]
        # rows as they were read: C whitens, so that the alternative "row i is wrong by s" is C[:, i]·s
        blocks = [np.array([[1.0 / o.sigma]]) for o in self.readings]
        sigmas = [o.sigma for o in self.readings]
        self.names = [o.id for o in self.readings]
        for i in self.vectors:
            cov = self.covariance_of_vector(i)
            blocks.append(np.linalg.inv(np.linalg.cholesky(cov)))
            sigmas += list(np.sqrt(np.diag(cov)))
            self.names += [f"{self.network.vectors.id[i]}.{c}" for c in ("de", "dn", "du")]
        for u in self.unknowns:
            if np.isfinite(u.sigma):
                blocks.append(np.array([[1.0 / u.sigma]]))
                sigmas.append(u.sigma)
                self.names.append(u.name)
        C = block_diag(*blocks)
        self.sigmas = np.array(sigmas)
        inverse = np.linalg.inv(C)
        self.residual = inverse @ self.v
        self.redundancy = np.diag(inverse @ self.M @ C)
        strength = np.sqrt(np.maximum(np.einsum("ji,jk,ki->i", C, self.M, C), 0.0))
        self.strength = strength * self.sigmas  # 0: nothing checks it
        delta0 = norm.isf(self.settings.alpha / 2.0) + norm.ppf(self.settings.power)
        with np.errstate(divide="ignore", invalid="ignore"):
            self.w = (C.T @ self.v) / strength
            self.mdb = delta0 / strength
        self.C = C

    # -- questions ---------------------------------------------------------------------------------------------
    def coordinates(self) -> np.ndarray:
        out = np.full((len(self.network.marks), 3), np.nan)
        for m in range(len(out)):
            for axis in range(3):
                if self.reached[m, axis] or (self.sigma[m, axis] == 0.0):
                    out[m, axis] = np.real(self._mark(self.x, m)[axis])
        return out

    def cross(self, a: int, b: int) -> np.ndarray:
        """Covariance (3, 3) between marks a and b, zero where held."""
        out = np.zeros((3, 3))
        for i in range(3):
            for j in range(3):
                p, q = self.place.get(("mark", a, i)), self.place.get(("mark", b, j))
                if p is not None and q is not None:
                    out[i, j] = self.Q[p, q]
        return out

    def centring(self, s: int) -> float:
        """√T of "this setup stands elsewhere": east and north of its effect jointly (two degrees of freedom)."""
        rows = [self.names.index(self.unknowns[self.place[self.effect[s, axis]]].name) for axis in (0, 1)]
        C = self.C[:, rows]
        b = C.T @ self.v
        return float(np.sqrt(b @ np.linalg.solve(C.T @ self.M @ C, b)))

    def worst_hidden(self, tried: set[str]) -> np.ndarray:
        """By how many of its sigmas each mark may be moved by one blunder of MDB size among the rows `tried`.

        (n_marks,); infinite where nothing at all would show it.
        """
        rows = [i for i, name in enumerate(self.names) if name in tried]
        influence = (self.Q @ (self.A.T @ self.C) * self.sigmas)[:, rows]  # ∇x for a blunder of one sigma
        strength = self.strength[rows]
        delta0 = norm.isf(self.settings.alpha / 2.0) + norm.ppf(self.settings.power)
        out = np.zeros(len(self.network.marks))
        for key, k in self.place.items():
            if key[0] == "mark" and self.Q[k, k] > 0.0:
                moved = np.abs(influence[k]) / self.Q[k, k] ** 0.5
                seen = strength**2 > 1e-10
                size = np.where(
                    seen, moved * delta0 / np.where(seen, strength, 1.0), np.where(moved > 1e-6, np.inf, 0.0)
                )
                out[key[1]] = max(out[key[1]], size.max(initial=0.0))
        return out

    def bounds(self) -> tuple[float, float]:
        half = (1.0 - self.settings.confidence) / 2.0
        f = self.freedom
        return float(chi2.ppf(half, f) / f), float(chi2.ppf(1.0 - half, f) / f)

    def control_fit(self, m: int, axis: int) -> tuple[float, float]:
        """Given minus predicted, and its sigma, of one control component: solved anew without it."""
        sigma = self.sigma.copy()
        sigma[m, axis] = np.inf
        marks = self.network.marks.replace(**{f"sigma_{a}": sigma[:, k] for k, a in enumerate(AXES)})
        settings = replace(self.settings, reference_height=self.h0)
        free = Dense(replace(self.network, marks=marks), settings, self.coordinates()).solve()
        k = free.place["mark", m, axis]
        spread = free.Q[k, k] + (self.sigma[m, axis] ** 2)
        return float(self.given[m, axis] - free.x[k]), float(spread**0.5)

"""Fixed or measured heights, decided a second time: a closed loop of height differences, restricted likelihoods on a grid.

Nothing of the tool is used. Every station sights its two neighbours, each target set anew; station i and sight k give

    y_k = H_j − H_i + e_i − t_k + ε_k,    e ~ σ_hi,  t ~ 0.2 or 1.5 mm,  ε ~ leg·σ_z/√rounds

The marks' heights are eliminated by the null space of their design; the deviance ln|V| + yᵀV⁻¹y of the contrasts is the
least over a grid of σ_hi, and of σ_z where it is left open: then the scatter between rounds, independent of the means,
adds SS/σ_z² + d·ln σ_z².
"""

from __future__ import annotations

import math

import numpy as np

ARCSEC = math.pi / 648_000
FIXED, TAPED = 0.2e-3, 1.5e-3


def loop_shares(
    stations: int,
    leg: float,
    *,
    zenith: float,
    hi: float,
    taped: bool,
    open_zenith: bool,
    runs: int = 2000,
    rounds: int = 2,
    odds: float = 20.0,
    seed: int = 1,
) -> tuple[float, float]:
    """Shares decided for "fixed" and for "measured" at the odds; zenith (arc seconds) and hi (m) are the true sigmas."""
    rng = np.random.default_rng([seed, stations, int(leg), round(zenith), round(hi * 1e4), taped])
    pairs = [(i, j % stations) for step in (-1, 1) for i, j in ((i, i + step) for i in range(stations))]
    marks, held = np.zeros((len(pairs), stations)), np.zeros((len(pairs), stations))
    for k, (i, j) in enumerate(pairs):
        marks[k, j] += 1.0
        marks[k, i] -= 1.0
        held[k, i] = 1.0
    K = np.linalg.qr(marks[:, 1:], mode="complete")[0][:, stations - 1 :].T
    unit = leg * ARCSEC / math.sqrt(rounds)  # one round is both faces: its sigma is that of ISO 17123-3, 1″
    noise = rng.normal(0.0, zenith * unit, (len(pairs), runs))
    y = held @ rng.normal(0.0, hi, (stations, runs)) + rng.normal(0.0, TAPED if taped else FIXED, noise.shape)
    y = K @ (y + noise)
    freedom = len(pairs) * (rounds - 1)
    scatter = zenith**2 * rng.chisquare(freedom, runs)
    of_hi, alone = K @ held @ held.T @ K.T, np.eye(len(K))
    zeniths = np.geomspace(0.5, 4.0, 22) if open_zenith else np.ones(1)

    def deviance(target: float) -> np.ndarray:
        least = np.full(runs, np.inf)
        for z in zeniths:
            rest = freedom * math.log(z**2) + scatter / z**2
            for s in np.geomspace(0.2e-3, 5e-3, 40):
                w, U = np.linalg.eigh(s**2 * of_hi + (target**2 + (z * unit) ** 2) * alone)
                least = np.minimum(least, np.log(w).sum() + ((U.T @ y) ** 2 / w[:, None]).sum(axis=0) + rest)
        return least

    evidence = 0.5 * (deviance(TAPED) - deviance(FIXED))
    return float(np.mean(evidence >= math.log(odds))), float(np.mean(evidence <= -math.log(odds)))

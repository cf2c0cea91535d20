"""Where the error of a mark comes from: its covariance, split by source.

    x̂ = QAᵀP·l,   so   Q = Σ_g QA_gᵀP_gA_gQ

over the groups g of observations and pseudo-observations; each term is the covariance that the errors of that source alone
give the mark, and the terms sum to the whole. Under inner constraints the same holds, since then QNQ = Q.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.table import Floats, Ints
from ..solved import Solved

SOURCES = (
    "direction",
    "zenith",
    "distance",
    "between marks",
    "vector",
    "centring of instrument",
    "centring of target",
    "centring of common base",
    "height of instrument",
    "height of target",
    "height of common base",
    "control",
    "constants",
)
_OF_KIND = {
    "direction": "direction",
    "zenith": "zenith",
    "distance": "distance",
    "level": "distance",
    "rise": "between marks",
    "horizontal": "between marks",
    "azimuth": "between marks",
    "angle": "between marks",
    "azimuth.astronomic": "between marks",
    "azimuth.geodetic": "between marks",
    "horizontal.grid": "between marks",
    "horizontal.ellipsoid": "between marks",
}


@dataclass(frozen=True)
class Budget:
    """Covariance of one mark by source: `parts[i]` (3, 3) m² belongs to `sources[i]`; they sum to `total`."""

    mark: int
    sources: tuple[str, ...]
    parts: Floats  # (k, 3, 3)
    total: Floats  # (3, 3)

    def plan_shares(self) -> Floats:
        """Share of each source in the variance of position, σ_E² + σ_N²; NaN where that is 0. (k,)"""
        return _shares(np.trace(self.parts[:, :2, :2], axis1=1, axis2=2))

    def height_shares(self) -> Floats:
        """Share of each source in the variance of the height; NaN where that is 0. (k,)"""
        return _shares(self.parts[:, 2, 2])


def budget(solved: Solved, mark: int) -> Budget:
    """The budget of one mark; sources that give nothing are left away. A held component has no variance."""
    columns = solved.unknowns.marks[mark]
    there = np.flatnonzero(columns >= 0)
    n = solved.unknowns.n
    q = np.zeros((n, 3))
    if len(there):
        q[:, there] = solved.solution.cofactor.columns(columns[there])
    parts: dict[str, Floats] = {}
    for k, rows in enumerate(solved.solution.rows):
        reach = rows.times(q)  # (m, 3)
        for source, chosen in _sources_of(solved, k, len(reach)).items():
            part = reach[chosen].T @ reach[chosen]
            parts[source] = parts[source] + part if source in parts else part
    kept = tuple(s for s in SOURCES if s in parts and np.trace(parts[s]) > 0.0)
    stacked = np.array([parts[s] for s in kept]).reshape(-1, 3, 3)
    total = np.zeros((3, 3))
    if len(there):
        total[np.ix_(there, there)] = q[columns[there]][:, there]
    return Budget(mark, kept, stacked, total)


def _sources_of(solved: Solved, k: int, count: int) -> dict[str, Ints]:
    """Rows of the k-th group of equations by source."""
    if k < len(solved.equations.groups):
        kinds = solved.equations.groups[k].kinds
        source = _OF_KIND.get(kinds[0].name, "vector") if len(kinds) == 1 else "vector"
        return {source: np.arange(count)}
    p = solved.unknowns.priors
    names = np.array([_source_of_prior(solved, i) for i in range(len(p))], dtype=object)
    return {str(name): np.flatnonzero(names == name) for name in dict.fromkeys(names.tolist())}


def _source_of_prior(solved: Solved, i: int) -> str:
    p, setups = solved.unknowns.priors, solved.network.setups
    if p.source[i] != "effect":
        return "control" if p.source[i] == "control" else "constants"
    setup, high = int(p.setup[i]), p.axis[i] == 2
    group = setups.height_base if high else setups.base
    roles = setups.instrument[group == group[setup]] if group[setup] >= 0 else setups.instrument[[setup]]
    what = "height" if high else "centring"
    if roles.all():
        return f"{what} of instrument"
    return f"{what} of common base" if roles.any() else f"{what} of target"


def _shares(variances: Floats) -> Floats:
    total = float(variances.sum())
    shares: Floats = variances / total if total > 0.0 else np.full(len(variances), np.nan)
    return shares

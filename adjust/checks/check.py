"""One check: what was found, what it should be good for, and how many times that it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from ..estimate.quantiles import chi2_quantile, critical_value
from ..ground.network import Network
from ..ground.supports import centring_sigmas, height_sigmas, vertical_heights
from ..ground.table import Floats, Ints
from ..settings import Settings

Key = tuple[str, int, int]


@dataclass(frozen=True)
class Check:
    """found and sigma in m or rad (`quantity` "length" or "angle"), or pure numbers; ratio = |found| / sigma, or √(T/q) scaled
    so that `critical` is its limit. `names` are setups, marks or sights; `about` fills the words of its kind."""

    kind: str
    names: tuple[str, ...]
    found: float
    sigma: float
    ratio: float
    critical: float
    quantity: str = "length"
    flagged: bool = False
    count: int = 0
    about: dict[str, float | str] = field(default_factory=dict)


def normal_check(
    kind: str,
    names: tuple[str, ...],
    found: float,
    sigma: float,
    critical: float,
    quantity: str,
    count: int = 1,
    **about: float | str,
) -> Check:
    """A check of one normal quantity."""
    ratio = abs(found) / sigma if sigma > 0.0 else float("inf") if found else 0.0
    return Check(
        kind, names, found, sigma, ratio, critical, quantity, bool(ratio > critical), count, dict(about)
    )


def chi2_check(
    kind: str,
    names: tuple[str, ...],
    T: float,
    q: int,
    found: float,
    sigma: float,
    alpha: float,
    quantity: str,
    count: int = 1,
    **about: float | str,
) -> Check:
    """A check of T ~ χ²_q; its ratio is √(T/q) and its critical value √(χ²_q;1−α/q)."""
    ratio, limit = float(np.sqrt(T / q)), float(np.sqrt(chi2_quantile(1.0 - alpha, q) / q))
    return Check(kind, names, found, sigma, ratio, limit, quantity, ratio > limit, count, dict(about))


def alpha_of(settings: Settings, tests: int) -> float:
    """Of each of `tests`, so that all together alarm falsely in 5 % (Šidák), never above the alpha of the settings."""
    return float(min(settings.alpha, 1.0 - 0.95 ** (1.0 / max(1, tests))))


def critical_of(settings: Settings, tests: int) -> float:
    """Two-sided critical value for one of `tests` at that alpha."""
    return critical_value(alpha_of(settings, tests))


@dataclass
class Form:
    """k linear forms of independent errors, kept by error: covariance Σ σ²ccᵀ. Shared errors meet under one key."""

    k: int
    coefficients: dict[Key, Floats | float] = field(default_factory=dict)
    sigmas: dict[Key, float] = field(default_factory=dict)

    def add(self, key: Key, sigma: float, coefficient: Floats | float) -> None:
        """Add an error of `sigma` with its coefficients (k,), or with one that all forms have."""
        if sigma <= 0.0:
            return
        known = self.coefficients.get(key)
        self.coefficients[key] = coefficient if known is None else known + coefficient
        self.sigmas[key] = sigma

    def covariance(self) -> Floats:
        """(k, k)."""
        C = np.empty((len(self.coefficients), self.k))
        for i, c in enumerate(self.coefficients.values()):
            C[i] = c
        C *= np.fromiter(self.sigmas.values(), np.float64, len(C))[:, None]
        return np.asarray(C.T @ C)


@dataclass(frozen=True)
class Effects:
    """Whose centring and height error a setup has, and how large it is a priori."""

    centring_owner: Ints
    height_owner: Ints
    centring: Floats
    height: Floats
    heights: Floats  # vertical, m

    @classmethod
    def of(cls, network: Network) -> Effects:
        """Those of a network; setups on one base share an owner."""
        setups = network.setups
        heights = vertical_heights(network)
        centring_owner, height_owner = _owners(setups.base), _owners(setups.height_base)
        return cls(
            centring_owner,
            height_owner,
            centring_sigmas(network, heights)[centring_owner] if len(setups) else np.zeros(0),
            height_sigmas(network)[height_owner] if len(setups) else np.zeros(0),
            heights,
        )

    def shift(self, form: Form, setup: int, east: Floats | float, north: Floats | float) -> None:
        """Add what a setup's centring error does, by its east and north part."""
        owner = int(self.centring_owner[setup])
        form.add(("east", owner, 0), float(self.centring[setup]), east)
        form.add(("north", owner, 0), float(self.centring[setup]), north)

    def rise(self, form: Form, setup: int, coefficient: Floats | float) -> None:
        """Add what a setup's height error does."""
        form.add(("height", int(self.height_owner[setup]), 0), float(self.height[setup]), coefficient)


def _owners(group: Ints) -> Ints:
    owner = np.arange(len(group))
    first: dict[int, int] = {}
    for i in np.flatnonzero(group >= 0).tolist():
        owner[i] = first.setdefault(int(group[i]), i)
    return owner


CheckFunction = Callable[[Network, Settings], list[Check]]

"""Quantiles of the normal and the chi-square distribution, without the 0.2 s that importing scipy.special costs.

Small jobs must answer at once, so these few lines stand in for a library; tests hold them to scipy.special at 1e-10.
"""

from __future__ import annotations

import math
from functools import lru_cache


def normal_quantile(p: float) -> float:
    """u with P(x ≤ u) = p for x ~ N(0, 1): a rational start (Hastings 1955; from memory), then Halley's steps."""
    if not 0.0 < p < 1.0:
        raise ValueError(f"a probability between 0 and 1 is wanted, found {p!r}")
    tail = min(p, 1.0 - p)
    t = math.sqrt(-2.0 * math.log(tail))
    u = (2.515517 + t * (0.802853 + t * 0.010328)) / (
        1.0 + t * (1.432788 + t * (0.189269 + t * 0.001308))
    ) - t
    for _ in range(4):
        error = (normal_probability(u) - tail) * math.sqrt(2.0 * math.pi) * math.exp(0.5 * u * u)
        u -= error / (1.0 + 0.5 * u * error)
    return u if p < 0.5 else -u


def normal_probability(u: float) -> float:
    """P(x ≤ u) for x ~ N(0, 1), accurate in both tails."""
    return 0.5 * math.erfc(-u / math.sqrt(2.0))


@lru_cache(maxsize=64)
def critical_value(alpha: float) -> float:
    """Two-sided critical value of |w|: u(1 − α/2)."""
    return -normal_quantile(alpha / 2.0)


@lru_cache(maxsize=64)
def noncentrality(alpha: float, power: float) -> float:
    """δ0 = u(1 − α/2) + u(power): the shift of w that is found with the set power (Baarda 1968; from memory)."""
    return critical_value(alpha) + normal_quantile(power)


def chi2_probability(x: float, f: float) -> float:
    """P(χ²_f ≤ x): the regularized lower incomplete gamma function P(f/2, x/2), by series or continued fraction."""
    if x <= 0.0:
        return 0.0
    a, z = 0.5 * f, 0.5 * x
    front = math.exp(a * math.log(z) - z - math.lgamma(a))
    if z < a + 1.0:
        term = total = 1.0 / a
        n = a
        while abs(term) > 1e-16 * abs(total):
            n += 1.0
            term *= z / n
            total += term
        return min(1.0, front * total)
    # Lentz's method for the continued fraction of the upper function
    b = z + 1.0 - a
    c = 1e300
    d = 1.0 / b
    h = d
    i = 0
    while True:
        i += 1
        an = -i * (i - a)
        b += 2.0
        d = 1.0 / (an * d + b) if an * d + b != 0.0 else 1e300
        c = b + an / c if c != 0.0 else 1e300
        step = d * c
        h *= step
        if abs(step - 1.0) < 1e-15 or i > 100_000:
            return max(0.0, 1.0 - front * h)


@lru_cache(maxsize=4096)
def chi2_quantile(p: float, f: float) -> float:
    """x with P(χ²_f ≤ x) = p. Starts at Wilson and Hilferty's cube, ends by safeguarded Newton steps."""
    u = normal_quantile(p)
    c = 2.0 / (9.0 * f)
    x = f * max(1e-3, 1.0 - c + u * math.sqrt(c)) ** 3
    if f < 2.0 or 1.0 - c + u * math.sqrt(c) < 0.2:  # near zero the distribution is a power of x
        x = min(x, 2.0 * math.exp((math.log(p) + math.lgamma(0.5 * f + 1.0)) / (0.5 * f))) or 1e-300
    low, high = 0.0, math.inf
    for _ in range(200):
        error = chi2_probability(x, f) - p
        if error > 0.0:
            high = min(high, x)
        else:
            low = max(low, x)
        log_density = (0.5 * f - 1.0) * math.log(x) - 0.5 * x - 0.5 * f * math.log(2.0) - math.lgamma(0.5 * f)
        step = error / max(math.exp(log_density), 1e-300)
        new = x - step
        if not low < new < high:
            new = 0.5 * (low + high) if math.isfinite(high) else 2.0 * x
        if abs(new - x) <= 1e-14 * x:
            return new
        x = new
    return x  # pragma: no cover - steps are halved until they are 1e-14 of x, which 200 halvings reach from anywhere


@lru_cache(maxsize=32)
def noncentrality_plane(alpha: float, power: float) -> float:
    """√λ0 of a test with two degrees of freedom: P(χ²_2(λ0) > −2 ln α) = power. 4.4342 at 0.001 and 0.80."""
    critical = -2.0 * math.log(alpha)

    def found(root: float) -> float:
        half, y = 0.5 * root * root, 0.5 * critical
        weight, term, tail, total = math.exp(-half), math.exp(-y), math.exp(-y), 0.0
        # Poisson mixture of central χ² with 2, 4, 6, … degrees of freedom; 2000 are more than a root of 30 needs
        for j in range(1, 2000):  # pragma: no branch
            total += weight * tail
            weight *= half / j
            term *= y / j
            tail += term
            if j > half and weight < 1e-17:
                break
        return total

    low, high = 0.0, 30.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if found(middle) < power else (low, middle)
    return 0.5 * (low + high)

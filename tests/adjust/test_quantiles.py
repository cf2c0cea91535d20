"""The few lines that stand in for a statistics library, against that library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from hubtack.adjust.estimate.quantiles import (
    chi2_probability,
    chi2_quantile,
    critical_value,
    noncentrality,
    noncentrality_plane,
    normal_probability,
    normal_quantile,
)

PROBABILITIES = (1e-9, 1e-6, 0.0005, 0.025, 0.3, 0.5, 0.8, 0.975, 0.999, 0.999999)
FREEDOMS = (1, 2, 3, 4, 5, 9, 30, 34, 100, 1000, 12_345, 200_000)


@pytest.mark.parametrize("p", PROBABILITIES)
def test_normal(p: float) -> None:
    assert normal_quantile(p) == pytest.approx(stats.norm.ppf(p), rel=1e-10, abs=1e-12)
    u = stats.norm.ppf(p)
    assert normal_probability(u) == pytest.approx(stats.norm.cdf(u), rel=1e-12)
    assert normal_probability(-u) == pytest.approx(stats.norm.sf(u), rel=1e-12)


@pytest.mark.parametrize("f", FREEDOMS)
@pytest.mark.parametrize("p", PROBABILITIES)
def test_chi_square(f: int, p: float) -> None:
    expected = stats.chi2.ppf(p, f)
    # near p = 1 the quantile magnifies the rounding of p itself
    magnified = 1e-15 / max(stats.chi2.pdf(expected, f) * expected, 1e-300)
    assert chi2_quantile(p, f) == pytest.approx(expected, rel=max(1e-10, 20 * magnified))
    # the front factor is the exponential of a difference of terms of f/2·log(f/2)
    assert chi2_probability(expected, f) == pytest.approx(stats.chi2.cdf(expected, f), rel=1e-10 + 1e-14 * f)


@pytest.mark.parametrize("alpha", [1e-6, 0.001, 0.05, 0.2])
@pytest.mark.parametrize("power", [0.5, 0.8, 0.99])
def test_noncentrality(alpha: float, power: float) -> None:
    assert critical_value(alpha) == pytest.approx(stats.norm.isf(alpha / 2), rel=1e-10)
    root = noncentrality(alpha, power)
    assert stats.norm.sf(stats.norm.isf(alpha / 2) - root) == pytest.approx(power, rel=1e-10)
    plane = noncentrality_plane(alpha, power)
    assert stats.ncx2.sf(-2 * np.log(alpha), 2, plane**2) == pytest.approx(power, rel=1e-8)


@pytest.mark.parametrize("p", [0.0, 1.0, -0.1, 95.0, float("nan")])
def test_what_is_no_probability(p: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        normal_quantile(p)

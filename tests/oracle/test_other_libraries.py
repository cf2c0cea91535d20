"""The same networks once more by other hands: GLS of statsmodels where the model is linear, QR in 50 digits anywhere.

Both take the model of `tests.oracle.model`, which is not the engine's, and solve it by arithmetic that is nobody's here.
"""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from statsmodels.regression.linear_model import GLS
from tests.adjust.networks import adjusted
from tests.oracle.cases import CASES
from tests.oracle.dense import Dense

from hubtack.adjust import Adjustment

LINEAR = ("levelling", "vectors_between_marks", "vectors_that_hide_a_blunder")
ANY = (
    "traverse_between_held_marks", "weighted_control", "forced_centring", "vectors_between_setups_beside_sights",
    "refraction_unknown",
)  # fmt: skip
AXES = ("east", "north", "height")


def solved(name: str) -> tuple[Adjustment, Dense]:
    plan, settings = CASES[name]()
    a = adjusted(plan.simulated(31, settings), settings)
    given = np.column_stack([getattr(a.network.marks, x) for x in AXES])
    return a, Dense(a.network, a.settings, np.where(np.isnan(given), np.array(plan.truth), given)).solve()


def compare(a: Adjustment, d: Dense, x: np.ndarray, covariance: np.ndarray) -> None:
    """Coordinates to 1e-8 m, standard deviations to a millionth: what the model's unknowns say of the marks."""
    assert x.shape == (len(d.unknowns),)
    for i, u in enumerate(d.unknowns):
        if u.key[0] == "mark":
            _, mark, axis = u.key
            assert abs(getattr(a.marks, AXES[axis])[mark] - x[i]) < 1e-8, (mark, axis)
            sigma = getattr(a.marks, f"sigma_{AXES[axis]}")[mark]
            assert sigma == pytest.approx(covariance[i, i] ** 0.5, rel=1e-6), (mark, axis)
    for m in range(len(a.marks)):
        mine = [(i, u.key[2]) for i, u in enumerate(d.unknowns) if u.key[:2] == ("mark", m)]
        for i, one in mine:
            for j, two in mine:
                scale = (covariance[i, i] * covariance[j, j]) ** 0.5
                assert abs(a.marks.covariance[m, one, two] - covariance[i, j]) < 2e-6 * scale


@pytest.mark.parametrize("name", LINEAR)
def test_generalized_least_squares_of_statsmodels(name: str) -> None:
    """Rows unwhitened again, with their full covariance: statsmodels does the weighting, the solution, the statistics."""
    a, d = solved(name)
    zero = np.zeros(len(d.unknowns))
    A, free = d.jacobian(zero), d.residuals(zero)
    assert np.abs(d.jacobian(d.x) - A).max() < 1e-9 * np.abs(A).max()  # linear, so it may be taken anywhere
    raw = np.linalg.inv(d.C)
    sigma = raw @ raw.T
    fit = GLS(raw @ -free, raw @ A, sigma=sigma).fit(use_t=False, cov_type="nonrobust")
    compare(a, d, np.asarray(fit.params), np.asarray(fit.normalized_cov_params))
    total = a.global_test.variance_factor * a.degrees_of_freedom
    assert total == pytest.approx(float(fit.wresid @ fit.wresid), rel=1e-9, abs=1e-9)
    assert a.degrees_of_freedom == int(fit.df_resid)


@pytest.mark.parametrize("name", ANY)
def test_qr_in_fifty_digits(name: str) -> None:
    """One step from the engine's own result, with orthogonal transformations of 50 digits: it must go nowhere.

    The rows are those of the dense model at that point, in double precision, which bounds what the step can say; the
    covariance then is (RᵀR)⁻¹, without a normal matrix.
    """
    a, d = solved(name)
    A, v = d.A, d.v
    with mpmath.workdps(50):
        scale = np.linalg.norm(A, axis=0)
        Q, R = mpmath.qr(mpmath.matrix((A / scale).tolist()), mode="skinny")
        step = mpmath.lu_solve(R, -(Q.T * mpmath.matrix(v.tolist())))
        inverse = R**-1
        root = np.array((inverse).tolist(), dtype=float) / scale[:, None]
        dx = np.array([float(s) for s in step]) / scale
    compare(a, d, d.x + dx, root @ root.T)
    total = a.global_test.variance_factor * a.degrees_of_freedom
    assert total == pytest.approx(float(v @ v), rel=1e-6)

"""Gauss-Newton on problems with known answers: steps that must be halved, steps that never settle, what is loose."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import least_squares

from hubtack.adjust.estimate.normals import Defect
from hubtack.adjust.estimate.rows import Rows
from hubtack.adjust.estimate.solve import Stalled, gauss_newton

Residual = Callable[[np.ndarray], np.ndarray]


def evaluator(
    residual: Residual, n: int, calls: list[np.ndarray] | None = None
) -> Callable[[np.ndarray], list[Rows]]:
    """observed − computed as misclosure; derivatives by complex step."""

    def evaluate(x: np.ndarray) -> list[Rows]:
        if calls is not None:
            calls.append(x.copy())
        value = residual(x.astype(complex)).real
        J = np.empty((len(value), n))
        for k in range(n):
            z = x.astype(complex)
            z[k] += 1e-30j
            J[:, k] = residual(z).imag / 1e-30
        return [Rows(np.tile(np.arange(n), (len(value), 1)), J, -value)]

    return evaluate


def rosenbrock(x: np.ndarray) -> np.ndarray:
    return np.array([10.0 * (x[1] - x[0] ** 2), 1.0 - x[0]])


def powell(x: np.ndarray) -> np.ndarray:
    """Powell's badly scaled function, from memory (Moré, Garbow and Hillstrom 1981)."""
    return np.array([1e4 * x[0] * x[1] - 1.0, np.exp(-x[0]) + np.exp(-x[1]) - 1.0001])


def decay(x: np.ndarray) -> np.ndarray:
    t = np.linspace(0.0, 4.0, 25)
    seen = 3.0 * np.exp(-0.7 * t) + 0.5 + 0.01 * np.sin(17.0 * t)
    return (x[0] * np.exp(-x[1] * t) + x[2] - seen) / 0.01


@pytest.mark.parametrize(
    ("residual", "start"), [(rosenbrock, (-1.2, 1.0)), (decay, (1.0, 1.0, 0.0)), (decay, (10.0, 3.0, 1.0))]
)
def test_the_minimum_of_a_general_optimiser(residual: Residual, start: tuple[float, ...]) -> None:
    x0 = np.array(start)
    found = gauss_newton(evaluator(residual, len(x0)), x0, tolerance=1e-10, max_iterations=50)
    other = least_squares(lambda x: residual(x.astype(complex)).real, x0, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert found.x == pytest.approx(other.x, abs=1e-7)
    assert found.objective == pytest.approx(2 * other.cost, rel=1e-9, abs=1e-18)
    assert found.degrees_of_freedom == len(residual(x0.astype(complex))) - len(x0)
    J = other.jac
    Q = found.cofactor.columns(np.arange(len(x0)))
    assert np.allclose(Q, np.linalg.inv(J.T @ J), rtol=1e-5)


def test_a_step_that_overshoots_is_halved() -> None:
    """atan(x) from 3: the full step leads ever further away (Newton's classic), a halved one home."""

    def evaluate(x: np.ndarray) -> list[Rows]:
        calls.append(float(x[0]))
        return [Rows(np.array([[0]]), np.array([[1 / (1 + x[0] ** 2)]]), -np.arctan(x))]

    calls: list[float] = []
    found = gauss_newton(evaluate, np.array([3.0]), tolerance=1e-10)
    assert found.x[0] == pytest.approx(0.0, abs=1e-9)
    # full and half step (−9.49, −3.25) lie further from zero than 3, a quarter (−0.12) doesn't
    assert calls[1:4] == pytest.approx([3.0 - np.arctan(3.0) * k for k in (10.0, 5.0, 2.5)])
    assert max(abs(x) for x in calls[3:]) < 0.2


def test_stalled_where_nothing_settles() -> None:
    """A residual whose sign of slope is a lie: every step raises the objective."""

    def evaluate(x: np.ndarray) -> list[Rows]:
        return [Rows(np.array([[0]]), np.array([[-1.0]]), -(x + 5.0))]

    with pytest.raises(Stalled) as caught:
        gauss_newton(evaluate, np.array([1.0]), max_iterations=7)
    assert caught.value.iterations == 7
    assert np.isfinite(caught.value.x).all()
    assert len(caught.value.rows) == 1


def test_stalled_where_values_are_no_numbers() -> None:
    def evaluate(x: np.ndarray) -> list[Rows]:
        value = np.where(x == 0.0, 1.0, np.nan)
        return [Rows(np.array([[0]]), np.array([[1.0]]), value)]

    with pytest.raises(Stalled):
        gauss_newton(evaluate, np.array([0.0]))


def test_defect_names_what_is_loose() -> None:
    """x₂ stands in no product that is not zero."""

    def residual(x: np.ndarray) -> np.ndarray:
        return np.array([x[0] - 1.0, x[1] * x[0] - 2.0, 0.0 * x[2], x[0] + x[1] - 3.1])

    with pytest.raises(Defect) as caught:
        gauss_newton(evaluator(residual, 3), np.array([0.9, 1.8, 4.0]))
    assert int(np.argmax(np.abs(caught.value.vectors[:, 0]))) == 2


def test_nothing_unknown() -> None:
    """Everything held: the misclosures are the residuals."""

    def evaluate(x: np.ndarray) -> list[Rows]:
        return [Rows(np.zeros((2, 0), int), np.zeros((2, 0)), np.array([1.0, -2.0]))]

    found = gauss_newton(evaluate, np.zeros(0))
    assert found.degrees_of_freedom == 2
    assert found.objective == pytest.approx(5.0)


def test_linear_problems_take_two_steps_at_any_distance() -> None:
    rng = np.random.default_rng(0)
    A, truth = rng.normal(size=(20, 4)), rng.normal(size=4)
    for far in (1.0, 1e6):

        def residual(x: np.ndarray) -> np.ndarray:
            return A @ (x - truth) + np.linspace(-1, 1, 20)

        found = gauss_newton(evaluator(residual, 4), np.full(4, far))
        assert found.iterations <= 3
        expected = truth - np.linalg.lstsq(A, np.linspace(-1, 1, 20), rcond=None)[0]
        assert found.x == pytest.approx(expected, abs=1e-8)


def test_badly_scaled() -> None:
    """Powell: two unknowns five decades apart; the minimum is 1.098e-5, 9.106, from the published problem."""
    found = gauss_newton(evaluator(powell, 2), np.array([0.0, 1.0]), tolerance=1e-9, max_iterations=200)
    assert found.x == pytest.approx([1.098159e-5, 9.106146], rel=1e-6)

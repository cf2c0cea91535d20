"""Certified nonlinear regressions (NIST StRD) against the general Gauss-Newton.

Each problem has two certified starts, the first far away, the second near. Plain Gauss-Newton with step
halving is held to the second for all, and to the first where it can reach the minimum; where it can't it
must say so and never return another point. Derivatives are by complex step, exact to rounding.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from hubtack.adjust.estimate.normals import Defect
from hubtack.adjust.estimate.solve import Solution, Stalled

from .nist import digits, fit, sigmas

FROM_AFAR = {"Misra1a", "Misra1b", "Misra1c", "Misra1d", "DanWood", "Rat42", "Thurber", "Roszman1"}


@dataclass(frozen=True)
class Problem:
    """One data set with its certified values: parameters, their standard deviations, residual sum of
    squares.
    """

    name: str
    model: Callable[[np.ndarray, np.ndarray], np.ndarray]
    x: str
    y: str
    certified: tuple[float, ...]
    deviations: tuple[float, ...]
    squares: float
    far: tuple[float, ...]
    near: tuple[float, ...]

    def __str__(self) -> str:
        return self.name

    @property
    def freedom(self) -> int:
        """Degrees of freedom."""
        return len(self.y.split()) - len(self.certified)

    @property
    def sigma(self) -> float:
        """Certified standard deviation of a residual."""
        return float(np.sqrt(self.squares / self.freedom))


def _numbers(text: str) -> np.ndarray:
    return np.array([float(t) for t in text.split()])


CATALYST_X = "77.6 114.9 141.1 190.8 239.9 289.0 332.8 378.4 434.8 477.3 536.8 593.1 689.1 760.0"
CATALYST_Y = "10.07 14.73 17.94 23.93 29.61 35.18 40.02 44.82 50.76 55.05 61.01 66.40 75.47 81.78"

PROBLEMS = [
    Problem(
        "Misra1a", lambda b, x: b[0] * (1 - np.exp(-b[1] * x)), CATALYST_X, CATALYST_Y,
        (2.3894212918e02, 5.5015643181e-04), (2.7070075241e00, 7.2668688436e-06), 1.2455138894e-01,
        (500, 0.0001), (250, 0.0005),
    ),
    Problem(
        "Misra1b", lambda b, x: b[0] * (1 - (1 + b[1] * x / 2) ** -2), CATALYST_X, CATALYST_Y,
        (3.3799746163e02, 3.9039091287e-04), (3.1643950207e00, 4.2547321834e-06), 7.5464681533e-02,
        (500, 0.0001), (300, 0.0002),
    ),
    Problem(
        "Misra1c", lambda b, x: b[0] * (1 - (1 + 2 * b[1] * x) ** -0.5), CATALYST_X, CATALYST_Y,
        (6.3642725809e02, 2.0813627256e-04), (4.6638326572e00, 1.7728423155e-06), 4.0966836971e-02,
        (500, 0.0001), (600, 0.0002),
    ),
    Problem(
        "Misra1d", lambda b, x: b[0] * b[1] * x / (1 + b[1] * x), CATALYST_X, CATALYST_Y,
        (4.3736970754e02, 3.0227324449e-04), (3.6489174345e00, 2.9334354479e-06), 5.6419295283e-02,
        (500, 0.0001), (450, 0.0003),
    ),
    Problem(
        "DanWood", lambda b, x: b[0] * x ** b[1],
        "1.309 1.471 1.490 1.565 1.611 1.680", "2.138 3.421 3.597 4.340 4.882 5.660",
        (7.6886226176e-01, 3.8604055871e00), (1.8281973860e-02, 5.1726610913e-02), 4.3173084083e-03,
        (1, 5), (0.7, 4),
    ),
    Problem(
        "BoxBOD", lambda b, x: b[0] * (1 - np.exp(-b[1] * x)), "1 2 3 5 7 10", "109 149 149 191 213 224",
        (2.1380940889e02, 5.4723748542e-01), (1.2354515176e01, 1.0455993237e-01), 1.1680088766e03,
        (1, 1), (100, 0.75),
    ),
    Problem(
        "MGH09", lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
        "4 2 1 0.5 0.25 0.167 0.125 0.1 0.0833 0.0714 0.0625",
        "0.1957 0.1947 0.1735 0.16 0.0844 0.0627 0.0456 0.0342 0.0323 0.0235 0.0246",
        (1.9280693458e-01, 1.9128232873e-01, 1.2305650693e-01, 1.3606233068e-01),
        (1.1435312227e-02, 1.9633220911e-01, 8.0842031232e-02, 9.0025542308e-02), 3.0750560385e-04,
        (25, 39, 41.5, 39), (0.25, 0.39, 0.415, 0.39),
    ),
    Problem(
        "MGH10", lambda b, x: b[0] * np.exp(b[1] / (x + b[2])),
        "50 55 60 65 70 75 80 85 90 95 100 105 110 115 120 125",
        "34780 28610 23650 19630 16370 13720 11540 9744 8261 7030 6005 5147 4427 3820 3307 2872",
        (5.6096364710e-03, 6.1813463463e03, 3.4522363462e02),
        (1.5687892471e-04, 2.3309021107e01, 7.8486103508e-01), 8.7945855171e01,
        (2, 400000, 25000), (0.02, 4000, 250),
    ),
    Problem(
        "MGH17", lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
        " ".join(str(10 * i) for i in range(33)),
        "0.844 0.908 0.932 0.936 0.925 0.908 0.881 0.850 0.818 0.784 0.751 0.718 0.685 0.658 0.628 "
        "0.603 0.580 0.558 0.538 0.522 0.506 0.490 0.478 0.467 0.457 0.448 0.438 0.431 0.424 0.420 "
        "0.414 0.411 0.406",
        (3.7541005211e-01, 1.9358469127e00, -1.4646871366e00, 1.2867534640e-02, 2.2122699662e-02),
        (2.0723153551e-03, 2.2031669222e-01, 2.2175707739e-01, 4.4861358114e-04, 8.9471996575e-04),
        5.4648946975e-05, (50, 150, -100, 1, 2), (0.5, 1.5, -1, 0.01, 0.02),
    ),
    Problem(
        "Rat42", lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)),
        "9 14 21 28 42 57 63 70 79", "8.93 10.80 18.59 22.33 39.35 56.11 61.73 64.62 67.08",
        (7.2462237576e01, 2.6180768402e00, 6.7359200066e-02),
        (1.7340283401e00, 8.8295217536e-02, 3.4465663377e-03), 8.0565229338e00,
        (100, 1, 0.1), (75, 2.5, 0.07),
    ),
    Problem(
        "Rat43", lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
        " ".join(str(i) for i in range(1, 16)),
        "16.08 33.83 65.80 97.20 191.55 326.20 386.87 520.53 590.03 651.92 724.93 699.56 689.96 "
        "637.56 717.41",
        (6.9964151270e02, 5.2771253025e00, 7.5962938329e-01, 1.2792483859e00),
        (1.6302297817e01, 2.0828735829e00, 1.9566123451e-01, 6.8761936385e-01), 8.7864049080e03,
        (100, 10, 1, 1), (700, 5, 0.75, 1.3),
    ),
    Problem(
        "Thurber",
        lambda b, x: (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3)
        / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3),
        "-3.067 -2.981 -2.921 -2.912 -2.840 -2.797 -2.702 -2.699 -2.633 -2.481 -2.363 -2.322 -1.501 "
        "-1.460 -1.274 -1.212 -1.100 -1.046 -0.915 -0.714 -0.566 -0.545 -0.400 -0.309 -0.109 -0.103 "
        "0.010 0.119 0.377 0.790 0.963 1.006 1.115 1.572 1.841 2.047 2.200",
        "80.574 84.248 87.264 87.195 89.076 89.608 89.868 90.101 92.405 95.854 100.696 101.060 "
        "401.672 390.724 567.534 635.316 733.054 759.087 894.206 990.785 1090.109 1080.914 1122.643 "
        "1178.351 1260.531 1273.514 1288.339 1327.543 1353.863 1414.509 1425.208 1421.384 1442.962 "
        "1464.350 1468.705 1447.894 1457.628",
        (1.2881396800e03, 1.4910792535e03, 5.8323836877e02, 7.5416644291e01, 9.6629502864e-01,
         3.9797285797e-01, 4.9727297349e-02),
        (4.6647963344e00, 3.9571156086e01, 2.8698696102e01, 5.5675370270e00, 3.1333340687e-02,
         1.4984928198e-02, 6.5842344623e-03), 5.6427082397e03,
        (1000, 1000, 400, 40, 0.7, 0.3, 0.03), (1300, 1500, 500, 75, 1, 0.4, 0.05),
    ),
    Problem(
        "Eckerle4", lambda b, x: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
        "400 405 410 415 420 425 430 435 436.5 438 439.5 441 442.5 444 445.5 447 448.5 450 451.5 453 "
        "454.5 456 457.5 459 460.5 462 463.5 465 470 475 480 485 490 495 500",
        "0.0001575 0.0001699 0.0002350 0.0003102 0.0004917 0.0008710 0.0017418 0.0046400 0.0065895 "
        "0.0097302 0.0149002 0.0237310 0.0401683 0.0712559 0.1264458 0.2073413 0.2902366 0.3445623 "
        "0.3698049 0.3668534 0.3106727 0.2078154 0.1164354 0.0616764 0.0337200 0.0194023 0.0117831 "
        "0.0074357 0.0022732 0.0008800 0.0004579 0.0002345 0.0001586 0.0001143 0.0000710",
        (1.5543827178e00, 4.0888321754e00, 4.5154121844e02),
        (1.5408051163e-02, 4.6803020753e-02, 4.6800518816e-02), 1.4635887487e-03,
        (1, 10, 500), (1.5, 5, 450),
    ),
    Problem(
        "Roszman1", lambda b, x: b[0] - b[1] * x - np.arctan(b[2] / (x - b[3])) / np.pi,
        "-4868.68 -4868.09 -4867.41 -3375.19 -3373.14 -3372.03 -2473.74 -2472.35 -2469.45 -1894.65 "
        "-1893.40 -1497.24 -1495.85 -1493.41 -1208.68 -1206.18 -1206.04 -997.92 -996.61 -996.31 "
        "-834.94 -834.66 -710.03 -530.16 -464.17",
        "0.252429 0.252141 0.251809 0.297989 0.296257 0.295319 0.339603 0.337731 0.333820 0.389510 "
        "0.386998 0.438864 0.434887 0.427893 0.471568 0.461699 0.461144 0.513532 0.506641 0.505062 "
        "0.535648 0.533726 0.568064 0.612886 0.624169",
        (2.0196866396e-01, -6.1953516256e-06, 1.2044556708e03, -1.8134269537e02),
        (1.9172666023e-02, 3.2058931691e-06, 7.4050983057e01, 4.9573513849e01), 4.9484847331e-04,
        (0.1, -1e-5, 1000, -100), (0.2, -5e-6, 1200, -150),
    ),
]  # fmt: skip


def solve(problem: Problem, start: tuple[float, ...], relative: float) -> Solution:
    """The solver's answer with the certified residual deviation as sigma; steps down to `relative` of the
    start.
    """
    x, y, b = _numbers(problem.x), _numbers(problem.y), np.array(start, dtype=float)

    def jacobian(b: np.ndarray) -> np.ndarray:
        steps = b.astype(complex) + 1e-200j * np.eye(len(b))
        return np.array([np.asarray(problem.model(step, x)).imag / 1e-200 for step in steps]).T

    with np.errstate(all="ignore"):  # trial steps may leave the range of the exponential
        return fit(lambda b: problem.model(b, x), jacobian, y, problem.sigma, b, relative * np.abs(b))


each_problem = pytest.mark.parametrize("problem", PROBLEMS, ids=str)


@each_problem
def test_data_are_those_certified(problem: Problem) -> None:
    """The certified parameters leave the certified sum of squares on the data typed here: no digit is
    wrong.
    """
    v = _numbers(problem.y) - problem.model(np.array(problem.certified), _numbers(problem.x))
    assert digits(np.array([v @ v]), np.array([problem.squares])) > 10


@each_problem
def test_near_start_reaches_the_certified_values(problem: Problem) -> None:
    """9 digits of the parameters, 8.5 of the deviations, 10 of the sum of squares, with steps down to 1e-9.

    Steps of 1e-9 leave 9 digits; the deviations are those one step before the end, and lose up to half a
    digit more where normal equations are badly conditioned (MGH10).
    """
    solution = solve(problem, problem.near, 1e-9)
    squares = solution.objective * problem.sigma**2
    assert digits(solution.x, np.array(problem.certified)) > 9.0
    assert digits(sigmas(solution), np.array(problem.deviations)) > 8.5
    assert digits(np.array([squares]), np.array([problem.squares])) > 10.0
    assert solution.degrees_of_freedom == problem.freedom


@each_problem
def test_stop_on_the_objective_alone_is_good_for_every_purpose(problem: Problem) -> None:
    """Where the step is left to the objective, what remains is below a thousandth of a standard deviation."""
    solution = solve(problem, problem.near, 1.0)
    assert np.all(np.abs(solution.x - problem.certified) < 1e-3 * np.array(problem.deviations))


@each_problem
def test_far_start_is_reached_or_refused(problem: Problem) -> None:
    """From far away: the certified minimum, or a refusal; never a wrong point that looks like a solution."""
    try:
        solution = solve(problem, problem.far, 1e-9)
    except (Defect, Stalled):
        assert problem.name not in FROM_AFAR
        return
    assert digits(solution.x, np.array(problem.certified)) > 9.0

"""One 3D network as a factor graph, solved by a robotics library: a program, for the library is 110 MB and not for every machine.

    pip install gtsam && python -m tests.oracle.factor_graph

One variable an unknown, one factor a row of `tests.oracle.model`; Levenberg-Marquardt and marginal covariances are GTSAM's own.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from tests.adjust.networks import adjusted
from tests.oracle.cases import CASES
from tests.oracle.dense import Dense

AXES = ("east", "north", "height")


def main(name: str = "traverse_between_held_marks") -> None:
    """Print by how much the engine and the factor graph differ."""
    import gtsam  # type: ignore[import-not-found,unused-ignore]

    plan, settings = CASES[name]()
    a = adjusted(plan.simulated(31, settings), settings)
    given = np.column_stack([getattr(a.network.marks, x) for x in AXES])
    d = Dense(a.network, a.settings, np.where(np.isnan(given), np.array(plan.truth), given))
    n = len(d.unknowns)
    touched = (np.abs(d.jacobian(d.x0)) + np.abs(d.jacobian(d.x0 + 1e-3))) > 0.0
    last: dict[bytes, tuple[Any, Any]] = {}

    def here(values: Any) -> tuple[Any, Any]:
        x = np.array([values.atVector(i)[0] for i in range(n)])
        if x.tobytes() not in last:
            last.clear()
            last[x.tobytes()] = d.residuals(x), d.jacobian(x)
        return last[x.tobytes()]

    graph, start = gtsam.NonlinearFactorGraph(), gtsam.Values()
    for i, value in enumerate(d.x0):
        start.insert(i, np.array([value]))
    for row, on in enumerate(touched):
        keys = np.flatnonzero(on).tolist()

        def error(_: Any, values: Any, slots: Any, row: int = row, keys: list[int] = keys) -> Any:
            residuals, jacobian = here(values)
            for k, key in enumerate(keys if slots is not None else ()):
                slots[k] = np.array([[jacobian[row, key]]])
            return residuals[row : row + 1]

        graph.add(gtsam.CustomFactor(gtsam.noiseModel.Unit.Create(1), keys, error))
    chosen = gtsam.LevenbergMarquardtParams()
    chosen.setRelativeErrorTol(1e-15)
    chosen.setAbsoluteErrorTol(1e-15)
    found = gtsam.LevenbergMarquardtOptimizer(graph, start, chosen).optimize()
    marginals = gtsam.Marginals(graph, found)
    apart, ratio = 0.0, 0.0
    for i, u in enumerate(d.unknowns):
        if u.key[0] == "mark":
            _, mark, axis = u.key
            apart = max(apart, abs(getattr(a.marks, AXES[axis])[mark] - found.atVector(i)[0]))
            sigma = getattr(a.marks, f"sigma_{AXES[axis]}")[mark]
            ratio = max(ratio, abs(sigma / marginals.marginalCovariance(i)[0, 0] ** 0.5 - 1.0))
    total = a.global_test.variance_factor * a.degrees_of_freedom
    print(
        f"{name}, GTSAM: coordinates {apart:.1e} m apart, sigmas {ratio:.1e}, vᵀPv {total / (2 * graph.error(found)) - 1:.1e}"
    )


if __name__ == "__main__":
    main()

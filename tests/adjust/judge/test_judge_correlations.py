"""How alike causes are, what of a size is told, and what is none: against dense algebra, and worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.judge.test_judge_statistics import dense, signature, weir

from hubtack.adjust.ground.table import Floats
from hubtack.adjust.judge.statistics import correlations, estimate, given


def orthonormal(X: Floats) -> Floats:
    """A basis of the columns of X that stand clear of rounding."""
    u, s, _ = np.linalg.svd(X / np.linalg.norm(X, axis=0), full_matrices=False)
    return np.asarray(u[:, s > 1e-9 * s.max()])


@pytest.mark.parametrize(
    "present", [(), (("T4", "height_wrong"),), (("T4", "height_wrong"), ("H1", "control_moved"))]
)
@pytest.mark.parametrize("top", [("T2", "off_mark"), ("prism1", "device_constant"), ("H2", "control_height")])
def test_correlations_are_the_cosine_between_what_the_refit_leaves(
    present: tuple[tuple[str, str], ...], top: tuple[str, str]
) -> None:
    """Signatures with A and the causes present taken out of them, dense; the least angle between their planes."""
    solved, tests = weir()
    A, _ = dense(solved)
    names = {(h.name, h.cause): i for i, h in enumerate(tests.hypotheses)}
    found, mine = [names[p] for p in present], names[top]
    known = orthonormal(np.hstack([A, *(signature(tests, f) for f in found)]))

    def remains(h: int) -> Floats:
        C = signature(tests, h)
        return np.asarray(C - known @ (known.T @ C))

    columns: dict[int, Floats] = {}
    g = given(tests, found, columns)
    rho = correlations(g, mine, columns)
    own = orthonormal(remains(mine))
    seen = 0
    for i, h in enumerate(tests.hypotheses):
        if i in found or g.told[i] < h.q:
            continue
        cosine = np.linalg.svd(orthonormal(remains(i)).T @ own, compute_uv=False).max()
        assert rho[i] == pytest.approx(cosine, abs=1e-6), (h.name, h.cause)
        seen += 1
    assert seen > 80
    assert rho[mine] == pytest.approx(1.0, abs=1e-9)


def test_a_cause_that_is_present_has_no_freedom_left() -> None:
    _, tests = weir()
    names = {(h.name, h.cause): i for i, h in enumerate(tests.hypotheses)}
    found = [names["T4", "height_wrong"], names["H1", "control_moved"]]
    g = given(tests, found, {})
    assert g.told[found].tolist() == [0, 0]
    assert g.evidence[found].tolist() == [0.0, 0.0]


def test_covariance_of_a_size_is_that_of_the_refit() -> None:
    solved, tests = weir()
    A, _ = dense(solved)
    g = given(tests, (), {})
    for i in [i for i, h in enumerate(tests.hypotheses) if h.cause in ("off_mark", "pole_lean")]:
        both = np.hstack([A, signature(tests, i)])
        q = int(tests.q[i])
        wanted = np.linalg.inv(both.T @ both)[-q:, -q:]
        assert estimate(g, i)[1] == pytest.approx(wanted, rel=1e-5)


@pytest.mark.parametrize(("direction", "loose"), [((1.0, 0.0), [1]), ((0.0, 1.0), [0]), ((0.6, 0.8), [0, 1])])
def test_a_size_is_told_only_along_what_the_network_sees(
    direction: tuple[float, float], loose: list[int]
) -> None:
    """By hand: N = 4·ccᵀ and b = 6·c give the size 1.5 along c and nothing across; what is not told is infinitely uncertain."""
    _, tests = weir()
    i = next(i for i, h in enumerate(tests.hypotheses) if h.cause == "off_mark")
    c = np.array(direction)
    normal = tests.normal.copy()
    normal[i, :2, :2] = 4.0 * np.outer(c, c)
    scale = tests.scale.copy()
    scale[i, :2] = 4.0
    b = tests.b.copy()
    b[tests.first[i] + np.arange(2)] = 6.0 * c
    g = given(replace(tests, b=b, normal=normal, scale=scale), (), {})
    assert g.told[i] == 1
    assert g.T[i] == pytest.approx(9.0)
    size, covariance = estimate(g, i)
    assert size == pytest.approx(1.5 * c, abs=1e-12)
    assert np.flatnonzero(np.isinf(np.diagonal(covariance))).tolist() == loose
    sure = [k for k in (0, 1) if k not in loose]
    assert np.diagonal(covariance)[sure] == pytest.approx(0.25)


def test_what_rounding_leaves_of_a_strength_is_none() -> None:
    """The information of a reading that nothing checks comes out as 1e-9 of its weight, not as 0; b is rounding as well."""
    _, tests = weir()
    i = next(i for i, h in enumerate(tests.hypotheses) if h.cause == "distance_wrong")
    normal = tests.normal.copy()
    normal[i, 0, 0] = 1e-9 * tests.scale[i, 0]
    assert normal[i, 0, 0] > 1e-12
    g = given(replace(tests, normal=normal), (), {})
    assert (g.told[i], g.T[i], g.evidence[i]) == (0, 0.0, 0.0)

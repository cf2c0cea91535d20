"""The search for causes on geometry that is known: signatures are chosen vectors, no unknowns, so all angles are by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from hubtack.adjust.ground.table import Floats
from hubtack.adjust.judge.rank import Search, possible, rivals, search, settled
from hubtack.adjust.judge.signatures import Hypothesis
from hubtack.adjust.judge.statistics import Tests as Judged
from hubtack.adjust.judge.statistics import given

E = np.eye(6)


def cause(name: str, cause: str, what: str = "setup", subject: int = 0, **more: Any) -> Hypothesis:
    return Hypothesis(what, name, cause, subject, **more)


def chosen(signatures: Floats, misclosure: Floats, hypotheses: list[Hypothesis], obs: Any = None) -> Judged:
    """Tests of columns (m, K) against residuals (m,), where nothing is estimated: M = I."""
    at = 0
    for h in hypotheses:
        h.column, at = at, at + h.q
    row, column = np.nonzero(signatures)
    point = SimpleNamespace(
        misclosure=misclosure,
        rows=[],
        offsets=np.zeros(1, np.int64),
        unknowns=SimpleNamespace(n=0),
        cofactor=SimpleNamespace(solve=lambda g: g),
        solved=SimpleNamespace(obs=obs),
    )
    book: Any = SimpleNamespace(
        point=point,
        hypotheses=hypotheses,
        columns=at,
        skipped=0,
        entries=lambda: (row, column, signatures[row, column]),
    )
    first = np.array([h.column for h in hypotheses])
    q = np.array([h.q for h in hypotheses])
    normal, scale = np.zeros((len(q), 3, 3)), np.zeros((len(q), 3))
    for i, h in enumerate(hypotheses):
        C = signatures[:, h.column : h.column + h.q]
        normal[i, : h.q, : h.q] = C.T @ C
        scale[i, : h.q] = (C**2).sum(axis=0)
    fixed = np.array([np.nan if h.fixed is None else h.fixed for h in hypotheses])
    return Judged(book, signatures.T @ misclosure, first, q, normal, scale, fixed)


def at_cosine(rho: float, axis: int) -> Floats:
    """A unit vector at arccos ρ from the first axis, towards another."""
    return np.asarray(rho * E[0] + np.sqrt(1.0 - rho**2) * E[axis])


@pytest.mark.parametrize("aside", [0.3, 0.05])
def test_two_causes_are_not_one_between_them(aside: float) -> None:
    """40 of A and 30 of B: C lies between and explains most alone, but A and B together explain all.

    Far aside, A and B are found after C, which then is idle; a little aside, A and C leave so little that B must
    take C's place.
    """
    between = E[0] + E[1] + aside * E[2]
    tests = chosen(
        100.0 * np.stack([between, E[0], E[1]], axis=1),
        40.0 * E[0] + 30.0 * E[1],
        [cause("C", "height_wrong"), cause("A", "prism_constant"), cause("B", "off_mark")],
    )
    g = given(tests, (), {})
    assert pytest.approx([70.0**2 / (2.0 + aside**2), 1600.0, 900.0]) == g.T
    assert sorted(search(tests).found) == [1, 2]


@pytest.mark.parametrize(
    ("size", "bound"), [(1.0, True), (1.01, True), (0.985, True), (1.05, False), (0.9, False)]
)
def test_a_size_that_must_be_one(size: float, bound: bool) -> None:
    """σ of the size is 1e-4, so the two hundredths for the way that bends decide."""
    tests = chosen(
        1e4 * E[:, :1], 1e4 * size * E[0], [cause("A", "wrong_mark", fixed=1.0, detail=("B", "0"))]
    )
    assert possible(given(tests, (), {})).tolist() == [bound]


@pytest.mark.parametrize(
    ("size", "bound"),
    [
        (0.01, True), (-0.015, True), (0.03, False), (0.5, False), (2.0, False),
        (1.0 - 0.3048, True),  # feet entered for metres: recorded 1, true 0.3048
        (1.0 - 1.0 / 0.3048, True), (1.0 - 1.03 / 0.3048, False), (1.0 - 0.3048 * 0.97, False),
    ],
)  # fmt: skip
def test_a_scale_is_small_or_a_foot(size: float, bound: bool) -> None:
    tests = chosen(1e5 * E[:, :1], 1e5 * size * E[0], [cause("ts", "distance_scale", "instrument")])
    g = given(tests, (), {})
    assert g.T[0] > 1000.0
    assert possible(g).tolist() == [bound]


def test_what_hangs_on_a_place_that_was_wrong_says_nothing_more() -> None:
    """Setups 2 and 3 (one name, two points), 1 and 5 (names swapped), or one sight (another target) are put elsewhere."""
    obs = SimpleNamespace(start_setup=np.array([0, 0, 0, 4]), end_setup=np.array([1, 2, 3, 5]))
    hypotheses = [
        cause("T2", "other_point", subject=2, detail=("3",)),
        cause("T1", "names_swapped", subject=1, detail=("T5", "5")),
        cause("n3", "wrong_target", "sight", 3, detail=("T1",)),
        *(cause(f"T{s}", "height_wrong", subject=s) for s in range(6)),
        *(cause(f"n{s}", "distance_wrong", "sight", s) for s in range(4)),
        cause("P", "control_moved", "control", 2),
    ]
    tests = chosen(np.tile(E[:, :1], len(hypotheses)), E[0], hypotheses, obs)

    def names(*found: int) -> set[str]:
        g = given(tests, found, {})
        return {h.name for h, out in zip(hypotheses, settled(g), strict=True) if out}

    assert names() == set()
    assert names(0) == {"T2", "T3", "n1", "n2"}
    assert names(1) == {"T1", "T5", "n0", "n3"}
    assert names(2) == {"n3"}
    assert names(3) == set()  # a height is wrong where it stands


def test_a_simpler_cause_of_the_same_thing_goes_before_a_wide_one() -> None:
    """Two freedoms explain all; one of them leaves 20 of 10 020. Another setup's explains as much, and is no simpler case."""
    far = 100.0 * E[0] + np.sqrt(20.0) * E[1]
    vectors = 100.0 * np.stack([E[0], E[1], E[0]], axis=1)
    for name, found in (("B", 0), ("A", 1)):
        tests = chosen(vectors, far, [cause("A", "off_mark", q=2), cause(name, "height_wrong")])
        tests.book.skipped = 5000  # among so many the 20 that remain are chance
        assert search(tests).found == [found]


def test_what_can_not_be_is_not_put_forward_where_nothing_else_remains() -> None:
    """The only cause would be a height 44.7 m wrong, beyond what anybody enters: no cause, whatever its T."""
    tests = chosen(E[:, :1], np.sqrt(2000.0) * E[0], [cause("A", "height_wrong")])
    assert not possible(given(tests, (), {})).any()
    assert search(tests).found == []


def rivals_of_the_first(top: float, *others: tuple[Hypothesis, Floats], across: float = 0.0) -> list[str]:
    """Names of the rivals of a cause with T = top; `across` is what lies along the second axis."""
    vectors = np.stack([E[0], *(v for _, v in others)], axis=1)
    tests = chosen(
        vectors, np.sqrt(top) * E[0] + across * E[1], [cause("A", "height_wrong"), *(h for h, _ in others)]
    )
    g = given(tests, (), {})
    return [tests.hypotheses[h].name for h, _ in rivals(Search(tests, 5), g, 0)]


def test_control_is_a_rival_of_a_gross_error_that_looks_like_it() -> None:
    """Above T = 300 a correlation of 0.9 and seven tenths of T do not exclude control; setups they do."""
    control, setup = cause("P", "control_moved", "control"), cause("S", "height_wrong")
    assert rivals_of_the_first(1000.0, (control, at_cosine(0.95, 1)), (setup, at_cosine(0.95, 2))) == ["P"]
    assert rivals_of_the_first(1000.0, (control, at_cosine(0.88, 1))) == []
    assert rivals_of_the_first(200.0, (control, at_cosine(0.95, 1))) == []
    # ρ = 0.95, but what lies across takes its T down to (0.95·31.6 − 0.31·30)²= 430
    assert rivals_of_the_first(1000.0, (control, at_cosine(0.95, 1)), across=-30.0) == []


def test_rivals_stand_once_and_within_a_factor_of_twenty() -> None:
    """−2 ln p of T = 100 falls short by 6 near T = 94: cosines of 0.98 and 0.96 lie on either side."""
    near, far = cause("N", "height_wrong"), cause("F", "height_wrong")
    again = cause("N", "height_wrong")
    found = rivals_of_the_first(
        100.0, (near, at_cosine(0.98, 1)), (far, at_cosine(0.96, 2)), (again, at_cosine(0.98, 3))
    )
    assert found == ["N"]

"""What a finding says beside its cause: what moves if it is real, who may be named; and judging only where something is odd."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tests.adjust.judge.test_judge_point import ladder
from tests.adjust.judge.test_judge_statistics import dense, weir
from tests.adjust.networks import Plan

from hubtack.adjust import Network, adjust
from hubtack.adjust.estimate.rows import Rows
from hubtack.adjust.judge import diagnose, robust
from hubtack.adjust.judge.finding import Explanation, Finding
from hubtack.adjust.judge.point import find_point
from hubtack.adjust.solved import Solved


def raised(network: Network, setup: int, by: float) -> Network:
    height = network.setups.height.copy()
    height[setup] += by
    return replace(network, setups=network.setups.replace(height=height))


def solved_of(network: Network) -> Solved:
    solved = adjust(network).solved
    assert solved is not None
    return solved


@pytest.mark.parametrize("by", [0.012, 1.3])
def test_marks_move_as_they_do_when_the_mistake_is_put_right(by: float) -> None:
    """Against a second adjustment, with the height corrected by the size that was found."""
    network, _ = ladder()
    at = int(
        np.flatnonzero(network.setups.instrument)[2]
    )  # the station on a new mark: its neighbours hang on it
    wrong = raised(network, at, by)
    first = diagnose.judge(solved_of(wrong))[0]
    assert (first.first.name, first.first.group) == (str(network.setups.setup[at]), "height")
    before, after = adjust(wrong).marks, adjust(raised(wrong, at, -first.first.size)).marks
    change = np.column_stack([getattr(after, a) - getattr(before, a) for a in ("east", "north", "height")])
    length = np.linalg.norm(change, axis=1)
    assert [m[0] for m in first.moved] == [
        str(before.mark[i]) for i in np.argsort(-length)[: len(first.moved)]
    ]
    assert first.moved
    for name, *move in first.moved:
        # the corrected network is linearised elsewhere: a hundredth of the move, where that is gross
        assert move == pytest.approx(change[before.mark.tolist().index(name)], abs=0.01 * by)


def test_setups_that_are_worth_a_look_are_those_with_an_odd_reading_or_effect() -> None:
    """|w| = |Ml| / √(cᵀMc) above 2.8, from a dense M."""
    solved, _ = weir()
    A, v = dense(solved)
    M = np.eye(len(v)) - A @ np.linalg.pinv(A)
    with np.errstate(divide="ignore", invalid="ignore"):
        w = np.where(np.diagonal(M) > 1e-9, np.abs(v) / np.sqrt(np.diagonal(M)), 0.0)
    point, obs, priors = find_point(solved), solved.obs, solved.unknowns.priors
    wanted = np.zeros(len(solved.network.setups), dtype=bool)
    for i in np.flatnonzero(w[point.place] > 2.8):
        wanted[[obs.start_setup[i], obs.end_setup[i]]] = True
    for k in np.flatnonzero(w[point.prior_offset :] > 2.8):
        if priors.setup[k] >= 0:
            wanted[priors.setup[k]] = True
    assert 0 < wanted.sum() < len(wanted)
    assert diagnose._busy(point).tolist() == wanted.tolist()


def test_looking_only_where_something_is_odd_finds_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    network, _ = ladder()
    solved = solved_of(raised(network, 2, 0.012))
    whole = diagnose.judge(solved)
    book = diagnose.hypotheses(solved)
    monkeypatch.setattr(diagnose, "MANY", 0)
    few = diagnose.hypotheses(solved)
    assert len(few.hypotheses) < len(book.hypotheses)
    assert [(f.first.name, f.first.cause, f.told, f.tried) for f in diagnose.judge(solved)] == [
        (f.first.name, f.first.cause, f.told, f.tried) for f in whole
    ]


def test_the_first_stands_for_itself_and_no_rival_is_hidden() -> None:
    network, _ = ladder()
    for finding in diagnose.judge(solved_of(raised(network, 2, 0.012))):
        assert finding.first.correlation == 1.0
        assert finding.rivals_not_shown == 0


def finding(name: str, cause: str = "wrong_mark") -> Finding:
    return Finding(0, Explanation("setup", name, cause, 1.0, 900.0, subject=0), True, 20.0, 1e-9)


@pytest.mark.parametrize(
    ("known", "found", "told"),
    [
        (1, ("wrong_mark", "other_point"), [False, False]),
        (1, ("wrong_mark", "height_wrong"), [True, True]),
        (1, ("wrong_mark", "height_wrong", "names_swapped"), [False, True, False]),
        (3, ("wrong_mark", "other_point"), [True, True]),
        (0, ("wrong_mark", "other_point"), [True, True]),
    ],
)
def test_several_names_on_wrong_points_are_not_told_by_few_known_marks(
    known: int, found: tuple[str, ...], told: list[bool]
) -> None:
    """One or two known marks turn with the first wrong name, and all others seem wrong; three do not."""
    sigma = np.full(6, np.inf)
    sigma[:known] = 0.0
    marks = SimpleNamespace(sigma_east=sigma)
    point: Any = SimpleNamespace(solved=SimpleNamespace(network=SimpleNamespace(marks=marks)))
    made = diagnose._of_few_known(point, [finding(f"T{k}", c) for k, c in enumerate(found)])
    assert [f.told for f in made] == told


def test_a_gross_distance_in_a_free_network_that_stands_on_pillars() -> None:
    """No control and setups without error: the datum's conditions know nothing of what is held."""
    plan = Plan()
    pillar = plan.support("pillar")
    plan.instrument()
    plan.target()
    corners = ((0, 0, 10), (50, 0, 12), (50, 40, 11), (0, 40, 13), (25, 20, 10))
    marks = [plan.mark(f"P{i}", *map(float, c), known=True) for i, c in enumerate(corners)]  # type: ignore[arg-type]
    for at in marks[:4]:
        station = plan.station(at, 1.6, pillar)
        for to in marks:
            if to != at:
                plan.sight(station, plan.prism(to, 1.5, pillar))
    network = plan.simulated(5)
    slope = network.sights.slope.copy()
    slope[:2] += 0.8  # both faces of one sight
    solved = solved_of(replace(network, sights=network.sights.replace(slope=slope)))
    assert find_point(solved).robust
    first, *more = diagnose.judge(solved)
    assert not more
    assert (first.first.name, first.first.group) == (str(network.sights.id[0]), "reading")
    assert first.first.size == pytest.approx(0.8, abs=0.006)


def test_components_of_a_vector_are_weighted_together() -> None:
    """Cauchy weights 1/(1 + (v/c)²) of the mean square of three; by hand for v = (3, 0, 4)·√3, c = 5: one half."""
    v = np.sqrt(3.0) * np.array([3.0, 0.0, 4.0, 0.0, 0.0, 0.0])
    rows = Rows(np.zeros((6, 1), np.int64), np.ones((6, 1)), v, block=3)
    made = robust._reweighted(rows, 5.0)
    assert made.misclosure == pytest.approx(0.5 * v)
    assert made.values[:, 0] == pytest.approx([0.5, 0.5, 0.5, 1.0, 1.0, 1.0])


def test_a_sight_from_a_mark_to_itself_pulls_at_nothing() -> None:
    wild = 2.0 * robust.WILD
    rows = Rows(np.zeros((2, 2), np.int64), np.array([[1.0, wild], [3.0, -4.0]]), np.ones(2))
    assert robust._tamed(rows).values.tolist() == [[0.0, 0.0], [3.0, -4.0]]
    calm = Rows(rows.columns, np.ones((2, 2)), rows.misclosure)
    assert robust._tamed(calm).values.tolist() == [[1.0, 1.0], [1.0, 1.0]]

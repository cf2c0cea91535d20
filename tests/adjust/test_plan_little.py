"""Plans in which there is little to change: no sights, no setups, no heights, one role, and geometry that fixes nothing."""

from __future__ import annotations

import numpy as np
import pytest
from tests.adjust.networks import INF, MM, NAN, Plan
from tests.adjust.test_plan import weir
from tests.adjust.test_plan_changes import choice

from hubtack.adjust import Settings, Undetermined
from hubtack.adjust.plan import fill, plan
from hubtack.adjust.planning import separate
from hubtack.adjust.planning.budget import budget
from hubtack.adjust.planning.changes import LEVELLED, Change, Times, changes
from hubtack.adjust.planning.equipment import compare_equipment
from hubtack.adjust.planning.goals import Tolerance, figures
from hubtack.adjust.planning.separate import separability
from hubtack.adjust.planning.variants import more_rounds


def proposed(p: Plan, *choices: object, times: Times | None = None) -> list[Change]:
    settings = Settings()
    return changes(fill(p.network(), settings), settings, Tolerance(), choices, times)[1]  # type: ignore[arg-type]


def levelled() -> Plan:
    p = Plan()
    p.mark("A", 0, 0, 10, sigma=(INF, INF, 0.0), known=True)
    p.mark("B", 80, 0, 11, known=True)
    p.mark("C", 30, 60, 12, known=True)
    for a, b in ((0, 1), (1, 2), (2, 0)):
        p.reduce("rise", a, b, 1 * MM)
    return p


def test_a_levelling_loop_gains_by_levelling_alone() -> None:
    """A – B – C – A of 1 mm each: Q(B) = Q(C) = 2/3 mm², Q(B, C) = 1/3. One more rise of s² from A to B leaves B with
    1/(3/2 + 1/s²) and C with 2/3 − (1/3)²/(2/3 + s²)."""
    p = levelled()
    settings = Settings()
    base, found = changes(fill(p.network(), settings), settings, Tolerance())
    assert base.marks.sigma_height[1:] / MM == pytest.approx([(2 / 3) ** 0.5] * 2)
    assert {c.kind for c in found} == {"levelling"}
    (best,) = [c for c in found if "A" in c.about]
    s2 = (LEVELLED / MM) ** 2
    after = max(1 / (3 / 2 + 1 / s2), 2 / 3 - 1 / 9 / (2 / 3 + s2)) ** 0.5
    before = (2 / 3) ** 0.5
    assert best.figures.height / figures(base).height == pytest.approx(after / before)
    net = p.network()
    assert more_rounds(net) == (net, 0)


def test_a_plan_in_the_plane_has_no_height_to_level() -> None:
    p = Plan()
    p.support("pillar", 0.5 * MM)
    p.instrument()
    p.target()
    for name, e, n in (("A", 0, 0), ("B", 90, 10)):
        p.mark(name, e, n, 0, sigma=(0.0, 0.0, INF))
    p.mark("P", 50, 60, 0, known=True)
    for at in range(3):
        s = p.station(at, height=NAN)
        for t in {0, 1, 2} - {at}:
            p.sight(s, p.prism(t, height=NAN), readings="ch")
    kinds = {c.kind for c in proposed(p)}
    assert "rounds" in kinds
    assert not kinds & {"levelling", "heights"}


def test_bases_that_are_not_shared_cost_their_tribrachs() -> None:
    """Forced centring hides its own error: six devices on three bases, each set up anew, are three exchanges, 15 minutes of
    5; and where that helps it is proposed with these minutes."""
    p = Plan()
    p.support("tripod", centring=2 * MM, height=0.5 * MM)
    p.instrument()
    p.target()
    p.held("A", 0, 0, 10)
    p.held("B", 0, 60, 10)
    p.mark("C", 50, 30, 11, known=True)
    for at in range(3):
        s = p.station(at, base=at)
        for t in {0, 1, 2} - {at}:
            p.sight(s, p.prism(t, base=t))
    found = [c for c in proposed(p, times=Times(tribrach=5.0)) if c.kind == "bases"]
    assert [c.minutes for c in found] == [(9 - 3) * 5.0]


def test_a_support_for_both_roles_stands_under_every_device() -> None:
    better = choice("bolt", 0.1 * MM, roles=("both",))
    found = [c for c in proposed(weir(centring=2 * MM), better) if c.kind == "support"]
    assert [(c.role, c.about) for c in found] == [("both", ("bolt",))]


def test_a_role_that_nobody_has_is_not_compared() -> None:
    """A levelling loop has no target: as planned is all there is."""
    settings = Settings()
    planned = fill(levelled().network(), settings)
    found = compare_equipment(planned, settings, Tolerance(), [choice("bolt", 0.1 * MM)])
    assert [e.words for e in found] == ["as planned"]


def test_a_held_mark_has_no_budget() -> None:
    a = plan(weir().network())
    assert a.solved is not None
    b = budget(a.solved, 0)
    assert np.array_equal(b.total, np.zeros((3, 3)))
    assert b.sources == ()


def test_more_heights_than_a_dense_matrix_is_made_for(monkeypatch: pytest.MonkeyPatch) -> None:
    a = plan(weir().network())
    assert a.solved is not None
    assert separability(a.solved) is not None
    monkeypatch.setattr(separate, "MOST", 17)
    assert separability(a.solved) is None  # 18 setups with a height each


def test_a_plan_on_the_circle_through_its_marks_is_refused_as_the_day_would_be() -> None:
    at = np.radians([10.0, 100.0, 250.0, 310.0])
    places = 100.0 * np.column_stack([np.sin(at), np.cos(at)])
    p = Plan()
    p.support("pillar")
    p.instrument()
    p.target()
    for k in range(3):
        p.held(f"C{k}", *places[k], 10.0)
    p.mark("F", *places[3], 10.0, known=True)
    s = p.station(3)
    for k in range(3):
        p.sight(s, p.prism(k), readings="c")
    with pytest.raises(Undetermined) as caught:
        plan(p.network())
    assert "on or near the circle through the marks that it sights" in caught.value.troubles[0].text

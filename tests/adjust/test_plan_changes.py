"""Changes to a plan: one more sight by update and by doing it, supports, rounds, heights, levelling, and their order."""

from __future__ import annotations

import numpy as np
import pytest
from tests.adjust.networks import MM, Plan
from tests.adjust.test_known_network import network as known_network
from tests.adjust.test_plan import weir

from hubtack.adjust import Settings
from hubtack.adjust.ground.network import Supports
from hubtack.adjust.plan import Planned, fill, plan
from hubtack.adjust.planning.changes import Times, changes, predicted
from hubtack.adjust.planning.equipment import compare_equipment
from hubtack.adjust.planning.goals import Tolerance, figures, new_marks
from hubtack.adjust.planning.separate import separability
from hubtack.adjust.planning.sight import candidates, gains, update, with_sight
from hubtack.adjust.planning.variants import Choice, levelled, more_rounds, stand_on, surer_heights


def test_update_of_two_unknowns() -> None:
    """Derived: Q [[4, .5], [.5, 1]], a (1, 0), σ 1 → [[.8, .1], [.1, .95]], 0.80472 nats."""
    Q, gain = update(np.array([[4, 0.5], [0.5, 1]]), np.array([[1.0, 0.0]]), np.eye(1))
    np.testing.assert_allclose(Q, [[0.8, 0.1], [0.1, 0.95]], atol=1e-12)
    assert gain == pytest.approx(0.80472, abs=5e-6)


def test_nats_favour_an_angle_and_the_ellipse_a_distance() -> None:
    """Derived, on the quadrilateral known in full: D → C by direction brings 0.239 nats; B – C by distance brings C's
    ellipse from 1.3729 to 1.2496 mm (1σ)."""
    a = plan(known_network())
    assert a.solved is not None
    u, cofactor = a.solved.unknowns, a.solved.solution.cofactor
    rows = {
        str(a.solved.obs.id[i]): (k, j)
        for k, g in enumerate(a.solved.equations.groups)
        for j, i in enumerate(g.rows)
    }
    Q = cofactor.columns(np.arange(u.n))

    def again(id_: str) -> tuple[np.ndarray, float]:
        k, j = rows[id_]
        r = a.solved.solution.rows[k]  # type: ignore[union-attr]
        row = np.zeros(u.n + 1)
        row[r.columns[j]] += r.values[j]
        return update(Q, row[None, : u.n], np.eye(1))

    o = a.observations
    direction = {i: again(i)[1] for i in o.id[o.kind == "direction"]}
    best = max(direction, key=lambda i: direction[i])
    where = int(np.flatnonzero(o.id == best)[0])
    assert (a.marks.mark[o.start_mark[where]], a.marks.mark[o.end_mark[where]]) == ("D", "C")
    assert direction[best] == pytest.approx(0.239, abs=5e-4)

    c = u.marks[2, :2]
    before = np.sqrt(np.linalg.eigvalsh(Q[np.ix_(c, c)])[-1])
    lengths = {}
    for i in o.id[o.kind == "horizontal"]:
        after = again(i)[0]
        lengths[i] = np.sqrt(np.linalg.eigvalsh(after[np.ix_(c, c)])[-1])
    bc = next(
        i for i in lengths if {1, 2} == {int(o.start_mark[o.id == i][0]), int(o.end_mark[o.id == i][0])}
    )
    assert before / MM == pytest.approx(
        1.3729, abs=1e-3
    )  # at rough coordinates; the figure is at adjusted ones
    assert min(lengths, key=lambda i: lengths[i]) == bc
    assert lengths[bc] / MM == pytest.approx(1.2496, abs=1e-3)


def test_a_sight_gains_what_it_was_said_to() -> None:
    """The update against the plan with the sight in it, solved anew: marks, heights and the sighted mark itself."""
    net, settings = weir().network(), Settings()
    planned = fill(net, settings)
    a = predicted(planned, settings)
    assert a.solved is not None
    new = np.flatnonzero(new_marks(a))
    offered = candidates(planned.network, planned.coordinates, np.flatnonzero(net.setups.instrument), 90.0)
    assert len(offered) > 10
    for g in gains(a.solved, offered, new)[::4]:
        b = predicted(Planned(with_sight(planned.network, [g.candidate]), planned.coordinates, ()), settings)
        # the update takes a distance's sigma from the horizontal distance: 1.5 ppm of a few metres
        assert g.position == pytest.approx(b.marks.semi_major[new].max() / b.ellipse_factor, rel=1e-6)
        assert g.height == pytest.approx(b.marks.sigma_height[new].max(), rel=1e-6)
        m = g.candidate.mark
        assert g.own == pytest.approx(
            np.trace(a.marks.covariance[m] - b.marks.covariance[m]), rel=1e-4, abs=1e-12
        )


def test_rounds_shrink_readings_and_not_setups() -> None:
    net, settings = weir().network(), Settings()
    planned = fill(net, settings)
    again, pointings = more_rounds(planned.network)
    assert pointings == len(net.sights) / 2  # two rounds were planned; the last is repeated
    a = predicted(planned, settings)
    b = predicted(Planned(again, planned.coordinates, ()), settings)
    assert figures(b).position < figures(a).position
    assert len(b.setups) == len(a.setups)
    assert b.degrees_of_freedom == a.degrees_of_freedom + 3 * pointings // 2 - 4  # four orientations more


def choice(name: str, centring: float, **more: object) -> Choice:
    one = Supports(
        support=[name],
        kind=["pole"],
        height_kind=["taped"],
        height_sigma=[0.7 * MM],
        centring_sigma=[centring],
    )  # type: ignore[arg-type]
    return Choice(one, **more)  # type: ignore[arg-type]


def test_supports_under_a_role() -> None:
    net = weir().network()
    poor = stand_on(net, choice("poor", 5 * MM, height=1.8), "target")
    target = ~net.setups.instrument
    assert (poor.supports.support[poor.setups.support] == np.where(target, "poor", "tripod")).all()
    assert (poor.setups.height == np.where(target, 1.8, net.setups.height)).all()
    one_base = stand_on(net, choice("forced", 1 * MM, common_base=True), "both")
    for m in range(6):
        assert len(set(one_base.setups.base[one_base.setups.mark == m].tolist())) <= 1
    assert len(set(one_base.setups.base.tolist())) == len(set(net.setups.mark.tolist()))


def test_equipment_is_compared_on_the_plan_itself() -> None:
    settings = Settings()
    planned = fill(weir().network(), settings)
    rows = compare_equipment(
        planned,
        settings,
        Tolerance(),
        [choice("good", 0.1 * MM), choice("same", 1 * MM), choice("poor", 5 * MM)],
    )
    assert [e.name for e in rows] == ["", "good", "same", "poor"]
    assert rows[1].figures.position < rows[0].figures.position < rows[3].figures.position
    assert rows[2].figures.position == pytest.approx(rows[0].figures.position, rel=1e-9)
    poor = dict(zip(rows[3].budget.sources, rows[3].budget.plan_shares(), strict=True))
    assert max(poor, key=lambda s: poor[s]) == "centring of target"


def test_surer_heights_and_levelling() -> None:
    settings = Settings()
    planned = fill(weir(height=1.5 * MM).network(), settings)
    base = figures(predicted(planned, settings))
    surer, rows = surer_heights(planned.network, "target", 0.2 * MM)
    assert len(rows) == (~planned.network.setups.instrument).sum()
    assert figures(predicted(Planned(surer, planned.coordinates, ()), settings)).height < base.height
    tied = levelled(planned.network, 0, base.height_mark, 0.3 * MM)
    a = predicted(Planned(tied, planned.coordinates, ()), settings)
    assert a.marks.sigma_height[base.height_mark] < 0.3 * MM  # A is held


def test_changes_are_ordered_and_help() -> None:
    settings = Settings()
    planned = fill(weir().network(), settings)
    base, found = changes(
        planned,
        settings,
        Tolerance(),
        [choice("good", 0.1 * MM), choice("poor", 5 * MM)],
        Times(pointing=1.0),
    )
    before = figures(base)
    unchecked = [c.figures.unchecked for c in found]
    assert unchecked == sorted(unchecked)
    assert "poor" not in [n for c in found for n in c.about]
    assert all(
        c.figures.position < before.position
        or c.figures.height < before.height
        or c.figures.unchecked < before.unchecked
        for c in found
    )
    rounds = next(c for c in found if c.kind == "rounds")
    assert rounds.minutes == more_rounds(planned.network)[1]


def test_a_tolerance_puts_first_what_meets_it_soonest() -> None:
    settings = Settings(unchecked_ratio=1e6)
    planned = fill(weir().network(), settings)
    base, found = changes(planned, settings, Tolerance(), [])
    goal = sorted(c.figures.position for c in found)[1] * 1.0001
    _, found = changes(planned, settings, Tolerance(position=goal), [])
    meeting = [c for c in found if c.meets]
    assert meeting
    same = [c for c in found if c.figures.unchecked == found[0].figures.unchecked]
    assert [c.meets for c in same] == sorted((c.meets for c in same), reverse=True)
    assert figures(base).position > goal


def test_two_visits_are_seen_and_not_told_apart() -> None:
    """Derived: a mark visited twice, its height unknown: either height shows when wrong, and the tests are one (|ρ| = 1)."""
    p = Plan()
    p.support("stand", height=0.2 * MM)
    p.instrument(1.0, 1.0, 1 * MM)
    p.target()
    p.support("bolt")
    for name, e, n in (("A", 0, 0), ("B", 40, 0), ("C", 0, 40)):
        p.held(name, e, n, 0)
    p.mark("M", 25, 30, 1, known=True)
    for at in (0, 1):
        s = p.station(at, support=1)
        for t in (0, 1, 2):
            if t != at:
                p.sight(s, p.prism(t, support=1))
        p.sight(s, p.prism(3))
    a = plan(p.network())
    assert a.solved is not None
    apart = separability(a.solved)
    assert apart is not None
    np.testing.assert_allclose(apart.correlation, 1.0, atol=1e-6)
    assert apart.rival.tolist() == apart.setup[::-1].tolist()
    assert np.isfinite(a.setups.minimal_detectable_height[apart.setup]).all()

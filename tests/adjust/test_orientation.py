"""The swing of a long traverse behind a short base: against closed formulas, and against the ellipse of its far end."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, INF, Plan, adjusted

from hubtack.adjust.outcome import orientation
from hubtack.adjust.outcome.orientation import swings
from hubtack.io.job import read_job
from hubtack.io.pages.orientation import orientation_records, orientation_section

SIGMA = 4e-3
VECTOR = np.diag([SIGMA, SIGMA, 2 * SIGMA]) ** 2
HALL = Path(__file__).parents[2] / "sample_networks" / "free-stations"


def traverse(how: str, span: float = 60.0, turn: float = 0.0, far: bool = False) -> Plan:
    """Two marks `span` apart, and a traverse of six legs away from them, so well measured that it is rigid."""
    p = Plan()
    p.support("pillar")
    p.instrument(0.1, 0.1, 1e-4)  # finer, and rounding takes 1e-7 of a redundancy
    p.target()
    prior = {"weighted": (SIGMA,) * 3, "held": (0.0,) * 3, "vectors": (INF,) * 3, "free": (INF,) * 3}[how]
    p.mark("G1", 0.0, 0.0, 0.0, sigma=prior, known=True)
    p.mark("G2", span, 0.0, 0.0, sigma=prior, known=True)
    for k in range(1, 7):
        end = (SIGMA,) * 3 if far and k == 6 else (INF,) * 3
        p.mark(f"W{k}", 30.0 * (k % 2), 100.0 * k, 0.0, sigma=end, known=True)
    order = [1, 0, *range(2, 8)]
    for k, m in enumerate(order):
        s = p.station(m, 1.5)
        for o in order[max(0, k - 1) : k] + order[k + 1 : k + 2]:
            p.sight(s, p.prism(o, 1.5))
    if how == "vectors":
        p.held("BASE", 5000.0, 9000.0, 50.0)
        session = p.session("am", turn_sigma=turn)
        antennas = [p.prism(m, 1.5) for m in (8, 0, 1)]
        for other in antennas[1:]:
            p.vector(antennas[0], other, VECTOR, setups=True, session=session)
    return p


@pytest.mark.parametrize("how", ["weighted", "vectors"])
def test_the_swing_is_the_lever_times_what_the_base_is_good_for(how: str) -> None:
    """σ√2 across 60 m; a far base station adds nothing, though each single vector is long."""
    a = adjusted(traverse(how).simulated(1))
    (s,) = swings(a)
    assert [str(a.marks.mark[i]) for i in s.carriers] == ["G1", "G2"]
    assert s.sigma == pytest.approx(SIGMA * np.sqrt(2.0) / 60.0, rel=1e-3)
    lever = np.hypot(0.0 - 30.0, 600.0)  # to W6 from the middle of the pair
    assert (str(a.marks.mark[s.far]), s.lever) == ("W6", pytest.approx(lever, abs=0.05))
    assert s.swing == pytest.approx(1.959964 * s.sigma * lever, rel=1e-3)
    # in a rigid traverse the ellipse of the far end is the swing and the shift of the pair together
    direction = np.array([600.0, 30.0]) / lever
    across = direction @ a.marks.covariance[s.far, :2, :2] @ direction
    assert across == pytest.approx((s.sigma * lever) ** 2 + SIGMA**2 / 2.0, rel=0.01)


def test_a_turn_of_the_session_turns_the_traverse() -> None:
    (s,) = swings(adjusted(traverse("vectors", turn=10 * ARCSEC).simulated(1)))
    assert s.sigma == pytest.approx(np.hypot(SIGMA * np.sqrt(2.0) / 60.0, 10 * ARCSEC), rel=1e-3)


def test_a_held_base_has_a_lever_and_no_figure() -> None:
    a = adjusted(traverse("held").simulated(1))
    (s,) = swings(a)
    assert s.held
    assert (s.sigma, s.swing) == (0.0, 0.0)
    told = " ".join(row.words[0] for row in orientation_section(a, read_job(HALL)).rows)
    assert "one millimetre across that base is 10.0 times as much at W6" in told
    assert "none of that is in the ellipse of W6" in told


def test_nothing_is_told_where_control_is_wide_or_the_network_free() -> None:
    for plan in (traverse("weighted", far=True), traverse("weighted", span=400.0), traverse("free")):
        assert swings(adjusted(plan.simulated(1))) == ()


def test_in_words_and_for_programs() -> None:
    a = adjusted(traverse("vectors").simulated(1))
    job = read_job(HALL)
    told = [row.words[0] for row in orientation_section(a, job).rows]
    assert told[0].startswith("The pair G1 – G2, 60 m apart orients 8 marks. W6 lies 601 m off:")
    assert "good to 19.4 arcsec (1 sigma): expect a miss of 111 mm across at W6 (95 %)" in told[1]
    (record,) = orientation_records(a)
    assert record["carriers"] == ["G1", "G2"]
    assert record["vectors"] == 2


def test_of_a_large_network_the_whole_is_looked_at_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """A short base against the extent is looked into part by part; one as long as the network, or none, is not."""
    short, wide = (
        adjusted(traverse("vectors").simulated(1)),
        adjusted(traverse("weighted", span=400.0).simulated(1)),
    )
    free = adjusted(traverse("free").simulated(1))
    (before,) = swings(short)
    monkeypatch.setattr(orientation, "WHOLE", 5)
    (after,) = swings(short)  # though its vectors come from a base station 10 km off
    assert (after.far, after.swing) == (before.far, before.swing)
    assert swings(wide) == swings(free) == ()
    monkeypatch.setattr(orientation, "MOST", 0)  # the base station alone is one mark too many
    assert swings(short) == ()


def test_vectors_of_no_session_orient_as_those_of_one_that_has_no_turn() -> None:
    p = traverse("vectors")
    for row in p.vectors:
        row["session"] = -1
    (alone,), (together,) = (
        swings(adjusted(p.simulated(1))),
        swings(adjusted(traverse("vectors").simulated(1))),
    )
    assert alone.sigma == pytest.approx(together.sigma, rel=1e-6)

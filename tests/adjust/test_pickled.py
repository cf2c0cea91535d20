"""An adjustment that was pickled keeps its tables, not its solution: what needs more says so, and never half an answer."""

from __future__ import annotations

import pickle
from collections.abc import Callable

import numpy as np
import pytest
from tests.adjust.networks import Plan
from tests.adjust.test_plan import weir

from hubtack.adjust import Adjustment, adjust
from hubtack.adjust.checks.constants import known
from hubtack.adjust.checks.passports import sigmas
from hubtack.adjust.explained import explain
from hubtack.adjust.judged import judged
from hubtack.adjust.outcome.joint import (
    JointCovariance,
    centre_covariance,
    device_covariance,
    mark_covariance,
    point_covariance,
)
from hubtack.adjust.outcome.orientation import swings
from hubtack.adjust.outcome.scale import scale_test
from hubtack.adjust.registration.local import local_at

ROWS = np.array([0, 2])
MARKS = JointCovariance(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, 0)))


@pytest.fixture(scope="module")
def whole() -> Adjustment:
    return adjust(weir().simulated(1))


@pytest.fixture(scope="module")
def bare(whole: Adjustment) -> Adjustment:
    again: Adjustment = pickle.loads(pickle.dumps(whole))
    return again


def test_the_tables_are_all_there(whole: Adjustment, bare: Adjustment) -> None:
    assert bare.solved is None
    assert str(bare) == str(whole)
    for table in ("marks", "observations", "setups", "relative", "control", "orientations", "constants"):
        mine, theirs = getattr(bare, table).to_pandas(), getattr(whole, table).to_pandas()
        assert mine.equals(theirs), table


REFUSED: dict[str, Callable[[Adjustment], object]] = {
    "judged": judged,
    "explain": lambda a: explain(a, 0),
    "known": lambda a: known([a]),
    "sigmas": lambda a: sigmas([a]),
    "point_covariance": lambda a: point_covariance(a, ROWS, -np.ones(2, np.int64)),
    "local_at": lambda a: local_at(a, np.zeros(3)),
}
NOTHING: dict[str, Callable[[Adjustment], object]] = {
    "mark_covariance": mark_covariance,
    "centre_covariance": lambda a: centre_covariance(a, MARKS, ROWS),
    "device_covariance": lambda a: device_covariance(a, ROWS),
    "scale_test": scale_test,
}


@pytest.mark.parametrize("ask", REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_answered_is_refused(ask: Callable[[Adjustment], object], bare: Adjustment) -> None:
    with pytest.raises(ValueError, match="carries no solution"):
        ask(bare)


@pytest.mark.parametrize("ask", NOTHING.values(), ids=NOTHING)
def test_what_may_be_missing_is_none(ask: Callable[[Adjustment], object], bare: Adjustment) -> None:
    assert ask(bare) is None


def test_no_swing_is_claimed(bare: Adjustment) -> None:
    assert swings(bare) == ()


def test_printed_in_one_line(whole: Adjustment) -> None:
    """Counted by hand: 4 setups see 3, 5, 3 and 3 targets in two rounds of three readings; of the priors, 6 coordinates are
    held and each of 18 setups has 3 effects; unknowns are 4 new marks, 8 orientations and the effects."""
    assert len(whole.setups) == 4 + 14
    readings, effects = 14 * 2 * 3, 18 * 3
    freedom = readings + effects - (4 * 3 + 4 * 2 + effects)
    g = whole.global_test
    assert str(whole) == (
        f"6 marks, {len(whole.observations)} observations, {freedom} degrees of freedom; "
        f"variance factor {g.variance_factor:.2f} within {g.lower:.2f} … {g.upper:.2f}"
    )


def test_printed_where_nothing_is_checked() -> None:
    p = Plan()
    p.held("A", 0, 0, 10)
    p.mark("B", 50, 0, 12)
    p.vector(0, 1, np.eye(3) * 1e-6)
    assert str(adjust(p.simulated(1))) == "2 marks, 3 observations, 0 degrees of freedom; nothing is checked"

"""Networks too large to look at every setup: where the odd ones alone are looked at, the answer is that of looking at all."""

from __future__ import annotations

import pytest
from tests.benchmarks.catch_rate_networks import solve
from tests.benchmarks.catch_rate_plants import PLANTS, case

from hubtack.adjust import Settings
from hubtack.adjust.judge import diagnose
from hubtack.adjust.judge.diagnose import hypotheses, judge


@pytest.mark.parametrize("cause", list(PLANTS)[::3])
def test_looking_only_where_something_is_odd_finds_the_same(
    cause: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = Settings()
    found = next(c for attempt in range(12) if (c := case(cause, 7, attempt, settings)) is not None)
    solved = solve(found.planted.network, settings)
    whole = judge(solved)
    everything = len(hypotheses(solved).hypotheses)
    monkeypatch.setattr(diagnose, "MANY", 0)
    few, book = judge(solved), hypotheses(solved)
    assert len(book.hypotheses) < everything
    assert [(f.first.name, f.first.cause) for f in few] == [(f.first.name, f.first.cause) for f in whole]
    for a, b in zip(few, whole, strict=True):
        assert a.first.statistic == pytest.approx(b.first.statistic, rel=1e-6)
        assert a.probability == pytest.approx(
            b.probability, rel=0.2, abs=1e-300
        )  # what is passed over is counted

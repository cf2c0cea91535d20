"""The same independent dense solutions, with the compiled loops: every kind of network, down to those of three unknowns."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from tests.adjust.networks import adjusted
from tests.oracle.agreement import agree
from tests.oracle.cases import CASES
from tests.oracle.odd_cases import SOLVED
from tests.oracle.test_dense import SLACK
from tests.oracle.test_odd import SLACK as ODD_SLACK

from hubtack.adjust.estimate import kernels


@pytest.fixture(autouse=True)
def compiled(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(kernels, "WORTH_USING", 1)
    kernels.use(True)
    yield
    kernels.use(None)


@pytest.mark.parametrize("name", list(CASES))
def test_equal(name: str) -> None:
    plan, settings = CASES[name]()
    agree(
        adjusted(plan.simulated(sum(map(ord, name)), settings), settings), plan.truth, **SLACK.get(name, {})
    )


@pytest.mark.parametrize("name", list(SOLVED))
def test_odd_ones(name: str) -> None:
    plan, settings = SOLVED[name]()
    agree(adjusted(plan.simulated(3, settings), settings), plan.truth, **ODD_SLACK.get(name, {}))

"""The bar of a long run: not before half a second, not without a terminal, never left behind."""

from __future__ import annotations

import io
import time

import pytest
from tests.benchmarks.corridor import corridor

from hubtack.adjust import Settings, adjust
from hubtack.adjust.simulate import simulate
from hubtack.io import waiting


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_what_is_quick_shows_nothing() -> None:
    stream = Terminal()
    with waiting.waiting(stream) as tell:
        tell("read")
        tell("iteration", 2)
    assert stream.getvalue() == ""


def test_what_takes_long_shows_its_step(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(waiting, "PATIENCE", 0.01)
    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    with waiting.waiting(stream) as tell:
        tell("iteration", 2)
        end = time.monotonic() + 20.0
        while "Adjusting, iteration 2" not in stream.getvalue():
            assert time.monotonic() < end
            time.sleep(0.01)
    assert stream.getvalue().endswith("\x1b[2K") or "\x1b[1A" in stream.getvalue()  # taken away again


def test_without_a_terminal_nothing_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(waiting, "PATIENCE", 0.0)
    stream = io.StringIO()
    with waiting.waiting(stream) as tell:
        tell("read")
        time.sleep(0.02)
    assert stream.getvalue() == ""


def test_the_engine_tells_every_step_in_order() -> None:
    day = corridor(20)
    told: list[tuple[str, int]] = []
    a = adjust(
        simulate(day.network(), day.truth(), Settings(), 1),
        progress=lambda step, count: told.append((step, count)),
    )
    expected = [("readings", 0), ("start", 0)]
    expected += [("iteration", i + 1) for i in range(a.iterations)]
    assert told == [*expected, ("tables", 0)]
    shares = [waiting.told(*t)[1] for t in told]
    assert shares == sorted(shares)
    assert all(step in waiting.STEPS for step, _ in told)

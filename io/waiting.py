"""A bar on stderr, where that is a terminal, for what takes longer than half a second: which step it is, and how far."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

PATIENCE = 0.5  # s before anything is shown

# step: its words, and which share of a whole run is behind when it begins
STEPS = {
    "read": ("Reading the tables", 0.0),
    "readings": ("Reducing the readings", 0.15),
    "start": ("Finding start coordinates", 0.25),
    "iteration": ("Adjusting, iteration {}", 0.35),
    "tables": ("Precision and reliability", 0.65),
    "judge": ("Looking for causes", 0.75),
    "write": ("Writing the results", 0.9),
}
EACH = 0.06  # what one more iteration adds; ten fill the room until the tables


def told(step: str, count: int = 0) -> tuple[str, float]:
    """Words and share of a step; what is not known is told by its own name, at no share."""
    words, share = STEPS.get(step, (step, 0.0))
    if step == "iteration":
        share = min(share + EACH * (count - 1), STEPS["tables"][1])
    return words.format(count), share


@contextmanager
def waiting(stream: Any = None) -> Iterator[Callable[..., None]]:
    """Yields tell(step, count); the bar appears once patience is over, and is gone at the end."""
    stream = stream or sys.stderr
    if not stream.isatty():
        yield lambda step, count=0: None
        return
    lock, state = threading.Lock(), {"words": "", "share": 0.0}
    shown: list[tuple[Any, Any]] = []

    def show() -> None:
        with lock:
            bar = _bar(stream)
            shown.append((bar, bar.add_task(state["words"], total=1.0, completed=state["share"])))
            bar.start()

    def tell(step: str, count: int = 0) -> None:
        with lock:
            state["words"], state["share"] = told(step, count)
            for bar, task in shown:
                bar.update(task, description=state["words"], completed=state["share"])

    timer = threading.Timer(PATIENCE, show)
    timer.daemon = True
    timer.start()
    try:
        yield tell
    finally:
        timer.cancel()
        with lock:
            for bar, _ in shown:
                bar.stop()


def _bar(stream: Any) -> Any:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    return Progress(*columns, console=Console(file=stream), transient=True)

"""How a long computation tells what it is about; who listens, and how it is shown, is not the engine's business."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, int], None]
"""progress(step, count): "readings", "start", "iteration" (count: which one), "tables" begin."""


def silent(step: str, count: int) -> None:
    """Tells nobody."""

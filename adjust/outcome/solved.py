"""Moved to adjust/solved.py."""

from ..solved import (
    CENTRING,
    MARKS,
    ORIENTATIONS,
    PAIRS,
    GlobalTest,
    Solved,
    global_test,
    queries,
    sighted_pairs,
)

__all__ = ["CENTRING", "MARKS", "ORIENTATIONS", "PAIRS", "GlobalTest", "Solved", "global_test", "queries", "sighted_pairs"]

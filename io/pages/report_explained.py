"""Readings explained one by one on the report page: the worst unfold without a script, the others from data packed beside it."""

from __future__ import annotations

import zlib
from base64 import b64encode
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.io.pages.embed import json_text, visible
from hubtack.io.pages.explanation import Explanation, explanations
from hubtack.io.pages.verdict import readings_of

if TYPE_CHECKING:
    from hubtack.adjust.ground.table import Ints
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

ALL, WORST = 200, 80  # so many readings are explained all; of more, the worst
_STILL = 2  # readings that unfold without a script, where none is flagged


class Explained:
    """Explanations of readings, by their row in the table of residuals; none where the solution was not kept."""

    def __init__(self, adjustment: Adjustment, job: Job) -> None:
        self.rows: list[int] = []
        self.made: tuple[Explanation, ...] = ()
        o = adjustment.observations
        readings = readings_of(adjustment)
        if adjustment.solved is None or not len(readings):
            return
        worst = _worst_first(adjustment, readings)
        chosen = np.sort(worst[: ALL if len(readings) <= ALL else WORST])
        self.rows = chosen.tolist()
        self.made = explanations(adjustment, job, readings[chosen].tolist())
        flagged = int(o.flagged[readings].sum())
        first = worst[: min(max(_STILL, flagged), 3 * _STILL)].tolist()
        of_row = dict(zip(self.rows, self.made, strict=True))
        self.still: tuple[Explanation, ...] = tuple(of_row[r] for r in first)
        self.whole = len(readings) <= ALL

    def data(self) -> dict[str, Any] | None:
        """Rows, and their sections as JSON, deflated (zlib) and in base 64: a tenth of the size."""
        if not self.made:
            return None
        text = json_text([[_section(s) for s in e.sections] for e in self.made])
        packed = b64encode(zlib.compress(text.encode("utf-8"), 9)).decode("ascii")
        return {"rows": self.rows, "packed": packed}


def _section(s: Any) -> list[Any]:
    rows = [[r.sign, *map(visible, r.words)] for r in s.rows]
    return [visible(s.title), [visible(h) for h in s.headings], rows]


def _worst_first(a: Adjustment, readings: Ints) -> Ints:
    """Places among the readings: flagged ones, then by falling |w|."""
    o = a.observations
    order: Ints = np.lexsort((-np.abs(np.nan_to_num(o.standardized[readings])), ~o.flagged[readings]))
    return order

"""One observation explained, for programs: SI and radian, null where undefined."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.adjust.ground.table import Floats

if TYPE_CHECKING:
    from hubtack.adjust.explained import Explained
    from hubtack.adjust.results import Adjustment

_FIELDS = (
    "observed",
    "adjusted",
    "residual",
    "sigma",
    "standardized",
    "redundancy",
    "minimal_detectable_bias",
)


def observation_document(a: Adjustment, e: Explained) -> dict[str, Any]:
    """Readings, reductions, the model's steps, terms of sigma, test, and what moves."""
    t, row, path = e.table, e.row, e.trace
    return {
        "id": str(t.id[row]), "kind": str(t.kind[row]), "from": str(t.start[row]), "to": str(t.end[row]),
        "used": e.used, "flagged": bool(t.flagged[row]),
        **{name: number(getattr(t, name)[row]) for name in _FIELDS},
        "bias": number(e.bias), "bias_to_noise": number(e.noise),
        "readings": [] if path is None else [
            {"row": r.row, "face": r.face, "value": r.value, "on_face_1": r.on_face_1} for r in path.readings
        ],
        "reduced": [] if path is None else [_step(s) for s in path.reduced],
        "model": [] if path is None else [_step(s) for s in path.model],
        "terms": [{"name": x.name, "sigma": number(x.sigma), "counted": x.counted} for x in e.terms],
        "moves": moves_document(a, e.moves),
    }  # fmt: skip


def moves_document(a: Adjustment, moves: Floats) -> list[dict[str, Any]]:
    """Every mark that moves, (n_marks, 3) m."""
    return [
        {"mark": str(a.marks.mark[i])}
        | dict(zip(("east", "north", "height"), moves[i].tolist(), strict=True))
        for i in np.flatnonzero((moves != 0.0).any(axis=1)).tolist()
    ]


def number(value: float) -> float | None:
    """A number, null where it is none."""
    return float(value) if math.isfinite(value) else None


def _step(s: Any) -> dict[str, Any]:
    return {"name": s.name, "amount": number(s.amount), "value": number(s.value)}

"""A plan for programs: the shape of result.json, null where only readings could tell, and what the plan adds to it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from hubtack.adjust.planning.goals import figures, meets
from hubtack.adjust.planning.separate import separability
from hubtack.io.pages.orientation import orientation_records
from hubtack.io.writers.result import result_document

if TYPE_CHECKING:
    from hubtack.adjust.planning.budget import Budget
    from hubtack.adjust.planning.changes import Change
    from hubtack.adjust.planning.equipment import Equipment
    from hubtack.adjust.planning.goals import Figures, Tolerance
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job


def plan_document(
    a: Adjustment,
    job: Job,
    tolerance: Tolerance,
    budget: Budget | None,
    changes: Sequence[Change],
    equipment: Sequence[Equipment],
) -> dict[str, Any]:
    """result.json's document of a prediction, with `plan`: figures, tolerance, budget, swings, changes, equipment,
    heights alike."""
    document = result_document(a, job)
    document["global_test"] = document["global_test"] | {"variance_factor": None, "passed": None}
    document["iterations"] = None
    apart = separability(a.solved) if a.solved is not None else None
    names = a.network.setups.setup
    document["plan"] = {
        "figures": _figures(figures(a), a),
        "tolerance": {
            "position": tolerance.position,
            "height": tolerance.height,
            "relative": list(tolerance.relative or ()) or None,
        },
        "meets": meets(a, tolerance) if tolerance else None,
        "budget": _budget(budget, a),
        "swings": orientation_records(a),
        "changes": [
            {
                "kind": c.kind,
                "role": c.role,
                "about": list(c.about),
                "minutes": c.minutes,
                "meets": c.meets if tolerance else None,
            }
            | _figures(c.figures, a)
            for c in changes
        ],
        "equipment": [
            {
                "support": e.name or None,
                "role": e.role,
                "words": e.words,
                "meets": e.meets if tolerance else None,
            }
            | _figures(e.figures, a)
            | {"budget": _budget(e.budget, a)}
            for e in equipment
        ],
        "heights": [
            {"setup": str(names[s]), "rival": str(names[r]) if r >= 0 else None, "correlation": float(c)}
            for s, r, c in zip(
                apart.setup.tolist(), apart.rival.tolist(), apart.correlation.tolist(), strict=True
            )
        ]
        if apart is not None
        else None,
    }
    return document


def _figures(f: Figures, a: Adjustment) -> dict[str, Any]:
    out: dict[str, Any] = {
        k: _number(v) if isinstance(v, float) else v for k, v in dataclasses.asdict(f).items()
    }
    for key in ("position_mark", "height_mark"):
        out[key] = str(a.marks.mark[out[key]]) if out[key] >= 0 else None
    pair = out.pop("relative_pair")
    out["relative_from"] = str(a.relative.start[pair]) if 0 <= pair < len(a.relative) else None
    out["relative_to"] = str(a.relative.end[pair]) if 0 <= pair < len(a.relative) else None
    return out


def _budget(budget: Budget | None, a: Adjustment) -> dict[str, Any] | None:
    if budget is None:
        return None
    return {
        "mark": str(a.marks.mark[budget.mark]),
        "covariance": budget.total.tolist(),
        "sources": [
            {"source": s, "covariance": p.tolist(), "position_share": _number(x), "height_share": _number(y)}
            for s, p, x, y in zip(
                budget.sources, budget.parts, budget.plan_shares(), budget.height_shares(), strict=True
            )
        ],
    }


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None

"""A registration for programs: SI and radian, null where undefined."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.adjust.registration.rigid import quaternion

if TYPE_CHECKING:
    from hubtack.adjust.ground.table import Floats
    from hubtack.adjust.registration.causes import Cause
    from hubtack.adjust.registration.fit import Fit
    from hubtack.adjust.registration.predict import Errors
    from hubtack.io.pages.register_report import Report


def register_document(r: Report) -> dict[str, Any]:
    """What `hubtack register --json` prints."""
    from hubtack.io.pages.register_report import WAYS

    result, p = r.result, r.result.prediction
    corners = [f"corner {w}" for w in WAYS]
    return {
        "format": 1,
        "job": r.job.name,
        "good": r.good,
        "confidence": result.confidence,
        "tolerance": r.tolerance,
        "levelled": p.levelled,
        "origin": r.result.local.origin.tolist(),
        "grid_factor": r.result.local.factor,
        "bend": r.result.bend,
        "cofactor": p.cofactor.tolist(),
        "degrees_of_freedom": p.degrees_of_freedom,
        "scale_sigma": p.scale_sigma(),
        "narrow": p.narrow,
        "targets": _targets(r),
        "errors": [
            *_errors(["middle"], result.middle, result.local.origin[None]),
            *_errors(corners, result.corners, result.asked[:8]),
            *_errors(list(r.names), result.points, result.asked[8:]),
        ],
        "equal_weights": _errors(corners, result.equal, result.asked[:8]),
        "more": _more(r),
        "fit": None if result.fit is None else _fit(result.fit),
        "causes": [] if result.explained is None else [_cause(c, r) for c in result.explained.causes],
        "told": None if result.explained is None else result.explained.told,
        "checks": _checks(r),
    }


def _targets(r: Report) -> list[dict[str, Any]]:
    t, u, f = r.result.prediction.targets, r.result.unseen, r.result.fit
    marks = r.adjustment.marks.mark
    rows = []
    for i in range(len(t)):
        at = slice(3 * i, 3 * i + 3)
        row = {
            "target": str(t.name[i]), "mark": str(marks[t.mark[i]]), "kind": str(t.kind[i]),
            "centre": t.centre[i].tolist(), "covariance": t.covariance[at, at].tolist(),
            "scanner_sigma": float(t.scan_sigma[i]), "minimal_detectable_error": _finite(u.detectable[i]),
            "effect_unseen": _finite(u.effect[i]),
        }  # fmt: skip
        if f is not None:
            row |= {
                "residual": f.residual[i].tolist(), "statistic": float(f.statistic[i]), "freedom": int(f.freedom[i]),
                "flagged": bool(f.flagged[i]),
            }  # fmt: skip
        rows.append(row)
    return rows


def _errors(names: list[str], e: Errors, at: Floats) -> list[dict[str, Any]]:
    return [
        {
            "point": name, "east": float(at[i, 0]), "north": float(at[i, 1]), "height": float(at[i, 2]),
            "covariance": e.covariance[i].tolist(), "plan": float(e.plan[i]), "height_error": float(e.height[i]),
            "spatial": float(e.spatial[i]), "outside": float(e.beyond[i]),
        }
        for i, name in enumerate(names)
    ]  # fmt: skip


def _more(r: Report) -> list[dict[str, Any]]:
    more = r.result.more
    if more is None:
        return []
    marks = r.adjustment.marks.mark
    return [
        {
            "mark": str(more.places.name[i]) or None, "error_of": str(marks[more.places.mark[i]]),
            "point": more.places.point[i].tolist(), "worst": float(more.worst[i]), "before": more.before,
        }
        for i in range(min(30, len(more.worst)))
    ]  # fmt: skip


def _fit(f: Fit) -> dict[str, Any]:
    g = f.global_test
    return {
        "rotation": f.rotation.tolist(),
        "quaternion": quaternion(f.rotation).tolist(),
        "shift": f.shift.tolist(),
        "covariance": f.covariance_at_origin().tolist(),
        "global_test": {
            "variance_factor": g.variance_factor, "lower": g.lower, "upper": g.upper, "passed": g.passed
        },
        "scale": f.scale,
        "scale_sigma": f.scale_sigma,
        "scale_flagged": f.scale_flagged,
        "iterations": f.iterations,
    }  # fmt: skip


def _cause(c: Cause, r: Report) -> dict[str, Any]:
    from hubtack.io.pages.register_causes import words_of

    t = r.result.prediction.targets
    return {
        "cause": c.cause, "targets": [str(t.name[i]) for i in c.targets], "size": [_finite(v) for v in c.size],
        "statistic": c.statistic, "freedom": c.freedom, "probability": c.probability, "text": words_of(c, r),
    }  # fmt: skip


def _checks(r: Report) -> list[dict[str, Any]]:
    c = r.result.checks
    if c is None:
        return []
    return [
        {
            "target": str(c.targets.name[i]), "difference": c.difference[i].tolist(),
            "covariance": c.covariance[i].tolist(), "statistic": float(c.statistic[i]),
            "probability": float(c.probability[i]), "flagged": bool(c.flagged[i]),
        }
        for i in range(len(c.targets))
    ]  # fmt: skip


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None

"""result.json: all that came out, for programs. SI and radians, null where undefined, full double
precision."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from hubtack.adjust.ground.table import Table
from hubtack.io.about import version
from hubtack.io.findings import record as finding_record
from hubtack.io.pages.verdict import fails

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.adjust.settings import Settings
    from hubtack.adjust.trouble import Trouble
    from hubtack.io.job import Job

FORMAT = 1
_RENAMED = {"start": "from", "end": "to"}
_INNER = {"start_mark", "end_mark", "start_setup", "end_setup", "setup_row", "quantity"}  # not for readers


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write result.json into `folder`, with the names of all that was written there before it."""
    from . import WRITERS

    there = {p.name for p in folder.iterdir()} | {"result.json"}
    names = [n for n in WRITERS if n in there] + sorted(there - set(WRITERS))
    document = result_document(adjustment, job) | {"written": names}
    (folder / "result.json").write_text(as_text(document), encoding="utf-8", newline="\n")


def as_text(document: dict[str, Any]) -> str:
    """JSON with one record a line: quick to write, and two results can be compared line by line."""
    parts = []
    for key, value in document.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            text = "[\n  " + ",\n  ".join(_dump(item) for item in value) + "\n ]"
        else:
            text = _dump(value)
        parts.append(f" {_dump(key)}: {text}")
    return "{\n" + ",\n".join(parts) + "\n}\n"


def result_document(adjustment: Adjustment, job: Job) -> dict[str, Any]:
    """The result as plain lists and dicts in SI and radians, None where undefined, in an order that is
    fixed."""
    a, settings = adjustment, adjustment.settings
    quantities = a.constants.quantity.tolist()
    return {
        "format": FORMAT,
        "version": version(),
        "job": job.name,
        "flagged": fails(a),
        "iterations": a.iterations,
        "degrees_of_freedom": a.degrees_of_freedom,
        "reference_height": _number(a.reference_height),
        "global_test": {
            "variance_factor": _number(a.global_test.variance_factor),
            "lower": _number(a.global_test.lower),
            "upper": _number(a.global_test.upper),
            "passed": bool(a.global_test.passed),
        },
        "critical": {
            "standardized": _number(a.critical),
            "standardized_centring": _number(a.critical_centring),
            "ellipse_factor": _number(a.ellipse_factor),
        },
        "datum": {"free": list(a.datum), "marks": list(a.datum_marks)},
        "marks": [_with_ellipse(r, settings.confidence) for r in records(a.marks)],
        "relative": [_with_ellipse(r, settings.confidence) for r in records(a.relative)],
        "observations": records(a.observations),
        "left_out": records(a.left_out),
        "setups": _setups(adjustment),
        "control": records(a.control),
        "orientations": records(a.orientations),
        "constants": [r | {"quantity": q} for r, q in zip(records(a.constants), quantities, strict=True)],
        "components": [] if a.components is None else records(a.components),
        "findings": [finding_record(f, job) for f in a.findings],
        "remarks": [_plain(t) for t in (*job.remarks, *a.remarks)],
        "decisions": [dataclasses.asdict(d) for d in job.decisions],
        "settings": {k: v for k, v in _plain(settings).items() if k not in ("chart", "gravity")},
        "units": {"length": job.units.length, "angle": job.units.angle},
        "files": dict(job.files),
    } | _on_earth(a, job)


def _on_earth(a: Adjustment, job: Job) -> dict[str, Any]:
    """What is said of the earth, where the job states a system."""
    if job.site is None:
        return {}
    from hubtack.io.pages.grid import grid_document

    return {"earth": grid_document(a, job)}


def _setups(adjustment: Adjustment) -> list[dict[str, Any]]:
    net = adjustment.network
    found = records(adjustment.setups)
    out = []
    for i, record in enumerate(found):
        support = int(net.setups.support[i])
        head = {
            "setup": record.pop("setup"),
            "role": "instrument" if net.setups.instrument[i] else "target",
            "mark": str(net.marks.mark[net.setups.mark[i]]),
            "support": str(net.supports.support[support]),
            "height_kind": str(net.supports.height_kind[support]),
            "height": _number(float(net.setups.height[i])),
        }
        out.append(head | record)
    return out


def _with_ellipse(record: dict[str, Any], confidence: float) -> dict[str, Any]:
    """The three columns of an ellipse put together, with the confidence they stand for."""
    ellipse = {
        "semi_major": record.pop("semi_major"),
        "semi_minor": record.pop("semi_minor"),
        "azimuth": record.pop("ellipse_azimuth"),
        "confidence": confidence,
    }
    return record | {"ellipse": ellipse}


def _plain(value: Settings | Trouble) -> dict[str, Any]:
    return {
        f.name: list(v) if isinstance(v := getattr(value, f.name), tuple) else v
        for f in dataclasses.fields(value)
    }


def records(table: Table) -> list[dict[str, Any]]:
    """Rows of a table as dicts, None for NaN; columns in the order in which the table declares them."""
    names, lists = [], []
    for c in table.columns():
        if c.name in _INNER:
            continue
        array = getattr(table, c.name)
        names.append(_RENAMED.get(c.name, c.name))
        if c.quantity == "names":
            lists.append([list(item) for item in array])
        elif array.dtype == np.float64 and not np.isfinite(array).all():
            lists.append(_without_nan(array.tolist()))
        else:
            lists.append(array.tolist())
    return [dict(zip(names, row, strict=True)) for row in zip(*lists, strict=True)]


def _without_nan(value: Any) -> Any:
    if isinstance(value, list):
        return [_without_nan(v) for v in value]
    return _number(value)


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False)  # one for all: dumps would make one a record


def _dump(value: Any) -> str:
    return _ENCODER.encode(value)

"""result.json: all that came out, for programs. SI and radians, null where undefined, full double
precision."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hubtack.adjust.ground.table import Floats, Table
from hubtack.io.about import version
from hubtack.io.findings import record as finding_record
from hubtack.io.pages.verdict import fails

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.adjust.settings import Settings
    from hubtack.adjust.trouble import Trouble
    from hubtack.io.job import Job

FORMAT = 1
FILE, _END = "result.json", "\n}\n"
_RENAMED = {"start": "from", "end": "to"}
_INNER = {"start_mark", "end_mark", "start_setup", "end_setup", "setup_row", "quantity"}  # not for readers


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write result.json into `folder`, with the names of all that was written there before it."""
    begin(adjustment, job, folder)
    finish(folder)


def begin(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write result.json up to the names of the files, which `finish` adds."""
    with (folder / FILE).open("w", encoding="utf-8", newline="\n") as file:
        # a large result never stands in memory as a whole
        file.writelines(pieces(document_of(adjustment, job), closed=False))


def finish(folder: Path) -> None:
    """Add the names of all that stands in `folder`."""
    from . import WRITERS

    there = {p.name for p in folder.iterdir()}
    names = [n for n in WRITERS if n in there] + sorted(there - set(WRITERS))
    with (folder / FILE).open("a", encoding="utf-8", newline="\n") as file:
        file.write(f',\n "written": {_dump(names)}{_END}')


def as_text(document: dict[str, Any]) -> str:
    """JSON with one record a line: quick to write, and two results can be compared line by line."""
    return "".join(pieces(document))


def pieces(document: dict[str, Any], closed: bool = True) -> Iterator[str]:
    """The text of a document, bit by bit, with or without its end."""
    before = "{\n"
    for key, value in document.items():
        yield f"{before} {_dump(key)}: "
        before = ",\n"
        if isinstance(value, Records) or (isinstance(value, list) and value and isinstance(value[0], dict)):
            lines = iter(value) if isinstance(value, Records) else map(_dump, value)
            opened = False
            for line in lines:
                yield f",\n  {line}" if opened else f"[\n  {line}"
                opened = True
            yield "\n ]" if opened else "[]"
        else:
            yield _dump(value)
    if closed:
        yield _END


class Records:
    """Rows of a table as JSON, one text a row, made column by column: {name: its cells as JSON}, in order."""

    def __init__(self, columns: dict[str, list[str]]) -> None:
        self._columns = columns

    def __iter__(self) -> Iterator[str]:
        row = "{" + ", ".join(f"{_dump(name)}: ".replace("%", "%%") + "%s" for name in self._columns) + "}"
        return (row % cells for cells in zip(*self._columns.values(), strict=True))


def result_document(adjustment: Adjustment, job: Job) -> dict[str, Any]:
    """The result as plain lists and dicts in SI and radians, None where undefined, in an order that is
    fixed."""
    plain: dict[str, Any] = json.loads(as_text(document_of(adjustment, job)))
    return plain


def document_of(adjustment: Adjustment, job: Job) -> dict[str, Any]:
    """As `result_document`, its tables as Records: what is written need not be made twice."""
    a, settings = adjustment, adjustment.settings
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
        "marks": Records(_with_ellipse(_cells(a.marks), settings.confidence)),
        "relative": Records(_with_ellipse(_cells(a.relative), settings.confidence)),
        "observations": Records(_cells(a.observations)),
        "left_out": Records(_cells(a.left_out)),
        "setups": Records(_setups(adjustment)),
        "control": Records(_cells(a.control)),
        "orientations": Records(_cells(a.orientations)),
        "constants": Records(_cells(a.constants) | {"quantity": _texts(a.constants.quantity)}),
        "components": [] if a.components is None else Records(_cells(a.components)),
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


def _setups(adjustment: Adjustment) -> dict[str, list[str]]:
    net = adjustment.network
    cells = _cells(adjustment.setups)
    role = np.where(net.setups.instrument, "instrument", "target")
    head = {
        "setup": cells.pop("setup"),
        "role": _texts(role),
        "mark": _texts(net.marks.mark[net.setups.mark]),
        "support": _texts(net.supports.support[net.setups.support]),
        "height_kind": _texts(net.supports.height_kind[net.setups.support]),
        "height": _numbers(net.setups.height),
    }
    return head | cells


def _with_ellipse(cells: dict[str, list[str]], confidence: float) -> dict[str, list[str]]:
    """The three columns of an ellipse put together, with the confidence they stand for."""
    three = (cells.pop("semi_major"), cells.pop("semi_minor"), cells.pop("ellipse_azimuth"))
    tail = f', "confidence": {_dump(confidence)}}}'
    ellipse = [
        f'{{"semi_major": {a}, "semi_minor": {b}, "azimuth": {c}{tail}'
        for a, b, c in zip(*three, strict=True)
    ]
    return cells | {"ellipse": ellipse}


def _plain(value: Settings | Trouble) -> dict[str, Any]:
    return {
        f.name: list(v) if isinstance(v := getattr(value, f.name), tuple) else v
        for f in dataclasses.fields(value)
    }


def records(table: Table) -> list[dict[str, Any]]:
    """Rows of a table as dicts, None for NaN; columns in the order in which the table declares them."""
    return [json.loads(line) for line in Records(_cells(table))]


def _cells(table: Table) -> dict[str, list[str]]:
    """Columns of a table as JSON, by the names they have in the result, in the order in which the table declares them."""
    out: dict[str, list[str]] = {}
    for c in table.columns():
        if c.name in _INNER:
            continue
        array = getattr(table, c.name)
        if c.quantity == "names":
            cells = [f"[{', '.join(map(_quoted, item))}]" if item else "[]" for item in array.tolist()]
        elif array.dtype == object:
            cells = _texts(array)
        elif array.dtype == np.float64:
            cells = _numbers(array)
        elif array.dtype == np.bool_:
            cells = np.where(array, "true", "false").tolist()
        else:
            cells = list(map(int.__repr__, array.tolist()))
        out[_RENAMED.get(c.name, c.name)] = cells
    return out


def _texts(values: NDArray[Any]) -> list[str]:
    """Names and words; the same ones are met again and again."""
    met: dict[Any, str] = {}
    return [met.get(v) or met.setdefault(v, _quoted(v)) for v in values.tolist()]


def _numbers(values: Floats) -> list[str]:
    """Floats, or rows of them; null where undefined."""
    if values.ndim > 1:
        finite = np.isfinite(values).all()
        return [_dump(v if finite else _without_nan(v)) for v in values.tolist()]
    cells = list(map(float.__repr__, values.tolist()))  # as the encoder writes them
    for i in np.flatnonzero(~np.isfinite(values)).tolist():
        cells[i] = "null"
    return cells


def _without_nan(value: Any) -> Any:
    if isinstance(value, list):
        return [_without_nan(v) for v in value]
    return _number(value)


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False)  # one for all: dumps would make one a record


_quoted = json.encoder.encode_basestring  # as the encoder writes a text


def _dump(value: Any) -> str:
    return _ENCODER.encode(value)

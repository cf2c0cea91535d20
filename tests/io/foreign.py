"""The sample networks as other people would hand them over: flat field books, workbooks, LandXML without our Features."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import xlsxwriter

from hubtack.adjust import adjust
from hubtack.io.job import read_job

SAMPLES = Path(__file__).parents[2] / "sample_networks"
NAMES = ("braced-traverse", "by-hand", "free-stations")

# the headers of an invented crew
HEADERS = {
    "id": "Nr", "from_mark": "Stn", "from_support": "Stn on", "from_device": "Inst", "hi": "HI [m]",
    "from_base": "Stn base", "from_height_base": "Stn hbase", "to_mark": "Pt", "to_support": "Pt on",
    "to_device": "Prism", "ht": "HT [m]", "to_base": "Pt base", "to_height_base": "Pt hbase", "round": "Set",
    "face": "F", "circle": "Hz [dms]", "zenith": "V [dms]", "slope": "SD [m]", "time": "Time", "note": "Remark",
}  # fmt: skip
NAMED = {"from_setup": "Stn setup", "to_setup": "Pt setup"}


def table(name: str, which: str) -> list[dict[str, str]]:
    """The rows of a table of a sample."""
    path = SAMPLES / name / f"{which}.csv"
    if not path.exists():
        return []
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def flat_rows(name: str) -> list[dict[str, str]]:
    """A sample's sights, each with all that is known of its two setups, under the keys of [columns]."""
    setups = {s["setup"]: s for s in table(name, "setups")}
    rows = []
    for sight in table(name, "sights"):
        start, end = setups[sight["from"]], setups[sight["to"]]
        row = {"id": sight["id"], "from_setup": sight["from"], "to_setup": sight["to"]}
        for side, setup, height in (("from", start, "hi"), ("to", end, "ht")):
            row |= {f"{side}_{c}": setup[c] for c in ("mark", "support", "device", "base", "height_base")}
            row[height] = setup["height"]
        row |= {c: sight[c] for c in ("round", "face", "circle", "zenith", "slope", "time", "note")}
        rows.append(row)
    return rows


def flat_job(
    name: str,
    folder: Path,
    *,
    headers: dict[str, str] | None = None,
    separator: str = ",",
    comma: bool = False,
    encoding: str = "utf-8",
    end: str = "\n",
    extra: str = "",
    rows: list[dict[str, str]] | None = None,
) -> Path:
    """A sample as a job with a flat field book; `headers` maps keys to headers (without NAMED setups are inferred)."""
    headers = HEADERS | NAMED if headers is None else headers
    folder.mkdir(parents=True)
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator=end)
    writer.writerow(headers.values())
    for row in flat_rows(name) if rows is None else rows:
        cells = {k: row.get(k, "") for k in headers}
        if comma:
            for key in ("hi", "ht", "circle", "zenith", "slope"):
                cells[key] = cells[key].replace(".", ",")
        writer.writerow(cells.values())
    (folder / "book.csv").write_bytes(out.getvalue().encode(encoding))
    text = (SAMPLES / name / "job.toml").read_text(encoding="utf-8")
    (folder / "job.toml").write_text(text + columns_of(headers) + extra, encoding="utf-8")
    for which in ("marks", "reduced"):
        if (SAMPLES / name / f"{which}.csv").exists():
            shutil.copy(SAMPLES / name / f"{which}.csv", folder)
    return folder


def columns_of(headers: dict[str, str], file: str = "book.csv") -> str:
    """[columns] that names these headers."""
    return f'\n[columns]\nfile = "{file}"\n' + "".join(f'{k} = "{h}"\n' for k, h in headers.items())


def workbook(name: str, path: Path, *, numbers: bool = True, spoil: Any = None) -> Path:
    """A sample as a workbook, cells that look like numbers as numbers; `spoil(book, sheets)` may write more."""
    book = xlsxwriter.Workbook(str(path))
    sheets = {"job": book.add_worksheet("job")}
    for i, line in enumerate((SAMPLES / name / "job.toml").read_text(encoding="utf-8").splitlines()):
        sheets["job"].write_string(i, 0, line)
    for which in ("marks", "setups", "sights", "reduced"):
        rows = table(name, which)
        if not rows:
            continue
        sheet = sheets[which] = book.add_worksheet(which)
        sheet.write_row(0, 0, list(rows[0]))
        for i, row in enumerate(rows, 1):
            for j, cell in enumerate(row.values()):
                if numbers and _is_number(cell):
                    sheet.write_number(i, j, float(cell))
                elif cell:
                    sheet.write_string(i, j, cell)
    if spoil:
        spoil(book, sheets)
    book.close()
    return path


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def coordinates(job: Path) -> dict[str, np.ndarray]:
    """The adjusted east, north, height of each mark."""
    read = read_job(job)
    marks = adjust(read.network, read.settings).marks
    return {
        str(m): np.array([e, n, h])
        for m, e, n, h in zip(marks.mark, marks.east, marks.north, marks.height, strict=True)
    }


def apart(a: dict[str, np.ndarray], b: dict[str, np.ndarray]) -> float:
    """The largest difference of a coordinate, m; the same marks, and the same components left blank."""
    assert list(a) == list(b)
    assert all((np.isnan(a[m]) == np.isnan(b[m])).all() for m in a)
    return max(float(np.nanmax(np.abs(a[m] - b[m]))) for m in a)

"""Workbook, layout list and scan control, read back and compared with result.json and with geometry done anew."""

from __future__ import annotations

import csv
import dataclasses
import math
import zipfile
from pathlib import Path

import numpy as np
import pytest
from lxml import etree
from python_calamine import CalamineWorkbook

from hubtack.adjust import adjust
from hubtack.adjust.outcome.joint import device_covariance
from hubtack.adjust.settings import Settings
from hubtack.io.units import Units
from hubtack.io.writers import coordinates, layout, residuals, scan_control, setups, workbook
from hubtack.io.writers.atomic import Refused

from .delivered import METRES, ODD, delivered, dense_cofactor, numbers
from .made_up import made_up

CASES = [
    ("braced-traverse", Units()),
    ("odd", Units("ft", "gon")),
    ("free-stations", Units("us-ft", "deg")),
    ("by-hand", Units()),
]


@pytest.fixture(params=CASES, ids=lambda c: f"{c[0]} {c[1].length}", scope="module")
def case(request):
    adjustment, job = delivered(*request.param)
    return adjustment, job, numbers(adjustment, job), METRES[job.units.length]


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def column(rows, start):
    """The one column whose heading starts so."""
    (name,) = [k for k in rows[0] if k.startswith(start)]
    return [r[name] for r in rows]


def bare(name: str) -> str:
    """A name without the apostrophe that guards it in a CSV file."""
    return name[1:] if name[:1] == "'" and name[1:2] in "=+-@" else name


# -- workbook ---------------------------------------------------------------------------------------------------------


def test_workbook_holds_the_sheets_and_the_numbers(case, tmp_path):
    adjustment, job, result, metres = case
    workbook.write(adjustment, job, tmp_path)
    book = CalamineWorkbook.from_path(tmp_path / "results.xlsx")
    assert book.sheet_names == ["summary", "coordinates", "residuals", "setups"]
    rows = book.get_sheet_by_name("coordinates").to_python()
    heading, rows = rows[0], rows[1 : 1 + len(result["marks"])]
    assert [r[0] for r in rows] == [m["mark"] for m in result["marks"]]  # text as it is, no apostrophe
    for name, key, scale, half in (
        ("east", "east", metres, 0.5e-4),
        ("north", "north", metres, 0.5e-4),
        ("height [", "height", metres, 0.5e-4),
        ("sigma east", "sigma_east", metres / 1000, 0.005),
        ("sigma height", "sigma_height", metres / 1000, 0.005),
    ):
        (at,) = [i for i, h in enumerate(heading) if h.startswith(name)]
        for row, mark in zip(rows, result["marks"], strict=True):
            if mark[key] is None:
                assert row[at] == ""
            else:
                assert isinstance(row[at], float)
                assert row[at] == pytest.approx(mark[key] / scale, abs=half * 1.0001)
    assert len(book.get_sheet_by_name("setups").to_python()) >= len(result["setups"]) + 1
    summary = [c for r in book.get_sheet_by_name("summary").to_python() for c in r if c]
    assert summary[0] == job.name


@pytest.mark.parametrize("module", [coordinates, residuals, setups])
def test_workbook_says_what_the_csv_says(case, module, tmp_path):
    adjustment, job, *_ = case
    workbook.write(adjustment, job, tmp_path)
    sheet = module.sheet(adjustment, job)
    book = CalamineWorkbook.from_path(tmp_path / "results.xlsx")
    rows = book.get_sheet_by_name(module.__name__.rpartition(".")[2]).to_python()
    assert rows[0] == [str(h) for h in sheet.headings]
    for wanted, found in zip(sheet.rows, rows[1:], strict=False):
        for text, cell in zip(wanted, found, strict=True):
            assert cell == text or (isinstance(cell, float) and float(text) == cell)


def test_workbook_has_frozen_panes_number_formats_and_no_formula(case, tmp_path):
    adjustment, job, *_ = case
    workbook.write(adjustment, job, tmp_path)
    space = {"x": "http://schemas.openxmlformats.org/spreadsheetml/2006/main"}
    with zipfile.ZipFile(tmp_path / "results.xlsx") as book:
        sheets = [etree.fromstring(book.read(f"xl/worksheets/sheet{n}.xml")) for n in range(1, 5)]
        styles = etree.fromstring(book.read("xl/styles.xml"))
        assert not [n for n in book.namelist() if "externalLink" in n or "vba" in n.lower()]
    formats = {int(f.get("numFmtId")): f.get("formatCode") for f in styles.findall(".//x:numFmt", space)}
    looks = [int(x.get("numFmtId")) for x in styles.findall("x:cellXfs/x:xf", space)]
    for sheet in sheets:
        assert sheet.findall(".//x:f", space) == []
        assert sheet.findall(".//x:hyperlink", space) == []
        (pane,) = sheet.findall(".//x:pane", space)
        assert pane.get("state") == "frozen"
    # The decimals of a coordinate are those of coordinates.csv, tied to the smallest sigma.
    text = next(t for row in coordinates.sheet(adjustment, job).rows for t in row[1:4] if t)
    decimals = len(text.partition(".")[2])
    shown = {
        formats.get(looks[int(c.get("s"))])
        for c in sheets[1].findall(".//x:c", space)
        if c.get("r")[0] == "B"
    }
    assert f"0.{'0' * decimals}" in shown


def test_workbook_marks_rejected_rows_with_more_than_colour(tmp_path):
    adjustment, job = made_up()
    workbook.write(adjustment, job, tmp_path)
    rows = CalamineWorkbook.from_path(tmp_path / "results.xlsx").get_sheet_by_name("residuals").to_python()
    verdicts = [r[rows[0].index("verdict")] for r in rows[1:]]
    assert verdicts.count("flagged") == int(adjustment.observations.flagged.sum()) > 0


def test_workbook_refuses_what_a_sheet_cannot_hold(tmp_path, monkeypatch):
    adjustment, job = delivered("braced-traverse")
    monkeypatch.setattr(workbook, "MOST_ROWS", 100)
    with pytest.raises(Refused, match="rows of residuals are more than a sheet holds"):
        workbook.write(adjustment, job, tmp_path)


# -- layout -----------------------------------------------------------------------------------------------------------


def test_layout_marks_say_what_each_is_good_for(case, tmp_path):
    adjustment, job, result, metres = case
    layout.write(adjustment, job, tmp_path)
    rows = read(tmp_path / "layout_marks.csv")
    assert [bare(r["mark"]) for r in rows] == [m["mark"] for m in result["marks"]]
    for row, mark in zip(rows, result["marks"], strict=True):
        for word, key in (("position", "east"), ("elevation", "height")):
            if mark[key] is None:
                assert row[word] == "none"
            elif mark["unchecked"]:
                assert row[word] == "do not use"
        if mark["unchecked"]:
            assert row["note"].startswith("unchecked")
        east = column([row], "east")[0]
        assert (east == "") == (mark["east"] is None)
        if east:
            assert float(east) == pytest.approx(mark["east"] / metres, abs=0.51e-4)
    words = [r[w] for r in rows for w in ("position", "elevation")]
    assert "use" in words


def test_layout_rejects_what_a_test_rejects(tmp_path):
    adjustment, job = delivered("braced-traverse")
    on = adjustment.network.setups.mark
    row = int(np.flatnonzero(adjustment.marks.mark[on] == "Y8")[0])
    s = adjustment.setups
    here = np.arange(len(s)) == row
    wrong = dataclasses.replace(
        adjustment,
        setups=s.replace(flagged=here, standardized_height=np.where(here, 9.0, s.standardized_height)),
    )
    layout.write(wrong, job, tmp_path)
    (found,) = [r for r in read(tmp_path / "layout_marks.csv") if r["mark"] == "Y8"]
    assert (found["position"], found["elevation"]) == ("use", "do not use")
    assert "test rejects" in found["note"]


def test_layout_names_flagged_readings_and_a_failed_global_test(tmp_path):
    adjustment, job = made_up()
    failed = dataclasses.replace(adjustment.global_test, passed=False)
    layout.write(dataclasses.replace(adjustment, global_test=failed), job, tmp_path)
    rows = {bare(r["mark"]): r["note"] for r in read(tmp_path / "layout_marks.csv")}
    o = adjustment.observations
    assert o.flagged.any()
    for k in np.flatnonzero(o.flagged):
        for mark in (o.start_mark[k], o.end_mark[k]):
            assert o.id[k] in rows[adjustment.marks.mark[mark]]
    assert all("global test fails" in note for note in rows.values())


def test_layout_checks_are_distances_between_usable_marks(case, tmp_path):
    """Slope and ground distance by another road: from points on a sphere in space."""
    adjustment, job, result, metres = case
    layout.write(adjustment, job, tmp_path)
    rows = read(tmp_path / "layout_checks.csv")
    marks = {m["mark"]: m for m in result["marks"]}
    radius, h0 = adjustment.settings.radius, result["reference_height"]
    assert rows
    seen = set()
    for row in rows:
        a, b = marks[bare(row["from"])], marks[bare(row["to"])]
        assert not a["unchecked"]
        assert not b["unchecked"]
        assert (a["mark"], b["mark"]) not in seen
        seen |= {(a["mark"], b["mark"]), (b["mark"], a["mark"])}
        grid = math.dist((a["east"], a["north"]), (b["east"], b["north"]))
        assert float(column([row], "distance on the grid")[0]) * metres == pytest.approx(grid, abs=0.6e-4)
        slope = column([row], "slope distance")[0]
        if a["height"] is None or b["height"] is None:
            assert slope == ""
            continue
        theta = grid / (radius + h0)  # scale factor 1 in these jobs
        one = (0.0, radius + a["height"])
        other = ((radius + b["height"]) * math.sin(theta), (radius + b["height"]) * math.cos(theta))
        assert float(slope) * metres == pytest.approx(math.dist(one, other), abs=0.6e-4)
        level = theta * (radius + (a["height"] + b["height"]) / 2)
        assert float(column([row], "distance on the ground")[0]) * metres == pytest.approx(level, abs=0.6e-4)


def test_layout_sigma_of_a_distance_is_the_tables_where_it_has_one(tmp_path):
    adjustment, job = delivered("braced-traverse")
    layout.write(adjustment, job, tmp_path)
    known = {
        frozenset((r["from"], r["to"])): r["sigma_distance"]
        for r in numbers(adjustment, job)["relative"]
        if r["sigma_distance"] is not None
    }
    compared = 0
    for row in read(tmp_path / "layout_checks.csv"):
        text = column([row], "distance good to")[0]
        assert text
        if frozenset((row["from"], row["to"])) in known:
            compared += 1
            wanted = 1.959964 * 1000 * known[frozenset((row["from"], row["to"]))]
            assert float(text) == pytest.approx(wanted, abs=0.00501)
    assert compared > 5


def test_ground_distance_honours_the_scale_factor():
    """1000 m on a grid with scale factor 0.9996, all at the reference height, are 1000.400 m on the ground."""
    adjustment, _ = made_up(3)
    adjustment = dataclasses.replace(
        adjustment,
        settings=Settings(scale_factor=0.9996),
        reference_height=100.0,
        marks=adjustment.marks.replace(
            east=[0.0, 1000.0, 0.0], north=[0.0, 0.0, 50.0], height=[100.0, 100.0, 100.0]
        ),
    )
    grid, ground, slope, rise = layout.inverse(adjustment, 0, 1)
    assert (grid, rise) == (1000.0, 0.0)
    assert ground == pytest.approx(1000.0 / 0.9996, abs=1e-9)
    high = dataclasses.replace(adjustment, marks=adjustment.marks.replace(height=[500.0, 700.0, 100.0]))
    # 500 m above the reference height on average: 78 mm in a kilometre
    assert layout.inverse(high, 0, 1)[1] - ground == pytest.approx(1000.4 * 500 / 6_371_100, abs=1e-6)
    assert ground - slope == pytest.approx(ground**3 / 24 / (6_371_100.0**2), rel=1e-3)  # arc less chord


# -- scan control -----------------------------------------------------------------------------------------------------


def test_scan_control_centres_and_marks(case, tmp_path):
    adjustment, job, result, metres = case
    scan_control.write(adjustment, job, tmp_path)
    rows = read(tmp_path / "scan_control.csv")
    centres = [r for r in rows if r["what"] == "target centre"]
    below = [r for r in rows if r["what"] == "mark"]
    targets = [s for s in result["setups"] if s["role"] == "target"]
    marks = {m["mark"]: m for m in result["marks"]}
    assert [r["target"] for r in centres] == [s["setup"] for s in targets]
    assert [bare(r["target"]) for r in below] == [
        m["mark"] for m in result["marks"] if (m["east"], m["height"]) != (None, None)
    ]
    for row, setup in zip(centres, targets, strict=True):
        mark = marks[setup["mark"]]
        parts = {
            "east": (mark["east"], setup["centring_east"], 0.0),
            "north": (mark["north"], setup["centring_north"], 0.0),
            "height [": (mark["height"], setup["height_error"], setup["height"]),
        }
        for name, (of_mark, effect, up) in parts.items():
            text = column([row], name)[0]
            if of_mark is None or up is None:
                assert text == ""
            else:
                assert float(text) * metres == pytest.approx(of_mark + (effect or 0.0) + up, abs=0.6e-4)
        if any(r["setup"] == setup["setup"] and r["flagged"] for r in result["setups"]):
            assert row["use"] == "do not use"
    for row in below:
        mark = marks[bare(row["target"])]
        assert (row["use"] == "do not use") == mark["unchecked"]
        small = metres / 1000
        if mark["sigma_east"] is not None:
            assert float(column([row], "sigma e")[0]) * small == pytest.approx(
                mark["sigma_east"], abs=0.51e-3 * small
            )
            found = float(column([row], "cov en")[0]) * small**2
            assert found == pytest.approx(mark["covariance"][0][1], abs=0.51e-4 * small**2)
    plain = list(csv.reader((tmp_path / "scan_control_enh.csv").open(encoding="utf-8", newline="")))
    usable = [r for r in rows if r["use"] != "do not use"]
    whole = [r for r in usable if all(column([r], c)[0] for c in ("east", "north", "height ["))]
    assert plain == [
        [r["target"], *(column([r], c)[0] for c in ("east", "north", "height ["))] for r in whole
    ]


@pytest.mark.parametrize("name", ["braced-traverse", "free-stations", "by-hand"])
def test_covariance_of_a_centre_is_that_of_mark_plus_effect(name):
    """Against the dense inverse of the whole normal matrix."""
    adjustment, _ = delivered(name)
    Q, u, net = dense_cofactor(adjustment), adjustment.solved.unknowns, adjustment.network
    rows = np.arange(len(net.setups))
    found = device_covariance(adjustment, rows)
    sigmas = np.column_stack([u.centring_sigma, u.centring_sigma, u.height_sigma])
    m = adjustment.marks
    known = np.isfinite(np.column_stack([m.east, m.north, m.height]))
    for i in rows:
        pick = np.zeros((3, len(Q)))
        for axis in range(3):
            for place in (u.marks[net.setups.mark[i], axis], u.effects[i, axis]):
                if place >= 0:
                    pick[axis, place] = 1.0
        wanted = pick @ Q @ pick.T
        wanted += np.diag(
            np.where(u.effects[i] < 0, sigmas[i] ** 2, 0.0)
        )  # what no sight touches keeps its prior
        for a in range(3):
            for b in range(3):
                if known[net.setups.mark[i], [a, b]].all():
                    assert found[i, a, b] == pytest.approx(wanted[a, b], rel=1e-6, abs=1e-15)
                else:
                    assert math.isnan(found[i, a, b])


def test_a_centre_may_be_used_where_the_height_below_it_is_in_doubt(tmp_path):
    """Y4 hangs on the height of one tripod: its prisms are well sighted, the nail below them is not checked."""
    adjustment, job = delivered("braced-traverse")
    scan_control.write(adjustment, job, tmp_path)
    rows = {r["target"]: r for r in read(tmp_path / "scan_control.csv")}
    assert rows["Y4"]["use"] == "do not use"
    assert {r["use"] for r in rows.values() if r["mark"] == "Y4" and r["what"] == "target centre"} == {
        "register"
    }
    doubt = float(rows["Y4"]["sigma h [mm]"])
    assert all(
        float(r["sigma h [mm]"]) < doubt for r in rows.values() if r["mark"] == "Y4" and r["what"] != "mark"
    )


def test_a_flagged_setup_is_not_used(tmp_path):
    adjustment, job = made_up()
    scan_control.write(adjustment, job, tmp_path)
    rows = {r["target"]: r for r in read(tmp_path / "scan_control.csv")}
    for i in np.flatnonzero(adjustment.setups.flagged):
        if not adjustment.network.setups.instrument[i]:
            assert rows[adjustment.setups.setup[i]]["use"] == "do not use"
            assert "test rejects this setup" in rows[adjustment.setups.setup[i]]["why"]
    assert adjustment.setups.flagged.any()


def test_independent_effects_are_added(tmp_path):
    job = delivered("braced-traverse")[1]
    adjustment = adjust(job.network, dataclasses.replace(job.settings, correlation="independent"))
    row = int(np.flatnonzero(~adjustment.network.setups.instrument)[0])
    found = device_covariance(adjustment, np.array([row]))[0]
    mark, u = adjustment.network.setups.mark[row], adjustment.solved.unknowns
    own = np.array([u.centring_sigma[row], u.centring_sigma[row], u.height_sigma[row]]) ** 2
    assert np.diag(found) == pytest.approx(np.diag(adjustment.marks.covariance[mark]) + own, rel=1e-9)


def test_no_cell_of_a_csv_runs_as_a_formula(tmp_path):
    adjustment, job = delivered("odd")
    layout.write(adjustment, job, tmp_path)
    scan_control.write(adjustment, job, tmp_path)
    seen = set()
    for path in sorted(tmp_path.glob("*.csv")):
        for row in csv.reader(path.open(encoding="utf-8", newline="")):
            for cell in row:
                seen.add(bare(cell))
                if cell[:1] in ("=", "+", "-", "@", "\t", "\r"):
                    float(cell.replace("-", "", 1).replace("-", "0")) if cell[0] == "-" else pytest.fail(cell)
    assert set(ODD.values()) <= seen

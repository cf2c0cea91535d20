"""DXF, GeoPackage and GeoJSON, read back by other libraries and compared with result.json."""

from __future__ import annotations

import json
import math
import sqlite3

import ezdxf
import numpy as np
import pyogrio
import pytest
import shapely
from ezdxf.tools.text import plain_text
from pyogrio import raw

from hubtack.io.units import Units
from hubtack.io.writers import drawing_exchange, geojson, geopackage
from hubtack.io.writers.atomic import Refused
from hubtack.io.writers.deliverables import check, chosen
from hubtack.io.writers.places import ellipse_points, exaggeration

from .delivered import METRES, delivered, numbers
from .made_up import levelling, made_up

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


def ellipse_form(points):
    """Semi-axes and azimuth of an ellipse from points on it, by the moments of its outline."""
    moments = np.cov((points - points.mean(axis=0)).T, bias=True)
    values, vectors = np.linalg.eigh(moments)
    return np.sqrt(2 * values[::-1]), math.atan2(vectors[0, 1], vectors[1, 1]) % math.pi


# -- DXF --------------------------------------------------------------------------------------------------------------


def test_dxf_passes_its_librarys_audit_and_holds_the_numbers(case, tmp_path):
    adjustment, job, result, metres = case
    drawing_exchange.write(adjustment, job, tmp_path)
    drawing = ezdxf.readfile(tmp_path / "network.dxf")
    auditor = drawing.audit()
    assert not auditor.errors
    assert not auditor.fixes
    assert drawing.dxfversion == "AC1024"  # R2010
    assert drawing.units == {"m": ezdxf.units.M, "ft": ezdxf.units.FT, "us-ft": 21}[job.units.length]
    space = drawing.modelspace()
    placed = [m for m in result["marks"] if m["east"] is not None]
    high = [m for m in placed if m["height"] is not None]
    points = [e.dxf.location for e in space.query('POINT[layer=="HT_MARKS"]')]
    assert len(points) == len(high)
    for point, mark in zip(points, high, strict=True):
        wanted = [mark[c] / metres for c in ("east", "north", "height")]
        assert list(point) == pytest.approx(wanted, abs=1e-9)  # 16 digits of a number of thousands
    labels = [plain_text(e.dxf.text) for e in space.query('TEXT[layer=="HT_LABELS"]')]
    for mark in placed:
        # a caret is set apart by a blank: that is how the format writes one
        assert mark["mark"].replace("^", "^ ") in labels or mark["mark"] in labels
    unchecked = [m for m in placed if m["unchecked"]]
    assert len(space.query('POINT[layer=="HT_UNCHECKED"]')) == len(unchecked)


def test_dxf_ellipses_are_the_results_times_the_factor_in_their_layers_name(case, tmp_path):
    adjustment, job, result, metres = case
    drawing_exchange.write(adjustment, job, tmp_path)
    drawing = ezdxf.readfile(tmp_path / "network.dxf")
    (layer,) = [n.dxf.name for n in drawing.layers if "ELLIPSES" in n.dxf.name]
    assert layer.startswith("HT_ELLIPSES_95_x")
    factor = int(layer.rpartition("x")[2])
    assert int(str(factor).rstrip("0")) in (1, 2, 5)
    drawn = {tuple(np.round(e.dxf.center, 6)): e for e in drawing.modelspace().query("ELLIPSE")}
    wanted = [m for m in result["marks"] if (m["ellipse"]["semi_major"] or 0.0) > 0.0]
    assert len(drawn) == len(wanted)
    for mark in wanted:
        place = tuple(
            np.round(
                [(mark[c] / metres if mark[c] is not None else 0.0) for c in ("east", "north", "height")], 6
            )
        )
        e, ellipse = drawn[place], mark["ellipse"]
        assert e.dxf.layer == layer
        major = np.array(e.dxf.major_axis)
        assert np.hypot(*major[:2]) * metres / factor == pytest.approx(ellipse["semi_major"], rel=1e-9)
        assert math.atan2(major[0], major[1]) % math.pi == pytest.approx(
            ellipse["azimuth"] % math.pi, abs=1e-9
        )
        assert e.dxf.ratio == pytest.approx(
            max(ellipse["semi_minor"] / ellipse["semi_major"], 1e-6), rel=1e-9
        )


def test_dxf_draws_one_line_a_pair_and_flags_apart(tmp_path):
    adjustment, job = made_up()
    drawing_exchange.write(adjustment, job, tmp_path)
    space = ezdxf.readfile(tmp_path / "network.dxf").modelspace()
    o, m = adjustment.observations, adjustment.marks
    wanted: dict[frozenset[str], bool] = {}
    for a, b, flagged in zip(o.start_mark, o.end_mark, o.flagged, strict=True):
        key = frozenset((m.mark[a], m.mark[b]))
        wanted[key] = wanted.get(key, False) or bool(flagged)
    at = {(round(float(m.east[i]), 6), round(float(m.north[i]), 6)): m.mark[i] for i in range(len(m))}
    found = {
        frozenset(at[round(p.x, 6), round(p.y, 6)] for p in (e.dxf.start, e.dxf.end)): e.dxf.layer
        == "HT_FLAGGED"
        for e in space.query("LINE")
    }
    assert any(wanted.values())
    assert found == wanted


def test_dxf_of_heights_alone_says_that_there_is_nothing_to_draw(tmp_path):
    drawing_exchange.write(*levelling(), tmp_path)
    drawing = ezdxf.readfile(tmp_path / "network.dxf")
    assert not drawing.audit().errors
    (note,) = drawing.modelspace()
    assert "without a position" in note.dxf.text


def test_dxf_marks_without_a_height_stand_on_a_layer_of_their_own(tmp_path):
    adjustment, job = made_up()
    marks = adjustment.marks.replace(height=np.where(np.arange(8) == 3, np.nan, adjustment.marks.height))
    import dataclasses

    drawing_exchange.write(dataclasses.replace(adjustment, marks=marks), job, tmp_path)
    space = ezdxf.readfile(tmp_path / "network.dxf").modelspace()
    (point,) = space.query('POINT[layer=="HT_MARKS_NO_HEIGHT"]')
    assert (point.dxf.location.x, point.dxf.location.z) == pytest.approx((marks.east[3], 0.0))
    drawing_exchange.write(adjustment, job, tmp_path)
    before = ezdxf.readfile(tmp_path / "network.dxf").modelspace()
    assert len(space.query("LINE")) == len(before.query("LINE"))
    for line in space.query("LINE"):  # no line runs down from a height to 0
        assert (line.dxf.start.z == 0.0) == (line.dxf.end.z == 0.0)


@pytest.mark.parametrize(
    "text", ["100 %%c^J", "%%%", "50 %", "50 %%", "^b", "a^Ib", "%%%%d", "{\\fArial;x}", "שער 7"]
)
def test_dxf_labels_show_what_was_written(text):
    """ezdxf's own decoder shows a label as the user typed it, bar the blank after a caret."""
    shown = plain_text(drawing_exchange.label(text))
    assert shown.replace("^ ", "^").replace(" ", "") == text.replace(" ", "")


# -- GeoPackage -------------------------------------------------------------------------------------------------------


def layer(path, name):
    meta, _, geometry, fields = raw.read(path, layer=name)
    shapes = None if geometry is None else shapely.from_wkb(geometry)
    return shapes, dict(zip(meta["fields"].tolist(), fields, strict=True)), meta


def test_geopackage_marks_and_ellipses(case, tmp_path):
    adjustment, job, result, metres = case
    geopackage.write(adjustment, job, tmp_path)
    path = tmp_path / "network.gpkg"
    suffix = {"m": "mm", "ft": "mft", "us-ft": "mus_ft"}[job.units.length]
    shapes, fields, _ = layer(path, "marks")
    wanted = [m for m in result["marks"] if m["east"] is not None and m["height"] is not None]
    assert fields["mark"].tolist() == [m["mark"] for m in wanted]
    for i, mark in enumerate(wanted):
        place = [mark[c] / metres for c in ("east", "north", "height")]
        assert [shapes[i].x, shapes[i].y, shapes[i].z] == pytest.approx(place, abs=1e-9)
        small = metres / 1000
        assert fields[f"sigma_east_{suffix}"][i] * small == pytest.approx(mark["sigma_east"], rel=1e-12)
        for a, b, term in (
            (0, 0, "ee"),
            (0, 1, "en"),
            (0, 2, "eh"),
            (1, 1, "nn"),
            (1, 2, "nh"),
            (2, 2, "hh"),
        ):
            found = fields[f"cov_{term}_{suffix}2"][i] * small**2
            assert found == pytest.approx(mark["covariance"][a][b], rel=1e-12, abs=1e-20)
        assert bool(fields["unchecked"][i]) == mark["unchecked"]
    rings, fields, _ = layer(path, "ellipses")
    drawn = {m["mark"]: m for m in result["marks"] if (m["ellipse"]["semi_major"] or 0.0) > 0.0}
    assert set(fields["mark"]) == set(drawn)
    for ring, name, factor in zip(rings, fields["mark"], fields["exaggeration"], strict=True):
        axes, azimuth = ellipse_form(np.array(ring.exterior.coords)[:-1])
        ellipse = drawn[name]["ellipse"]
        both = np.array([ellipse["semi_major"], ellipse["semi_minor"]])
        # coordinates of some thousand metres carry 1e-12 m; the moments of a polygon are those of the ellipse
        assert axes * metres / factor == pytest.approx(both, rel=1e-6)
        if both[1] / both[0] < 0.99:
            apart = (azimuth - ellipse["azimuth"] + math.pi / 2) % math.pi - math.pi / 2
            assert abs(apart) < 1e-4
        assert ring.is_valid


def test_geopackage_is_undefined_cartesian_by_the_standard(case, tmp_path):
    adjustment, job, *_ = case
    geopackage.write(adjustment, job, tmp_path)
    with sqlite3.connect(tmp_path / "network.gpkg") as base:
        assert base.execute("pragma integrity_check").fetchone() == ("ok",)
        kinds = dict(base.execute("select table_name, srs_id from gpkg_geometry_columns"))
        assert {"marks", "ellipses", "sights", "setups"} <= set(kinds)
        assert set(kinds.values()) == {-1}
        contents = dict(base.execute("select table_name, data_type from gpkg_contents"))
        assert contents["run"] == "attributes"
        rows = dict(base.execute("select key, value from run"))
    assert rows["job"] == job.name
    assert [rows[f"sha256 {f}"] for f in sorted(job.files)] == [job.files[f] for f in sorted(job.files)]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["network.gpkg"]  # no journal left behind


def test_geopackage_setups_and_sights(case, tmp_path):
    adjustment, job, result, metres = case
    geopackage.write(adjustment, job, tmp_path)
    path = tmp_path / "network.gpkg"
    place = {m["mark"]: m for m in result["marks"]}
    suffix = {"m": "mm", "ft": "mft", "us-ft": "mus_ft"}[job.units.length]
    shapes, fields, _ = layer(path, "setups")
    assert fields["setup"].tolist() == [s["setup"] for s in result["setups"]]
    for i, setup in enumerate(result["setups"]):
        mark = place[setup["mark"]]
        assert [shapes[i].x, shapes[i].y] == pytest.approx(
            [mark["east"] / metres, mark["north"] / metres], abs=1e-9
        )
        assert fields["height_kind"][i] == setup["height_kind"]
        found = fields[f"height_error_{suffix}"][i] * metres / 1000
        if setup["height_error"] is None:
            assert math.isnan(found)
        else:
            assert found == pytest.approx(setup["height_error"], rel=1e-12, abs=1e-15)
    listed = []
    for name in pyogrio.list_layers(path)[:, 0]:
        if name.startswith("sights"):
            lines, fields, _ = layer(path, name)
            listed += [i for ids in fields["observations"] for i in ids.split(", ")]
            for line, start, end in zip(lines, fields["from_mark"], fields["to_mark"], strict=True):
                axes = ("east", "north") if name == "sights_2d" else ("east", "north", "height")
                wanted = [[place[m][c] / metres for c in axes] for m in (start, end)]
                found = shapely.get_coordinates(line, include_z=len(axes) == 3)
                assert found == pytest.approx(np.array(wanted), abs=1e-9)
    marks = {s["setup"]: s["mark"] for s in result["setups"]}
    wanted = [
        o["id"]
        for o in result["observations"]
        if o["to"] and None not in (place[marks.get(e, e)]["east"] for e in (o["from"], o["to"]))
    ]
    assert sorted(listed) == sorted(wanted)


def test_geopackage_of_heights_alone(tmp_path):
    geopackage.write(*levelling(), tmp_path)
    names = pyogrio.list_layers(tmp_path / "network.gpkg")[:, 0].tolist()
    assert "run" in names
    assert len(layer(tmp_path / "network.gpkg", "marks")[1]["mark"]) == 0


def test_geopackage_takes_the_crs_of_the_job(tmp_path):
    adjustment, job = with_crs("EPSG:2227")  # counts in US survey feet
    geopackage.write(adjustment, job, tmp_path)
    shapes, _, meta = layer(tmp_path / "network.gpkg", "marks")
    assert meta["crs"] == "EPSG:2227"
    assert shapes[0].x == pytest.approx(adjustment.marks.east[0] * 3937 / 1200, rel=1e-14)


def test_an_exaggeration_keeps_ellipses_apart(case):
    adjustment, *_ = case
    axes = adjustment.marks.semi_major[np.isfinite(adjustment.marks.semi_major)]
    m = adjustment.marks
    away = np.hypot(m.east[:, None] - m.east, m.north[:, None] - m.north)
    np.fill_diagonal(away, np.nan)
    nearest = np.nanmedian(np.nanmin(away[np.isfinite(m.east)], axis=1))
    assert exaggeration(adjustment) * axes.max() <= nearest * 1.0001


def test_points_of_an_ellipse_lie_on_it():
    points = ellipse_points(3.0, 1.0, math.radians(30.0))
    along = points @ [math.sin(math.radians(30)), math.cos(math.radians(30))]
    across = points @ [math.cos(math.radians(30)), -math.sin(math.radians(30))]
    assert (along / 3.0) ** 2 + across**2 == pytest.approx(np.ones(len(points)))
    assert np.array_equal(points[0], points[-1])


# -- GeoJSON ----------------------------------------------------------------------------------------------------------


def with_crs(crs, east=500_000.0, north=5_400_000.0):
    """The made-up network moved into a grid, with a job that states its CRS."""
    import dataclasses

    adjustment, job = made_up(units=Units())
    m = adjustment.marks
    marks = m.replace(east=m.east - m.east[0] + east, north=m.north - m.north[0] + north)
    job = dataclasses.replace(job)
    object.__setattr__(job, "crs", crs)
    return dataclasses.replace(adjustment, marks=marks), job


def test_geojson_is_wgs84_and_comes_back(tmp_path):
    from pyproj import Transformer

    adjustment, job = with_crs("EPSG:25832")
    check(chosen(["geojson"]), job)
    geojson.write(adjustment, job, tmp_path)
    text = (tmp_path / "network.geojson").read_text(encoding="utf-8")
    document = json.loads(text, parse_constant=lambda c: pytest.fail(f"{c} in JSON"))
    assert document["type"] == "FeatureCollection"
    assert "crs" not in document  # RFC 7946, 4
    marks = [f for f in document["features"] if f["geometry"]["type"] == "Point"]
    m = adjustment.marks
    assert [f["properties"]["mark"] for f in marks] == m.mark.tolist()
    first = marks[0]["geometry"]["coordinates"]
    assert len(first) == 2  # no height that would pass for one above the ellipsoid
    assert first[0] == pytest.approx(9.0, abs=1e-9)  # the central meridian of zone 32
    back = Transformer.from_crs("EPSG:4326", "EPSG:25832", always_xy=True)
    for i, f in enumerate(marks):
        found = back.transform(*f["geometry"]["coordinates"])
        assert found == pytest.approx((m.east[i], m.north[i]), abs=2e-4)  # nine decimals are 0.1 mm
        assert f["properties"]["height"] == m.height[i]
        assert f["properties"]["sigma_east_mm"] == pytest.approx(1000 * m.sigma_east[i], rel=1e-12)
    shapes = shapely.from_wkb(raw.read(tmp_path / "network.geojson")[2])
    assert len(shapes) == len(document["features"])


def test_geojson_counts_in_the_unit_of_the_crs(tmp_path):
    """California zone 3 in US survey feet: its central meridian, 120.5° W, is at 6 561 666.667 ft = 2 000 000 m."""
    adjustment, job = with_crs("EPSG:2227", 2_000_000.0, 600_000.0)
    geojson.write(adjustment, job, tmp_path)
    document = json.loads((tmp_path / "network.geojson").read_text(encoding="utf-8"))
    assert document["features"][0]["geometry"]["coordinates"][0] == pytest.approx(-120.5, abs=2e-9)


@pytest.mark.parametrize(
    ("crs", "words"),
    [
        ("EPSG:4326", "not a projected system"),
        ("somewhere", "no coordinate reference"),
        ("EPSG:999999", "no coord"),
    ],
)
def test_geojson_refuses_what_would_be_a_guess(tmp_path, crs, words):
    adjustment, job = with_crs(crs)
    with pytest.raises(Refused, match=words):
        geojson.write(adjustment, job, tmp_path)


def test_geojson_refuses_coordinates_off_the_grid(tmp_path):
    adjustment, job = with_crs("EPSG:25832", 5e8, 5e9)
    with pytest.raises(Refused, match="no known way"):
        geojson.write(adjustment, job, tmp_path)

"""Jobs on the earth: what [site] and marks.csv must say, what comes out, and what is refused rather than guessed."""

from __future__ import annotations

import csv
import json
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from hubtack.adjust import adjust
from hubtack.adjust.compare import compare
from hubtack.adjust.judged import judged
from hubtack.adjust.model.reductions import reduce_readings
from hubtack.adjust.trouble import Undetermined
from hubtack.io.cli import cli
from hubtack.io.faults import Fault, Faults
from hubtack.io.job import Job, read_job
from hubtack.io.readers.geoid import from_csv, from_gtx

SAMPLE = Path(__file__).parents[2] / "sample_networks" / "ropeway"
MM = 1e-3
REDUCED = "id,kind,from,at,to,reference,repetitions,single,value,sigma\n"


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{old!r} occurs {text.count(old)} times in {path.name}"
    path.write_text(text.replace(old, new), encoding="utf-8")


def faults(folder: Path) -> list[Fault]:
    with pytest.raises(Faults) as caught:
        read_job(folder)
    return caught.value.faults


def rewrite(folder: Path, name: str, make: Callable[[list[dict[str, str]]], list[dict[str, str]]]) -> None:
    """A table with its rows made anew."""
    with (folder / name).open(encoding="utf-8", newline="") as file:
        rows = make(list(csv.DictReader(file)))
    with (folder / name).open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def run(*arguments: str) -> tuple[int, str]:
    done = CliRunner().invoke(cli, list(arguments))
    return done.exit_code, done.output


# -- what must be said ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "code", "words"),
    [
        ('crs = "EPSG:25833"\n', "", "JOB150", "EPSG"),
        ('"EPSG:25833"', '"EPSG:2583x"', "JOB151", "no coordinate reference system"),
        ('"EPSG:25833"', '"EPSG:5703"', "JOB151", "no place on the earth"),
        ('heights = "orthometric"\n', "", "JOB152", "heights"),
        ('"EPSG:25833"', '"EPSG:25833+3855"\nundulation = "47 m"', "JOB154", "both given"),
        ('frame = "earth"', 'frame = "earth"\nscale_factor = 0.9996', "JOB153", "scale"),
        ('"geoid.csv"', '"geoide.csv"', "JOB157", "no such file"),
        ('frame = "earth"', 'frame = "plane"', "JOB158", "earth frame"),
        ('atmosphere = "not applied"\n', "", "JOB160", "corrected"),
        ('wavelength = "658 nm"\n', "", "JOB161", "wavelength"),
        ('"EPSG:25833"', '"EPSG:2056"', "TAB252", "not used"),
        ('"EPSG:25833"', '"EPSG:4258"', "TAB251", "latitude"),
        ('"658 nm"', '"658"', "JOB106", "wavelength"),
        ('"12 degC, ', '"12 degX, ', "JOB106", "temperature"),
    ],
)
def test_what_job_toml_must_say(ropeway: Path, old: str, new: str, code: str, words: str) -> None:
    change(ropeway / "job.toml", old, new)
    found = faults(ropeway)
    told = next(f for f in found if f.code == code)
    assert words in f"{told.found} {told.wanted}"


def test_east_and_north_exchanged_lie_elsewhere(ropeway: Path) -> None:
    rewrite(ropeway, "marks.csv", lambda rows: [r | {"east": r["north"], "north": r["east"]} for r in rows])
    assert {f.code for f in faults(ropeway)} == {"TAB252"}


def test_a_height_system_without_its_grid_is_no_copy(ropeway: Path) -> None:
    """DHHN2016 has a geoid grid that no installation brings along; with the user's own file it is not needed."""
    change(ropeway / "job.toml", '"EPSG:25833"', '"EPSG:25833+7837"')
    with_file = read_job(ropeway)
    assert with_file.settings.heights == "orthometric"
    change(ropeway / "job.toml", 'geoid = "geoid.csv"', "#")
    (told,) = faults(ropeway)
    assert told.code == "JOB156"
    assert "geoid grid" in told.found
    assert "never copied" in told.wanted


def test_undulations_end_where_the_file_ends(ropeway: Path) -> None:
    rewrite(ropeway, "geoid.csv", lambda rows: [r for r in rows if float(r["latitude"]) < 47.515])
    job = read_job(ropeway)
    with pytest.raises(Undetermined, match="L1, L2"):
        adjust(job.network, job.settings)


def test_every_air_that_is_lacking_is_told(ropeway: Path) -> None:
    def without(rows: list[dict[str, str]]) -> list[dict[str, str]]:
        return [r | {"pressure": "" if r["setup"] in ("I-A", "I-B") else r["pressure"]} for r in rows]

    rewrite(ropeway, "setups.csv", without)
    found = faults(ropeway)
    assert [(f.code, "pressure" in f.found) for f in found] == [("TAB254", True)] * 2


def test_odd_air_is_remarked(ropeway: Path) -> None:
    """Reduced to sea level, 1015 hPa at 1248 m; and no humidity."""

    def odd(rows: list[dict[str, str]]) -> list[dict[str, str]]:
        return [r | ({"pressure": "1015", "humidity": ""} if r["setup"] == "I-L1" else {}) for r in rows]

    rewrite(ropeway, "setups.csv", odd)
    told = {r.code: r.setups for r in read_job(ropeway).remarks}
    assert told["REM531"] == told["REM532"] == ("I-L1",)


# -- what comes out -------------------------------------------------------------------------------------------------


def adjusted(folder: Path) -> tuple[Job, np.ndarray]:
    job = read_job(folder)
    a = adjust(job.network, job.settings)
    return job, np.column_stack([a.marks.east, a.marks.north, a.marks.height])


@pytest.mark.parametrize("system", ["EPSG:4258", "EPSG:4936"])
def test_latitudes_or_geocentric_coordinates_give_the_same_marks(ropeway: Path, system: str) -> None:
    """Control as latitude and longitude, or as X, Y, Z, made by PROJ of the sample's own; the marks back in UTM, by PROJ."""
    from pyproj import Transformer

    _, grid = adjusted(ropeway)
    to_geographic = Transformer.from_crs("EPSG:25833", "EPSG:4258", always_xy=True)
    geoid = from_csv((ropeway / "geoid.csv").read_bytes())

    def row(r: dict[str, str]) -> dict[str, str]:
        out = {k: v for k, v in r.items() if k not in ("east", "north")}
        names = ("latitude", "longitude") if system == "EPSG:4258" else ("x", "y", "z")
        out |= dict.fromkeys(names, "")
        if system != "EPSG:4258":
            height = out.pop("height")
        if r["east"]:
            lon, lat = to_geographic.transform(float(r["east"]), float(r["north"]))
            if system == "EPSG:4258":
                out |= {"latitude": f"{lat:.12f} deg", "longitude": f"{lon:.12f} deg"}
            else:
                h = float(height) + geoid.at(np.radians([lat]), np.radians([lon]))[0, 0]
                cart = Transformer.from_crs("EPSG:4937", "EPSG:4936", always_xy=True).transform(lon, lat, h)
                out |= dict(zip("xyz", (f"{v:.6f}" for v in cart), strict=True))
        return out

    rewrite(ropeway, "marks.csv", lambda rows: [row(r) for r in rows])
    change(ropeway / "job.toml", '"EPSG:25833"', f'"{system}"')
    if system == "EPSG:4936":
        change(ropeway / "job.toml", 'heights = "orthometric"', 'heights = "ellipsoidal"')
    job, local = adjusted(ropeway)
    assert job.site is not None
    lat, lon = job.site.chart.geodetic(local[:, 0], local[:, 1])
    east, north = to_geographic.transform(np.degrees(lon), np.degrees(lat), direction="INVERSE")
    # L2 is weighted along other axes now, turned by the convergence of one degree: 8 mm in every direction, so no matter
    assert np.abs(np.column_stack([east, north]) - grid[:, :2]).max() < 0.05 * MM
    n = geoid.at(lat, lon)[:, 0] if system == "EPSG:4936" else 0.0
    assert np.abs(local[:, 2] - n - grid[:, 2]).max() < 0.05 * MM


def test_a_binary_grid_says_what_the_text_says(ropeway: Path) -> None:
    text = from_csv((ropeway / "geoid.csv").read_bytes())
    rows, columns, _ = text.values.shape
    corner = np.degrees([text.south, text.west, text.step_latitude, text.step_longitude])
    data = struct.pack(">4d2i", *corner, rows, columns) + text.values[:, :, 0].astype(">f4").tobytes()
    binary = from_gtx(data)
    lat, lon = np.radians([47.502, 47.513]), np.radians([13.601, 13.629])
    assert binary.at(lat, lon)[:, 0] == pytest.approx(text.at(lat, lon)[:, 0], abs=1e-5)
    assert np.isnan(binary.at(lat, lon)[:, 1:]).all()
    (ropeway / "geoid.gtx").write_bytes(data)
    change(ropeway / "job.toml", '"geoid.csv"', '"geoid.gtx"')
    assert read_job(ropeway).files["geoid.gtx"]
    (ropeway / "geoid.gtx").write_bytes(data[:-4])
    assert faults(ropeway)[0].code == "JOB157"


def test_files_of_a_run(ropeway: Path, tmp_path: Path) -> None:
    """lines.csv, geodetic.csv and result.json hang together, and PROJ agrees with them."""
    from pyproj import Geod, Transformer

    out = tmp_path / "out"
    code, said = run("adjust", str(ropeway), "--out", str(out), "--write", "geojson,layout")
    assert code == 0, said
    assert "EPSG:25833 (ETRS89 / UTM zone 33N)" in said
    assert "it is applied once" in said
    document = json.loads((out / "result.json").read_text(encoding="utf-8"))
    earth = document["earth"]
    places = {p["mark"]: p for p in earth["places"]}
    to_geographic = Transformer.from_crs("EPSG:25833", "EPSG:4258", always_xy=True)
    for mark in document["marks"]:
        lon, lat = to_geographic.transform(mark["east"], mark["north"])
        place = places[mark["mark"]]
        assert np.degrees([place["longitude"], place["latitude"]]) == pytest.approx([lon, lat], abs=1e-11)
        assert place["ellipsoidal"] == pytest.approx(mark["height"] + place["undulation"], abs=1e-9)
    geod = Geod(ellps="GRS80")
    for line in earth["lines"]:
        a, b = places[line["from"]], places[line["to"]]
        ends = np.degrees([a["longitude"], a["latitude"], b["longitude"], b["latitude"]])
        azimuth, _, length = geod.inv(*ends)
        assert line["geodesic"] == pytest.approx(length, abs=1e-6)
        assert np.degrees(line["azimuth"]) % 360.0 == pytest.approx(azimuth % 360.0, abs=1e-8)
        assert line["grid"] == pytest.approx(line["ground"] * line["combined"], rel=1e-12)
        apart = line["bearing"] + line["convergence"] - line["arc_to_chord"] - line["azimuth"]
        assert (apart + np.pi) % (2 * np.pi) - np.pi == pytest.approx(0.0, abs=1e-11)
    assert earth["scale"]["times"] == 1.0
    assert not earth["scale"]["alarm"]
    table = (out / "lines.csv").read_text(encoding="utf-8").splitlines()
    assert len(table) == len(earth["lines"]) + 1
    points = [
        f
        for f in json.loads((out / "network.geojson").read_text())["features"]
        if f["geometry"]["type"] == "Point"
    ]
    first = places[points[0]["properties"]["mark"]]
    # ETRS89 and WGS 84 are one to PROJ, to a metre in truth: what RFC 7946 can't say better
    assert points[0]["geometry"]["coordinates"] == pytest.approx(
        np.degrees([first["longitude"], first["latitude"]]).tolist(), abs=2e-9
    )
    with (out / "layout_checks.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    xyz = {name: np.array(p["xyz"]) for name, p in places.items()}
    for row in rows[1:]:
        assert float(row[4]) == pytest.approx(np.linalg.norm(xyz[row[0]] - xyz[row[1]]), abs=2e-5)


@pytest.mark.parametrize("name", ["landxml", "scan-control"])
def test_what_would_be_wrong_is_refused(ropeway: Path, tmp_path: Path, name: str) -> None:
    code, said = run("adjust", str(ropeway), "--out", str(tmp_path / "out"), "--write", name)
    assert code == 2
    assert "RUN452" in said
    assert not (tmp_path / "out").exists()


def test_register_puts_the_grid_into_straight_axes_and_says_so(ropeway: Path) -> None:
    """`tests/adjust/test_registration.py` holds the axes to PROJ's geocentric coordinates."""
    code, said = run("register", str(ropeway))
    assert code == 0
    assert "no straight axes at ground scale: grid / ground is 0.9995" in " ".join(said.split())


def test_the_other_commands_hold(ropeway: Path) -> None:
    """A sound day is ready, predicted, and what it was; and a plane epoch is not compared with one on the earth."""
    code, said = run("check", str(ropeway))
    assert code == 0, said
    code, said = run("plan", str(ropeway), "--json")
    assert code == 0, said
    planned = {m["mark"]: m for m in json.loads(said)["marks"]}
    job = read_job(ropeway)
    a = adjust(job.network, job.settings)
    for i, mark in enumerate(a.marks.mark):
        assert planned[str(mark)]["sigma_east"] == pytest.approx(
            float(a.marks.sigma_east[i]), rel=1e-3, abs=1e-9
        )
    code, said = run("compare", str(ropeway), str(ropeway))
    assert code == 0, said
    change(ropeway / "job.toml", 'heights = "orthometric"', 'heights = "ellipsoidal"')
    other = read_job(ropeway)
    with pytest.raises(Undetermined, match="not in one frame"):
        compare(a, adjust(other.network, other.settings))


def test_a_wrong_height_is_named_on_the_earth_too(ropeway: Path) -> None:
    """A decimetre, among readings that curve and lean."""
    rewrite(
        ropeway,
        "setups.csv",
        lambda rows: [
            r | ({"height": f"{float(r['height']) + 0.1:.3f}"} if r["setup"] == "S3-B" else {}) for r in rows
        ],
    )
    spoilt = read_job(ropeway)
    first = judged(adjust(spoilt.network, spoilt.settings)).findings[0].first
    assert (first.what, first.name) == ("setup", "S3-B")
    assert abs(abs(first.size) - 0.1) < 0.01


# -- a plane that names its grid ------------------------------------------------------------------------------------


def test_a_plane_with_a_grid_is_asked_for_its_scale(ropeway: Path) -> None:
    text = (ropeway / "job.toml").read_text(encoding="utf-8")
    site = text[text.index("[site]") : text.index("# The instrument")]
    plane = '[site]\nframe = "plane"\ncrs = "EPSG:25833"\nscale_factor = {}\nreference_height = "950 m"\n\n'
    for factor, told in ((1.0, True), (0.99958, False)):
        (ropeway / "job.toml").write_text(text.replace(site, plane.format(factor)), encoding="utf-8")
        _, said = run("adjust", str(ropeway), "--exit-zero")
        assert ("If both ends of the job are on the grid" in " ".join(said.split())) == told


def test_the_air_travels_in_landxml(ropeway: Path, tmp_path: Path) -> None:
    """Corrected once here, it is corrected once there: the same observations come back."""
    text = (ropeway / "job.toml").read_text(encoding="utf-8")
    site = text[text.index("[site]") : text.index("# The instrument")]
    (ropeway / "job.toml").write_text(
        text.replace(site, "[site]\nscale_factor = 0.99958\n\n"), encoding="utf-8"
    )
    (ropeway / "reduced.csv").write_text(
        REDUCED + "1,horizontal,V1,,S1,grid,,,606.617,5 mm\n", encoding="utf-8"
    )
    rewrite(
        ropeway,
        "setups.csv",
        lambda rows: [r | {"incidence": "30 deg" if r["role"] == "target" else ""} for r in rows],
    )
    code, said = run(
        "adjust", str(ropeway), "--out", str(tmp_path / "out"), "--write", "landxml", "--exit-zero"
    )
    assert code == 0, said
    job, again = read_job(ropeway), read_job(tmp_path / "out" / "network.xml")
    for name in (
        "atmosphere",
        "wavelength",
        "reference_temperature",
        "reference_pressure",
        "reference_humidity",
    ):
        assert list(getattr(again.network.instruments, name)) == list(
            getattr(job.network.instruments, name)
        ), name
    for name in ("temperature", "pressure", "humidity", "incidence"):
        assert getattr(again.network.setups, name) == pytest.approx(
            getattr(job.network.setups, name), nan_ok=True
        ), name
    assert list(again.network.reduced.kind) == ["horizontal.grid"]
    one, two = reduce_readings(job.network), reduce_readings(again.network)
    assert two.value == pytest.approx(one.value, abs=1e-9)

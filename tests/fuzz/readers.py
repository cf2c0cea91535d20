"""Every reader as a function of bytes: it reads, or it refuses with faults that have codes; anything else is a mistake of ours.

The bytes take the place of one file of a small job, the others being sound, so that the reader is reached.
"""

from __future__ import annotations

import csv
import functools
import io
import re
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from tests.io.conftest import FILES
from tests.io.foreign import HEADERS
from tests.io.foreign_xml import whole

from hubtack.adjust import adjust
from hubtack.adjust.trouble import Undetermined
from hubtack.io.faults import Faults, codes
from hubtack.io.job import read_job
from hubtack.io.new import from_file
from hubtack.io.readers.scanned import read_points, read_scanned
from hubtack.io.readers.sketch import with_sketch
from hubtack.io.writers import landxml

SHEET = "xl/worksheets/sheet4.xml"  # the sights
SAMPLES = Path(__file__).parents[2] / "sample_networks"
CREW = """\
format = 1
[instruments.ts-b]
direction = "1 arcsec"
zenith = "1.5 arcsec"
distance = "1 mm + 1.5 ppm"
distance_zero = "0.4 mm"
distance_zero_sigma = "0.5 mm"
[targets.maxi]
constant = "17.5 mm"
constant_sigma = "0.4 mm"
[[together]]
constants = ["ts-b distance_zero", "maxi constant"]
correlation = [[0.8]]
"""
DECISIONS = FILES["job.toml"][FILES["job.toml"].index("[[decision]]") :]
DEVICES = re.search(r"\[instruments.*?(?=\[\[decision)", FILES["job.toml"], re.DOTALL)
assert DEVICES is not None
BOOK_JOB = (
    'format = 1\n[units]\nlength = "m"\nangle = "dms"\n'
    + DEVICES[0]
    + '[columns]\nfile = "book.csv"\n'
    + "".join(f'{key} = "{header}"\n' for key, header in HEADERS.items())
)
BESIDE_XML = (
    'format = 1\n[units]\nlength = "m"\nangle = "dms"\n' + DEVICES[0] + '[source]\nlandxml = "day.xml"\n'
)
BOOK = (
    ",".join(HEADERS.values())
    + "\n"
    + (
        "1,Q1,legs,ts-a,1.503,,,Q2,low-stand,mini,0.21,,,1,1,0-00-00.0,90-00-10,40.501,08:00,\n"
        "2,Q1,legs,ts-a,1.503,,,Q2,low-stand,mini,0.21,,,1,2,180-00-03,269-59-50,40.502,08:01,x\n"
        "3,Q1,legs,ts-a,1.503,,,Q3,pole,mini,1.352,,,1,1,45-10-10.5,91-00-00,20.001,08:02,\n"
    )
)
POINTS = (
    '<CgPoint name="A" pntSurv="control">200.0 100.0 10.0</CgPoint><CgPoint name="B">200.0 150.0</CgPoint>'
)
SURVEY = (
    '<InstrumentSetup id="1" stationName="A" instrumentHeight="1.5"><InstrumentPoint pntRef="A"/>'
    '<RawObservation horizAngle="10.0000" zenithAngle="90.1" slopeDistance="50.0" directFace="true" setID="1" targetHeight="1.4">'
    '<TargetPoint pntRef="B"/></RawObservation></InstrumentSetup>'
)


def _job(folder: Path, name: str, data: bytes, **others: str) -> None:
    """The job of the tests with one file exchanged, read."""
    for file, text in (FILES | others).items():
        (folder / file).write_text(text, encoding="utf-8")
    (folder / name).write_bytes(data)
    read_job(folder)


def _table(name: str) -> Callable[[bytes, Path], None]:
    return lambda data, folder: _job(folder, name, data)


def _decisions(data: bytes, folder: Path) -> None:
    _job(folder, "job.toml", FILES["job.toml"][: FILES["job.toml"].index("[[decision]]")].encode() + data)


def _includes(data: bytes, folder: Path) -> None:
    text = FILES["job.toml"].replace("format = 1\n", 'format = 1\n[include]\nfiles = ["crew.toml"]\n', 1)
    _job(folder, "crew.toml", data, **{"job.toml": text})


def _book(data: bytes, folder: Path) -> None:
    (folder / "job.toml").write_text(BOOK_JOB, encoding="utf-8")
    (folder / "marks.csv").write_text(FILES["marks.csv"], encoding="utf-8")
    (folder / "book.csv").write_bytes(data)
    read_job(folder)


def _guess(data: bytes, folder: Path) -> None:
    (folder / "book.csv").write_bytes(data)
    from_file(folder / "book.csv", folder / "job", {})


def _workbook(data: bytes, folder: Path) -> None:
    (folder / "day.xlsx").write_bytes(data)
    read_job(folder / "day.xlsx")


@functools.cache
def _day() -> bytes:
    """The job of the tests as a workbook."""
    from xlsxwriter import Workbook

    out = io.BytesIO()
    with Workbook(out, {"in_memory": True}) as book:
        for name, text in FILES.items():
            sheet = book.add_worksheet(name.partition(".")[0])
            rows = (
                [[line] for line in text.splitlines()]
                if name == "job.toml"
                else csv.reader(io.StringIO(text))
            )
            for i, row in enumerate(rows):
                sheet.write_row(i, 0, row)
    return out.getvalue()


def _sheet(data: bytes, folder: Path) -> None:
    """One part of the container exchanged, as no writer of workbooks would make it."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(_day())) as sound, zipfile.ZipFile(out, "w") as spoilt:
        for part in sound.namelist():
            spoilt.writestr(part, data if part == SHEET else sound.read(part))
    _workbook(out.getvalue(), folder)


def _xml(data: bytes, folder: Path) -> None:
    (folder / "day.xml").write_bytes(data)
    read_job(folder / "day.xml")


def _foreign_xml(data: bytes, folder: Path) -> None:
    (folder / "job.toml").write_text(BESIDE_XML, encoding="utf-8")
    (folder / "day.xml").write_bytes(data)
    read_job(folder)


def _geoid(name: str) -> Callable[[bytes, Path], None]:
    def read(data: bytes, folder: Path) -> None:
        sample = SAMPLES / "ropeway"
        for path in sample.glob("*.csv"):
            (folder / path.name).write_bytes(path.read_bytes())
        text = (sample / "job.toml").read_text(encoding="utf-8")
        (folder / "job.toml").write_text(text.replace("geoid.csv", name), encoding="utf-8")
        (folder / name).write_bytes(data)
        read_job(folder)

    return read


@functools.cache
def _hall():  # type: ignore[no-untyped-def]
    job = read_job(SAMPLES / "free-stations")
    return job, adjust(job.network, job.settings)


def _scanner(data: bytes, folder: Path) -> None:
    (folder / "scanner.csv").write_bytes(data)
    read_scanned(*_hall(), folder / "scanner.csv")


def _points(data: bytes, folder: Path) -> None:
    (folder / "points.csv").write_bytes(data)
    read_points(folder / "points.csv", *_hall())


def _sketch(name: str) -> Callable[[bytes, Path], None]:
    def read(data: bytes, folder: Path) -> None:
        (folder / name).write_bytes(data)
        with_sketch(_hall()[0], folder / name)

    return read


READERS: dict[str, Callable[[bytes, Path], None]] = {
    **{name.partition(".")[0]: _table(name) for name in FILES if name.endswith(".csv")},
    "job": _table("job.toml"),
    "decisions": _decisions,
    "includes": _includes,
    "book": _book,
    "guess": _guess,
    "workbook": _workbook,
    "sheet": _sheet,
    "landxml": _xml,
    "landxml_foreign": _foreign_xml,
    "geoid_csv": _geoid("geoid.csv"),
    "geoid_gtx": _geoid("geoid.gtx"),
    "scanner": _scanner,
    "points": _points,
    "sketch_csv": _sketch("sketch.csv"),
    "sketch_json": _sketch("sketch.json"),
}


def seeds(name: str) -> list[bytes]:
    """Sound inputs from which a reader's spoilt ones grow."""
    own = {
        "job": FILES["job.toml"],
        "decisions": DECISIONS,
        "includes": CREW,
        "book": BOOK,
        "guess": BOOK,
        "landxml_foreign": whole(POINTS, SURVEY),
        "geoid_csv": "latitude,longitude,undulation\n47,13,45\n47,14,45.1\n48,13,45\n48,14,45.2\n",
        "scanner": "target,x,y,z\nT-D2,1.0,2.0,0.5\nD1,4.0,2.0,0.5\n",
        "points": "point,east,north,height\np1,1,2,3\n",
        "sketch_csv": "mark,east,north,height\nF1,1,2,3\n",
        "sketch_json": '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"mark":"F1"},'
        '"geometry":{"type":"Point","coordinates":[1,2,3]}}]}',
    }
    if name == "geoid_gtx":
        corner, nodes = np.array([47.0, 12.0, 1.0, 1.0], ">f8"), np.array([45.0, 45.1, 45.2, 45.3], ">f4")
        return [corner.tobytes() + np.array([2, 2], ">i4").tobytes() + nodes.tobytes()]
    if name == "landxml":
        job = read_job(SAMPLES / "by-hand")
        with tempfile.TemporaryDirectory() as folder:
            landxml.write(adjust(job.network, job.settings), job, Path(folder))
            return [p.read_bytes() for p in Path(folder).glob("*.xml")]
    if name in ("workbook", "sheet"):
        whole_day = _day()
        with zipfile.ZipFile(io.BytesIO(whole_day)) as parts:
            return [whole_day] if name == "workbook" else [parts.read(SHEET)]
    return [(own.get(name) or FILES[f"{name}.csv"]).encode()]


def refusal(name: str, data: bytes, folder: Path) -> str:
    """Blank where the bytes were read; else the codes they were refused with. Raises whatever else happens."""
    told: Faults | None = None
    try:
        READERS[name](data, folder)
    except Faults as faults:
        told = faults
    except Undetermined as trouble:  # of a scan whose targets are not determined
        return ",".join(t.code for t in trouble.troubles)
    if told is None:
        return ""
    assert told.faults, "refused without a fault"
    assert len(told.faults) < 10_000
    for fault in told.faults:
        assert fault.code in codes(), fault
        assert fault.found, fault
        assert "\n" not in fault.place
    return ",".join(f.code for f in told.faults)

"""How long a long field book takes to be read and checked, in every form in which it may come.

    python -m tests.benchmarks.field_book [ROWS]

Prints seconds (processor time of this process, best of two) and rows a second. Nothing here is a test.
"""

from __future__ import annotations

import csv
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import xlsxwriter
from tests.io.foreign import HEADERS, columns_of
from tests.io.foreign_xml import element, whole

from hubtack.io.job import read_job

JOB = """\
format = 1
[units]
length = "m"
angle = "dms"
[instruments.ts-a]
direction = "1 arcsec"
zenith = "1 arcsec"
distance = "1 mm + 1.5 ppm"
[supports.tripod]
kind = "tribrach"
height = "taped"
height_sigma = "1 mm"
[supports.pole]
kind = "pole"
height = "graduated"
height_sigma = "0.7 mm"
"""
KEYS = (
    "from_mark",
    "hi",
    "to_mark",
    "to_support",
    "ht",
    "round",
    "face",
    "circle",
    "zenith",
    "slope",
    "time",
)
SIGHTS_OF_A_SETUP = 80  # ten targets, two faces, four rounds


def rows(count: int) -> list[list[str]]:
    """A long corridor: each setup sees the ten marks ahead."""
    out = []
    for i in range(count):
        setup, k = divmod(i, SIGHTS_OF_A_SETUP)
        target, face = k % 10, 1 + k // 10 % 2
        circle, second = (36 * target + 180 * (face - 1)) % 360, f"{i % 600 / 10:04.1f}"
        out.append(
            [
                f"M{setup}", f"{1.5 + setup % 7 / 100:.3f}", f"M{setup + 1 + target}", "pole" if target % 2 else "tripod",
                f"{1.4 + target / 50:.3f}", str(k // 20 + 1), str(face), f"{circle}-{i % 60:02d}-{second}",
                f"{90 if face == 1 else 269}-{i % 60:02d}-{second}", f"{20 + i % 97 / 8:.4f}", f"{8 + i % 9}:{i % 60:02d}",
            ]
        )  # fmt: skip
    return out


def flat_book(folder: Path, day: list[list[str]]) -> Path:
    """The rows as CSV."""
    headers = {key: HEADERS[key] for key in KEYS}
    with (folder / "book.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([list(headers.values()), *day])
    (folder / "job.toml").write_text(JOB + columns_of(headers), encoding="utf-8")
    return folder


def sheet(folder: Path, day: list[list[str]]) -> Path:
    """The rows as a sheet of a workbook."""
    headers = {key: HEADERS[key] for key in KEYS}
    book = xlsxwriter.Workbook(str(folder / "book.xlsx"), {"constant_memory": True})
    page = book.add_worksheet("day")
    for i, row in enumerate([list(headers.values()), *day]):
        for j, cell in enumerate(row):
            page.write_string(i, j, cell)
    book.close()
    (folder / "job.toml").write_text(JOB + columns_of(headers, "book.xlsx"), encoding="utf-8")
    return folder


def survey(folder: Path, day: list[list[str]]) -> Path:
    """The rows as LandXML of another program."""
    inside: dict[tuple[str, str], str] = {}
    for start, hi, end, _, ht, number, face, circle, zenith, slope, _ in day:
        packed = [
            a.replace("-", ".", 1).replace("-", "").replace(".", "!", 1).replace(".", "").replace("!", ".")
            for a in (circle, zenith)
        ]
        given = {
            "setID": number, "directFace": "true" if face == "1" else "false", "targetHeight": ht, "horizAngle": packed[0],
            "zenithAngle": packed[1], "slopeDistance": slope,
        }  # fmt: skip
        sight = element("RawObservation", given, element("TargetPoint", {"pntRef": end}))
        inside[start, hi] = inside.get((start, hi), element("InstrumentPoint", {"pntRef": start})) + sight
    setups = "".join(
        element("InstrumentSetup", {"id": f"i-{mark}", "stationName": mark, "instrumentHeight": hi}, body)
        for (mark, hi), body in inside.items()
    )
    (folder / "day.xml").write_text(whole("", setups), encoding="utf-8")
    (folder / "job.toml").write_text(f'{JOB}[source]\nlandxml = "day.xml"\n', encoding="utf-8")
    return folder


def main() -> None:
    """Print one line a form."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    day = rows(count)
    forms: dict[str, Callable[[Path, list[list[str]]], Path]] = {
        "CSV": flat_book,
        "sheet": sheet,
        "LandXML": survey,
    }
    for name, write in forms.items():
        with tempfile.TemporaryDirectory() as folder:
            job = write(Path(folder), day)
            times = []
            for _ in range(2):
                start = time.process_time()
                read = read_job(job)
                times.append(time.process_time() - start)
        sights, setups = len(read.network.sights), len(read.network.setups)
        print(
            f"{name:<8} {min(times):6.2f} s  {count / min(times):9.0f} rows/s  {sights} sights, {setups} setups"
        )


if __name__ == "__main__":
    main()

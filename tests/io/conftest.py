"""A small valid job that the tests of reading spoil in one way each."""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from hubtack.io.faults import Fault, Faults
from hubtack.io.job import Job, read_job

ROPEWAY = Path(__file__).parents[2] / "sample_networks" / "ropeway"
FILES = {
    "job.toml": """\
format = 1

[job]
name = "Quay wall, day 1"

[units]
length = "m"
angle = "dms"

[site]
refraction = 0.13
scale_factor = 1.0
reference_height = "12 m"
correlation = "shared"

[tests]
confidence = 0.95

[datum]
marks = ["Q1", "Q2"]

[relative]
pairs = [["Q1", "Q3"], ["Q2", "Q3"]]

[instruments.ts-a]
direction = "1 arcsec"
zenith = "1.5 arcsec"
distance = "1 mm + 1.5 ppm"
reflectorless = "2 mm + 2 ppm"

[supports.low-stand]
kind = "stand"
height = "fixed"
target_height = "0.210 m"
height_sigma = "0.2 mm"
bubble = "60 arcsec"
bubble_off_centre = "0.5 mm"
mark = "0.3 mm"

[supports.pole]
kind = "pole"
height = "graduated"
height_sigma = "0.7 mm"

[supports.legs]
kind = "tribrach"
height = "slant"
height_sigma = "2 mm"
slant_radius = "0.1 m"

[targets.mini]
constant = "17.5 mm"

[[decision]]
leave_out = "sight 7"
reason = "prism kicked over"

[[decision]]
correct = "setup T2 height"
value = "1.532 m"
reason = "photo of the pole"
by = "party chief"
""",
    "marks.csv": """\
mark,east,north,height,control,sigma_east,sigma_north,sigma_height,note
Q1,1000,2000,12.5,held,,,,
Q2,1040.5,2000.25,12.7,weighted-en held-h,0.002,2 mm,,"bolt, east wall"
Q3,,,,,,,,
Q4,1020.1,2030.2,,,,,,start value
""",
    "setups.csv": """\
setup,role,mark,support,device,height,base,height_base,prism_constant,note
I1,instrument,Q1,legs,ts-a,1.503,,,,
T1,target,Q2,low-stand,mini,,B1,,,
T2,target,Q3,pole,prism,1.352,,,0.004,
T3,target,Q4,pole,prism,1.600,,,,
I2,instrument,Q2,low-stand,ts-a,0.215,B1,HB,,
""",
    "sights.csv": """\
id,from,to,round,face,circle,zenith,slope,horizontal,time,note
1,I1,T1,1,1,0-00-00.0,90-00-10,40.501,,,
2,I1,T1,1,2,180-00-03.0,269-59-50,40.502,,,
3,I1,T2,1,1,45 10 10.5,91-00-00,20.001,,,
4,I1,T2,1,2,225 10 12.5,268-59-58,20.002,,,
5,I1,T3,,1,47-30-00,89-10-10,36.25 m,,,
6,I2,T3,1,1,300-00-00,,,36.2,,"first line
second line"
7,I2,T2,1,1,270.5 deg,91-30-00,30.123,,,
""",
    "reduced.csv": """\
id,kind,from,at,to,value,sigma,note
R1,rise,Q1,,Q2,0.2003,0.3 mm,
R2,angle,Q1,Q2,Q3,45-00-10,3 arcsec,
R3,azimuth,Q1,,Q4,33-40-00,20 arcsec,
R4,horizontal,Q1,,Q2,40.5008,1.2 mm,
""",
    "vectors.csv": """\
id,from,to,de,dn,du,cov_11,cov_12,cov_13,cov_22,cov_23,cov_33,note
V1,Q1,T2,14.1,14.2,-0.3,4e-6,0,0,4e-6,1e-6,9e-6,
""",
}


class JobFolder:
    """A job in a folder of its own, to be spoilt and read."""

    def __init__(self, path: Path) -> None:
        self.path = path
        for name, text in FILES.items():
            self.write(name, text)

    def write(self, name: str, text: str | bytes) -> None:
        """Write a file exactly as given."""
        (self.path / name).write_bytes(text.encode() if isinstance(text, str) else text)

    def change(self, name: str, old: str, new: str) -> None:
        """Exchange the one place at which a text occurs."""
        text = (self.path / name).read_bytes().decode()
        assert text.count(old) == 1, f"{old!r} occurs {text.count(old)} times in {name}"
        self.write(name, text.replace(old, new))

    def cell(self, name: str, key: str, column: str, value: str) -> None:
        """Exchange one cell of the row whose first cell is `key` (the header, for key "")."""
        rows = list(csv.reader(io.StringIO((self.path / name).read_bytes().decode(), newline="")))
        at = rows[0].index(column)
        row = next(r for r in rows if r[0] == key) if key else rows[0]
        row[at] = value
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerows(rows)
        self.write(name, out.getvalue())

    def read(self) -> Job:
        """The job."""
        return read_job(self.path)

    def faults(self) -> list[Fault]:
        """The faults that reading raises; fails where there are none."""
        with pytest.raises(Faults) as caught:
            read_job(self.path)
        return caught.value.faults


@pytest.fixture
def job(tmp_path: Path) -> JobFolder:
    """A valid job with every table, several units and two decisions."""
    folder = tmp_path / "quay"
    folder.mkdir()
    return JobFolder(folder)


@pytest.fixture(scope="session")
def make_job() -> Callable[[Path], JobFolder]:
    """Makes the valid job in a given folder: for property tests, which need a new one for every example."""
    return JobFolder


@pytest.fixture
def ropeway(tmp_path: Path) -> Path:
    """A copy of the sample on a mountain, to be changed."""
    folder = tmp_path / "ropeway"
    shutil.copytree(ROPEWAY, folder, ignore=shutil.ignore_patterns("out"))
    return folder

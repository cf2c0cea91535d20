"""A day at a lock that is only planned: two control marks, three new ones, sights without readings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from hubtack.io.cli import cli

JOB = """format = 1
[job]
name = "Lock gate control, plan"
[instruments.ts]
direction = "1 arcsec"
zenith = "1 arcsec"
distance = "1 mm + 1.5 ppm"
[supports.tripod]
kind = "tribrach"
height = "taped"
height_sigma = "1.5 mm"
plummet = "0.5 mm"
[supports.pole]
kind = "pole"
height = "graduated"
height_sigma = "0.7 mm"
bubble = "8 arcmin"
bubble_off_centre = "0.5 mm"
mark = "0.5 mm"
"""
MARKS = (
    "mark,east,north,height,control\nK1,0,0,3,held\nK2,10,90,4,held\nS1,60,20,3,\nS2,70,80,5,\nS3,130,50,6,\n"
)
SETUPS = {"I1": ("K1", {"T1": "K2", "T2": "S1", "T3": "S2"}), "I2": ("S1", {"T4": "K1", "T5": "S2", "T6": "S3"}),
          "I3": ("S2", {"T7": "S1", "T8": "S3", "T9": "K2"})}  # fmt: skip


def planned(folder: Path, marks: str = MARKS, toml: str = JOB) -> Path:
    """The job, written into a folder."""
    folder.mkdir()
    (folder / "job.toml").write_text(toml)
    (folder / "marks.csv").write_text(marks)
    setups, sights = ["setup,role,mark,support,device,height"], ["id,from,to,round,face,circle,zenith,slope"]
    for instrument, (mark, targets) in SETUPS.items():
        setups.append(f"{instrument},instrument,{mark},tripod,ts,1.6")
        setups += [f"{t},target,{m},pole,,1.5" for t, m in targets.items()]
        for number in (1, 2):
            for face in (1, 2):
                sights += [f"{len(sights)},{instrument},{t},{number},{face},,," for t in targets]
                sights = [sights[0], *(f"{k + 1}," + s.split(",", 1)[1] for k, s in enumerate(sights[1:]))]
    (folder / "setups.csv").write_text("\n".join(setups) + "\n")
    (folder / "sights.csv").write_text("\n".join(sights) + "\n")
    return folder


def run(*arguments: Any) -> Result:
    """The command line, as typed."""
    return CliRunner().invoke(cli, [str(a) for a in arguments], catch_exceptions=False)

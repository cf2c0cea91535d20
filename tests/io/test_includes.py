"""[include]: devices from other files, faults at their places, constants known together."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import numpy as np
import pytest
from tests.io.planned import run

from hubtack.adjust import adjust
from hubtack.io.faults import Fault, Faults
from hubtack.io.job import Job, read_job

SAMPLE = Path(__file__).resolve().parents[2] / "sample_networks" / "braced-traverse"
CREW = """format = 1
[instruments.ts-a]
distance_zero = "0.4 mm"
distance_zero_sigma = "0.5 mm"
distance_scale_sigma = "1.5 ppm"

[targets.mini]
constant = "17.5 mm"
constant_sigma = "0.3 mm"

[[together]]
constants = ["ts-a distance_zero", "ts-a distance_scale", "mini constant"]
correlation = [[-0.6], [0.8, -0.4]]
"""


def job(folder: Path, included: str = "", head: str = "", **files: str) -> Path:
    """The sample with files beside it; `files` are named with __ for a dot."""
    shutil.copytree(SAMPLE, folder / "job")
    text = (folder / "job" / "job.toml").read_text(encoding="utf-8")
    assert text.startswith("format = 1\n")
    names = ", ".join(f'"{n}"' for n in included.split())
    include = f"[include]\nfiles = [{names}]\n" if included else ""
    (folder / "job" / "job.toml").write_text(
        text.replace("format = 1\n", f"format = 1\n{include}{head}", 1), "utf-8"
    )
    for name, content in files.items():
        (folder / name.replace("__", ".")).write_text(content, encoding="utf-8")
    return folder / "job"


def faults(path: Path) -> list[Fault]:
    with pytest.raises(Faults) as told:
        read_job(path)
    return told.value.faults


def test_devices_come_from_the_included_file(tmp_path: Path) -> None:
    made = read_job(job(tmp_path, "../crew.toml", crew__toml=CREW))
    n = made.network
    assert n.instruments.distance_zero.tolist() == [0.4e-3]
    assert n.instruments.distance_scale_sigma.tolist() == pytest.approx([1.5e-6])
    row = n.targets.target.tolist().index("mini")
    assert n.targets.constant_sigma[row] == pytest.approx(0.3e-3)
    (known,) = n.together
    assert known.constants == (("zero", 0), ("scale", 0), ("constant", row))
    assert known.correlation == pytest.approx(np.array([[1, -0.6, 0.8], [-0.6, 1, -0.4], [0.8, -0.4, 1]]))
    assert made.files["../crew.toml"] == hashlib.sha256(CREW.encode()).hexdigest()


def test_what_is_known_together_stays_so(tmp_path: Path) -> None:
    """The scale is told by zero's readings through their correlation: its sigma falls below what it is without."""
    a = adjust(read_job(job(tmp_path, "../crew.toml", crew__toml=CREW)).network)
    bare = CREW.partition("[[together]]")[0]
    (tmp_path / "b").mkdir()
    b = adjust(read_job(job(tmp_path / "b", "../crew.toml", crew__toml=bare)).network)
    assert a.constants.name.tolist()[:2] == b.constants.name.tolist()[:2] == ["ts-a.zero", "ts-a.scale"]
    assert a.constants.prior_sigma[:2] == pytest.approx([0.5e-3, 1.5e-6])
    assert np.all(np.abs(a.constants.sigma[:2] / b.constants.sigma[:2] - 1.0) > 1e-3)


def test_a_result_names_the_included_file(tmp_path: Path) -> None:
    folder = job(tmp_path, "../crew.toml", crew__toml=CREW)
    result = run("adjust", folder, "--json")
    assert result.exit_code in (0, 1)
    assert hashlib.sha256(CREW.encode()).hexdigest() in result.stdout


def test_the_job_goes_before_what_it_includes(tmp_path: Path) -> None:
    crew = '[supports.low-stand]\nheight_sigma = "9 mm"\nkind = "stand"\n'
    other = '[instruments.ts-a]\ndistance_zero_sigma = "7 mm"\n'
    made: Job = read_job(
        job(tmp_path, "../crew.toml ../b.toml", crew__toml=CREW + crew, b__toml="format = 1\n" + other)
    )
    plain = read_job(SAMPLE)
    assert made.network.supports.height_sigma.tolist() == plain.network.supports.height_sigma.tolist()
    assert made.network.instruments.distance_zero_sigma.tolist() == [0.5e-3]
    told = [r.text for r in made.remarks if r.code == "REM541"]
    assert len(told) == 2
    assert "low-stand height_sigma" in told[0]
    assert "kind" not in told[0]  # said alike
    assert "../b.toml" in told[1]


def test_a_constant_that_the_job_states_itself_is_known_alone(tmp_path: Path) -> None:
    folder = job(tmp_path, "../crew.toml", crew__toml=CREW)
    text = (folder / "job.toml").read_text(encoding="utf-8")
    header = next(line for line in text.splitlines() if line.startswith("[instruments."))
    text = text.replace(header, header + '\ndistance_scale_sigma = "3 ppm"')
    (folder / "job.toml").write_text(text, encoding="utf-8")
    (known,) = read_job(folder).network.together
    assert [name for name, _ in known.constants] == ["zero", "constant"]
    assert known.correlation[0, 1] == 0.8


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ('format = 1\n[supports.x]\nkind = "stool"\n', "../crew.toml:3:8: JOB105", "stand, pole"),
        ('format = 1\n[supports.x]\nheight = "fixed"\n', "../crew.toml:2:1: JOB104", "has no kind"),
        ('format = 1\n[marks]\nkind = "stool"\n', "../crew.toml:2:2: JOB103", "instruments"),
        ("format = 1\n[supports.x\n", "../crew.toml:2:", "not TOML"),
        ("", "../crew.toml: RUN413", "empty"),
        ("# nothing\n", "../crew.toml:1:1: JOB102", "format"),
        ('format = 1\n[include]\nfiles = ["../crew.toml"]\n', "../crew.toml:3:10: JOB131", "includes itself"),
        ('format = 1\n[include]\nfiles = ["../d.toml"]\n', "../d.toml:3:10: JOB131", "../crew.toml → ../d.toml → ../crew.toml"),
        (CREW.replace("[[-0.6], [0.8, -0.4]]", "[[-0.6]]"), "../crew.toml:13:15: JOB132", "3 constants need rows of 1, 2"),
        (CREW.replace("[[-0.6], [0.8, -0.4]]", "[[0.9], [0.9, -0.9]]"), "../crew.toml:13:15: JOB132", "positive definite"),
        (CREW.replace('"ts-a distance_scale"', '"ts-a scale"'), "../crew.toml:12:", "constants"),
        (CREW.replace('"ts-a distance_scale"', '"ts-b distance_scale"'), "../crew.toml:12:", 'Is "ts-a" meant?'),
        (CREW.replace('distance_scale_sigma = "1.5 ppm"\n', ""), "../crew.toml:11:", "has no sigma"),
        (CREW.replace("[-0.6]", '["a"]'), "../crew.toml:13:", "a number"),
    ],
)  # fmt: skip
def test_faults_stand_in_the_included_file(tmp_path: Path, text: str, place: str, words: str) -> None:
    back = 'format = 1\n[include]\nfiles = ["../crew.toml"]\n'
    told = faults(job(tmp_path, "../crew.toml", crew__toml=text, d__toml=back))
    assert len(told) == 1
    assert str(told[0]).startswith(place)
    assert words in str(told[0])


def test_files_that_are_not_there_and_paths_that_cannot_be(tmp_path: Path) -> None:
    folder = job(tmp_path, "../crew.toml /etc/crew.toml C:/crew.toml job.toml", head="# [x]\n")
    told = [str(f) for f in faults(folder)]
    assert len(told) == 4
    assert sum("JOB131" in t for t in told) == 3
    assert any(
        t.startswith("../crew.toml: RUN412 There is no such file. Paths run from the job's folder")
        for t in told
    )


def test_one_file_by_two_ways_is_read_once(tmp_path: Path) -> None:
    a = 'format = 1\n[include]\nfiles = ["../crew.toml"]\n'
    made = read_job(job(tmp_path, "../a.toml ../b.toml", a__toml=a, b__toml=a, crew__toml=CREW))
    assert len(made.network.together) == 1
    assert not [r for r in made.remarks if r.code == "REM541"]


def test_landxml_keeps_what_is_known_together(tmp_path: Path) -> None:
    folder = job(tmp_path, "../crew.toml", crew__toml=CREW)
    assert run("adjust", folder, "--write", "landxml").exit_code in (0, 1)
    before, after = read_job(folder).network, read_job(folder / "out" / "network.xml").network
    assert after.instruments.distance_zero == pytest.approx(before.instruments.distance_zero)
    assert after.together[0].constants == before.together[0].constants
    assert after.together[0].correlation.tolist() == before.together[0].correlation.tolist()


def test_a_constant_stated_otherwise_takes_no_sigma_from_the_included_file(tmp_path: Path) -> None:
    """The sigma was found about the value of the passport, not about the job's."""
    folder = job(tmp_path, "../crew.toml", crew__toml=CREW)
    text = (folder / "job.toml").read_text(encoding="utf-8") + '\n[targets.mini]\nconstant = "18 mm"\n'
    (folder / "job.toml").write_text(text, encoding="utf-8")
    made = read_job(folder)
    row = made.network.targets.target.tolist().index("mini")
    assert made.network.targets.constant[row] == pytest.approx(18e-3)
    assert made.network.targets.constant_sigma[row] == 0.0
    assert [name for name, _ in made.network.together[0].constants] == ["zero", "scale"]
    assert any("mini constant" in r.text for r in made.remarks)

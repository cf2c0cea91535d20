"""Folders that are no job, files that can't be read, and mistakes that are told once and not again in other words."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from hubtack.io.faults import Faults
from hubtack.io.job import read_job

if TYPE_CHECKING:
    from .conftest import JobFolder


def _told(path: Path) -> list[tuple[str, int, str]]:
    with pytest.raises(Faults) as caught:
        read_job(path)
    return [(f.file, f.row, f.code) for f in caught.value.faults]


def test_folders_that_are_no_job(job: JobFolder, tmp_path: Path) -> None:
    with pytest.raises(Faults, match=r'RUN401.*Is ".*quay" meant') as caught:
        read_job(tmp_path / "quai")
    assert caught.value.faults[0].file == str(tmp_path / "quai")
    assert _told(job.path / "marks.csv")[0][2] == "RUN402"
    assert _told(tmp_path)[0][2] == "RUN411"
    (tmp_path / "day.xlsx").write_bytes(b"PK")
    assert _told(tmp_path / "day.xlsx")[0][2] == "RUN416"
    assert _told(Path("a" * 5000))[0][2] == "RUN401"


@pytest.mark.parametrize(
    ("name", "content", "row", "code"),
    [
        ("marks.csv", None, 0, "RUN412"),
        ("setups.csv", None, 0, "RUN412"),
        ("marks.csv", b"", 0, "RUN413"),
        ("marks.csv", b"\xef\xbb\xbf\r\n \n", 0, "RUN413"),
        ("job.toml", b"", 0, "RUN413"),
        ("sights.csv", b"\x89PNG\r\n\x1a\n\0\0\0", 3, "RUN414"),
        ("job.toml", b"\0\1\2", 1, "RUN414"),
        ("marks.csv", "mark\nA\n".encode("utf-16"), 0, "RUN414"),
        ("marks.csv", "mark\nQ1\nKöln\n".encode("latin-1"), 3, "RUN414"),
        ("marks.csv", b"mark,east,north,height,control\n", 1, "TAB227"),
    ],
)
def test_files_that_can_not_be_read(
    job: JobFolder, name: str, content: bytes | None, row: int, code: str
) -> None:
    if content is None:
        (job.path / name).unlink()
    else:
        job.write(name, content)
    assert (name, row, code) in _told(job.path)


def test_a_folder_in_the_place_of_a_table(job: JobFolder) -> None:
    (job.path / "sights.csv").unlink()
    (job.path / "sights.csv").mkdir()
    assert ("sights.csv", 0, "RUN415") in _told(job.path)


def test_a_job_without_observations(job: JobFolder) -> None:
    for name in ("sights.csv", "reduced.csv", "vectors.csv"):
        (job.path / name).unlink()
    assert ("sights.csv", 0, "RUN412") in _told(job.path)


def test_a_device_in_the_place_of_a_table_is_not_read(job: JobFolder) -> None:
    """A pipe would be waited for, for ever; the null device is as little a file and lets the test end."""
    (job.path / "sights.csv").unlink()
    (job.path / "sights.csv").symlink_to(os.devnull)
    assert ("sights.csv", 0, "RUN415") in _told(job.path)


def test_a_link_that_leads_nowhere(job: JobFolder) -> None:
    (job.path / "sights.csv").unlink()
    (job.path / "sights.csv").symlink_to("sights.csv")
    assert ("sights.csv", 0, "RUN415") in _told(job.path)


@pytest.mark.parametrize(
    ("name", "misspelt"),
    [
        ("marks.csv", "mark.csv"),
        ("sights.csv", "sigths.csv"),
        ("vectors.csv", "vector.csv"),
        ("reduced.csv", "Reduce.csv"),
    ],
)
def test_a_file_of_almost_the_right_name(job: JobFolder, name: str, misspelt: str) -> None:
    """It is not passed over: the job would lack those observations in silence."""
    (job.path / name).rename(job.path / misspelt)
    told = _told(job.path)
    assert (misspelt, 0, "RUN417") in told
    assert all(code != "RUN412" for _, _, code in told)


def test_other_files_in_the_folder_are_nobodys_business(job: JobFolder) -> None:
    for name in ("truth.csv", "marks-old.csv", "marks2.csv", "notes.txt", "setups_backup.csv", "photo.jpg"):
        job.write(name, "x")
    assert job.read().remarks == ()


# -- one mistake, one fault --


def test_a_misspelt_column_is_told_once(job: JobFolder) -> None:
    """And what its cells would have said is not held against the rows."""
    for name, column in (
        ("marks.csv", "east"),
        ("setups.csv", "role"),
        ("setups.csv", "height"),
        ("sights.csv", "to"),
    ):
        text = (job.path / name).read_text()
        job.write(name, text.replace(f",{column},", f",{column}x,", 1))
        assert _told(job.path) == [(name, 1, "TAB202")]
        job.write(name, text)


def test_a_column_of_names_that_is_misspelt(job: JobFolder) -> None:
    """No mark is known then, and no table is blamed for naming one."""
    job.change("marks.csv", "mark,east", "mrak,east")
    assert _told(job.path) == [("marks.csv", 1, "TAB202")]


def test_a_missing_column_is_told_once(job: JobFolder) -> None:
    text = (job.path / "reduced.csv").read_text()
    lines = [line.split(",") for line in text.splitlines()]
    for column in (1, 2, 4, 5, 6):
        job.write(
            "reduced.csv", "\n".join(",".join(c for i, c in enumerate(x) if i != column) for x in lines)
        )
        assert _told(job.path) == [("reduced.csv", 1, "TAB201")]


def test_a_table_without_its_header(job: JobFolder) -> None:
    text = (job.path / "setups.csv").read_text()
    job.write("setups.csv", text.partition("\n")[2])
    assert _told(job.path) == [("setups.csv", 1, "TAB201")]


def test_a_row_with_a_comma_too_many_is_told_once(job: JobFolder) -> None:
    job.change("marks.csv", "weighted-en held-h", "weighted-en,held-h")
    assert _told(job.path) == [("marks.csv", 3, "TAB207")]


def test_a_quotation_that_swallows_the_rest(job: JobFolder) -> None:
    """The rows behind it are lost, and nobody is blamed for naming them."""
    job.change("marks.csv", '"bolt, east wall"', '"bolt, east wall')
    assert _told(job.path) == [("marks.csv", 3, "TAB228")]


@pytest.mark.parametrize("name", ["marks.csv", "setups.csv"])
@pytest.mark.parametrize("content", [b"", b"\xff\xfe\0", None])
def test_a_table_that_is_lost_hides_no_fault_of_another(
    job: JobFolder, name: str, content: bytes | None
) -> None:
    job.cell("sights.csv", "3", "face", "3")
    if content is None:
        (job.path / name).unlink()
    else:
        job.write(name, content)
    first, second = _told(job.path)
    assert first[0] == name
    assert second == ("sights.csv", 4, "TAB214")


def test_setups_without_rows(job: JobFolder) -> None:
    job.write("setups.csv", "setup,role,mark,support,device\n")
    assert _told(job.path) == [("setups.csv", 1, "TAB227")]


def test_faulty_units_are_told_and_no_cell_is_blamed(job: JobFolder) -> None:
    job.change("job.toml", 'angle = "dms"', 'angle = "grad"')
    job.cell("setups.csv", "T3", "height", "")
    assert _told(job.path) == [("job.toml", 8, "JOB105"), ("setups.csv", 5, "TAB217")]


def test_a_faulty_support_is_told_and_no_setup_on_it(job: JobFolder) -> None:
    job.change("job.toml", 'kind = "pole"', 'kind = "pile"')
    assert _told(job.path) == [("job.toml", 41, "JOB105")]


def test_accents_written_in_two_ways_are_one_name(job: JobFolder) -> None:
    job.change("marks.csv", "Q4,", "K\u00f6,")
    for name in ("setups.csv", "reduced.csv"):
        job.change(name, ",Q4,", ",Ko\u0308,")
    network = job.read().network
    assert network.marks.mark[network.setups.mark[3]] == "K\u00f6"


def test_what_a_terminal_must_not_see_is_made_visible(job: JobFolder) -> None:
    job.change("job.toml", "[supports.pole]", '[supports."a\\u001b[31m\\nb"]\ncolour = 1')
    with pytest.raises(Faults) as caught:
        read_job(job.path)
    assert all(line.isprintable() for line in str(caught.value).split("\n"))
    first, second = str(caught.value).split("\n")[:2]
    assert first.startswith(r'job.toml:40:1: JOB116 "a\x1b[31m\nb" can')
    assert second.startswith("job.toml:41:1: JOB103 There is no key colour in [supports.a")

"""Decisions: what each does to the network, what it cures, and what is told of one that does nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from hubtack.io.job import Job

if TYPE_CHECKING:
    from .conftest import JobFolder


def decide(job: JobFolder, *lines: str) -> None:
    """Put these decisions in the place of the job's own; `reason` is added."""
    text = (job.path / "job.toml").read_text()
    text = text[: text.index("[[decision]]")]
    for line in lines:
        text += f'[[decision]]\n{line}\nreason = "crew note"\n\n'
    job.write("job.toml", text)


def read(job: JobFolder, *lines: str) -> Job:
    decide(job, *lines)
    return job.read()


def test_what_was_decided_is_kept_for_the_record(job: JobFolder) -> None:
    first, second = job.read().decisions
    assert (first.action, first.what, first.value, first.before) == ("leave_out", "sight 7", "", "")
    assert (first.reason, first.by, first.place) == ("prism kicked over", "", "job.toml:54")
    assert (second.action, second.what, second.value, second.before) == (
        "correct",
        "setup T2 height",
        "1.532 m",
        "1.352 m",
    )
    assert (second.reason, second.by, second.place) == ("photo of the pole", "party chief", "job.toml:58")


def test_leaving_out_a_sight_is_one_row(job: JobFolder) -> None:
    network = read(job, 'leave_out = "sight 2"').network
    assert list(network.sights.used) == [True, False, True, True, True, True, True]
    assert network.left_out == frozenset()


def test_leaving_out_a_setup_is_all_its_sights_and_vectors(job: JobFolder) -> None:
    network = read(job, 'leave_out = "setup T2"').network
    assert list(network.sights.used) == [True, True, False, False, True, True, False]
    assert list(network.vectors.used) == [False]
    network = read(job, 'leave_out = "setup I2"').network
    assert list(network.sights.used) == [True] * 5 + [False, False]


def test_leaving_out_an_observation(job: JobFolder) -> None:
    """Of sights by the first row in use of the pair and round; of the other tables by their id."""
    assert read(job, 'leave_out = "observation 1.zenith"').network.left_out == {"1.zenith"}
    assert read(job, 'leave_out = "observation 6.horizontal"').network.left_out == {"6.horizontal"}
    assert read(job, 'leave_out = "observation 6.distance"').network.left_out == {"6.horizontal"}
    network = read(job, 'leave_out = "sight 1"', 'leave_out = "observation 2.distance"').network
    assert network.left_out == {"2.distance"}
    assert list(read(job, 'leave_out = "observation R1.rise"').network.reduced.used) == [
        False,
        True,
        True,
        True,
    ]
    network = read(job, 'leave_out = "observation R2"', 'leave_out = "observation V1"').network
    assert list(network.reduced.used) == [True, False, True, True]
    assert list(network.vectors.used) == [False]
    assert network.left_out == frozenset()


def test_leaving_out_control_keeps_start_values(job: JobFolder) -> None:
    marks = read(job, 'leave_out = "control Q2"').network.marks
    assert marks.sigma_east[1] == marks.sigma_north[1] == marks.sigma_height[1] == np.inf
    assert marks.east[1] == 1040.5
    assert marks.sigma_east[0] == 0


def test_corrections(job: JobFolder) -> None:
    corrected = read(
        job,
        'correct = "setup T3 height"\nvalue = "5 ft"',
        'correct = "setup T2 mark"\nvalue = "Q4"',
        'correct = "setup T2 prism_constant"\nvalue = "17.5 mm"',
        'correct = "sight 2 face"\nvalue = 2',
    )
    setups = corrected.network.setups
    assert setups.height[3] == pytest.approx(1.524)
    assert corrected.network.marks.mark[setups.mark[2]] == "Q4"
    assert setups.prism_constant[2] == pytest.approx(0.0175)
    assert [d.before for d in corrected.decisions] == ["1.600 m", "Q3", "0.004 m", "2"]


def test_names_with_spaces(job: JobFolder) -> None:
    job.cell("setups.csv", "T3", "setup", "T 3 height")
    job.change("sights.csv", "5,I1,T3", "5 b,I1,T 3 height")
    job.change("sights.csv", "6,I2,T3", "6,I2,T 3 height")
    job.cell("marks.csv", "Q2", "note", "")
    network = read(
        job, 'correct = "setup T 3 height height"\nvalue = "1 m"', 'leave_out = "observation 5 b.zenith"'
    ).network
    assert network.setups.height[3] == 1.0
    assert network.left_out == {"5 b.zenith"}


def test_a_correction_cures_what_could_not_be_read(job: JobFolder) -> None:
    job.cell("setups.csv", "T3", "height", "")
    job.cell("setups.csv", "T2", "mark", "Q77")
    job.cell("sights.csv", "2", "face", "1")
    cured = read(
        job,
        'correct = "setup T3 height"\nvalue = "1.6 m"',
        'correct = "setup T2 mark"\nvalue = "Q3"',
        'correct = "sight 2 face"\nvalue = "2"',
    )
    assert cured.network.setups.height[3] == 1.6
    assert cured.decisions[0].before == "blank"
    assert list(cured.network.sights.face[:2]) == [1, 2]


def test_what_is_left_out_may_hold_any_reading(job: JobFolder) -> None:
    job.cell("sights.csv", "3", "slope", "----")
    job.cell("sights.csv", "5", "zenith", "269-10-10")
    job.cell("reduced.csv", "R1", "value", "???")
    faults = {(f.file, f.row) for f in job.faults()}
    assert faults == {("sights.csv", 4), ("sights.csv", 6), ("reduced.csv", 2)}
    network = read(
        job,
        'leave_out = "observation 3.distance"',
        'leave_out = "sight 5"',
        'leave_out = "observation R1"',
    ).network
    assert network.left_out == {"3.distance"}
    assert not network.sights.used[4]
    assert not network.reduced.used[0]


def test_a_setup_left_out_needs_no_height(job: JobFolder) -> None:
    job.cell("setups.csv", "T3", "height", "")
    assert [f.code for f in job.faults()] == ["TAB217"]
    assert np.isnan(read(job, 'leave_out = "setup T3"').network.setups.height[3])


@pytest.mark.parametrize(
    ("line", "code", "column", "words"),
    [
        ('leave_out = "sight 99"', "JOB111", 13, '"99"'),
        ('leave_out = "setup t2"', "JOB111", 13, 'Is "T2" meant?'),
        ('leave_out = "control Q9"', "JOB111", 13, "mark"),
        ('leave_out = "control Q3"', "JOB112", 13, "no control"),
        ('leave_out = "sight R1"', "JOB111", 13, 'Write "observation R1".'),
        ('leave_out = "observation V1.de"', "JOB112", 13, 'Write "observation V1".'),
        ('leave_out = "observation R1.angle"', "JOB111", 13, "no observation"),
        ('leave_out = "mark Q1"', "JOB110", 13, "sight N"),
        ('leave_out = "sight"', "JOB110", 13, "sight N"),
        ('leave_out = "everything"', "JOB110", 13, "sight N"),
        ('leave_out = "observation 99.zenith"', "JOB111", 13, "no observation"),
        ('leave_out = "observation 1.zenit"', "JOB111", 13, 'Is "1.zenith" meant?'),
        ('leave_out = "observation 1"', "JOB112", 13, "sight 1"),
        ('leave_out = "observation 2.zenith"', "JOB112", 13, "1.zenith"),
        ('leave_out = "observation 6.zenith"', "JOB112", 13, "has no zenith"),
        ('leave_out = "observation R9"', "JOB111", 13, "R"),
        ('leave_out = "sight 1"\nvalue = "2"', "JOB113", 9, "no value"),
        ('leave_out = "sight 1"\ncorrect = "sight 1 face"\nvalue = "2"', "JOB110", 1, "one of the two"),
        ('by = "nobody"', "JOB110", 1, "leave_out"),
        ('correct = "setup T2 height"', "JOB113", 1, "right value"),
        ('correct = "setup T2 height"\nvalue = "1.5"', "JOB106", 9, "has no unit"),
        ('correct = "setup T2 height"\nvalue = 2', "JOB106", 9, "has no unit"),
        ('correct = "setup T2 height"\nvalue = 1.5', "JOB107", 9, "value"),
        ('correct = "setup T2 mark"\nvalue = "Q9"', "JOB111", 9, "no mark"),
        ('correct = "setup T9 mark"\nvalue = "Q1"', "JOB111", 11, '"T9"'),
        ('correct = "setup T2 colour"\nvalue = "red"', "JOB110", 11, "prism_constant"),
        ('correct = "sight 1 face"\nvalue = "3"', "JOB113", 9, "1 or 2"),
        ('correct = "sight 1 slope"\nvalue = "3 m"', "JOB110", 11, "face"),
    ],
)
def test_a_decision_that_can_not_be(job: JobFolder, line: str, code: str, column: int, words: str) -> None:
    decide(job, line)
    (fault,) = job.faults()
    assert (fault.file, fault.column, fault.code) == ("job.toml", column, code)
    assert 54 <= fault.row <= 56
    assert words in str(fault)


def test_one_thing_decided_twice(job: JobFolder) -> None:
    decide(job, 'leave_out = "sight 1"', 'leave_out = "sight  1"')
    (fault,) = job.faults()
    assert (fault.row, fault.code) == (59, "JOB115")


def test_a_moved_base_is_told_after_a_correction(job: JobFolder) -> None:
    decide(job, 'correct = "setup T1 mark"\nvalue = "Q4"')
    assert ("setups.csv", 6, "TAB223") in [(f.file, f.row, f.code) for f in job.faults()]


def test_correcting_one_face_of_a_book_without_faces(job: JobFolder) -> None:
    """The other rows stay on face 1."""
    job.write("sights.csv", "id,from,to,circle\n1,I1,T1,0\n2,I1,T1,180\n")
    faces = read(job, 'correct = "sight 2 face"\nvalue = "2"').network.sights.face
    assert list(faces) == [1, 2]


def test_control_left_out_may_be_named_in_the_datum(job: JobFolder) -> None:
    network = read(job, 'leave_out = "control Q1"').network
    assert network.marks.sigma_height[0] == np.inf


def test_reasons_are_one_line_without_orders_to_a_terminal(job: JobFolder) -> None:
    job.change("job.toml", 'reason = "prism kicked over"', 'reason = """\nprism \\u001b[31m\nkicked over"""')
    assert job.read().decisions[0].reason == "prism \\x1b[31m kicked over"


def test_names_with_two_blanks_in_them(job: JobFolder) -> None:
    job.cell("marks.csv", "Q2", "mark", "Q  2")
    job.change("job.toml", '["Q1", "Q2"]', '["Q1"]')
    job.change("job.toml", ', ["Q2", "Q3"]]', "]")
    for name in ("setups.csv", "reduced.csv"):
        text = (job.path / name).read_text()
        job.write(name, text.replace(",Q2,", ",Q  2,"))
    marks = read(job, 'leave_out = "control Q  2"').network.marks
    assert (marks.mark[1], marks.sigma_east[1]) == ("Q  2", np.inf)

"""The page's own tables: pairs against a tolerance, reductions, sigmas with reasons, what decisions do."""

from __future__ import annotations

import dataclasses
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from hubtack.adjust import adjust
from hubtack.io.job import read_job
from hubtack.io.numerals import fixed
from hubtack.io.pages.decision_effects import MOST, decisions_sheet, effects
from hubtack.io.pages.embed import json_text
from hubtack.io.pages.reductions_sheet import reductions_sheet
from hubtack.io.pages.report_grid import grid, verdict
from hubtack.io.pages.report_tables import relative_grid
from hubtack.io.pages.sigmas_sheets import instruments_sheet, reduced_sheet, supports_sheet
from hubtack.io.writers.sheets import Heading, Sheet, plain

from .made_up import levelling, made_up

SAMPLES = Path(__file__).parents[2] / "sample_networks"
DECISIONS = """
[[decision]]
correct = "setup T07 height"
value = "0.1863 m"
reason = "the drawing of the stand"
by = "party chief"

[[decision]]
leave_out = "observation 27.zenith"
reason = "shimmer over the kiln"
by = "party chief"
"""


@pytest.fixture(scope="module")
def shed(tmp_path_factory):
    """The job of a wrong height, as it is and with two decisions."""
    was = SAMPLES / "taped-height"
    now = tmp_path_factory.mktemp("decided") / "shed"
    shutil.copytree(was, now)
    text = (now / "job.toml").read_text(encoding="utf-8")
    (now / "job.toml").write_text(text + DECISIONS, encoding="utf-8")
    return was, now


def coordinates_of(folder):
    m = adjust(read_job(folder).network).marks
    return np.column_stack([m.east, m.north, m.height])


def test_effect_of_decisions_is_the_difference_of_two_adjustments(shed, tmp_path):
    was, now = shed
    job = read_job(now)
    a = adjust(job.network, job.settings)
    first, second, both = effects(a, job)
    decided = coordinates_of(now)
    assert both.moved == pytest.approx(decided - coordinates_of(was), abs=1e-9)
    assert np.abs(both.moved[:, 2]).max() > 0.005  # the wrong height was 31 mm
    # each alone, from a job.toml in which a person has deleted it
    for k, e in enumerate((first, second)):
        folder = tmp_path / str(k)
        shutil.copytree(now, folder)
        parts = (folder / "job.toml").read_text(encoding="utf-8").split("[[decision]]")
        del parts[k + 1]
        (folder / "job.toml").write_text("[[decision]]".join(parts), encoding="utf-8")
        assert e.moved == pytest.approx(decided - coordinates_of(folder), abs=1e-9)
    rows = decisions_sheet(a, job).rows
    assert [r[0] for r in rows] == ["setup T07 height", "observation 27.zenith", "all together"]
    assert rows[0][-1].startswith("variance factor ")
    worst = job.network.marks.mark[int(np.argmax(np.linalg.norm(first.moved, axis=1)))]
    assert f"; {worst} " in rows[0][-1]


def test_effects_that_can_not_be_told_say_why(shed):
    _, now = shed
    job = read_job(now)
    a = adjust(job.network, job.settings)
    large = dataclasses.replace(job, decisions=job.decisions * MOST)
    assert {e.reason for e in effects(a, large)} == {"not computed for a network of this size"}
    assert effects(a, dataclasses.replace(job, decisions=())) == ()


def test_a_decision_that_cures_what_can_not_be_read_is_told(shed, tmp_path):
    _, now = shed
    folder = tmp_path / "job"
    shutil.copytree(now, folder)
    lines = (folder / "setups.csv").read_text(encoding="utf-8").replace(",0.2175,", ",o.2175,")
    assert "o.2175" in lines
    (folder / "setups.csv").write_text(lines, encoding="utf-8")
    job = read_job(folder)
    found = effects(adjust(job.network, job.settings), job)
    assert found[0].reason == found[2].reason == "without it the job can't be read"
    assert not found[1].reason


def test_pairs_against_their_tolerance():
    adjustment, job = made_up(12)
    r = adjustment.relative
    axes = np.linspace(0.5e-3, 6e-3, len(r))
    adjustment = dataclasses.replace(adjustment, relative=r.replace(semi_major=axes))
    job = dataclasses.replace(job, goals={"tolerance": {"relative": (2e-3, 20e-6)}})
    found = relative_grid(adjustment, job)
    limit = 0.002 + 20e-6 * r.distance
    heads = [h.words for h in found.headings]
    assert found.flagged == set(np.flatnonzero(axes > limit).tolist())
    assert 0 < len(found.flagged) < len(r)
    assert found.columns[heads.index("verdict")] == [
        "✗ misses" if a > t else "✓ meets" for a, t in zip(axes, limit, strict=True)
    ]
    assert found.columns[heads.index("tolerance")] == [f"{1e3 * t:.2f}" for t in limit]
    assert f"{int((axes <= limit).sum())} of {len(r)} pairs meet it" in found.note
    assert "2.0 mm + 20 ppm" in found.note
    assert "No tolerance is stated" in relative_grid(adjustment, dataclasses.replace(job, goals={})).note


def told(sheet, what):
    return [r for r in sheet.rows if r[0] == what]


def as_if_adjusted(read):
    """A job whose readings are made up, with an adjustment of its shape: for what only the network decides."""
    return dataclasses.replace(
        made_up(len(read.network.marks))[0], network=read.network, settings=read.settings
    )


def test_reductions_say_what_was_done_and_where(job):
    read = job.read()
    a = as_if_adjusted(read)
    sheet = reductions_sheet(a, read)
    constants = {r[1]: r[2] for r in told(sheet, "prism constant")}
    assert "mini: " in constants["17.5 mm added"]
    assert "T1" in constants["17.5 mm added"]
    assert "as the setup states: " in constants["4.0 mm added"]
    assert "T2" in constants["4.0 mm added"]
    (slant,) = told(sheet, "slant height made vertical")
    vertical = (1.503**2 - 0.1**2) ** 0.5
    assert slant[1] == f"{1e3 * (vertical - 1.503):.1f} mm"
    assert f"I1 1.503 to {vertical:.3f}" in slant[2]
    (bent,) = told(sheet, "curvature and refraction")
    m = a.marks  # zenith angles: I1 on Q1 to T1 on Q2, T2 on Q3 and T3 on Q4, of which 7 to T2 is left out
    far = max(np.hypot(m.east[k] - m.east[0], m.north[k] - m.north[0]) for k in (1, 2, 3))
    drop = (1.0 - 0.21) * far**2 / (2.0 * 6_371_000.0)
    assert bent[1] == f"k = 0.210 (estimated); up to {1e3 * drop:.2f} mm of height"
    (faces,) = told(sheet, "both faces")
    # I1 to T1 and T2 on both faces: a direction and a zenith angle each
    assert faces[2].startswith("4 ")
    (one,) = told(sheet, "one face alone")
    assert "I1" in one[2]


def test_sigmas_come_with_their_reason(job):
    job.change("job.toml", 'height_sigma = "0.7 mm"\n', "")
    read = job.read()
    a = as_if_adjusted(read)
    supports = {r[0]: r for r in supports_sheet(a, read).rows}
    # stand: h·tan(60″·0.5/2), mark 0.3 mm, at the median of 0.210 and 0.215 m
    tilt = np.tan(np.radians(60 / 3600) * 0.25) * 0.2125
    assert supports["low-stand"][4] == f"{1e3 * np.hypot(tilt, 3e-4):.2f}"
    assert "mark 0.30" in supports["low-stand"][5]
    assert "known by construction; as job.toml states" in supports["low-stand"][7]
    assert "by default for this kind" in supports["pole"][7]
    assert supports["pole"][6] == "0.70"
    (instrument,) = instruments_sheet(a, read).rows
    assert instrument[:6] == ("ts-a", "1.00", "1.50", "1.00 mm + 1.5 ppm", "2.00 mm + 2.0 ppm", "2")


def test_reduced_rows_state_their_own_sigmas():
    read = read_job(SAMPLES / "by-hand")
    (rise,) = reduced_sheet(adjust(read.network, read.settings), read).rows
    assert rise == ("rise", "3", "0.40 to 0.60 mm", "each as its row states")


def test_sheets_of_a_levelling_net_are_few():
    adjustment, job = levelling()
    assert [r[0] for r in reduced_sheet(adjustment, job).rows] == ["rise"]
    assert not reductions_sheet(adjustment, job).rows


def test_numbers_by_column_are_those_by_cell():
    values = np.array([0.0, -0.0, -0.001, 2.675, 1e9, np.nan, np.inf, -np.inf, -1.005])
    assert fixed(values, 2) == [plain(v, 2) for v in values.tolist()]


def test_columns_in_which_nothing_stands_are_not_shown():
    sheet = Sheet("T", tuple(Heading(w) for w in "abc"), (("1", "", "3"), ("4", "", "6")))
    found = grid(sheet, "t")
    assert [h.words for h in found.headings] == ["a", "c"]
    assert found.columns == (["1", "4"], ["3", "6"])


@pytest.mark.parametrize(
    ("words", "shown"),
    [("fits", "✓ fits"), ("flagged", "✗ flagged"), ("height flagged", "✗ height flagged"), ("unchecked", "! unchecked"),
     ("misses", "✗ misses"), ("left out", "– left out"), ("", "")],
)  # fmt: skip
def test_verdicts_bear_a_sign(words, shown):
    assert verdict(words) == shown


def test_json_stays_inside_its_script():
    text = json_text({"</script>": ["\u2028\u2029<!--", 1.5, None]})
    assert "<" not in text
    assert "\u2028" not in text
    assert "\u2029" not in text
    assert json.loads(text) == {"</script>": ["\u2028\u2029<!--", 1.5, None]}

"""The sample networks with a planted mistake: it is found and named, or said to be beyond telling; the cure cures."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import numpy as np
import pytest
from tests.golden import make_blunders
from tests.golden.bless import SPOILED
from tests.golden.make_blunders import BLUNDERS, SAMPLES, make, printed, quotation

from hubtack.adjust import adjust
from hubtack.adjust.ground.table import Floats, Ints
from hubtack.adjust.judge import statistics
from hubtack.adjust.judge.diagnose import judge
from hubtack.adjust.judge.finding import Finding
from hubtack.adjust.results import Adjustment
from hubtack.io.findings import written_in
from hubtack.io.job import read_job


def adjusted(folder: Path) -> tuple[Adjustment, tuple[Finding, ...]]:
    job = read_job(folder)
    a = adjust(job.network, job.settings)
    assert a.solved is not None
    return a, judge(a.solved, written_in(job.units))


def test_every_spoiled_sample_is_made_here() -> None:
    assert set(BLUNDERS) == SPOILED


@pytest.mark.parametrize(
    ("name", "what", "named", "group", "size"),
    [
        ("taped-height", "setup", "T07", "height", 0.2175 - 0.1863),
        ("prism-mix-up", "instrument", "mini-prism", "prism", -0.0175),
        ("moved-control", "control", "C3", "control", float(np.hypot(0.0141, 0.0118))),
    ],
)
def test_the_planted_mistake_is_the_one_finding(
    name: str, what: str, named: str, group: str, size: float
) -> None:
    a, findings = adjusted(SAMPLES / name)
    assert a.flagged
    (finding,) = findings
    first = finding.first
    assert (first.what, first.name, first.group) == (what, named, group)
    assert finding.told
    assert not finding.rivals
    assert abs(first.size - size) < 4.0 * first.sigma  # 4 σ: one day in 15 000 would miss it


def test_the_moved_mark_is_found_in_the_direction_in_which_it_was_pushed() -> None:
    _, (finding,) = adjusted(SAMPLES / "moved-control")
    assert np.allclose(finding.first.vector[:2], (0.0141, 0.0118), atol=4.0 * finding.first.sigma)


def test_where_nothing_can_be_told_the_cause_stands_among_equals() -> None:
    a, (finding,) = adjusted(SAMPLES / "no-telling")
    assert a.flagged
    assert not finding.told
    causes = {(e.name, e.group) for e in (finding.first, *finding.rivals)}
    assert {("T-B1", "prism"), ("T-B2", "prism"), ("B1", "control"), ("B2", "control")} <= causes
    assert finding.apart is not None
    assert list(a.marks.mark[a.marks.unchecked]) == ["N1", "N2", "N3"]


@pytest.mark.parametrize("seed", range(8))
def test_rounding_does_not_decide_who_is_printed_first(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Four of the rivals tie exactly. Evidence off by 1e-12, as between versions of a library: they stand as they were tried,
    devices before control, B1 before B2."""
    exact = statistics.evidence
    rng = np.random.default_rng(seed)

    def rounded(T: Floats, q: Ints) -> Floats:
        return np.asarray(exact(T, q) * (1.0 + 1e-12 * rng.uniform(-1.0, 1.0, len(T))))

    monkeypatch.setattr(statistics, "evidence", rounded)
    _, (finding,) = adjusted(SAMPLES / "no-telling")
    tied = [(e.name, e.cause) for e in finding.rivals if e.cause in ("off_mark", "control_moved")]
    assert tied == [
        ("T-B1", "off_mark"), ("T-B2", "off_mark"), ("B1", "control_moved"), ("B2", "control_moved"),
    ]  # fmt: skip


def test_where_nothing_can_be_told_every_choice_passes_and_each_puts_the_nails_elsewhere(
    tmp_path: Path,
) -> None:
    """What its README says of decisions: the check goes with what is left out."""
    places = []
    for what in ("setup T-B1", "setup T-B2", "control B1", "control B2"):
        lines = f'\n[[decision]]\nleave_out = "{what}"\nreason = "a guess"\nby = "nobody"\n'
        a, findings = adjusted(edited("no-telling", tmp_path / what, "job.toml", "", lines))
        assert not a.flagged
        assert not findings
        nails = [str(m).startswith("N") for m in a.marks.mark]
        places.append(np.column_stack([a.marks.east, a.marks.north])[nails])
    # the planted 12 mm go to one end of the line or to the other
    assert max(np.abs(p - q).max() for p in places for q in places) > 0.005


def edited(name: str, folder: Path, file: str, old: str, new: str) -> Path:
    """A copy of a sample with one text replaced, or one appended."""
    job = folder / name
    shutil.copytree(SAMPLES / name, job, ignore=shutil.ignore_patterns("out"))
    text = (job / file).read_text(encoding="utf-8")
    assert not old or text.count(old) == 1
    (job / file).write_text(text.replace(old, new) if old else text + new, encoding="utf-8")
    return job


MINI = 'mini-prism]\nmode = "prism"\nconstant = "{}"'
FREED = '\n[[decision]]\nleave_out = "control C3"\nreason = "kerb pushed"\nby = "party chief"\n'


@pytest.mark.parametrize(
    ("name", "file", "old", "new"),
    [
        ("taped-height", "setups.csv", ",0.2175,", ",,"),
        ("prism-mix-up", "job.toml", MINI.format("0 mm"), MINI.format("17.5 mm")),
        ("moved-control", "job.toml", "", FREED),
    ],
)
def test_the_cure_that_its_readme_names_cures_it(
    name: str, file: str, old: str, new: str, tmp_path: Path
) -> None:
    a, findings = adjusted(edited(name, tmp_path, file, old, new))
    assert not a.flagged
    assert not findings


@pytest.mark.parametrize("name", sorted(BLUNDERS))
def test_the_readme_quotes_what_is_printed(name: str, tmp_path: Path) -> None:
    readme = (SAMPLES / name / "README.md").read_text(encoding="utf-8")
    assert quotation(readme)[1] == printed(name, tmp_path / "out"), (
        "run: python tests/golden/make_blunders.py"
    )


@pytest.mark.parametrize("name", sorted(BLUNDERS))
def test_the_generator_makes_the_committed_tables(name: str, tmp_path: Path) -> None:
    shutil.copy(SAMPLES / name / "job.toml", tmp_path)
    make(name, tmp_path)
    made = sorted(tmp_path.glob("*.csv"))
    assert len(made) == 4
    for table in made:
        committed = (SAMPLES / name / table.name).read_text(encoding="utf-8")
        assert table.read_text(encoding="utf-8") == committed, table.name


@pytest.mark.parametrize("name", sorted(BLUNDERS))
def test_the_day_was_sound_before_it_was_spoiled(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copy(SAMPLES / name / "job.toml", tmp_path)
    sound = dataclasses.replace(BLUNDERS[name], spoil=lambda tables: None)
    monkeypatch.setitem(make_blunders.BLUNDERS, name, sound)
    make(name, tmp_path)
    a, findings = adjusted(tmp_path)
    assert not a.flagged
    assert not findings

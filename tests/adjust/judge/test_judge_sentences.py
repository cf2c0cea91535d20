"""Findings in words and in result.json: the sentence of the field, in the units of the job."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.benchmarks.catch_rate_networks import GROUNDS, solve
from tests.benchmarks.catch_rate_plants import PLANTS, case

from hubtack.adjust import Network, Settings
from hubtack.adjust.judge.causes import CAUSES
from hubtack.adjust.judge.diagnose import judge
from hubtack.adjust.judge.finding import Explanation, Finding, Remedy
from hubtack.adjust.simulate import simulate
from hubtack.io.findings import claim, decision, record, sentence, written_in
from hubtack.io.job import Job
from hubtack.io.units import Units


def day_of(name: str = "three visits, levelled", seed: int = 5) -> Network:
    rng = np.random.default_rng(seed)
    ground = GROUNDS[name](rng)
    return simulate(ground.network, ground.truth, Settings(), rng)


def job_of(network: Network, units: Units | None = None) -> Job:
    tables = ("marks", "setups", "sights", "reduced")
    lines = {t: tuple(range(2, 2 + len(getattr(network, t)))) for t in tables}
    return Job("Canal lock", Path("."), network, Settings(), units or Units(), places=lines)


def notch() -> tuple[Network, int, tuple[Finding, ...]]:
    network = day_of()
    pole = int(np.flatnonzero(network.supports.support[network.setups.support] == "pole")[1])
    height = network.setups.height.copy()
    height[pole] += 0.1
    wrong = replace(network, setups=network.setups.replace(height=height))
    return wrong, pole, judge(solve(wrong, Settings()))


def test_a_notch_reads_as_in_the_field() -> None:
    network, pole, findings = notch()
    text = sentence(findings[0], job_of(network))
    setup, mark = network.setups.setup[pole], network.marks.mark[network.setups.mark[pole]]
    entered = f"{network.setups.height[pole]:.3f} m"
    assert text.startswith(f"{setup} on {mark} (setups.csv:{pole + 2}): the height {entered} looks ")
    assert "mm too high: one notch of 100 mm fits. Rivals: none." in text
    size, spread = (float(v) for v in text.split("looks ")[1].split(" mm")[0].split(" ± "))
    assert abs(size - 100.0) < 4.0 * spread
    assert 0.1 < spread < 2.0


def test_feet_are_told_in_feet() -> None:
    network, _, findings = notch()
    text = sentence(findings[0], job_of(network, Units("ft", "gon")))
    assert " ft too high" in text
    assert "mm too" not in text
    assert f"the height {network.setups.height[findings[0].first.subject] / 0.3048:.3f} ft" in text


def test_decision_is_one_that_job_toml_takes() -> None:
    network, pole, findings = notch()
    right = network.setups.height[pole] - 0.1
    setup = network.setups.setup[pole]
    assert [decision(r, Units()) for r in findings[0].remedies] == [
        {"correct": f"setup {setup} height", "value": f"{right:.4f} m"}
    ]
    assert decision(Remedy("leave_out", "control H4"), Units()) == {"leave_out": "control H4"}
    feet = decision(Remedy("correct", "setup T1 height", 0.3048), Units("ft", "dms"))
    assert feet == {"correct": "setup T1 height", "value": "1.0000 ft"}


@pytest.mark.parametrize("cause", list(PLANTS))
def test_every_planted_cause_has_a_sentence_and_a_record(cause: str) -> None:
    settings = Settings()
    planted = next(c.planted for k in range(9) if (c := case(cause, 1, k, settings)) is not None)
    job = job_of(planted.network)
    for finding in judge(solve(planted.network, settings), written_in(job.units)):
        text = sentence(finding, job)
        assert text == " ".join(text.split()), "a slot was left empty"
        assert "nan" not in text.split()
        assert "{" not in text
        kept = json.loads(json.dumps(record(finding, job), allow_nan=False))
        assert {
            "rank",
            "what",
            "name",
            "cause",
            "size",
            "unit",
            "statistic",
            "critical",
            "probability",
        } <= set(kept)
        assert kept["what"] in ("setup", "sight", "mark", "control", "instrument")
        assert kept["cause"] in CAUSES
        assert kept["probability"] < 0.01
        assert len(kept["rivals"]) <= 10
        assert kept["text"] == text


def test_names_with_braces_do_no_harm() -> None:
    network = day_of()
    names = network.setups.setup.copy()
    names[0] = "{size} T"
    job = job_of(replace(network, setups=network.setups.replace(setup=names)))
    e = Explanation("setup", "{size} T", "off_mark", 0.02, 40.0, 0, 0.001, 2, (0.02, 0.0))
    assert claim(e, job) == "the device looks 20.0 ± 1.0 mm off its mark, towards east"


@pytest.mark.parametrize("code", list(CAUSES))
def test_every_cause_can_be_said(code: str) -> None:
    """No sentence asks for a slot that is not filled, and none names a unit of its own."""
    slots = {
        name: f"<{name}>" for name in ("size", "value", "other", "others", "entered", "right", "row", "way")
    }
    cause = CAUSES[code]
    assert cause.code == code
    said = cause.sentence.format(**slots)
    assert "{" not in said
    assert not set(said.split()) & {"mm", "m", "arcsec", "ppm", "ft"}
    assert cause.unit != "none" or "<size>" not in said

"""The summary says what the tables hold, in words that fit a terminal."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from hubtack.adjust.results import GlobalTest
from hubtack.io.pages.summary import summary
from hubtack.io.pages.terminal import as_text, speaks_unicode, wants_colour
from hubtack.io.pages.verdict import expected_false_flags, headline
from hubtack.io.units import Units

from .made_up import levelling, made_up


def text(adjustment, job, **options):
    return as_text(job.name, summary(adjustment, job), **options)


def section(sections, key):
    return next(s for s in sections if s.key == key)


def test_verdict_counts_what_is_flagged():
    adjustment, _ = made_up(flagged=True)
    readings = int(adjustment.observations.flagged.sum())
    sign, words = headline(adjustment)
    assert sign == "flagged"
    assert "1 setup" in words
    assert f"{readings} reading" in words
    adjustment, _ = made_up(flagged=False, seed=4)
    assert not adjustment.flagged
    assert headline(adjustment)[0] == "ok"


def test_verdict_without_redundancy_claims_nothing():
    adjustment, job = made_up(flagged=False, seed=4)
    nan = float("nan")
    adjustment = dataclasses.replace(
        adjustment, degrees_of_freedom=0, global_test=GlobalTest(nan, nan, nan, True)
    )
    assert headline(adjustment)[1].startswith("UNCHECKED")
    assert "nan" not in text(adjustment, job)


def test_expected_number_of_false_flags_is_alpha_times_the_tests():
    adjustment, _ = made_up()
    a = adjustment
    tests = (
        3 * len(a.network.sights) + 2 * len(a.network.setups) + 4
    )  # of five control components one has no test
    expected, counted = expected_false_flags(adjustment)
    assert counted == tests
    assert expected == pytest.approx(0.001 * tests)


@pytest.mark.parametrize("count", [3, 8, 30, 300])
@pytest.mark.parametrize("unicode", [True, False])
def test_fits_a_terminal(count, unicode):
    adjustment, job = made_up(count)
    lines = text(adjustment, job, unicode=unicode).splitlines()
    assert max(len(line) for line in lines) <= 80
    assert len(lines) <= 48
    assert unicode or text(adjustment, job, unicode=False).isascii()


def test_order_is_verdict_first_and_what_fails_before_what_fits():
    adjustment, job = made_up(30)
    keys = [s.key for s in summary(adjustment, job)]
    assert keys[0] == "verdict"
    assert keys.index("control") < keys.index("setups") < keys.index("sights") < keys.index("unchecked")
    for key in ("setups", "sights"):
        flagged = [r.sign == "flagged" for r in section(summary(adjustment, job), key).rows]
        assert flagged == sorted(flagged, reverse=True)
        assert flagged[0]


def test_estimated_constants_are_no_readings():
    adjustment, job = made_up()
    o = adjustment.observations
    kind = o.kind.copy()
    worst = int(np.argmax(np.abs(o.standardized)))
    kind[worst] = "constant"
    as_constant = dataclasses.replace(adjustment, observations=o.replace(kind=kind))
    assert "1 constant" in headline(as_constant)[1]
    assert section(summary(as_constant, job), "sights").rows[0].words[0] != o.id[worst]
    assert expected_false_flags(as_constant) == expected_false_flags(adjustment)


def test_worst_setup_tells_the_mistake_and_its_place():
    adjustment, job = made_up()
    last = len(adjustment.setups) - 1
    adjustment = dataclasses.replace(
        adjustment,
        setups=adjustment.setups.replace(
            height_error=np.where(np.arange(last + 1) == last, -0.0195, 0.0),
            redundancy_height=np.full(last + 1, 0.6),
        ),
    )
    row = section(summary(adjustment, job), "setups").rows[0].words
    # An effect drawn towards 0 by its prior: 19.5 mm at a redundancy of 0.6 are a mistake of 32.5 mm.
    assert row[3] == "32.5 too high"
    assert row[-1] == f"setups.csv:{job.places['setups'][last]}"


def test_long_lists_are_cut_and_the_rest_counted():
    adjustment, job = made_up(30)
    sights = section(summary(adjustment, job), "sights")
    assert len(sights.rows) + sights.more == 3 * len(adjustment.network.sights)
    assert f"and {sights.more} more" in text(adjustment, job)


def test_residual_at_the_target_is_the_angle_times_the_distance():
    adjustment, job = made_up(8)
    o, m = adjustment.observations, adjustment.marks
    i = int(np.flatnonzero(o.kind == "direction")[0])
    a, b = o.start_mark[i], o.end_mark[i]
    far = float(np.hypot(m.east[b] - m.east[a], m.north[b] - m.north[a]))
    worst = dataclasses.replace(adjustment, observations=o.take([i]))
    words = section(summary(worst, job), "sights").rows[0].words[2]
    assert float(words.split("=")[0]) == pytest.approx(1000.0 * o.residual[i] * far, abs=0.051)  # one decimal
    assert float(words.split("=")[1].split()[0]) == pytest.approx(o.residual[i] * 648000 / np.pi, abs=0.051)


def test_feet_and_gon():
    adjustment, job = made_up(8, units=Units("ft", "gon"))
    words = text(adjustment, job)
    assert "[0.001 ft]" in words
    assert "mgon" in words
    assert " mm" not in words.split("Decisions")[0]


def test_heights_only():
    adjustment, job = levelling()
    words = text(adjustment, job)
    assert "No east and north for all marks" in words
    assert "plane," not in words
    assert "Free in height" in words


def test_decisions_name_reason_and_person():
    adjustment, job = made_up()
    words = " ".join(text(adjustment, job).split())
    assert "Left out sight 999: prism kicked over, crew note 14:20 (party chief; job.toml:42)" in words
    assert "to 1.532 m (was 1.500 m)" in words


def test_a_name_cannot_steer_the_terminal():
    adjustment, job = made_up(name="yard\x1b[2Jgone\u202e")
    assert "\x1b" not in text(adjustment, job)
    assert "\u202e" not in text(adjustment, job)


def test_colour_never_speaks_alone():
    adjustment, job = made_up()
    coloured = text(adjustment, job, colour=True)
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == text(adjustment, job)


class _Stream:
    def __init__(self, terminal, encoding="utf-8"):
        self.encoding, self._terminal = encoding, terminal

    def isatty(self):
        return self._terminal


@pytest.mark.parametrize(
    ("terminal", "environment", "wanted"),
    [
        (True, {}, True),
        (False, {}, False),
        (True, {"NO_COLOR": "1"}, False),
        (True, {"NO_COLOR": ""}, True),
        (False, {"FORCE_COLOR": "1"}, True),
        (True, {"NO_COLOR": "1", "FORCE_COLOR": "1"}, False),
        (True, {"TERM": "dumb"}, False),
    ],
)
def test_when_colour_is_wanted(terminal, environment, wanted):
    assert wants_colour(_Stream(terminal), environment) is wanted


def test_streams_that_lack_the_signs_are_told():
    assert speaks_unicode(_Stream(True))
    assert not speaks_unicode(_Stream(True, "latin-1"))
    assert not speaks_unicode(_Stream(True, "ascii"))

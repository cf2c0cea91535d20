"""Registration at its edges: three targets, fifty, names that fit nowhere, targets without a height or without a device."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from tests.adjust.networks import INF, MM, NAN, Plan
from tests.adjust.test_registration import SQUARE, common, scanned, spread, targets

from hubtack.adjust import Adjustment, NotConverged, Undetermined, adjust
from hubtack.adjust.registration import targets as of_targets
from hubtack.adjust.registration.causes import explain
from hubtack.adjust.registration.fit import fit
from hubtack.adjust.registration.predict import predict, unseen
from hubtack.adjust.registration.story import register
from hubtack.adjust.registration.targets import standing, targets_of


def test_three_targets_check_nothing_across_their_plane() -> None:
    """Three distances are checked, and a step at right angles to the triangle changes none of them: it stays unseen, and
    tilts the cloud without bound. With five targets every step is seen."""
    three = predict(targets(SQUARE[:3]))
    found = unseen(three, SQUARE + np.array([0.0, 0.0, 3.0]), 0.001, 0.8)
    assert np.isposinf(found.detectable).all()
    assert np.isposinf(found.effect).all()
    five = predict(targets(np.vstack([SQUARE, [5.0, 4.0, 3.0]])))
    assert np.isfinite(unseen(five, SQUARE, 0.001, 0.8).detectable).all()


def test_one_wrong_of_fifty_is_named() -> None:
    """Too many triples and sets to try them all: a sample of them finds the one of 40 mm, and no other."""
    rng = np.random.default_rng(5)
    y = spread(50, rng)
    x = scanned(y, rng, 1e-3)
    wrong = x.copy()
    wrong[17] += [0.02, 0.03, -0.02]
    found = explain(fit(targets(y), wrong))
    assert found is not None
    best = found.causes[0]
    assert (best.cause, best.targets) == ("target", (17,))


def test_names_that_fit_nowhere_are_told() -> None:
    """Names drawn by lot and errors stated as metres: now and then no position is a minimum that the steps reach."""
    told = []
    for seed in (21, 24, 51, 53, 63, 65, 69, 79):
        rng = np.random.default_rng(seed)
        n = int(rng.integers(3, 8))
        y = spread(n, rng)
        x = scanned(y, rng)[rng.permutation(n)]
        try:
            fit(targets(y, common(n, rng, float(10 ** rng.uniform(-4, 0)))), x)
        except NotConverged as trouble:
            told += trouble.troubles
        except Undetermined:
            continue
    assert {t.code for t in told} == {"NET315"}
    assert all("does not settle" in t.text for t in told)


def marks_in_a_hall(height_of_last: float = 3.0) -> Adjustment:
    """Five held marks with a prism each, all seen by one station; the last may have no height."""
    p = Plan()
    p.support("stand", 0.3 * MM, 0.2 * MM)
    p.instrument()
    p.target()
    for k, (e, n, h) in enumerate([(0, 0, 1), (20, 0, 2), (20, 15, 0), (0, 15, 3), (9, 8, height_of_last)]):
        p.mark(f"T{k}", e, n, h, sigma=(0.0, 0.0, 0.0 if h == h else INF))
    s = p.station(p.mark("F", 6, 7, 1))
    for k in range(5):
        p.sight(
            s, p.prism(k, height=0.1), readings="czs" if k < 4 or height_of_last == height_of_last else "c"
        )
    p.truth[4] = (9, 8, 0 if height_of_last != height_of_last else height_of_last)
    net = p.simulated(1)
    high = net.marks.height.copy()
    if height_of_last != height_of_last:
        high[4] = NAN
    return adjust(replace(net, marks=net.marks.replace(height=high)))


def test_a_target_without_a_height_is_passed_over_and_refused_by_name() -> None:
    a = marks_in_a_hall(NAN)
    assert np.isnan(a.marks.height[4])
    marks, _ = standing(a)
    assert list(a.marks.mark[marks]) == ["T0", "T1", "T2", "T3"]
    with pytest.raises(Undetermined) as caught:
        targets_of(a, np.array([0, 4]), np.array([-1, -1]), np.full(2, 1e-3))
    (trouble,) = caught.value.troubles
    assert (trouble.code, trouble.marks) == ("NET312", ("T4",))


def test_more_targets_than_a_joint_covariance_is_made_for(monkeypatch: pytest.MonkeyPatch) -> None:
    a = marks_in_a_hall()
    monkeypatch.setattr(of_targets, "MOST", 14)
    with pytest.raises(Undetermined, match=r"5 targets are more than .*: 4 at most") as caught:
        targets_of(a, np.arange(5), np.full(5, -1), np.full(5, 1e-3))
    assert caught.value.troubles[0].code == "NET318"


def test_marks_alone_as_targets_promise_no_centring() -> None:
    """Four held marks, no device on any: a fifth is as good as its scan alone. F at (6, 7, 1), scanned to 1 mm a coordinate,
    is what predicting with five targets of 1 mm gives."""
    a = marks_in_a_hall()
    bare = targets_of(a, np.arange(4), np.full(4, -1), np.full(4, 1e-3))
    low, high = bare.centre.min(axis=0), bare.centre.max(axis=0)
    r = register(a, bare, np.ones(4, bool), low, high, np.zeros((0, 3)), scan_sigma=1e-3, candidates=[4])
    assert r.more is not None
    five = np.vstack([bare.centre, [9.0, 8.0, 3.0]])
    corners = r.asked[:8]
    alone = predict(targets(five, scan=1e-3)).covariance(corners)
    longest = np.sqrt(stats.chi2.ppf(0.95, 3) * np.linalg.eigvalsh(alone)[:, 2].max())
    assert r.more.worst == pytest.approx([longest], rel=1e-6)

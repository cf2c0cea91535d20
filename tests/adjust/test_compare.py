"""Two epochs: the congruency test on a network known in full, its independence of the datum, what moved, what is shared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from tests.adjust.networks import MM, Plan
from tests.adjust.test_known_network import network as known_network
from tests.adjust.test_plan import Silent, weir

from hubtack.adjust import Adjustment, Settings, Undetermined, adjust
from hubtack.adjust.compare import compare
from hubtack.adjust.ground.network import Network
from hubtack.adjust.simulate import simulate

TRUTH = np.array([[1000, 1000, 0], [1120, 1000, 0], [1100, 1090, 0], [1010, 1080, 0]], float)


def epoch(truth: np.ndarray, seed: int | np.random.Generator, free: bool = True) -> Adjustment:
    net = known_network(free=free)
    marks = net.marks.replace(height=np.zeros(4))
    made = simulate(replace(net, marks=marks), truth, Settings(), seed)
    return adjust(replace(made, marks=net.marks))


def silent(truth: np.ndarray, free: bool = True) -> Adjustment:
    return epoch(truth, Silent(np.random.PCG64(1)), free)


def moved(mark: int, east: float, north: float = 0.0) -> np.ndarray:
    truth = TRUTH.copy()
    truth[mark] += (east, north, 0)
    return truth


def test_six_millimetres_without_noise() -> None:
    """Derived: the quadrilateral twice, free, C moved 6 mm east: T 18.773 on 5 degrees of freedom, critical 11.070."""
    c = compare(silent(TRUTH), silent(moved(2, 6 * MM)))
    assert c.freedom == 5
    assert c.statistic == pytest.approx(
        18.773, abs=2e-3
    )  # at the truth; the figure is at adjusted coordinates
    assert c.critical == pytest.approx(11.070, abs=5e-4)
    assert not c.congruent
    assert [m.mark for m in c.moved] == ["C"]
    np.testing.assert_allclose(c.moved[0].movement[:2] / MM, [6, 0], atol=1e-2)
    assert c.rest[0] == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(("size", "within"), [(1.0, 1e-4), (1e-4, 1e-8)])
def test_the_datum_does_not_matter(size: float, within: float) -> None:
    """Up to what is not linear: differences of 4 mm over 100 m turn a covariance by 4e-5, so of 0.4 µm by 4e-9."""
    a, b = epoch(TRUTH, 1), epoch(moved(3, 4 * MM), 2)
    m = a.marks
    near = {c: getattr(m, c) + size * (getattr(b.marks, c) - getattr(m, c)) for c in ("east", "north")}
    b = replace(b if size == 1.0 else a, marks=m.replace(**near))
    whole = compare(a, b)
    for datum in (("A", "B"), ("A", "C"), ("B", "C", "D")):
        other = compare(a, b, datum=datum)
        assert other.statistic == pytest.approx(whole.statistic, rel=within)
        carried = other.difference[[whole.marks.index(m) for m in datum]]
        np.testing.assert_allclose(carried.sum(axis=0)[:2], 0.0, atol=1e-9)
        np.testing.assert_allclose(other.least, whole.least, rtol=1e-4)


def test_no_movement_no_alarm() -> None:
    """T of 300 pairs of epochs has mean 5 ± 0.18 (one standard error) and lies above the 95 % value in 5 ± 1.3 %."""
    epochs = [epoch(TRUTH, seed) for seed in range(60)]
    T = [compare(a, b).statistic for k, a in enumerate(epochs) for b in epochs[k + 1 : k + 6]]
    assert len(T) > 270
    assert np.mean(T) == pytest.approx(
        5.0, abs=0.7
    )  # the pairs share epochs: their errors are larger than those of 300
    assert np.mean(np.array(T) > 11.070) < 0.11


def test_two_moved_marks_are_both_found() -> None:
    p, settings = weir(centring=0.3 * MM, height=0.2 * MM), Settings()
    before = adjust(simulate(p.network(), np.array(p.truth, float), settings, 1))
    truth = np.array(p.truth, float)
    truth[2] += (8 * MM, 0, 0)
    truth[4] += (0, -7 * MM, 5 * MM)
    after = adjust(simulate(p.network(), truth, settings, 2))
    c = compare(before, after)
    assert {m.mark for m in c.moved} == {"C", "E"}
    for m, true in zip(c.moved, ((8, 0, 0), (0, -7, 5)), strict=True):
        sigma = np.sqrt(np.diagonal(m.covariance)) / MM
        assert (np.abs(m.movement / MM - true) < 4 * sigma).all()
        assert m.probability < 1e-4


def test_the_least_movement_is_found_as_often_as_said() -> None:
    """Power 0.80 at alpha 0.001: a movement of the least size in the worst direction gives the noncentrality of q = 2."""
    a = silent(TRUTH)
    size = compare(a, a).least[2]
    turns = np.linspace(0, np.pi, 61)
    worst = min(
        compare(a, silent(moved(2, size * np.sin(t), size * np.cos(t)))).statistic for t in turns.tolist()
    )
    assert worst == pytest.approx(19.6624, rel=0.01)  # λ0 of two degrees of freedom; directions every 3°


def test_shared_control_cancels() -> None:
    """Both epochs stand on the same weighted marks. Their error is in both: movements are known better than by adding up,
    and 200 simulated pairs that share it are congruent as often as they should be."""
    p = weir(centring=0.5 * MM, control=10 * MM)
    settings = Settings()
    truth = np.array(p.truth, float)
    T = []
    for seed in range(40):
        first = simulate(p.network(), truth, settings, seed)
        second = simulate(p.network(), truth, settings, 1000 + seed)
        second = replace(second, marks=first.marks)
        c = compare(adjust(first, settings), adjust(second, settings))
        T.append(c.statistic)
        assert c.shared == 6
    assert np.mean(T) == pytest.approx(c.freedom, abs=4 * np.sqrt(2 * c.freedom / 40))
    assert np.sqrt(c.covariance[2, 0, 0]) < 3 * MM  # 10 mm of control in each


def test_shared_bases_cancel() -> None:
    p = Plan()
    p.support("bolt", centring=2 * MM)
    p.instrument(1.0, 1.0, 1 * MM)
    p.target()
    p.held("A", 0, 0, 0)
    p.held("B", 0, 50, 0)
    p.mark("C", 40, 30, 0, known=True)
    bases = [{"base": k} for k in range(3)]
    for at in (0, 1):
        s = p.station(at, height=1.5, **bases[at])
        for t in (1 - at, 2):
            p.sight(s, p.prism(t, **bases[t]))
    a = adjust(p.simulated(1))
    apart, same = compare(a, a), compare(a, a, same_setups=[(k, k) for k in range(len(a.setups))])
    assert same.shared == 6
    assert np.trace(same.covariance[2][:2, :2]) < 0.3 * np.trace(apart.covariance[2][:2, :2])
    # what is left is what the readings alone give, twice
    from hubtack.adjust.planning.budget import budget

    assert a.solved is not None
    b = budget(a.solved, 2)
    reading = sum(
        q for s, q in zip(b.sources, b.parts, strict=True) if not s.startswith(("centring", "height"))
    )
    np.testing.assert_allclose(same.covariance[2][:2, :2], 2 * np.asarray(reading)[:2, :2], rtol=1e-6)


def test_epochs_that_lie_elsewhere_are_laid_on_one_another() -> None:
    """A free network whose start values were turned by 30° and shifted by kilometres is still the same network."""
    a = epoch(TRUTH, 1)
    turn = np.radians(30)
    R = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    elsewhere = np.column_stack([TRUTH[:, :2] @ R.T + (5000, -3000), TRUTH[:, 2]])
    net = known_network(free=True)
    marks = net.marks.replace(east=elsewhere[:, 0], north=elsewhere[:, 1], height=np.zeros(4))
    made: Network = simulate(replace(net, marks=marks), TRUTH, Settings(), 2)
    b = adjust(replace(made, marks=marks.replace(height=net.marks.height)))
    c = compare(a, b)
    assert c.congruent
    assert c.statistic == pytest.approx(compare(a, epoch(TRUTH, 2)).statistic, rel=1e-4)


def test_pooled_is_the_f_test_of_the_textbooks() -> None:
    """The pooled variance factor (f₁s₁² + f₂s₂²)/(f₁ + f₂) and scipy's F, from the figures of both adjustments."""
    a, b = epoch(TRUTH, 3), epoch(moved(1, 9 * MM), 4)
    plain, pooled = compare(a, b), compare(a, b, pooled=True)
    f1, f2, h = a.degrees_of_freedom, b.degrees_of_freedom, plain.freedom
    variance = (f1 * a.global_test.variance_factor + f2 * b.global_test.variance_factor) / (f1 + f2)
    assert pooled.variance_factor == pytest.approx(variance)
    assert plain.variance_factor is None
    assert pooled.statistic == pytest.approx(plain.statistic / variance)
    assert pooled.critical == pytest.approx(h * stats.f.isf(0.05, h, f1 + f2))
    assert pooled.probability == pytest.approx(stats.f.sf(pooled.statistic / h, h, f1 + f2))
    assert plain.critical == pytest.approx(stats.chi2.isf(0.05, h))


def bare(length: float) -> Adjustment:
    """Two sides of a triangle over held marks: nothing is redundant."""
    p = Plan()
    p.mark("A", 0, 0, 0, sigma=(0.0, 0.0, np.inf))
    p.mark("B", 100, 0, 0, sigma=(0.0, 0.0, np.inf))
    p.mark("C", 60, 80, 0, known=True)
    p.reduce("horizontal", 0, 2, 1 * MM)
    p.reduce("horizontal", 1, 2, 1 * MM)
    net = p.network()
    return adjust(replace(net, reduced=net.reduced.replace(value=[length, np.hypot(40, 80)])))


@pytest.mark.parametrize("change", [1 * MM, 6 * MM])
def test_pooled_without_redundancy_falls_back_to_the_stated_sigmas(change: float) -> None:
    """No degree of freedom, no variance factor of its own: T = (6/1)²/2 = 18 on two is beyond χ² 5.99; 0.5 is not."""
    a, b = bare(100.0), bare(100.0 + change)
    c = compare(a, b, pooled=True)
    assert (c.variance_factor, c.freedom) == (None, 2)
    assert c.statistic == pytest.approx((change / MM) ** 2 / 2.0, rel=1e-3)
    assert c.critical == pytest.approx(stats.chi2.isf(0.05, 2))
    assert c.congruent == (change < 3 * MM)


def test_held_marks_alone_have_nothing_to_compare() -> None:
    """C is in one epoch only; what is common is held, and its differences have no variance."""
    a = bare(100.0)
    b = replace(a, marks=a.marks.replace(mark=["A", "B", "D"]))
    with pytest.raises(Undetermined, match="No difference between the epochs has a variance"):
        compare(a, b)


def test_one_mark_cannot_carry_a_rotation() -> None:
    a = epoch(TRUTH, 1)
    with pytest.raises(Undetermined, match="datum marks can't carry what is free"):
        compare(a, epoch(TRUTH, 2), datum=["A"])


def levelled(heights: list[float], seed: int) -> Adjustment:
    """Three benchmarks without a known height, levelled around and back."""
    p = Plan()
    for k, h in enumerate(heights):
        p.mark("ABC"[k], 0, 0, h, known=True)
    for a, b in ((0, 1), (1, 2), (2, 0)) * 2:
        p.reduce("rise", a, b, 0.5 * MM)
    net = p.simulated(seed)
    return adjust(replace(net, marks=net.marks.replace(east=[np.nan] * 3, north=[np.nan] * 3)))


@pytest.mark.filterwarnings("error")
def test_benchmarks_without_a_known_height() -> None:
    """Free in height alone: no rotation. C sank by 5 mm against both others; their mean height carries the datum."""
    a, b = levelled([10, 11, 12], 1), levelled([10, 11, 12 - 5e-3], 2)
    c = compare(a, b, datum=["A", "B"])
    assert (a.datum, c.freedom) == (("height",), 2)
    assert [m.mark for m in c.moved] == ["C"]
    heights = b.marks.height - a.marks.height
    by_hand = heights[2] - heights[:2].mean()  # what the mean of A and B is made to stand still by
    assert c.difference[2, 2] == pytest.approx(by_hand, abs=1e-9)
    assert by_hand == pytest.approx(-5 * MM, abs=1.5 * MM)  # 0.35 mm is a sigma of it


def test_nothing_in_common() -> None:
    a = epoch(TRUTH, 1)
    b = replace(a, marks=a.marks.replace(mark=["P", "Q", "R", "S"]))
    with pytest.raises(Undetermined):
        compare(a, b)
    with pytest.raises(Undetermined):
        compare(a, a, datum=["A", "Z"])

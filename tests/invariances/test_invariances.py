"""What must not matter does not, and what must change changes as it must: over networks drawn at random.

Each bound is far below a sigma: 1e-5 of it for coordinates, which is where the iteration may stop, 2e-6 relative for
covariances, which follow the coordinates at which they were taken.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from tests.adjust.networks import adjusted
from tests.benchmarks.networks import KINDS
from tests.invariances.changes import (
    MIRROR,
    TURN,
    doubled,
    mirrored,
    moved,
    renamed,
    shuffled,
    split_by_face,
    turning,
    with_a_free_mark,
)
from tests.oracle.cases import CASES

from hubtack.adjust import Adjustment, Settings
from hubtack.adjust.ground.network import Network
from hubtack.adjust.simulate import simulate

EXAMPLES = 15
DAYS = st.tuples(st.sampled_from(list(KINDS)), st.integers(0, 10_000))
ALL = st.tuples(st.sampled_from([*KINDS, *CASES]), st.integers(0, 10_000))
SEEDS = st.integers(0, 2**31)


@cache
def drawn(day: tuple[str, int]) -> tuple[Network, Settings]:
    """The network of a name and a seed, with invented readings."""
    name, seed = day
    if name in CASES:
        plan, chosen = CASES[name]()
        return plan.simulated(seed, chosen), chosen
    rng = np.random.default_rng(seed)
    made = KINDS[name](rng)
    return simulate(made.network(), made.truth(), Settings(), rng), Settings()


@cache
def solved(day: tuple[str, int]) -> Adjustment:
    network, chosen = drawn(day)
    return adjusted(network, chosen)


def places(a: Adjustment) -> np.ndarray:
    return np.stack([a.marks.east, a.marks.north, a.marks.height], axis=1)


def near(found: np.ndarray, wanted: np.ndarray, sigma: np.ndarray | float, share: float = 1e-5) -> None:
    """Equal to a share of sigma (and a nanometre or 1e-12 rad, where the sigma is nothing), NaN alike."""
    assert np.array_equal(np.isnan(found), np.isnan(wanted))
    gap = np.abs(found - wanted)
    limit = np.broadcast_to(share * np.nan_to_num(np.asarray(sigma, float), posinf=0.0) + 1e-9, gap.shape)
    assert np.all(gap[~np.isnan(gap)] <= limit[~np.isnan(gap)]), np.nanmax(gap / limit)


def same_marks(
    found: Adjustment, wanted: Adjustment, rows: np.ndarray | slice = slice(None), more: bool = False
) -> None:
    """Coordinates and covariances alike; row i of `wanted` is rows[i] of `found`. `more` observations may check more."""
    sigma = np.stack([wanted.marks.sigma_east, wanted.marks.sigma_north, wanted.marks.sigma_height], axis=1)
    near(places(found)[rows], places(wanted), sigma)
    same_covariances(found.marks.covariance[rows], wanted.marks.covariance)
    unchecked = found.marks.unchecked[rows]
    assert (
        not (unchecked & ~wanted.marks.unchecked).any()
        if more
        else np.array_equal(unchecked, wanted.marks.unchecked)
    )


def same_covariances(found: np.ndarray, wanted: np.ndarray) -> None:
    sigma = np.sqrt(np.einsum("nii->ni", wanted))
    scale = np.nan_to_num(sigma[:, :, None] * sigma[:, None, :])
    assert np.array_equal(np.isnan(found), np.isnan(wanted))
    assert np.all(np.nan_to_num(np.abs(found - wanted)) <= 2e-6 * scale + 1e-16)


def made_of(a: Adjustment) -> list[tuple[object, ...]]:
    """What tells each observation from the others, whatever comes first: its rows, or the setups that share an effect."""
    setups = a.network.setups
    groups: dict[tuple[str, int], str] = {}
    first: dict[tuple[str, str], str] = {}
    for i, name in enumerate(setups.setup):
        for what, group in (("en", setups.base[i]), ("h", setups.height_base[i])):
            shared = groups.setdefault((what, int(group)), str(name)) if group >= 0 else str(name)
            first[what, str(name)] = shared
    least: dict[tuple[str, str], str] = {}
    for (what, name), shared in first.items():
        least[what, shared] = min(name, least.get((what, shared), name))
    keys: list[tuple[object, ...]] = []
    for kind, name, rows in zip(a.observations.kind, a.observations.id, a.observations.rows, strict=True):
        if kind == "effect":
            setup, _, axis = str(name).rpartition(".effect.")
            what = "h" if axis == "height" else "en"
            name = f"{least[what, first[what, setup]]}.{axis}"
        keys.append((kind, frozenset(rows), str(name).rpartition(".")[2]) if rows else (kind, name))
    return keys


def same_observations(found: Adjustment, wanted: Adjustment, mirror: bool = False) -> None:
    """Every observation by what it was made of: residual, sigma, redundancy, w and smallest detectable bias."""
    a, b = found.observations, wanted.observations
    at = {name: n for n, name in enumerate(made_of(found))}
    assert len(at) == len(a) == len(b)
    rows = np.array([at[name] for name in made_of(wanted)], dtype=int)
    a = a.take(rows)
    near(
        a.sigma, b.sigma, b.sigma, 1e-5
    )  # a distance's sigma is of the distance as read, or as adjusted where folded
    assert np.allclose(a.redundancy, b.redundancy, rtol=0.0, atol=1e-6)
    if not mirror:
        near(a.residual / b.sigma, b.residual / b.sigma, 1.0, 1e-5)
    sure = b.redundancy > 1e-4  # w of what is hardly checked is a quotient of roundings
    near(np.abs(a.standardized)[sure], np.abs(b.standardized)[sure], 1.0, 1e-4)
    assert np.allclose(a.minimal_detectable_bias[sure], b.minimal_detectable_bias[sure], rtol=1e-4)


def same_tests(found: Adjustment, wanted: Adjustment) -> None:
    a, b = found.global_test, wanted.global_test
    assert found.degrees_of_freedom == wanted.degrees_of_freedom
    if wanted.degrees_of_freedom:
        assert a.variance_factor == pytest.approx(b.variance_factor, rel=1e-6)
        assert (a.lower, a.upper, a.passed) == (b.lower, b.upper, b.passed)


@settings(max_examples=3 * EXAMPLES)
@given(ALL, SEEDS)
def test_the_order_of_rows(day: tuple[str, int], seed: int) -> None:
    network, chosen = drawn(day)
    wanted = solved(day)
    found = adjusted(shuffled(network, np.random.default_rng(seed)), chosen)
    place = {m: i for i, m in enumerate(found.marks.mark)}
    same_marks(found, wanted, np.array([place[m] for m in wanted.marks.mark]))
    same_observations(found, wanted)
    same_tests(found, wanted)
    place = {s: i for i, s in enumerate(found.setups.setup)}
    rows = np.array([place[s] for s in wanted.setups.setup], dtype=int)
    near(found.setups.height_error[rows], wanted.setups.height_error, wanted.setups.sigma_height)
    near(found.setups.standardized_centring[rows], wanted.setups.standardized_centring, 1.0, 1e-4)


@settings(max_examples=3 * EXAMPLES)
@given(ALL, SEEDS)
def test_names(day: tuple[str, int], seed: int) -> None:
    """To the last bit: a name is never looked at but to be written down."""
    network, chosen = drawn(day)
    other, old = renamed(network, np.random.default_rng(seed))
    new = {v: k for k, v in old.items()}
    chosen = replace(
        chosen,
        datum_marks=tuple(new[m] for m in chosen.datum_marks),
        pairs=tuple((new[a], new[b]) for a, b in chosen.pairs),
    )
    wanted, found = solved(day), adjusted(other, chosen)
    assert [old[m] for m in found.marks.mark] == list(wanted.marks.mark)
    for table in ("marks", "observations", "setups", "relative", "control", "orientations", "constants"):
        a, b = getattr(found, table), getattr(wanted, table)
        for c in a.columns():
            if c.quantity not in ("name", "names", "text"):
                assert np.array_equal(
                    getattr(a, c.name), getattr(b, c.name), equal_nan=c.quantity != "flag"
                ), c.name
    assert [old.get(r, r) for r in found.datum_marks] == list(wanted.datum_marks)


@settings(max_examples=3 * EXAMPLES)
@given(ALL, st.floats(-10.0, 10.0), st.tuples(*[st.floats(-5e4, 5e4)] * 2, st.floats(-300.0, 300.0)))
def test_the_datum_turned_and_shifted(
    day: tuple[str, int], angle: float, shift: tuple[float, float, float]
) -> None:
    """The world is turned and lifted, the sphere below it made smaller by as much: readings fit as they did.

    Coordinates of 5e4 m carry 1e-11 m, their differences a billionth of a sigma of a millimetre.
    """
    network, chosen = drawn(day)
    east, north = network.marks.sigma_east, network.marks.sigma_north
    assume(np.array_equal(east == 0.0, north == 0.0) and np.array_equal(np.isinf(east), np.isinf(north)))
    network = replace(
        network, marks=network.marks.replace(sigma_north=east)
    )  # one held in east alone can't be turned
    wanted = adjusted(network, chosen)
    lower = replace(chosen, radius=chosen.radius - shift[2])
    if chosen.reference_height is not None:
        lower = replace(lower, reference_height=chosen.reference_height + shift[2])
    elif not np.isfinite(
        network.marks.sigma_height
    ).any():  # without control the plane lies at height 0, whatever happens
        lower = replace(lower, reference_height=shift[2])
    moved_by = np.array(shift)
    found = adjusted(moved(network, angle, moved_by), lower)
    turn = turning(angle)
    expected = places(wanted)
    flat = expected[:, :2] @ turn[:2, :2].T
    expected = np.column_stack([flat, expected[:, 2]]) + moved_by
    near(
        places(found),
        expected,
        wanted.marks.sigma_height.max(initial=1e-3, where=wanted.marks.sigma_height > 0),
    )
    covariance = wanted.marks.covariance
    gaps = np.isnan(covariance)
    turned = turn @ np.nan_to_num(covariance) @ turn.T
    turned[gaps] = np.nan
    same_covariances(found.marks.covariance, turned)
    near(found.marks.semi_major, wanted.marks.semi_major, wanted.marks.semi_major)
    same_tests(found, wanted)


@settings(max_examples=3 * EXAMPLES)
@given(ALL)
def test_a_mirrored_circle(day: tuple[str, int]) -> None:
    """A circle that runs the other way round measures the world in a mirror, and nothing else about it."""
    network, chosen = drawn(day)
    wanted, found = solved(day), adjusted(mirrored(network), chosen)
    sigma = np.stack([wanted.marks.sigma_east, wanted.marks.sigma_north, wanted.marks.sigma_height], axis=1)
    near(places(found), places(wanted) * np.diag(MIRROR), sigma)
    signs = np.diag(MIRROR)
    same_covariances(found.marks.covariance, wanted.marks.covariance * signs[:, None] * signs)
    same_observations(found, wanted, mirror=True)
    same_tests(found, wanted)
    gap = np.mod(found.orientations.value + wanted.orientations.value + np.pi, TURN) - np.pi
    assert np.abs(gap).max(initial=0.0) < 1e-8


@settings(max_examples=2 * EXAMPLES)
@given(DAYS)
def test_a_round_split_in_two(day: tuple[str, int]) -> None:
    """Face 1 and face 2 with an orientation each: with every target in both they say together what their means say.

    For a round of n targets the two halves weigh ½/σ² (I − 11ᵀ/n) each, together what the mean of the faces weighs. vᵀPv
    grows by what the faces differ from their means, and the degrees of freedom by one a mean, less one orientation a round.
    """
    network, chosen = drawn(day)
    wanted, found = solved(day), adjusted(split_by_face(network), chosen)
    same_marks(found, wanted, more=True)
    o, s = wanted.observations, network.sights
    rounds = len(set(zip(s.start.tolist(), s.round.tolist(), strict=True)))
    means = int(np.isin(o.kind.astype(str), ("direction", "zenith", "distance")).sum())
    assert found.degrees_of_freedom == wanted.degrees_of_freedom + means - rounds
    grown = 0.0
    row = {str(i): k for k, i in enumerate(s.id)}
    halves: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for kind, ids, sigma in zip(o.kind, o.rows, o.sigma, strict=True):
        if kind not in ("direction", "zenith", "distance"):
            continue
        one, two = sorted((row[i] for i in ids), key=lambda k: s.face[k])
        if kind == "direction":
            difference = np.mod(s.circle[two] - s.circle[one] - np.pi + np.pi, TURN) - np.pi
            halves.setdefault((int(s.start[one]), int(s.round[one])), []).append((difference, sigma))
        else:
            difference = (
                TURN - s.zenith[two] - s.zenith[one] if kind == "zenith" else s.slope[two] - s.slope[one]
            )
            grown += (difference / 2.0 / sigma) ** 2  # two readings of √2 σ, each half the difference away
    for each in halves.values():  # their common part goes into the second orientation
        d, sigma = np.array(each).T
        grown += float((((d - d.mean()) / 2.0 / sigma) ** 2).sum())
    before = wanted.global_test.variance_factor * wanted.degrees_of_freedom
    after = found.global_test.variance_factor * found.degrees_of_freedom
    assert after == pytest.approx(before + grown, rel=1e-6)


@settings(max_examples=2 * EXAMPLES)
@given(DAYS, SEEDS)
def test_a_free_mark_more(day: tuple[str, int], seed: int) -> None:
    """A mark that one polar sight reaches changes nothing elsewhere, and is itself without a check."""
    network, chosen = drawn(day)
    wanted = solved(day)
    found = adjusted(with_a_free_mark(network, np.random.default_rng(seed)), chosen)
    n = len(wanted.marks)
    same_marks(found, wanted, np.arange(n))
    same_tests(found, wanted)
    assert found.marks.unchecked[n]
    assert np.isfinite(found.marks.covariance[n]).all()
    o = found.observations
    new = np.array(["new" in rows or str(i).startswith("new.") for i, rows in zip(o.id, o.rows, strict=True)])
    assert np.abs(o.redundancy[new]).max() < 1e-6
    assert np.abs(o.residual[new] / o.sigma[new]).max() < 1e-5
    old = replace(found, observations=o.take(~new))
    same_observations(old, wanted)


@settings(max_examples=3 * EXAMPLES)
@given(ALL)
def test_every_observation_twice_at_root_two_sigma(day: tuple[str, int]) -> None:
    """Sights repeated in their round are averaged to what they were: the same to the last test.

    Reduced rows and vectors stay two observations of the same residual, of which each has half the share in the result.
    """
    if day[0] == "textbook_rule":  # effects folded into a reading do not grow with its sigma
        day = (next(iter(KINDS)), day[1])
    network, chosen = drawn(day)
    wanted, found = solved(day), adjusted(doubled(network, rounds=False), chosen)
    same_marks(found, wanted, more=True)
    rows = 3 * int(network.vectors.used.sum()) + int(network.reduced.used.sum())
    assert found.degrees_of_freedom == wanted.degrees_of_freedom + rows
    before = wanted.global_test.variance_factor * wanted.degrees_of_freedom
    after = found.global_test.variance_factor * found.degrees_of_freedom
    assert after == pytest.approx(before, rel=1e-6, abs=1e-9)
    a, b = found.observations, wanted.observations
    one = {str(i): k for k, i in enumerate(a.id)}
    for k, name in enumerate(b.id):
        if b.kind[k] in ("rise", "azimuth", "angle", "vector") or (
            b.kind[k] == "horizontal" and "." not in name
        ):
            assert 1.0 - a.redundancy[one[name]] == pytest.approx((1.0 - b.redundancy[k]) / 2.0, abs=1e-6)


@settings(max_examples=2 * EXAMPLES)
@given(DAYS)
def test_every_round_twice_at_root_two_sigma(day: tuple[str, int]) -> None:
    network, chosen = drawn(day)
    wanted, found = solved(day), adjusted(doubled(network, rounds=True), chosen)
    same_marks(found, wanted, more=True)
    before = wanted.global_test.variance_factor * wanted.degrees_of_freedom
    after = found.global_test.variance_factor * found.degrees_of_freedom
    assert after == pytest.approx(before, rel=1e-6)


@settings(max_examples=2 * EXAMPLES)
@given(ALL, st.floats(0.1, 10.0))
def test_all_sigmas_times_a_factor(day: tuple[str, int], factor: float) -> None:
    """Coordinates stay; covariances grow by the square, vᵀPv falls by it."""
    if day[0] == "reflectorless_and_slant_heights":  # a bubble's term goes by the tangent of its tilt
        day = (next(iter(KINDS)), day[1])
    n, chosen = drawn(day)
    tools = {
        c: getattr(n.instruments, c) * factor
        for c in ("direction", "zenith", "distance", "distance_ppm", "reflectorless", "reflectorless_ppm",
                  "distance_zero_sigma", "distance_scale_sigma", "collimation_sigma", "index_sigma")
    }  # fmt: skip
    supports = {c: getattr(n.supports, c) * factor for c in ("height_sigma", "centring_sigma")}
    other = replace(
        n,
        marks=n.marks.replace(**{f"sigma_{c}": getattr(n.marks, f"sigma_{c}") * factor for c in ("east", "north", "height")}),
        instruments=n.instruments.replace(**tools),
        supports=n.supports.replace(**supports),
        reduced=n.reduced.replace(sigma=n.reduced.sigma * factor),
        vectors=n.vectors.replace(covariance=n.vectors.covariance * factor**2),
        sessions=n.sessions.replace(
            **{c: getattr(n.sessions, c) * factor for c in ("scale_sigma", "turn_sigma", "tilt_sigma")}
        ),
    )  # fmt: skip
    wanted = solved(day)
    found = adjusted(other, replace(chosen, refraction_sigma=chosen.refraction_sigma * factor))
    near(
        places(found),
        places(wanted),
        wanted.marks.sigma_height.max(initial=1e-3, where=wanted.marks.sigma_height > 0),
    )
    same_covariances(found.marks.covariance / factor**2, wanted.marks.covariance)
    if wanted.degrees_of_freedom:
        assert found.global_test.variance_factor * factor**2 == pytest.approx(
            wanted.global_test.variance_factor, rel=1e-6
        )

"""Constants of devices: as unknowns, known together, and carried from day to day."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.adjust.networks import ARCSEC, MM, Plan

from hubtack.adjust import Adjustment, Settings, adjust
from hubtack.adjust.checks.constants import Known, freed, known
from hubtack.adjust.estimate.rows import Rows
from hubtack.adjust.ground.network import KnownTogether, Network
from hubtack.adjust.model.equations import Equations
from hubtack.adjust.model.frames import Plane
from hubtack.adjust.model.reductions import reduce_readings
from hubtack.adjust.model.unknowns import place_unknowns
from hubtack.adjust.simulate import simulate

GIVEN = {
    "instruments": {"distance_zero": 2 * MM, "distance_scale": 5e-6, "index": 6 * ARCSEC, "collimation": 5 * ARCSEC},
    "targets": {"constant": 1.5 * MM},
    "supports": {"height_offset": 1 * MM},
}  # fmt: skip


def days(which: tuple[int, ...], marks: dict[str, tuple[float, float, float]] | None = None) -> Plan:
    """A weir surveyed on several days from two held marks; each day's new marks are its own, the devices are the same."""
    p = Plan()
    p.support("stand", centring=0.5 * MM, height=0.3 * MM, height_offset_sigma=1 * MM)
    p.support("pole", centring=1.0 * MM, height=0.7 * MM, height_offset_sigma=1 * MM)
    p.support("tripod", centring=0.5 * MM, height=0.5 * MM)
    sigmas = {f"{k}_sigma": v for k, v in GIVEN["instruments"].items()}
    p.instrument(1.0, 1.0, 1 * MM, distance_ppm=1.5e-6, **sigmas)
    p.target(constant_sigma=1.5 * MM)
    p.target(constant_sigma=1.5 * MM, constant=17.5 * MM)
    p.held("A", 0, 0, 10)
    p.held("B", 9, 160, 12)
    for day in which:
        east = 60.0 + 15 * day
        new = [
            p.mark(f"{name}{day}", east + e, n + 3 * day, h, known=True)
            for name, e, n, h in (("C", 0, 10, 14), ("D", -3, 95, 9), ("E", 120, 30, 20), ("F", 58, 132, 11))
        ]
        first = 10 * day + 1
        for at, to in (
            (0, (1, *new)),
            (new[0], (0, 1, *new[1:])),
            (new[1], (0, 1, new[0], new[3])),
            (1, (0, *new)),
        ):
            s = p.station(at, support=2)
            for k, t in enumerate(to):
                # one face on some days: then collimation and index are felt
                p.sight(
                    s,
                    p.prism(t, support=k % 2, device=(k + day) % 2),
                    faces=(1, 2) if k % 3 else (1,),
                    first_round=first,
                )
    return p


def observed(which: tuple[int, ...], seeds: dict[int, int]) -> Network:
    """Readings of these days, each drawn by its own seed, with one draw of the constants for all."""
    everything = days(which)
    truth = np.array(everything.truth, float)
    net = everything.network()
    rng = np.random.default_rng(7)
    drawn = {
        section: {k: s * rng.standard_normal(len(getattr(net, section))) for k, s in keys.items()}
        for section, keys in GIVEN.items()
    }
    made = _held_constants(net, drawn)
    sights = made.sights
    out = {c: getattr(sights, c).copy() for c in ("circle", "zenith", "slope")}
    day_of = sights.round // 10
    for day in which:
        single = simulate(made, truth, Settings(), seeds[day]).sights
        for c, values in out.items():
            values[day_of == day] = getattr(single, c)[day_of == day]
    return replace(net, sights=sights.replace(**out))


def _held_constants(net: Network, drawn: dict[str, dict[str, np.ndarray]]) -> Network:
    """The network whose true constants are the drawn ones, held."""
    made = {}
    for section, keys in drawn.items():
        table = getattr(net, section)
        off = {f"{k}_sigma": np.zeros(len(table)) for k in keys}
        # the reader adds a target's constant, so what is truly to be added is the stated one and the error
        made[section] = table.replace(**{k: getattr(table, k) + v for k, v in keys.items()}, **off)
    return replace(net, **made)


def part(net: Network, which: tuple[int, ...]) -> Network:
    """The sights of some days."""
    return replace(net, sights=net.sights.take(np.isin(net.sights.round // 10, which)))


def with_passport(net: Network, k: Known) -> Network:
    """The network with what is known as its prior, and with the correlations where k has them."""
    names = {"distance_zero": "zero", "distance_scale": "scale"}
    keys, tables = [], {s: getattr(net, s) for s in ("instruments", "targets", "supports")}
    for (section, owner, key), value, sigma in zip(k.names, k.value, k.sigma, strict=True):
        table = tables[section]
        row = getattr(table, section[:-1]).tolist().index(owner)
        columns = {}
        for name, new in ((key, value), (f"{key}_sigma", sigma)):
            columns[name] = getattr(table, name).copy()
            columns[name][row] = new
        tables[section] = table.replace(**columns)
        keys.append((names.get(key, key), row))
    return replace(net, **tables, together=(KnownTogether(tuple(keys), k.correlation),))


SEEDS = {1: 11, 2: 22, 3: 33}


@pytest.fixture(scope="module")
def three() -> tuple[Network, Adjustment]:
    net = observed((1, 2, 3), SEEDS)
    return net, adjust(net)


def test_a_passport_carries_earlier_days(three: tuple[Network, Adjustment]) -> None:
    """Day 3 with what days 1 and 2 told is day 3 of the adjustment of all: constants, their covariance, and the marks."""
    net, joint = three
    two = known([adjust(part(net, (1,))), adjust(part(net, (2,)))])
    assert len(two.names) == 8
    assert np.abs(two.correlation - np.eye(8)).max() > 0.5  # there is something to keep
    last = adjust(with_passport(part(net, (3,)), two))
    after, all_days = known([last]), known([joint])
    assert after.names == all_days.names == two.names
    # the days are solved where each lies; curvature of the equations between these points is 1e-6 of a sigma
    assert np.abs((after.value - all_days.value) / all_days.sigma).max() < 1e-4
    assert after.covariance / np.outer(all_days.sigma, all_days.sigma) == pytest.approx(
        all_days.correlation, abs=1e-4
    )
    for axis in ("east", "north", "height"):
        mine, theirs = getattr(last.marks, axis), getattr(joint.marks, axis)
        new = np.array([str(m).endswith("3") for m in net.marks.mark])
        sigma = getattr(joint.marks, f"sigma_{axis}")[new]
        assert np.abs((mine - theirs)[new] / sigma).max() < 1e-4
        assert getattr(last.marks, f"sigma_{axis}")[new] == pytest.approx(sigma, rel=1e-5)


def test_without_its_correlations_a_passport_says_something_else(three: tuple[Network, Adjustment]) -> None:
    net, joint = three
    two = known([adjust(part(net, (1,))), adjust(part(net, (2,)))])
    bare = adjust(replace(with_passport(part(net, (3,)), two), together=()))
    assert np.abs(bare.constants.sigma / joint.constants.sigma - 1.0).max() > 0.05


def test_days_together_are_the_joint_adjustment(three: tuple[Network, Adjustment]) -> None:
    net, joint = three
    pooled = known([adjust(part(net, (d,))) for d in (1, 2, 3)])
    assert pooled.days == (3,) * 8
    assert pooled.sigma == pytest.approx(joint.constants.sigma, rel=1e-5)
    shift = pooled.value - joint.constants.value
    shift[[n == ("targets", "prism1", "constant") for n in pooled.names]] -= (
        17.5 * MM
    )  # told whole, not as an error
    assert np.abs(shift / pooled.sigma).max() < 1e-4


def test_a_later_day_may_be_pooled_with_the_days_of_its_passport(three: tuple[Network, Adjustment]) -> None:
    """What a day brought is told from what it was given: nothing counts twice."""
    net, joint = three
    one, two = adjust(part(net, (1,))), adjust(part(net, (2,)))
    last = adjust(with_passport(part(net, (3,)), known([one, two])))
    assert known([one, two, last]).sigma == pytest.approx(joint.constants.sigma, rel=1e-4)


def test_redundancies_sum_to_the_degrees_of_freedom(three: tuple[Network, Adjustment]) -> None:
    net, _ = three
    last = adjust(with_passport(part(net, (3,)), known([adjust(part(net, (1,)))])))
    assert last.observations.redundancy.sum() == pytest.approx(last.degrees_of_freedom, abs=1e-6)


def test_the_covariance_is_that_of_a_dense_solution(three: tuple[Network, Adjustment]) -> None:
    """The same posterior, from a dense normal matrix with the inverse of the joint prior in it."""
    net, _ = three
    k = known([adjust(part(net, (1,)))])
    a = adjust(with_passport(part(net, (3,)), k))
    assert a.solved is not None
    u, x = a.solved.unknowns, a.solved.solution.x
    prior_rows = len(u.priors)
    rows = a.solved.equations.evaluate(x)
    A = np.zeros((sum(len(r.misclosure) for r in rows[:-1]), u.n + 1))
    at = 0
    for r in rows[:-1]:
        np.add.at(A, (at + np.arange(len(r.misclosure))[:, None], r.columns), r.values)
        at += len(r.misclosure)
    # unknowns x → constants c = B x: A_c = A B⁻¹
    A, c = A[:, :-1], u.constants.places
    A[:, c] = A[:, c] @ np.linalg.inv(u.constants.mixing)
    N = A.T @ A
    other = np.array([p not in c for p in u.priors.place])
    N[u.priors.place[other], u.priors.place[other]] += 1.0 / u.priors.sigma[other] ** 2
    N[np.ix_(c, c)] += np.linalg.inv(k.covariance)
    assert prior_rows == other.sum() + len(c)
    scale = 1.0 / np.sqrt(np.diagonal(N))
    Q = np.linalg.inv(N * np.outer(scale, scale)) * np.outer(scale, scale)
    assert a.constants.sigma == pytest.approx(np.sqrt(np.diagonal(Q)[c]), rel=1e-6)


def test_coefficients_are_differences_of_what_is_computed() -> None:
    """With correlated constants, offsets at both ends of a sight and targets of their own: central differences."""
    p = days((1,))
    p.setups[3]["prism_constant"] = 0.0  # this one leans on no target's constant
    p.setups[0]["support"] = 0  # and this sight on one offset at both ends
    net = simulate(p.network(), np.array(p.truth, float), Settings(), 3)
    rng = np.random.default_rng(2)
    keys = (("zero", 0), ("scale", 0), ("constant", 1), ("height_offset", 0), ("index", 0))
    square = rng.standard_normal((5, 9))
    C = square @ square.T
    d = np.sqrt(np.diagonal(C))
    net = replace(net, together=(KnownTogether(keys, C / np.outer(d, d)),))
    obs = reduce_readings(net)
    u = place_unknowns(net, obs, Settings())
    e = Equations(net, obs, u, Settings(), Plane(6_371_000.0, 11.0, 1.0), np.array(p.truth, float))
    x = e.first_guess(np.zeros(len(u.orientations)))
    x[u.constants.places] += 0.5 * u.constants.sigma_alone
    rows = e.evaluate(x)
    dense = np.concatenate([_dense(r, u.n) for r in rows])
    for c in u.constants:
        h = 0.1 * c.sigma
        up, down = x.copy(), x.copy()
        up[c.place] += h
        down[c.place] -= h
        slope = [
            (b.misclosure - a.misclosure) / (2 * h)
            for a, b in zip(e.evaluate(up), e.evaluate(down), strict=True)
        ]
        size = np.abs(dense[:, c.place]).max()
        assert np.concatenate(slope) == pytest.approx(dense[:, c.place], abs=1e-4 * size), c.label
    for r in rows:  # no unknown twice in a row
        for line in r.columns:
            there = line[line >= 0]
            assert len(set(there.tolist())) == len(there)


def _dense(r: Rows, n: int) -> np.ndarray:
    A = np.zeros((len(r.misclosure), n + 1))
    np.add.at(A, (np.arange(len(r.misclosure))[:, None], r.columns), r.values)
    return A[:, :n]


def test_constants_not_stated_are_learnt_with_a_wide_prior() -> None:
    """What is told holds the truth in 95 % of the cases; the constants of one day hang together, so 90 % of 25 days will do."""
    held = []
    for seed in range(25):
        p, rng = days((1, 2)), np.random.default_rng(seed)
        net = p.network()
        drawn = {
            section: {k: s * rng.standard_normal(len(getattr(net, section))) for k, s in keys.items()}
            for section, keys in GIVEN.items()
        }
        made = simulate(_held_constants(net, drawn), np.array(p.truth, float), Settings(), 100 + seed)
        zero = {s: np.zeros(len(getattr(net, s))) for s in GIVEN}
        plain = replace(
            net,
            sights=made.sights,
            **{
                s: getattr(net, s).replace(**{f"{k}_sigma": zero[s] for k in keys})
                for s, keys in GIVEN.items()
            },
        )
        assert not len(adjust(plain).constants)
        k = known([adjust(freed(plain))])
        assert len(k.names) == 9  # the offset of the tripods as well
        for i, (section, owner, key) in enumerate(k.names):
            table = getattr(net, section)
            row = getattr(table, section[:-1]).tolist().index(owner)
            truth = float(drawn[section][key][row]) + float(getattr(table, key)[row])
            if k.told[i]:
                held.append(abs(k.value[i] - truth) < 1.96 * k.sigma[i])
    assert len(held) >= 75
    assert np.mean(held) > 0.90


def test_a_constant_that_drifts() -> None:
    net = observed((1, 2, 3), SEEDS)
    made = [adjust(part(net, (d,))) for d in (1, 2, 3)]
    steady = known(made)
    assert [steady.verdict(i) for i in range(len(steady.names))].count("drifts") == 0
    at = steady.names.index(("instruments", "ts0", "index"))
    s = net.sights
    moved = s.replace(zenith=np.where(s.round // 10 == 3, s.zenith + 12 * ARCSEC, s.zenith))
    drifting = known([adjust(part(replace(net, sights=moved), (d,))) for d in (1, 2, 3)])
    assert drifting.verdict(at) == "drifts"
    assert drifting.by_day[at][2][1] - drifting.by_day[at][0][1] > 8 * ARCSEC


def test_what_belongs_to_a_day_is_in_no_passport() -> None:
    """Refraction is an unknown of its day, not of a device."""
    p = days((1,))
    settings = Settings(refraction_sigma=0.3)
    a = adjust(simulate(p.network(), np.array(p.truth, float), settings, 5), settings)
    assert "refraction" in a.constants.name
    k = known([a])
    assert {n[0] for n in k.names} == {"instruments", "targets", "supports"}
    assert len(k.names) == len(a.constants) - 1

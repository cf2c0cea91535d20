"""Whole networks from nothing: every mark near its true place, with clean readings and with one gross
error.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import replace

import numpy as np
import pytest

from hubtack.adjust.model.approximate import approximate
from hubtack.adjust.model.reductions import Observations
from hubtack.adjust.settings import Settings
from hubtack.adjust.trouble import Trouble, Undetermined

from .fieldwork import NETWORKS, Field, braced, lengths_only, scatter

SEEDS = range(6)

# One gross error can only be survived where the rest outvotes it: of a mark with two readings nobody can say which is
# wrong. In these networks every mark has enough (angles and zenith angles of a two-way sight included).
STRONG = (
    "polygon", "traverse", "braced", "free_stations", "directions_only", "plane_only", "lengths_only", "azimuths",
    "vectors", "levelling", "resections", "intersections", "without_control", "mixed",
)  # fmt: skip


def worst(net: Field, obs: Observations | None = None) -> float:
    """The largest error of any coordinate that readings reach, over what is allowed: 2 m or 1.2 % of the
    sights.

    Marks without readings of a sort have NaN there, by right; a mark that has readings must not.
    """
    start = net.solve(obs)
    errors, reach = net.errors(start), np.zeros(len(net.truth))
    names = list(net.truth)
    plan, high = np.zeros(len(names), dtype=bool), np.zeros(len(names), dtype=bool)
    for row in net.rows:
        a, b = names.index(str(row["start"])), names.index(str(row["end"]))
        length = math.hypot(*(np.array(net.truth[names[a]]) - np.array(net.truth[names[b]]))[:2])
        for m in (a, b):
            reach[m] = max(reach[m], length)
            plan[m] |= row["kind"] not in ("zenith", "rise", "vector.up")
            high[m] |= row["kind"] in ("zenith", "rise", "vector.up")
    allowed = np.maximum(2.0, 0.012 * reach)
    assert not np.isnan(errors[plan, 0]).any()
    assert not np.isnan(errors[high, 1]).any()
    return float(
        max((errors[:, 0] / allowed)[plan].max(initial=0), (errors[:, 1] / allowed)[high].max(initial=0))
    )


def spoil(net: Field, what: str, seed: int) -> Observations | None:
    """The observations with one gross error, or None where the network has no such reading."""
    obs, random = net.observations(), np.random.default_rng(seed)
    kinds = {
        "length": ("distance", "level", "horizontal"),
        "circle": ("direction", "azimuth", "angle"),
        "zenith": ("zenith",),
        "rise": ("rise", "vector.up"),
        "names": ("direction",),
    }[what]
    rows = np.flatnonzero(np.isin(obs.kind, kinds))
    if not len(rows):
        return None
    row, value = int(random.choice(rows)), obs.value.copy()
    if what == "names":
        same = [r for r in rows if obs.orientation[r] == obs.orientation[row] and r != row]
        other = int(random.choice(same))
        ends, marks = obs.end_setup.copy(), obs.end_mark.copy()
        a, b = obs.end_setup[row], obs.end_setup[other]
        for r in np.flatnonzero(obs.start_setup == obs.start_setup[row]):
            for mine, yours in ((row, other), (other, row)):
                if obs.end_setup[r] == obs.end_setup[mine]:
                    ends[r], marks[r] = obs.end_setup[yours], obs.end_mark[yours]
        assert a != b
        return obs.replace(end_setup=ends, end_mark=marks)
    if what == "length":
        value[row] = abs(value[row] + random.choice([100.0, -100.0, 10.0, 50.0]))
    elif what == "circle":
        value[row] += math.radians(random.choice([2.0, 5.0, -3.0, 10.0, 90.0, 180.0]))
    elif what == "zenith":
        value[row] = min(max(value[row] + math.radians(random.choice([2.0, -5.0, 10.0, -20.0])), 0.1), 3.0)
    else:
        value[row] += random.choice([10.0, -10.0, 100.0])
    return obs.replace(value=value)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", NETWORKS)
def test_clean(name: str, seed: int) -> None:
    assert worst(NETWORKS[name](seed)) < 1.0


@pytest.mark.parametrize("what", ["length", "circle", "zenith", "rise"])
@pytest.mark.parametrize("name", STRONG)
def test_one_gross_error(name: str, what: str) -> None:
    for seed in SEEDS:
        net = NETWORKS[name](seed)
        obs = spoil(net, what, zlib.crc32(f"{name} {what} {seed}".encode()))
        if obs is not None:
            assert worst(net, obs) < 1.0, seed


@pytest.mark.parametrize("name", ["polygon", "traverse", "braced", "plane_only", "directions_only", "mixed"])
def test_swapped_target_names(name: str) -> None:
    for seed in SEEDS:
        net = NETWORKS[name](seed)
        obs = spoil(net, "names", seed)
        assert obs is not None
        assert worst(net, obs) < 1.0, seed


def test_suspects_name_the_wrong_reading() -> None:
    """A distance 100 m wrong in a braced network is the one suspect."""
    for seed in SEEDS:
        net = braced(seed)
        obs = net.observations()
        row = int(np.flatnonzero(obs.kind == "distance")[7 * seed])
        value = obs.value.copy()
        value[row] += 100.0
        assert net.solve(obs.replace(value=value)).suspects == (row,)


@pytest.mark.parametrize("name", ["polygon", "traverse", "closed_late"])
def test_exchanged_names_are_told(name: str) -> None:
    """In a single traverse nothing but the exchange itself explains the readings."""
    for seed in SEEDS:
        net = NETWORKS[name](seed)
        obs = net.observations()
        targets = np.unique(obs.end_setup[obs.start_mark == 3])[:2]
        mark_of = {t: obs.end_mark[obs.end_setup == t][0] for t in targets}
        swap = {targets[0]: targets[1], targets[1]: targets[0]}
        ends = np.array([swap.get(t, t) for t in obs.end_setup])
        marks = [mark_of.get(t, m) for t, m in zip(ends, obs.end_mark, strict=True)]
        swapped = obs.replace(end_setup=ends, end_mark=marks)
        (remark,) = net.solve(swapped).remarks
        assert remark.code == "NET307"
        assert set(remark.setups) == {f"S{t}" for t in targets}
        assert worst(net, swapped) < 0.05


def test_orientations_follow_the_truth() -> None:
    net = braced(2)
    off = net.solve().orientations - np.array(net.orientations)
    assert np.abs((off + np.pi) % (2 * np.pi) - np.pi).max() < 1e-3


def test_left_out_rows_have_no_voice() -> None:
    """A mark reached by wrong readings only, all left out but the right ones."""
    net = braced(1)
    obs = net.observations()
    value, used = obs.value.copy(), obs.used.copy()
    to = np.flatnonzero((obs.end_mark == 9) & (obs.kind == "direction"))
    value[to] += 0.3
    used[to] = False
    assert worst(net, obs.replace(value=value, used=used)) < 1.0


def test_wrong_start_values_of_free_marks_are_no_observations() -> None:
    net = braced(4)
    for name, (e, n, h) in net.truth.items():
        net.start[name] = (e + 0.01, n, h)
    net.start["P8"] = (net.start["P8"][0] + 1000.0, net.start["P8"][1], net.start["P8"][2] - 50.0)
    assert worst(net) < 0.05


def test_hansen() -> None:
    """Two instruments that see each other and two known marks, by directions only."""
    net = Field(0)
    for name, e, n, held in (
        ("A", 0, 0, "enh"),
        ("B", 100, 10, "enh"),
        ("P", 20, -80, ""),
        ("Q", 90, -60, ""),
    ):
        net.mark(name, e, n, 0.0, held)
    net.sights("P", ["A", "B", "Q"], "dz")
    net.sights("Q", ["A", "B", "P"], "dz")
    assert worst(net) < 0.05


def test_free_station_on_two_marks() -> None:
    net = Field(0)
    for name, e, n, held in (("A", 0, 0, "enh"), ("B", 50, 10, "enh"), ("F", 20, -30, ""), ("N", 30, 30, "")):
        net.mark(name, e, n, 2.0, held)
    net.sights("F", ["A", "B", "N"])
    assert worst(net) < 0.05


def test_slopes_without_zeniths_over_known_heights() -> None:
    """The slope is reduced by the heights that levelling gives."""
    net = Field(3)
    points = scatter(net, 8, 300.0, 3, relief=60.0)
    for i in range(7):
        net.between("rise", f"P{i}", f"P{i + 1}")
    for i in range(8):
        order = np.argsort(np.hypot(*(points - points[i]).T))[1:6]
        net.sights(f"P{i}", [f"P{j}" for j in order], "ds")
    assert worst(net) < 0.05


def test_two_places_are_told_or_chosen_by_start_value() -> None:
    net = Field(0)
    net.mark("A", 0, 0, 0, "en")
    net.mark("B", 100, 10, 0, "en")
    net.mark("P", 20, -80)
    net.between("horizontal", "A", "P")
    net.between("horizontal", "B", "P")
    with pytest.raises(Undetermined, match="P can be in two places") as caught:
        net.solve()
    assert [t.code for t in caught.value.troubles] == ["NET303"]
    net.start["P"] = (30.0, -60.0, 0.0)
    assert worst(net) < 0.05


def test_lengths_from_two_marks_leave_the_side_open() -> None:
    net = lengths_only(1)
    net.control = {"P0": "en", "P5": "en"}
    with pytest.raises(Undetermined, match="either side of the line through P0 and P5"):
        net.solve()
    e, n, _ = net.truth["P3"]
    net.start["P3"] = (e + 30.0, n - 20.0, 0.0)
    assert worst(net) < 0.05


def test_invented_frame_keeps_the_shape() -> None:
    """Nothing held and no start values: the shape is right, wherever it lies."""
    net = braced(5, 9, 0)
    found = net.solve().coordinates
    truth = np.array(list(net.truth.values()))
    for a in range(9):
        for b in range(a):
            d = np.linalg.norm(found[a, :2] - found[b, :2]) - np.linalg.norm(truth[a, :2] - truth[b, :2])
            assert abs(d) < 0.1
            assert abs((found[a, 2] - found[b, 2]) - (truth[a, 2] - truth[b, 2])) < 0.1


def test_control_typed_wrong_is_told() -> None:
    """East of a held mark is 100 m off: the other marks stay right, and the mark is named."""
    for seed in SEEDS:
        net = braced(seed, 10, 4)
        network, obs = net.network(), net.observations()
        east = network.marks.east.copy()
        east[2] += 100.0
        start = approximate(replace(network, marks=network.marks.replace(east=east)), obs, Settings())
        (remark,) = start.remarks
        assert (remark.code, remark.marks) == ("NET306", ("P2",))
        others = np.arange(len(net.truth)) != 2
        assert net.errors(start)[others].max() < 0.05


def test_heights_of_instruments_unknown() -> None:
    """Free stations need no height of instrument: it cancels between the targets."""
    net = NETWORKS["free_stations"](2)
    network = net.network()
    heights = np.where(network.setups.instrument, np.nan, network.setups.height)
    start = approximate(network, net.observations(), Settings(), heights)
    prisms = [m.startswith("P") for m in net.truth]
    assert net.errors(start)[prisms].max() < 0.05


@pytest.mark.parametrize("rounds", [2, 3])
def test_rounds_are_turned_onto_each_other(rounds: int) -> None:
    """One reading of one round wrong: the other rounds of the same sight show it, even to a mark seen
    once.
    """
    net = Field(rounds)
    for name, e, n, held in (
        ("A", 0, 0, "enh"),
        ("B", 100, 10, "enh"),
        ("C", 60, -80, "enh"),
        ("M", 30, 70, ""),
    ):
        net.mark(name, e, n, 3.0, held)
    net.sights("A", ["B", "C", "M"], rounds=rounds)
    obs = net.observations()
    rows = np.flatnonzero((obs.kind == "direction") & (obs.end_mark == 1))
    value = obs.value.copy()
    value[rows[0]] += 0.3
    assert worst(net, obs.replace(value=value)) < 0.05


def test_whatever_comes_is_answered() -> None:
    """Random readings between random marks: coordinates, or troubles in words; nothing else."""
    for seed in range(150):
        net = Field(seed)
        random = net.random
        names = [
            net.mark(f"P{i}", *map(float, random.uniform(-100, 100, 3)))
            for i in range(int(random.integers(3, 8)))
        ]
        for name in names:
            net.control[name] = str(random.choice(["", "enh", "en", "h", "e"], p=[0.5, 0.2, 0.1, 0.1, 0.1]))
        for _ in range(int(random.integers(1, 8))):
            a, b, c = (str(m) for m in random.choice(names, 3, replace=False))
            kind = str(random.choice(["sights", "rise", "horizontal", "azimuth", "vector", "angle"]))
            if kind == "sights":
                net.sights(
                    a, [b, c], "".join(random.choice(list("dzsl"), int(random.integers(1, 4)), replace=False))
                )
            else:
                net.between(kind, a, b, at=c if kind == "angle" else None)
        obs = net.observations()
        obs = obs.replace(used=random.random(len(obs)) < 0.8)
        troubles: tuple[Trouble, ...] = ()
        try:
            assert net.solve(obs).coordinates.shape == (len(names), 3)
        except Undetermined as undetermined:
            troubles = undetermined.troubles
        assert all(t.code in ("NET301", "NET302", "NET303") and t.text for t in troubles)


def test_many_marks() -> None:
    """Three thousand observations with five gross errors among them; nothing is dense in the marks."""
    net = Field(8)
    points = scatter(net, 350, 3000.0, 4)
    for i in range(350):
        order = np.argsort(np.hypot(*(points - points[i]).T))[1:6]
        net.sights(f"P{i}", [f"P{j}" for j in order])
    obs = net.observations()
    value = obs.value.copy()
    for row in np.random.default_rng(1).choice(len(obs), 5, replace=False):
        value[row] += {"direction": 0.2, "zenith": 0.1, "distance": 30.0}[obs.kind[row]]
    assert worst(net, obs.replace(value=value)) < 1.0

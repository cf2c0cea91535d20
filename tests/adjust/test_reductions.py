"""Raw readings to observations, each against arithmetic on paper."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as budget
from hypothesis import strategies as st
from tests.adjust.networks import ARCSEC, MM, NAN, Plan, adjusted
from tests.adjust.test_plan import weir

from hubtack.adjust import adjust
from hubtack.adjust.ground.network import Network
from hubtack.adjust.model.reductions import Observations, reduce_readings, wrap

DEG = np.pi / 180.0


def book(rows: list[dict[str, Any]], targets: int = 1, **more: Any) -> Network:
    """One instrument setup, some targets; rows: to, round, face, circle, zenith (degrees), slope, horizontal."""
    p = Plan()
    p.support("stand")
    p.instrument(2.0, 3.0, 1 * MM, distance_ppm=10e-6, reflectorless=4 * MM, **more)
    p.target(constant=0.0175)
    p.target(reflectorless=True)
    a, b = p.held("A", 0, 0, 0), p.held("B", 0, 50, 0)
    s = p.station(a)
    prisms = [p.prism(b, device=0) for _ in range(targets)]
    net = p.network()
    columns: dict[str, list[Any]] = {k: [] for k in ("id", "start", "end", "round", "face")}
    for name in ("circle", "zenith", "slope", "horizontal"):
        scale = DEG if name in ("circle", "zenith") else 1.0
        columns[name] = [r.get(name, NAN) * scale for r in rows]
    columns["used"] = [r.get("used", True) for r in rows]
    for k, r in enumerate(rows):
        columns["id"].append(r.get("id", f"n{k}"))
        columns["start"].append(s)
        columns["end"].append(prisms[r.get("to", 0)])
        columns["round"].append(r.get("round", 1))
        columns["face"].append(r.get("face", 1))
    from hubtack.adjust.ground.network import Sights

    return replace(net, sights=Sights(**columns))


def one(obs: Observations, kind: str) -> int:
    rows = np.flatnonzero(obs.kind == kind)
    assert len(rows) == 1
    return int(rows[0])


def test_two_faces_make_one_observation() -> None:
    """H = (F1 + F2 ∓ 180°)/2, z = (V1 − V2 + 360°)/2 (surveying texts, from memory)."""
    obs = reduce_readings(
        book(
            [
                {"circle": 40.002, "zenith": 80.01, "slope": 50.0},
                {"face": 2, "circle": 220.0, "zenith": 279.98, "slope": 50.002},
            ]
        )
    )
    assert len(obs) == 3
    d, z, s = (one(obs, k) for k in ("direction", "zenith", "distance"))
    assert obs.value[d] / DEG == pytest.approx(40.001, abs=1e-12)
    assert obs.value[z] / DEG == pytest.approx(80.015, abs=1e-12)
    assert obs.value[s] == pytest.approx(50.001 + 0.0175, abs=1e-12)
    assert obs.sigma[d] == pytest.approx(2 * ARCSEC, rel=1e-12)  # as stated: one pointing in both faces
    assert obs.sigma[z] == pytest.approx(3 * ARCSEC, rel=1e-12)
    assert obs.sigma[s] == pytest.approx((1 * MM + 10e-6 * 50.0185) / 2**0.5, rel=1e-9)
    assert list(obs.balance) == [0.0, 0.0, 0.0]
    assert list(obs.id) == ["n0.direction", "n0.zenith", "n0.distance"]
    assert all(r == ("n0", "n1") for r in obs.rows)


@pytest.mark.parametrize(
    ("readings", "mean"),
    [
        ([(1, 359.9999), (2, 180.0003)], 0.0001),
        ([(1, 0.0003), (2, 179.9999)], 0.0001),
        ([(2, 179.9999), (1, 0.0003)], 0.0001),
        ([(1, 359.9990), (1, 0.0004), (1, 359.9997)], 359.9997),
        ([(1, 180.0), (2, 0.0002)], 180.0001),
        ([(1, 180.0), (2, 359.9998)], 179.9999),
    ],
)
def test_means_across_north(readings: list[tuple[int, float]], mean: float) -> None:
    obs = reduce_readings(book([{"face": f, "circle": c} for f, c in readings]))
    assert len(obs) == 1
    assert obs.value[0] / DEG == pytest.approx(mean, abs=1e-10)
    assert 0.0 <= obs.value[0] < 2 * np.pi


@budget(max_examples=60, deadline=None)
@given(
    true=st.floats(0.0, 359.999),
    collimation=st.floats(-0.01, 0.01),
    faces=st.lists(st.sampled_from([1, 2]), min_size=1, max_size=6),
)
def test_collimation_leaves_by_the_balance(true: float, collimation: float, faces: list[int]) -> None:
    """F1 = H + c, F2 = H + 180° − c, in any order and anywhere on the circle: the mean is H + balance·c."""
    rows = [
        {"face": f, "circle": (true + collimation) % 360 if f == 1 else (true + 180 - collimation) % 360}
        for f in faces
    ]
    obs = reduce_readings(book(rows))
    balance = (faces.count(1) - faces.count(2)) / len(faces)
    assert obs.balance[0] == pytest.approx(balance)
    gap = obs.value[0] / DEG - true - balance * collimation
    assert (gap + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-9)
    assert obs.sigma[0] == pytest.approx(2 * ARCSEC * (2 / len(faces)) ** 0.5)


def test_rounds_and_targets_stay_apart() -> None:
    rows = [
        {"to": t, "round": r, "face": f, "circle": 10.0 * t + r}
        for r in (2, 1)
        for t in (0, 1)
        for f in (1, 2)
    ]
    for row in rows:
        row["circle"] += 180.0 * (row["face"] - 1)
    obs = reduce_readings(book(rows, targets=2))
    assert len(obs) == 4
    assert list(obs.rows) == [("n0", "n1"), ("n2", "n3"), ("n4", "n5"), ("n6", "n7")]
    assert list(obs.round) == [2, 2, 1, 1]
    assert len(set(obs.orientation)) == 2
    assert obs.orientation[0] == obs.orientation[1] != obs.orientation[2] == obs.orientation[3]


def test_readings_that_are_missing() -> None:
    """A pair whose faces read different things: each kind is the mean of what is there."""
    obs = reduce_readings(
        book(
            [
                {"circle": 10.0},
                {"face": 2, "circle": 190.001, "zenith": 270.0},
                {"slope": 20.0},
                {"slope": 20.004},
                {"slope": 20.002},
            ]
        )
    )
    z, s = one(obs, "zenith"), one(obs, "distance")
    assert obs.value[z] / DEG == pytest.approx(90.0)
    assert obs.sigma[z] == pytest.approx(3 * ARCSEC * 2**0.5)
    assert obs.balance[z] == -1.0
    assert obs.rows[z] == ("n1",)
    assert obs.value[s] == pytest.approx(20.002 + 0.0175)
    assert obs.count[s] == 3
    assert obs.sigma[s] == pytest.approx((1 * MM + 10e-6 * 20.0195) / 3**0.5, rel=1e-9)
    assert len({str(i).split(".")[0] for i in obs.id}) == 1  # all bear the id of the pair's first row


def test_rows_left_out() -> None:
    """Not averaged with the rest; still there, unused."""
    rows = [{"circle": 10.0}, {"face": 2, "circle": 250.0, "used": False}, {"circle": 10.002}]
    obs = reduce_readings(book(rows))
    used = obs.used.astype(bool)
    assert obs.value[used] / DEG == pytest.approx([10.001])
    assert obs.rows[int(np.flatnonzero(used)[0])] == ("n0", "n2")
    assert [r for r, u in zip(obs.rows, used, strict=True) if not u] == [("n1",)]


def test_the_first_row_left_out() -> None:
    """The observation then bears the id of the first row that is in use."""
    obs = reduce_readings(
        book([{"circle": 99.0, "used": False}, {"circle": 10.0}, {"face": 2, "circle": 190.0}])
    )
    assert [str(i) for i, u in zip(obs.id, obs.used, strict=True) if u] == ["n1.direction"]


def test_a_single_observation_left_out() -> None:
    net = book([{"circle": 10.0, "zenith": 90.0, "slope": 20.0}])
    obs = reduce_readings(replace(net, left_out=frozenset({"n0.zenith"})))
    assert {str(i): bool(u) for i, u in zip(obs.id, obs.used, strict=True)} == {
        "n0.direction": True, "n0.zenith": False, "n0.distance": True
    }  # fmt: skip


def test_prism_constants_and_reflectorless() -> None:
    """A setup's own constant overrides its target's; without a prism the reflectorless figures serve."""
    net = book([{"slope": 30.0}, {"to": 1, "slope": 30.0}, {"to": 2, "horizontal": 30.0}], targets=3)
    setups = net.setups.replace(device=[0, 0, 1, 0], prism_constant=[NAN, -0.030, NAN, NAN])
    obs = reduce_readings(replace(net, setups=setups))
    assert obs.value == pytest.approx([29.970, 30.0, 30.0175], abs=1e-12)
    assert list(obs.kind) == ["distance", "distance", "level"]
    assert obs.sigma == pytest.approx(
        [1 * MM + 10e-6 * 29.97, 4 * MM + 10e-6 * 30, 1 * MM + 10e-6 * 30.0175], rel=1e-6
    )
    assert str(obs.id[2]) == "n2.horizontal"


def test_nothing_read() -> None:
    assert len(reduce_readings(book([{"circle": NAN}]))) == 0
    assert len(reduce_readings(book([]))) == 0


def test_wrap() -> None:
    angles = np.array([-np.pi, np.pi, 3 * np.pi, -0.1, 2 * np.pi - 0.1, 100 * np.pi + 0.3])
    assert wrap(angles) == pytest.approx([np.pi, np.pi, np.pi, -0.1, -0.1, 0.3], abs=1e-13)


def test_a_sigma_of_zero_is_held_as_exact() -> None:
    """0.1 µm and 1e-9 rad: small beside everything that is measured, and still a weight."""
    net = book([{"circle": 10.0, "zenith": 90.0, "slope": 20.0, "horizontal": 20.0}])
    nothing = np.zeros(len(net.instruments))
    exact = net.instruments.replace(direction=nothing, zenith=nothing, distance=nothing, distance_ppm=nothing)
    obs = reduce_readings(replace(net, instruments=exact))
    by_kind = dict(zip(map(str, obs.kind), obs.sigma, strict=True))
    assert by_kind == {"direction": 1e-9, "zenith": 1e-9, "distance": 1e-7, "level": 1e-7}


def test_only_an_angle_stands_at_a_mark_of_its_own() -> None:
    """A sight has two ends; what else it would reach would become an unknown that nothing determines."""
    obs = reduce_readings(book([{"circle": 10.0, "zenith": 90.0, "slope": 20.0, "horizontal": 20.0}]))
    assert obs.at_mark.tolist() == [-1] * 4
    assert obs.block.tolist() == [-1] * 4
    assert [o >= 0 for o in obs.orientation] == [k == "direction" for k in obs.kind]


def test_rounds_may_be_named_by_dates() -> None:
    """Numbers far apart group the readings as 1 and 2 do."""
    net = weir().simulated(1)
    dated = np.where(net.sights.round == 1, 19_991_231, 20_251_125)
    one, two = adjust(net), adjust(replace(net, sights=net.sights.replace(round=dated)))
    assert set(two.observations.round[two.observations.kind == "direction"]) == {19_991_231, 20_251_125}
    assert two.degrees_of_freedom == one.degrees_of_freedom
    assert two.observations.residual == pytest.approx(one.observations.residual, abs=1e-9)


def test_a_vector_that_is_stated_as_exact_is_held() -> None:
    """A covariance of nothing is taken as 0.1 µm in each component, as a sigma of zero is."""
    p = Plan()
    a, b = p.held("A", 0, 0, 0), p.mark("B", 30, 40, 5)
    p.vector(a, b, np.zeros((3, 3)))
    network = p.network()
    vectors = network.vectors.replace(difference=np.array([[30.0, 40.0, 5.0]]))
    r = adjusted(replace(network, vectors=vectors))
    found = (r.marks.sigma_east[b], r.marks.sigma_north[b], r.marks.sigma_height[b])
    assert found == pytest.approx((1e-7,) * 3, rel=1e-3)

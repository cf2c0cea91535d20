"""What the network as a graph says: islands, marks without a place and why, what hangs, what closes."""

from __future__ import annotations

import numpy as np
import pytest

from hubtack.adjust.ground.topology import (
    explain_null_vector,
    explain_undetermined,
    hanging,
    island_troubles,
    islands,
    loops,
)
from hubtack.adjust.trouble import Trouble, Undetermined

from .fieldwork import Field, braced


def square() -> Field:
    """Four marks around a yard, two held, every mark occupied and its neighbours sighted."""
    net = Field(1)
    for k, (e, n) in enumerate([(0, 0), (100, 0), (100, 90), (0, 95)]):
        net.mark("ABCD"[k], e, n, float(k), "enh" if k < 2 else "")
    for a, b, c in ("ADB", "BAC", "CBD", "DCA"):
        net.sights(a, [b, c])
    return net


def told(net: Field) -> tuple[Trouble, ...]:
    with pytest.raises(Undetermined) as caught:
        net.solve()
    return caught.value.troubles


def test_islands_of_plane_and_height_differ() -> None:
    """A direction joins in the plane, a rise in height; a zenith angle or distance in both."""
    net = square()
    net.mark("E", 50, 50)
    net.mark("F", 60, 50)
    net.mark("alone", 0, 0)
    net.sights("A", ["E"], "d")
    net.between("rise", "E", "F")
    found = islands(net.network(), net.observations())
    assert found.plane == (("A", "B", "C", "D", "E"),)
    assert found.height == (("A", "B", "C", "D"), ("E", "F"))


def test_left_out_sights_join_nothing() -> None:
    net = square()
    obs = net.observations()
    used = ~((obs.start_mark == 3) | (obs.end_mark == 3))
    assert islands(net.network(), obs.replace(used=used)).plane == (("A", "B", "C"),)


def test_island_without_control_is_named_and_one_with_control_allowed() -> None:
    net = square()
    for name, e in (("X", 900), ("Y", 950), ("Z", 1000)):
        net.mark(name, e, 40.0 * (name == "Y"))
    net.sights("X", ["Y", "Z"])
    net.sights("Y", ["X", "Z"])
    (trouble,) = told(net)
    assert trouble.code == "NET301"
    assert trouble.text == "The network falls into 2 islands: A, B, C, D; X, Y, Z. No sight joins them."
    assert trouble.marks == ("X", "Y", "Z")
    assert trouble.setups == ("S12", "S15")
    net.control["X"] = "enh"
    assert island_troubles(net.network(), net.observations()) != ()
    net.control["Z"] = "enh"
    assert island_troubles(net.network(), net.observations()) == ()
    assert net.errors(net.solve()).max() < 0.05


def test_vector_island_stands_on_one_mark() -> None:
    """Vectors bring their own azimuth, so one held mark is enough."""
    net = square()
    net.mark("X", 900, 0, 0, "enh")
    net.mark("Y", 950, 10)
    net.between("vector", "X", "Y")
    assert island_troubles(net.network(), net.observations()) == ()


def test_one_direction() -> None:
    net = square()
    net.mark("M7", 60, 50)
    net.sights("A", ["B", "M7"], "d")
    (trouble,) = told(net)
    ids = [r[0] for r, m, k in zip(*(getattr(net.observations(), c) for c in ("rows", "end_mark", "kind")), strict=True)
           if m == 4 and k == "direction"]  # fmt: skip
    assert trouble.code == "NET302"
    assert trouble.text == f"M7 is seen by one direction only ({ids[0]}): its east and north can't be found."
    assert trouble.wanted == "Measure its distance, or sight it from a second setup."
    assert trouble.observations == tuple(ids)


def test_no_height() -> None:
    """Slope distances reach the mark from three sides, and a direction; no zenith angle does."""
    net = square()
    net.mark("M12", 60, 50)
    for at in "ABC":
        net.sights(at, ["D", "M12"], "ds")
    (trouble,) = told(net)
    obs = net.observations()
    ids = [str(obs.rows[r][0]) for r in np.flatnonzero((obs.kind == "distance") & (obs.end_mark == 4))]
    assert trouble.text == f"M12 has no height: only distances reach it ({', '.join(ids)})."
    assert trouble.wanted == "Observe a zenith angle, or hold its height."
    assert trouble.marks == ("M12",)


def test_instrument_that_cannot_be_placed() -> None:
    net = square()
    net.mark("F", 50, 40)
    net.sights("F", ["A", "B"], "dz")
    (trouble,) = told(net)
    assert trouble.text.startswith(
        "The instrument setup S12 on F can't be placed: of known marks only A and B are sighted"
    )
    assert trouble.setups == ("S12",)


def test_instrument_on_the_circle_through_its_marks() -> None:
    net = Field(2)
    for k, a in enumerate((0.3, 1.9, 2.8, 4.6)):
        net.mark("ABCF"[k], 100 * np.sin(a), 100 * np.cos(a), 0.0, "enh" if k < 3 else "")
    net.sights("F", ["A", "B", "C"], "dz")
    (trouble,) = told(net)
    assert "on or near the circle through the marks that it sights (A, B and C)" in trouble.text


def test_marks_behind_a_mark_without_place_are_told_together() -> None:
    net = square()
    for name, e in (("S", 400), ("T", 500), ("U", 450)):
        net.mark(name, e, 20.0 * (name == "U"))
    net.sights("A", ["B", "S"], "dz")
    for at, to in (("S", "TU"), ("T", "SU"), ("U", "ST")):
        net.sights(at, list(to))
    troubles = told(net)
    assert troubles[0].marks == ("S",)
    assert "one direction only" in troubles[0].text
    assert troubles[1].marks == ("T", "U")


def test_two_marks_moving_together_name_what_ties_them() -> None:
    net = square()
    net.mark("S", 400, 0)
    net.mark("T", 500, 0)
    net.between("horizontal", "S", "T")
    net.between("horizontal", "B", "S")
    (trouble,) = explain_null_vector(
        net.network(), net.observations(), {"S": ("east", "north"), "T": ("north",)}
    )
    obs = net.observations()
    (tie,) = [str(obs.rows[r][0]) for r in np.flatnonzero((obs.kind == "horizontal") & (obs.start_mark == 1))]
    assert trouble.text == (
        "S and T can move together in east and north and no reading notices. "
        f"Only a horizontal distance ({tie}) ties them to the rest."
    )
    assert trouble.observations == (tie,)


def test_null_vector_of_one_height() -> None:
    net = square()
    net.mark("M12", 60, 50)
    net.sights("A", ["D", "M12"], "ds")
    (trouble,) = explain_null_vector(net.network(), net.observations(), {"M12": ("height",)})
    assert trouble.text.startswith("M12 has no height: only distances reach it")


def test_masks_choose_what_is_explained() -> None:
    net = square()
    plane, height = np.zeros(4, dtype=bool), np.zeros(4, dtype=bool)
    assert explain_undetermined(net.network(), net.observations(), plane, height) == ()


def test_nothing_hangs_in_a_braced_network() -> None:
    net = braced(3)
    assert hanging(net.network(), net.observations()) == ()


def test_hanging_marks() -> None:
    """One mark on one sight, three on one sight, one on two sights from one setup, one on two from two."""
    net = square()
    for name, e, n in (
        ("one", 50, 50),
        ("S", 300, 0),
        ("T", 350, 0),
        ("U", 325, 30),
        ("twice", 20, 60),
        ("ok", 70, 30),
    ):
        net.mark(name, e, n)
    net.sights("A", ["one"])
    net.sights("B", ["S"])
    for at, to in (("S", "TU"), ("T", "SU"), ("U", "ST")):
        net.sights(at, list(to))
    net.sights("C", ["twice", "twice"])
    net.sights("D", ["ok"])
    net.sights("A", ["ok"])
    found = {r.marks: r for r in hanging(net.network(), net.observations())}
    assert set(found) == {("one",), ("S", "T", "U"), ("twice",)}
    assert "hangs on one sight only" in found["one",].text
    assert "is reached from one setup only (S" in found["twice",].text
    obs = net.observations()
    (row,) = np.flatnonzero((obs.kind == "direction") & (obs.end_mark == 4))
    assert str(obs.rows[row][0]) in found["one",].observations


def test_two_parallel_sights_are_no_bridge() -> None:
    """A spur tied by two sights of one pair of marks does not hang on one sight."""
    net = square()
    net.mark("S", 300, 0)
    net.sights("B", ["S"])
    net.sights("S", ["B"])
    assert hanging(net.network(), net.observations()) == ()


def test_loops_close() -> None:
    """Their number is edges − marks + parts; each leg joins neighbours; setups stand on their marks."""
    net = braced(3)
    network, obs = net.network(), net.observations()
    found = loops(network, obs)
    edges = {frozenset((int(a), int(b))) for a, b in zip(obs.start_mark, obs.end_mark, strict=True)}
    assert len(found) == len(edges) - len(network.marks) + 1
    mark_of = {
        str(s): str(network.marks.mark[m])
        for s, m in zip(network.setups.setup, network.setups.mark, strict=True)
    }
    for loop in found:
        assert len(set(loop.marks)) == len(loop.marks) >= 3
        for (start, end), a, b in zip(loop.legs, loop.marks, loop.marks[1:] + loop.marks[:1], strict=True):
            assert (mark_of[start], mark_of[end]) == (a, b)


def test_levelling_loop() -> None:
    net = Field(0)
    for k in range(4):
        net.mark("ABCD"[k], 0, 0, float(k), "h" if k == 0 else "")
    for a, b in ("AB", "BC", "CA", "CD"):
        net.between("rise", a, b)
    (loop,) = loops(net.network(), net.observations())
    assert loop.marks == ("A", "B", "C") or loop.marks == ("A", "C", "B")
    (remark,) = hanging(net.network(), net.observations())
    assert remark.marks == ("D",)


def test_setup_without_orientation_is_the_reason() -> None:
    """Distance and direction are there; what lacks is a known mark sighted from the setup."""
    net = square()
    net.mark("E", 300, 0)
    net.sights("B", ["E"])
    net.sights("C", ["E"], "d")
    mask = np.array([False, False, False, False, True])
    (trouble,) = explain_undetermined(net.network(), net.observations(), mask, np.zeros(5, dtype=bool))
    assert trouble.marks == ("E",)
    assert trouble.setups == ("S12", "S14")
    assert trouble.text.endswith("S12 and S14, from which it is sighted, have no orientation, for no known mark is "
                                 "sighted from there.")  # fmt: skip
    assert trouble.wanted == "Sight a known mark from S12 as well."


def test_two_controlled_parts_on_one_sight_hang_on_nothing() -> None:
    """The sight between them is a bridge of the graph, yet each side stands on control of its own."""
    net = square()
    for k, (e, n) in enumerate([(300, 0), (400, 0), (400, 90)]):
        net.mark("XYZ"[k], e, n, float(k), "enh" if k < 2 else "")
    for a, b, c in ("XYZ", "YXZ", "ZXY"):
        net.sights(a, [b, c])
    net.sights("B", ["X"])
    assert hanging(net.network(), net.observations()) == ()


def rest(net: Field, *names: str) -> tuple[np.ndarray, np.ndarray]:
    """Masks of no mark, and of these."""
    mask = np.isin(list(net.truth), names)
    return np.zeros_like(mask), mask


def test_heights_that_know_only_each_other() -> None:
    net = square()
    net.mark("P", 60, 50)
    net.mark("Q", 40, 50)
    for at in "ABCD":
        net.sights(at, ["P", "Q"], "ds")
    net.between("rise", "P", "Q")
    obs = net.observations()
    (tie,) = [str(r[0]) for r, kind in zip(obs.rows, obs.kind, strict=True) if kind == "rise"]
    first, second = explain_undetermined(net.network(), obs, *rest(net, "P", "Q"))
    assert first.text == f"P has no height: a rise ({tie}) ties it only to Q, of unknown height."
    assert second.text == f"Q has no height: a rise ({tie}) ties it only to P, of unknown height."
    assert first.wanted == "Observe a rise or a zenith angle to a mark of known height, or hold its height."


def test_a_mark_seen_by_directions_alone_has_no_height() -> None:
    net = square()
    net.mark("P", 60, 50)
    for at in "AB":
        net.sights(at, ["D", "P"], "d")
    (trouble,) = explain_undetermined(net.network(), net.observations(), *rest(net, "P"))
    assert trouble.text == "P has no height: no zenith angle, rise or vector reaches it."


def test_a_mark_in_the_list_that_nobody_sighted() -> None:
    net = square()
    net.mark("alone", 60, 50)
    (trouble,) = explain_undetermined(net.network(), net.observations(), *rest(net, "alone")[::-1])
    assert (trouble.text, trouble.wanted) == (
        "Nothing reaches alone: its east and north can't be found.",
        "Sight it, or leave it out.",
    )


def test_all_that_moves_together_in_height_has_no_tie_to_name() -> None:
    net = square()
    moving: dict[str, tuple[str, ...]] = dict.fromkeys("ABCD", ("height",))
    (trouble,) = explain_null_vector(net.network(), net.observations(), moving)
    assert trouble.text == "A, B, C and D can move together in height and no reading notices."
    assert trouble.wanted.endswith("or hold a height.")


def test_a_part_that_moves_on_its_own_is_an_island() -> None:
    net = square()
    for name, e in (("X", 900), ("Y", 950), ("Z", 1000)):
        net.mark(name, e, 40.0 * (name == "Y"))
    for a, b, c in ("XYZ", "YXZ", "ZXY"):
        net.sights(a, [b, c])
    moving: dict[str, tuple[str, ...]] = dict.fromkeys("XYZ", ("east", "north"))
    (trouble,) = explain_null_vector(net.network(), net.observations(), moving)
    assert trouble.code == "NET301"
    assert "falls into 2 islands: A, B, C, D; X, Y, Z." in trouble.text

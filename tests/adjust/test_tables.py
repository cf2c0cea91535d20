"""Tables and settings: frozen, of one length, refused where they are wrong."""

from __future__ import annotations

import copy
import dataclasses
import pickle
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from hubtack.adjust import Settings, results
from hubtack.adjust.earth.charts import TransverseMercator
from hubtack.adjust.earth.ellipsoid import GRS80
from hubtack.adjust.ground import network as ground
from hubtack.adjust.ground.network import Marks, Setups, Vectors
from hubtack.adjust.ground.table import Table, constant, deferred, frozen

TABLES = [
    t
    for module in (ground, results)
    for t in vars(module).values()
    if isinstance(t, type) and issubclass(t, Table) and t is not Table
]


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.__name__)
def test_every_column_is_described(table: type[Table]) -> None:
    columns = table.columns()
    assert columns
    assert [c.name for c in columns] == list(table.__annotations__)
    for c in columns:
        assert c.words.strip()
        assert c.quantity in (
            "name", "text", "names", "length", "angle", "area", "number", "index", "count", "flag"
        )  # fmt: skip


@pytest.mark.parametrize("table", TABLES, ids=lambda t: t.__name__)
def test_empty_and_to_pandas(table: type[Table]) -> None:
    empty = table.empty()
    assert len(empty) == 0
    frame = empty.to_pandas()
    assert list(frame.columns) == [c.name for c in table.columns()]


def marks() -> Marks:
    return Marks(mark=["A", "B", "C"], east=[1.0, 2.0, 3.0], north=[4.0, 5.0, 6.0], height=[7.0, 8.0, 9.0])


def test_columns_are_read_only_and_their_own() -> None:
    east = np.array([1.0, 2.0, 3.0])
    table = Marks(mark=["A", "B", "C"], east=east, north=east, height=east)
    with pytest.raises(ValueError, match="read-only"):
        table.east[0] = 9.0
    with pytest.raises(dataclasses.FrozenInstanceError):
        table.east = east  # type: ignore[misc]
    with pytest.raises(dataclasses.FrozenInstanceError):
        del table.east  # type: ignore[misc]
    assert repr(table).startswith("Marks(3 rows: mark, east, north, height, ")
    east[0] = 99.0
    assert table.east[0] == 1.0
    assert table.north is not table.east


def numbered(asked: list[object]) -> Marks:
    """Four marks whose names are made when they are asked for; `asked` notes which."""

    def names(rows: np.ndarray | slice) -> np.ndarray:
        asked.append(rows)
        return np.array([f"M{i}" for i in np.arange(4)[rows]], dtype=object)

    return Marks(mark=deferred(4, names), east=np.arange(4.0), north=np.zeros(4), height=np.zeros(4))


def test_a_deferred_column_is_made_once_and_only_where_asked_for() -> None:
    asked: list[object] = []
    table = numbered(asked)
    assert len(table) == 4
    some = table.take(np.array([True, False, True, True])).take([2, 0]).replace(north=[1.0, 2.0])
    assert not asked
    assert table.some("mark", [3]).tolist() == ["M3"]
    assert table.some("mark", np.array([False, True, False, True])).tolist() == ["M1", "M3"]
    assert some.some("mark", slice(1, 2)).tolist() == ["M0"]
    assert len(asked) == 3
    assert some.mark.tolist() == ["M3", "M0"]
    assert table.mark is table.mark
    assert len(asked) == 5
    assert table.some("mark", [-1]).tolist() == ["M3"]
    with pytest.raises(ValueError, match="read-only"):
        table.mark[0] = "X"


def test_a_deferred_column_is_like_any_other() -> None:
    again = pickle.loads(pickle.dumps(numbered([])))
    assert again.mark.tolist() == ["M0", "M1", "M2", "M3"]
    assert again.take([1]).mark.tolist() == ["M1"]
    assert again.sigma_east.tolist() == [np.inf] * 4
    with pytest.raises(ValueError, match="read-only"):
        again.east[0] = 1.0
    assert numbered([]).to_pandas()["mark"].tolist() == ["M0", "M1", "M2", "M3"]
    assert copy.deepcopy(numbered([])).mark.tolist() == ["M0", "M1", "M2", "M3"]
    with pytest.raises(ValueError, match="rows"):
        numbered([]).replace(east=[1.0])
    with pytest.raises(AttributeError):
        numbered([]).nothing  # type: ignore[attr-defined]  # noqa: B018
    wrong = Marks(mark=deferred(2, lambda rows: np.array(["A"])), east=[0, 0], north=[0, 0], height=[0, 0])
    with pytest.raises(ValueError, match="not 2"):
        wrong.mark  # noqa: B018


def test_what_nobody_can_write_to_is_taken_over() -> None:
    mine, seen = frozen(np.arange(3.0)), np.arange(3.0)
    view = seen[:]
    view.setflags(write=False)  # yet `seen` may still change
    table = Marks(mark=["A", "B", "C"], east=mine, north=view, height=constant(1.5, 3, float))
    seen[0] = 99.0
    assert table.east is mine
    assert table.replace(mark=["D", "E", "F"]).east is mine
    assert table.north.tolist() == [0.0, 1.0, 2.0]
    assert table.height.tolist() == [1.5, 1.5, 1.5]


def test_defaults_fill_what_is_not_given() -> None:
    table = marks()
    assert np.isposinf(table.sigma_east).all()
    setups = Setups(setup=["S"], instrument=[True], mark=[0], support=[0], device=[0])
    assert setups.base[0] == -1
    assert np.isnan(setups.height[0])
    assert setups.base.dtype == np.int64


def test_lengths_and_shapes_are_checked() -> None:
    with pytest.raises(ValueError, match="rows"):
        Marks(mark=["A", "B"], east=[1.0], north=[1.0, 2.0], height=[1.0, 2.0])
    with pytest.raises(ValueError, match="shape"):
        Vectors(
            id=["v"], start_mark=[0], end_mark=[1], difference=[[1.0, 2.0]], covariance=[np.eye(3)]
        )  # fmt: skip
    with pytest.raises(TypeError):
        Marks(["A"], [1.0], [1.0], [1.0])  # type: ignore[call-arg, misc]
    with pytest.raises(TypeError, match=r"missing \['height'\], not its own \['up'\]"):
        Marks(mark=["A"], east=[1.0], north=[1.0], up=[1.0])
    with pytest.raises(TypeError, match=r"Marks\.height is None"):
        Marks(mark=["A"], east=[1.0], north=[1.0], height=None)
    with pytest.raises((ValueError, TypeError)):
        Marks(mark=["A"], east=["one"], north=[1.0], height=[1.0])


def test_take_and_replace_keep_the_original() -> None:
    table = marks()
    some = table.take([2, 0])
    assert list(some.mark) == ["C", "A"]
    assert list(table.take(np.array([False, True, False])).east) == [2.0]
    moved = table.replace(east=[0.0, 0.0, 0.0])
    assert list(table.east) == [1.0, 2.0, 3.0]
    assert list(moved.north) == list(table.north)
    assert list(table.to_pandas()["mark"]) == ["A", "B", "C"]


def test_names_that_are_tuples_stay_one_cell() -> None:
    one = results.AdjustedObservations.empty()
    assert len(one) == 0
    array = np.empty(2, dtype=object)
    array[0], array[1] = ("1", "2"), ("3",)
    table = marks().take([0, 1]).replace(mark=array)
    assert table.mark[0] == ("1", "2")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("refraction", 25.0),
        ("refraction", float("nan")),
        ("refraction_sigma", -0.1),
        ("scale_factor", 0.0),
        ("scale_factor", float("inf")),
        ("radius", 6371.0),
        ("confidence", 95.0),
        ("confidence", 1.0),
        ("alpha", 0.0),
        ("alpha", 0.5),
        ("power", 0.1),
        ("power", 1.0),
        ("unchecked_ratio", 0.5),
        ("reference_height", float("nan")),
        ("reference_height", float("inf")),
        ("correlation", "both"),
        ("frame", "sphere"),
        ("heights", "above the sea"),
    ],
)
def test_settings_out_of_range(name: str, value: object) -> None:
    """Told by name, with what was found."""
    with pytest.raises(ValueError, match=name) as caught:
        Settings(**{name: value})  # type: ignore[arg-type]
    assert repr(value) in str(caught.value)


def test_the_earth_frame_needs_a_chart_and_takes_its_scale_from_there() -> None:
    with pytest.raises(ValueError, match="needs a chart"):
        Settings(frame="earth")
    chart = TransverseMercator(GRS80, 0.0, np.radians(9.0), 0.9996, 500_000.0, 0.0)
    with pytest.raises(ValueError, match="scale_factor must be 1"):
        Settings(frame="earth", chart=chart, scale_factor=0.9996)
    assert Settings(frame="earth", chart=chart).chart is chart


def test_settings_are_frozen() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        Settings().alpha = 0.05  # type: ignore[misc]


def test_threads_that_ask_for_one_column_all_get_it() -> None:
    names = [f"M{i}" for i in range(4)]
    for _ in range(50):
        table = numbered([])
        with ThreadPoolExecutor(8) as pool:
            found = list(pool.map(lambda _, t=table: t.mark.tolist(), range(8)))
        assert found == [names] * 8

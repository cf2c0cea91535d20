"""Tables: frozen, equal-length columns, each described once where it is declared.

A table is a subclass of Table whose fields are made with `column(quantity, words)`. From that one description come the
array type, the reader's conversion, the writers' headings and the format page. Row order is identity: row 12 of
`network.setups` is row 12 of `adjustment.setups` and of setups.csv.

A column may be `deferred`: made when it is first asked for, out of what other tables keep. A million names never exist unless
somebody reads them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import FrozenInstanceError
from typing import TYPE_CHECKING, Any, ClassVar, Literal, NamedTuple, Self, dataclass_transform

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Names = NDArray[np.object_]

Quantity = Literal["name", "text", "names", "length", "angle", "area", "number", "index", "count", "flag"]

_NEEDED: Any = object()
_DTYPES: dict[str, Any] = {
    "name": np.object_, "text": np.object_, "names": np.object_,
    "length": np.float64, "angle": np.float64, "area": np.float64, "number": np.float64,
    "index": np.int64, "count": np.int64, "flag": np.bool_,
}  # fmt: skip


class Column(NamedTuple):
    """One column: its name, what kind of quantity it holds (lengths m, angles rad, areas m²), and words for people."""

    name: str
    quantity: Quantity
    words: str
    shape: tuple[int, ...] = ()
    default: Any = _NEEDED


class Deferred(NamedTuple):
    """A column of `length` rows that nobody has asked for yet; `make(rows)` gives some of them."""

    length: int
    make: Callable[[Ints | slice], NDArray[Any]]


def deferred(length: int, make: Callable[[Ints | slice], NDArray[Any]]) -> Any:
    """A column for a Table that is made by `make(rows)`, an index array or a slice, when it is first asked for."""
    return Deferred(length, make)


def frozen(array: NDArray[Any]) -> Any:
    """The array, read-only from now on: a Table takes it over as it is. For arrays that nobody else writes to."""
    array.setflags(write=False)
    return array


def constant(value: Any, shape: int | tuple[int, ...], dtype: Any = np.int64) -> Any:
    """An array that holds one value everywhere, and takes no room for it. Read-only."""
    return np.broadcast_to(frozen(np.array(value, dtype=dtype)), shape)


def column(quantity: Quantity, words: str, shape: tuple[int, ...] = (), default: Any = _NEEDED) -> Any:
    """Declare a column of a Table. `shape` is that of one row (empty for a scalar); `default` fills a column not given."""
    return Column("", quantity, words, shape, default)


@dataclass_transform(kw_only_default=True, frozen_default=True, eq_default=False, field_specifiers=(column,))
class Table:
    """Base of all tables. Subclasses declare columns; arrays are converted, length-checked and made read-only.

    To a type checker a table is a frozen dataclass; it is not made by `dataclass`, whose generated code would cost a
    small job a twentieth of its time.
    """

    _columns: ClassVar[tuple[Column, ...]] = ()

    def __init_subclass__(cls) -> None:
        declared = [(name, c) for name, c in vars(cls).items() if isinstance(c, Column)]
        cls._columns = tuple(c._replace(name=name) for name, c in declared)
        for c in cls._columns:
            delattr(cls, c.name)

    def __init__(self, **columns: Any) -> None:
        own = self.__dict__
        length: int | None = None
        lacking: list[Column] = []
        later: dict[str, Deferred] = {}
        for c in self._columns:
            value = columns.pop(c.name, _NEEDED)
            if value is _NEEDED or value is None:
                if value is None and c.default is _NEEDED:
                    raise TypeError(f"{type(self).__name__}.{c.name} is None")
                lacking.append(c)
                continue
            if isinstance(value, Deferred):
                later[c.name], n = value, value.length
            else:
                array = _as_array(value, _DTYPES[c.quantity])
                if array.shape[1:] != c.shape:
                    raise ValueError(
                        f"{type(self).__name__}.{c.name}: rows of shape {c.shape} wanted, {array.shape[1:]} found"
                    )
                own[c.name], n = array, len(array)
            if length is None:
                length = n
            elif n != length:
                raise ValueError(f"{type(self).__name__}.{c.name} has {n} rows, other columns {length}")
        missing = [c.name for c in lacking if c.default is _NEEDED]
        if columns or missing:
            raise TypeError(f"{type(self).__name__}: missing {missing}, not its own {[*columns]}")
        for c in lacking:
            own[c.name] = constant(c.default, (length or 0, *c.shape), _DTYPES[c.quantity])
        own["_length"], own["_later"] = length or 0, later

    if not TYPE_CHECKING:  # so that a name that is no column stays an error to it

        def __getattr__(self, name: str) -> NDArray[Any]:
            known = self.__dict__.get("_later", {}).get(name)
            if known is None:
                if name in self.__dict__:  # another thread has made it meanwhile
                    return self.__dict__[name]
                raise AttributeError(f"{type(self).__name__} has no column {name}")
            array = known.make(slice(None))
            if len(array) != known.length:
                raise ValueError(f"{type(self).__name__}.{name} has {len(array)} rows, not {known.length}")
            self.__dict__[name] = frozen(array)
            self._later.pop(name, None)
            return array

    def __getstate__(self) -> dict[str, Any]:
        return {c.name: getattr(self, c.name) for c in self._columns}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update({name: frozen(array) for name, array in state.items()})
        self.__dict__.update(_length=len(state[self._columns[0].name]), _later={})

    def some(self, name: str, rows: Any) -> NDArray[Any]:
        """Some rows of a column, without making the others where the column is deferred."""
        later: Deferred | None = self.__dict__["_later"].get(name)
        if later is None:
            return np.asarray(getattr(self, name)[rows])
        return later.make(_index(rows, len(self)))

    def __setattr__(self, name: str, value: Any) -> None:
        raise FrozenInstanceError(f"{type(self).__name__} is read-only; use replace")

    def __delattr__(self, name: str) -> None:
        raise FrozenInstanceError(f"{type(self).__name__} is read-only")

    def __len__(self) -> int:
        return int(self.__dict__["_length"])

    def __repr__(self) -> str:
        return f"{type(self).__name__}({len(self)} rows: {', '.join(c.name for c in self._columns)})"

    @classmethod
    def columns(cls) -> tuple[Column, ...]:
        """The columns of this table, in order."""
        return cls._columns

    @classmethod
    def empty(cls) -> Self:
        """The table without rows."""
        return cls(**{c.name: np.empty((0, *c.shape), dtype=_DTYPES[c.quantity]) for c in cls._columns})

    def replace(self, **columns: Any) -> Self:
        """A copy with some columns exchanged."""
        return type(self)(**(self._kept() | columns))

    def take(self, rows: Any) -> Self:
        """A copy with the rows chosen by an index or mask array."""
        chosen = _index(rows, len(self))
        n = len(range(*chosen.indices(len(self)))) if isinstance(chosen, slice) else len(chosen)
        return type(self)(
            **{
                name: _chosen(kept, chosen, n) if isinstance(kept, Deferred) else frozen(kept[chosen])
                for name, kept in self._kept().items()
            }
        )

    def _kept(self) -> dict[str, Any]:
        """The columns as they are, made or not."""
        own, later = self.__dict__, self.__dict__["_later"]
        return {c.name: own[c.name] if c.name in own else later[c.name] for c in self._columns}

    def to_pandas(self) -> pd.DataFrame:
        """The table as a pandas DataFrame; columns with several numbers a row become columns of arrays."""
        import pandas as pd

        return pd.DataFrame(
            {c.name: (list(a) if c.shape else a) for c in self._columns for a in (getattr(self, c.name),)}
        )


def distinct(values: Ints) -> Ints:
    """Sorted distinct rows (or numbers) of an index array. numpy's own plain call would import numpy.ma: 8 ms at a start."""
    if values.ndim > 1:
        return np.asarray(np.unique(values, axis=0, return_index=True)[0])
    ordered = np.sort(values)
    new = np.ones(len(ordered), dtype=bool)
    np.not_equal(ordered[1:], ordered[:-1], out=new[1:])
    return np.asarray(ordered[new])


def rows_by(values: Ints) -> dict[int, Ints]:
    """Rows of every value, ascending; values in the order in which they first occur."""
    order = np.argsort(values, kind="stable")
    starts = np.flatnonzero(np.diff(values[order], prepend=values[order[:1]] - 1))
    parts = np.split(order, starts[1:]) if len(order) else []
    return {int(values[p[0]]): p for p in sorted(parts, key=lambda p: int(p[0]))}


def _as_array(value: Any, dtype: Any) -> NDArray[Any]:
    """An array of our own, read-only: a copy, unless nobody can write to what was given."""
    if isinstance(value, np.ndarray) and value.dtype == dtype and _settled(value):
        return value
    if dtype is np.object_ and not isinstance(value, np.ndarray):
        values = list(value)
        array = np.empty(len(values), dtype=object)
        for i, item in enumerate(values):  # numpy would unpack tuples into a second dimension
            array[i] = item
    else:
        array = np.array(value, dtype=dtype)
    array.setflags(write=False)
    return array


def _settled(array: NDArray[Any]) -> bool:
    """Can nobody write to this array, nor to the one whose part it is?"""
    if array.flags.writeable:
        return False
    base = array.base
    return base is None or (isinstance(base, np.ndarray) and _settled(base))


def _index(rows: Any, n: int) -> Ints | slice:
    """Rows chosen by an index, a mask or a slice: as an index array or a slice."""
    if isinstance(rows, slice):
        return rows
    chosen = np.asarray(rows)
    if chosen.dtype == np.bool_:
        return np.flatnonzero(chosen) if len(chosen) == n else np.arange(n)[chosen]  # which refuses it
    return np.asarray(chosen, dtype=np.int64)


def _chosen(column: Deferred, chosen: Ints | slice, n: int) -> Deferred:
    whole = np.arange(column.length)[chosen] if isinstance(chosen, slice) else chosen

    def make(rows: Ints | slice) -> NDArray[Any]:
        return column.make(whole[rows])

    return Deferred(n, make)

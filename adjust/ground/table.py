"""Tables: frozen, equal-length columns, each described once where it is declared.

A table is a subclass of Table whose fields are made with `column(quantity, words)`. From that one description come the
array type, the reader's conversion, the writers' headings and the format page. Row order is identity: row 12 of
`network.setups` is row 12 of `adjustment.setups` and of setups.csv.
"""

from __future__ import annotations

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
        known = {c.name for c in self._columns}
        strange = [name for name in columns if name not in known]
        missing = [c.name for c in self._columns if c.default is _NEEDED and c.name not in columns]
        if strange or missing:
            raise TypeError(f"{type(self).__name__}: missing {missing}, not its own {strange}")
        length: int | None = None
        for c in self._columns:
            value = columns.get(c.name)
            if value is None:
                if c.default is _NEEDED:
                    raise TypeError(f"{type(self).__name__}.{c.name} is None")
                continue
            array = _as_array(value, _DTYPES[c.quantity])
            if array.shape[1:] != c.shape:
                raise ValueError(
                    f"{type(self).__name__}.{c.name}: rows of shape {c.shape} wanted, {array.shape[1:]} found"
                )
            if length is None:
                length = len(array)
            if len(array) != length:
                raise ValueError(
                    f"{type(self).__name__}.{c.name} has {len(array)} rows, other columns {length}"
                )
            array.setflags(write=False)
            self.__dict__[c.name] = array
        for c in self._columns:
            if c.name not in self.__dict__:
                array = np.empty((length or 0, *c.shape), dtype=_DTYPES[c.quantity])
                array[...] = c.default
                array.setflags(write=False)
                self.__dict__[c.name] = array

    def __setattr__(self, name: str, value: Any) -> None:
        raise FrozenInstanceError(f"{type(self).__name__} is read-only; use replace")

    def __delattr__(self, name: str) -> None:
        raise FrozenInstanceError(f"{type(self).__name__} is read-only")

    def __len__(self) -> int:
        return len(self.__dict__[self._columns[0].name])

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
        return type(self)(**(self.__dict__ | columns))

    def take(self, rows: Any) -> Self:
        """A copy with the rows chosen by an index or mask array."""
        return type(self)(**{name: array[rows] for name, array in self.__dict__.items()})

    def to_pandas(self) -> pd.DataFrame:
        """The table as a pandas DataFrame; columns with several numbers a row become columns of arrays."""
        import pandas as pd

        return pd.DataFrame(
            {c.name: (list(a) if c.shape else a) for c in self._columns for a in (self.__dict__[c.name],)}
        )


def distinct(values: Ints) -> Ints:
    """Sorted distinct rows (or numbers) of an index array. numpy's own plain call would import numpy.ma: 8 ms at a start."""
    return np.asarray(np.unique(values, axis=0, return_index=True)[0])


def rows_by(values: Ints) -> dict[int, Ints]:
    """Rows of every value, ascending; values in the order in which they first occur."""
    order = np.argsort(values, kind="stable")
    starts = np.flatnonzero(np.diff(values[order], prepend=values[order[:1]] - 1))
    parts = np.split(order, starts[1:]) if len(order) else []
    return {int(values[p[0]]): p for p in sorted(parts, key=lambda p: int(p[0]))}


def _as_array(value: Any, dtype: Any) -> NDArray[Any]:
    if dtype is np.object_ and not isinstance(value, np.ndarray):
        values = list(value)
        array = np.empty(len(values), dtype=object)
        for i, item in enumerate(values):  # numpy would unpack tuples into a second dimension
            array[i] = item
        return array
    return np.array(value, dtype=dtype)

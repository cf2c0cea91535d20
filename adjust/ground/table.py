"""Tables: frozen, equal-length columns, each described once where it is declared.

A table is a frozen dataclass whose fields are made with `column(quantity, words)`. From that one description
come the array type, the reader's conversion, the writers' headings and the format page. Row order is identity:
row 12 of `network.setups` is row 12 of `adjustment.setups` and of setups.csv.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Names = NDArray[np.object_]

Quantity = Literal["name", "text", "names", "length", "angle", "area", "number", "index", "count", "flag"]

_DTYPES: dict[str, Any] = {
    "name": np.object_, "text": np.object_, "names": np.object_,
    "length": np.float64, "angle": np.float64, "area": np.float64, "number": np.float64,
    "index": np.int64, "count": np.int64, "flag": np.bool_,
}  # fmt: skip


@dataclass(frozen=True)
class Column:
    """One column: its name, what kind of quantity it holds (lengths m, angles rad, areas m²), and words for people."""

    name: str
    quantity: Quantity
    words: str
    shape: tuple[int, ...] = ()


def column(
    quantity: Quantity, words: str, shape: tuple[int, ...] = (), default: Any = dataclasses.MISSING
) -> Any:
    """Declare a column of a Table. `shape` is that of one row (empty for a scalar); `default` fills a column not given."""
    if default is dataclasses.MISSING:
        return field(metadata={"quantity": quantity, "words": words, "shape": shape})
    return field(
        default=None, metadata={"quantity": quantity, "words": words, "shape": shape, "default": default}
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class Table:
    """Base of all tables. Subclasses declare columns; arrays are converted, length-checked and made read-only."""

    def __post_init__(self) -> None:
        length: int | None = None
        absent: list[tuple[str, Any, Any, tuple[int, ...]]] = []
        for f in dataclasses.fields(self):
            quantity, shape = f.metadata["quantity"], f.metadata["shape"]
            value = getattr(self, f.name)
            if value is None:
                absent.append((f.name, _DTYPES[quantity], f.metadata["default"], shape))
                continue
            array = _as_array(value, _DTYPES[quantity])
            if array.shape[1:] != shape:
                raise ValueError(
                    f"{type(self).__name__}.{f.name}: rows of shape {shape} wanted, {array.shape[1:]} found"
                )
            if length is None:
                length = len(array)
            if len(array) != length:
                raise ValueError(
                    f"{type(self).__name__}.{f.name} has {len(array)} rows, other columns {length}"
                )
            array.setflags(write=False)
            object.__setattr__(self, f.name, array)
        for name, dtype, default, shape in absent:
            array = np.empty((length or 0, *shape), dtype=dtype)
            array[...] = default
            array.setflags(write=False)
            object.__setattr__(self, name, array)

    def __len__(self) -> int:
        return len(getattr(self, dataclasses.fields(self)[0].name))

    @classmethod
    def columns(cls) -> tuple[Column, ...]:
        """The columns of this table, in order."""
        return tuple(
            Column(f.name, f.metadata["quantity"], f.metadata["words"], f.metadata["shape"])
            for f in dataclasses.fields(cls)
        )

    @classmethod
    def empty(cls) -> Self:
        """The table without rows."""
        return cls(**{c.name: np.empty((0, *c.shape), dtype=_DTYPES[c.quantity]) for c in cls.columns()})

    def replace(self, **columns: Any) -> Self:
        """A copy with some columns exchanged."""
        return dataclasses.replace(self, **columns)

    def take(self, rows: Any) -> Self:
        """A copy with the rows chosen by an index or mask array."""
        return type(self)(**{c.name: getattr(self, c.name)[rows] for c in self.columns()})

    def to_pandas(self) -> pd.DataFrame:
        """The table as a pandas DataFrame; columns with several numbers a row become columns of arrays."""
        import pandas as pd

        return pd.DataFrame(
            {c.name: (list(a) if c.shape else a) for c in self.columns() for a in (getattr(self, c.name),)}
        )


def distinct(values: Ints) -> Ints:
    """Sorted distinct rows (or numbers) of an index array. numpy's own plain call would import numpy.ma: 8 ms at a start."""
    return np.asarray(np.unique(values, axis=0, return_index=True)[0])


def _as_array(value: Any, dtype: Any) -> NDArray[Any]:
    if dtype is np.object_ and not isinstance(value, np.ndarray):
        values = list(value)
        array = np.empty(len(values), dtype=object)
        for i, item in enumerate(values):  # numpy would unpack tuples into a second dimension
            array[i] = item
        return array
    return np.array(value, dtype=dtype)

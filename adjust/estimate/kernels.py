"""Whether the compiled loops are used. numpy does everything without them, and is the reference.

Loading the compiler costs more than half a second even when all is in its cache, and several seconds the first time: so it
is loaded only for networks beyond a size, or when a program that will adjust many says so by `use(True)`.
"""

from __future__ import annotations

from importlib import import_module

WORTH_LOADING = 150_000  # unknowns: above this the compiled loops save more than their start costs
WORTH_USING = 40  # unknowns: below this one dense front is all there is

_wanted: bool | None = None


def use(compiled: bool | None) -> None:
    """True: from now on for all but the smallest networks; False: never; None: by size. Raises ImportError without numba."""
    global _wanted
    if compiled:
        _load()
    _wanted = compiled


def chosen(unknowns: int) -> bool:
    """Whether compiled loops do it: not where numpy is quicker or the extra is not installed."""
    if _wanted is False or unknowns < (WORTH_USING if _wanted else WORTH_LOADING):
        return False
    try:
        _load()
    except ImportError:
        return False
    return True


def _load() -> None:
    import_module(f"{__package__}.tree")

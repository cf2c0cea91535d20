"""Which hubtack this is."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as _installed


def version() -> str:
    """The installed version, `unknown` where the package runs without having been installed."""
    try:
        return _installed("hubtack")
    except PackageNotFoundError:
        return "unknown"

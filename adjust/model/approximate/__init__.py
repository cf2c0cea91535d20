"""Coordinates from nothing: what Gauss-Newton starts from."""

from .start import Start, approximate

__all__ = ["Start", "approximate"]

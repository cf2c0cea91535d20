"""The engine: arrays in, arrays out; SI and radian; no file, no terminal.

adjustment = adjust(network, settings)
"""

from __future__ import annotations

from .adjustment import adjust
from .ground.network import Network
from .results import Adjustment
from .settings import Settings
from .trouble import NotConverged, Trouble, Undetermined

__all__ = ["Adjustment", "Network", "NotConverged", "Settings", "Trouble", "Undetermined", "adjust"]

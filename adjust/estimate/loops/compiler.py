"""How loops are compiled: kept on disk for the next process, without the interpreter's lock."""

from __future__ import annotations

from typing import Any

from numba import njit

# sums may be taken in another order, so that they use the processor's vectors; NaN and infinity stay what they are
loop: Any = njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract"})

"""network.png: the network with its error ellipses."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from hubtack.io.pictures.figures import network_picture

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write network.png into `folder`."""
    network_picture(adjustment, job, folder / "network.png")

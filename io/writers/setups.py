"""setups.csv: every setup with the centring and height error that the network finds in it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from .sheets import Heading, Sheet, Show, plain, write_csv

if TYPE_CHECKING:
    from hubtack.adjust.results import Adjustment
    from hubtack.io.job import Job

# What the audit of heights says of one setup.
AUDIT = (
    Heading("its height behaves like", number=False, short="behaves like"),
    Heading("odds (fixed to measured, of this setup alone)", short="odds fixed : 1"),
    Heading("ceiling of the odds (what this geometry could show at most)", short="at best"),
    Heading("strongest rival of a wrong height", number=False, short="strongest rival"),
    Heading("correlation with the rival (1 or -1: can't be told apart)", short="correlation"),
)


def write(adjustment: Adjustment, job: Job, folder: Path) -> None:
    """Write setups.csv into `folder`."""
    write_csv(sheet(adjustment, job), folder / "setups.csv")


def sheet(adjustment: Adjustment, job: Job) -> Sheet:
    """One row a setup, in the order of the setups table."""
    s, net, settings = adjustment.setups, adjustment.network, adjustment.settings
    show = Show(adjustment, job.units)
    small = show.small_length_name
    found = f"found (alpha {settings.alpha:g}; power {settings.power:g})"
    headings = (
        Heading("setup", number=False),
        Heading("role", number=False),
        Heading("mark", number=False),
        Heading("support", number=False),
        Heading("height kind", number=False),
        Heading("height as entered", job.units.length_name, short="height"),
        Heading("sigma centring (1D: 1 sigma per axis)", small),
        Heading("sigma height (1D: 1 sigma)", small),
        Heading("centring error east", small),
        Heading("centring error north", small),
        Heading("height error (true minus entered)", small, short="height error"),
        Heading("standardized centring (2D)", short="w centring"),
        Heading("standardized height (1D)", short="w height"),
        Heading("redundancy number of the height"),
        Heading(f"smallest wrong height {found}", small, short="smallest wrong height found"),
        Heading(f"smallest centring error {found}", small),
        *AUDIT,
        Heading("verdict", number=False),
        Heading("row", number=False),
    )
    rows = []
    for i in range(len(s)):
        support = int(net.setups.support[i])
        rows.append(
            (
                str(s.setup[i]),
                "instrument" if net.setups.instrument[i] else "target",
                str(net.marks.mark[net.setups.mark[i]]),
                str(net.supports.support[support]),
                str(net.supports.height_kind[support]),
                job.units.show_length(net.setups.height[i], 4),
                show.small(s.sigma_centring[i]),
                show.small(s.sigma_height[i]),
                show.small(s.centring_east[i]),
                show.small(s.centring_north[i]),
                show.small(s.height_error[i]),
                plain(s.standardized_centring[i], 2),
                plain(s.standardized_height[i], 2),
                plain(s.redundancy_height[i], 3),
                show.small(s.minimal_detectable_height[i]),
                show.small(s.minimal_detectable_centring[i]),
                *audit_cells(adjustment, i),
                verdict(adjustment, i),
                job.place("setups", i),
            )
        )
    note = (
        "Errors as adjusted, drawn towards 0 by their sigmas: a mistake is larger. Height error: true minus entered. "
        f"w centring: two dimensions, critical {adjustment.critical_centring:.3f}; "
        f"w height: one dimension, critical {adjustment.critical:.3f}."
    )
    return Sheet("Setups", headings, tuple(rows), frozenset(np.flatnonzero(s.flagged).tolist()), note)


def audit_cells(adjustment: Adjustment, row: int) -> tuple[str, ...]:
    """The cells below AUDIT; blank where nothing was asked."""
    if adjustment.audit is None:
        return ("",) * len(AUDIT)
    s = adjustment.audit.setups
    return (
        str(s.verdict[row]),
        _odds(float(s.evidence[row])),
        _odds(float(s.ceiling[row])),
        str(s.rival[row]),
        plain(float(s.correlation[row]), 3),
    )


def _odds(evidence: float) -> str:
    """e to the evidence, with three significant digits: 38.2, 0.0041."""
    return f"{math.exp(min(max(evidence, -600.0), 600.0)):.3g}" if math.isfinite(evidence) else ""


def verdict(adjustment: Adjustment, row: int) -> str:
    """What the tests say of one setup: `fits`, `unchecked`, or which of its height and centring is
    flagged."""
    s = adjustment.setups
    if not s.flagged[row]:
        tested = np.isfinite(s.standardized_height[row]) or np.isfinite(s.standardized_centring[row])
        return "fits" if tested else "unchecked"
    height = abs(s.standardized_height[row]) > adjustment.critical
    centring = s.standardized_centring[row] > adjustment.critical_centring
    parts = [word for word, wrong in (("height", height), ("centring", centring)) if wrong]
    return f"{' and '.join(parts)} flagged".strip()

"""setups.csv: every setup with the centring and height error that the network finds in it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hubtack.io.numerals import fixed

from .sheets import Columns, Heading, Sheet, Show, write_csv

if TYPE_CHECKING:
    from hubtack.adjust.ground.table import Floats
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
    scale = job.units.small_length_of(1.0)
    supports = net.setups.support.tolist()
    columns = [
        [str(n) for n in s.setup],
        ["instrument" if i else "target" for i in net.setups.instrument],
        [str(net.marks.mark[m]) for m in net.setups.mark.tolist()],
        [str(net.supports.support[k]) for k in supports],
        [str(net.supports.height_kind[k]) for k in supports],
        fixed(job.units.length_of(1.0) * net.setups.height, 4),
        *(
            fixed(scale * v, 2)
            for v in (s.sigma_centring, s.sigma_height, s.centring_east, s.centring_north, s.height_error)
        ),
        fixed(s.standardized_centring, 2),
        fixed(s.standardized_height, 2),
        fixed(s.redundancy_height, 3),
        fixed(scale * s.minimal_detectable_height, 2),
        fixed(scale * s.minimal_detectable_centring, 2),
        *_audited(adjustment),
        verdicts(adjustment),
        [job.place("setups", i) for i in range(len(s))],
    ]
    note = (
        "Errors as adjusted, drawn towards 0 by their sigmas: a mistake is larger. Height error: true minus entered. "
        f"w centring: two dimensions, critical {adjustment.critical_centring:.3f}; "
        f"w height: one dimension, critical {adjustment.critical:.3f}."
    )
    return Sheet("Setups", headings, Columns(columns), frozenset(np.flatnonzero(s.flagged).tolist()), note)


def _audited(adjustment: Adjustment) -> list[list[str]]:
    """The columns below AUDIT; blank where nothing was asked."""
    if adjustment.audit is None:
        return [[""] * len(adjustment.setups) for _ in AUDIT]
    s = adjustment.audit.setups
    return [
        [str(v) for v in s.verdict],
        _odds(s.evidence),
        _odds(s.ceiling),
        [str(v) for v in s.rival],
        fixed(s.correlation, 3),
    ]


def _odds(evidence: Floats) -> list[str]:
    """e to the evidence, with three significant digits: 38.2, 0.0041; blank where undefined."""
    texts = [""] * len(evidence)
    for i in np.flatnonzero(np.isfinite(evidence)).tolist():
        texts[i] = f"{math.exp(min(max(float(evidence[i]), -600.0), 600.0)):.3g}"
    return texts


def verdicts(adjustment: Adjustment) -> list[str]:
    """`verdict` of every setup."""
    s = adjustment.setups
    tested = np.isfinite(s.standardized_height) | np.isfinite(s.standardized_centring)
    words = ["fits" if t else "unchecked" for t in tested.tolist()]
    for row in np.flatnonzero(s.flagged).tolist():
        words[row] = verdict(adjustment, row)
    return words


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
